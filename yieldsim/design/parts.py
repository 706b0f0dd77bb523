"""What a design is made of: conditions, requirement, source, rectifier, store, regulator, radio, link.

Quantities that may carry a tolerance or a law are :class:`~yieldsim.design.parameter.Parameter`; everything
else is plain. Temperatures are in degC, ages in years, all other numbers SI.
"""

from __future__ import annotations

from dataclasses import dataclass

from yieldsim.design.parameter import Parameter


@dataclass(frozen=True)
class Defaults:
    """What a bare ``±5 %`` means: its shape and the level it is drawn at."""

    shape: str = "uniform"
    level: str = "unit"


@dataclass(frozen=True)
class Site:
    """A share of the units that spends its life on a mission of its own ((degC, share), ...)."""

    name: str
    share: float
    mission: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Conditions:
    """Where and how long the design works; temperatures x ages are the cells of every analysis.

    Attributes
    ----------
    temperatures : [degC]
    ages : [yr]
    service_life : [yr]
    actuations_per_day : None when the file does not say
    mission : ((temperature [degC], share of the actuations and of the years), ...); 25 degC alone when left
        out
    mission_given : whether the file states the mission
    sites : populations of sites, empty for one mission for all
    """

    temperatures: tuple[float, ...]
    ages: tuple[float, ...]
    service_life: float
    actuations_per_day: float | None = None
    mission: tuple[tuple[float, float], ...] = ((25.0, 1.0),)
    mission_given: bool = False
    sites: tuple[Site, ...] = ()


@dataclass(frozen=True)
class Requirement:
    """What must be reached: ``completion`` of each unit's actuations, by a share ``unit_yield`` of units."""

    completion: float | None = None
    unit_yield: float | None = None
    applies_to: str = "every condition"
    confidence: float = 0.95


@dataclass(frozen=True)
class Derating:
    """A stress that must stay at or below ``at_most`` of its rating in ``share`` of the actuations."""

    of: str
    at_most: float
    share: float


@dataclass(frozen=True)
class Stroke:
    """One pass of the mechanism; ``linkage`` is signed and relative, ``transit_time``, ``speed`` may be None.

    It begins at ``start``, or ``dwell`` [s] behind the end of the stroke before; the other one is None.
    """

    start: Parameter | None
    linkage: Parameter
    transit_time: Parameter | None = None
    speed: Parameter | None = None
    dwell: Parameter | None = None


@dataclass(frozen=True)
class Partial:
    """A ``share`` of the presses stops short: their strokes deliver only the share ``travel`` of flux or swing."""

    share: Parameter
    travel: Parameter


@dataclass(frozen=True)
class Waveform:
    """A measured open-circuit emf, linear between samples of ``time`` [s] and ``emf`` [V]."""

    time: tuple[float, ...]
    emf: tuple[float, ...]
    scale: Parameter
    file: str = ""


@dataclass(frozen=True)
class Harvester:
    """The source; what its ``kind`` does not have is None.

    Attributes
    ----------
    kind : ``electromagnetic``, ``piezoelectric`` or ``energy packet``
    peak_emf, coil_resistance, coil_inductance : electromagnetic; ``peak_emf`` is None with a ``waveform``
    transit_time, strokes : electromagnetic (half-sines) and piezoelectric
    speed : electromagnetic and piezoelectric
    open_circuit_swing, source_capacitance, loss_resistance : piezoelectric; no ``loss_resistance`` is no loss
    energy, efficiency, delivery_time : energy packet
    """

    kind: str
    peak_emf: Parameter | None = None
    transit_time: Parameter | None = None
    speed: Parameter | None = None
    coil_resistance: Parameter | None = None
    coil_inductance: Parameter | None = None
    strokes: tuple[Stroke, ...] = ()
    waveform: Waveform | None = None
    mechanical_energy: Parameter | None = None
    open_circuit_swing: Parameter | None = None
    source_capacitance: Parameter | None = None
    loss_resistance: Parameter | None = None
    energy: Parameter | None = None
    efficiency: Parameter | None = None
    delivery_time: Parameter | None = None
    partial: Partial | None = None


@dataclass(frozen=True)
class Precharge:
    """A direct-current source (photovoltaic, thermal) that charges the store before the mechanism is released.

    ``current`` [A] flows for ``charge_time`` [s], less what the store loses meanwhile, to ``voltage_limit`` [V].
    """

    current: Parameter
    voltage_limit: Parameter
    charge_time: Parameter


@dataclass(frozen=True)
class Rectifier:
    """``full bridge`` (two junctions in series) or ``single diode``; ratings [A], [V]."""

    kind: str
    forward_drop: Parameter
    reverse_leakage: Parameter
    current_rating: float | None = None
    reverse_rating: float | None = None


@dataclass(frozen=True)
class Capacitor:
    """One capacitor of a bank; ``insulation`` [ohm*F] is None where there is none."""

    name: str
    capacitance: Parameter
    esr: Parameter
    insulation: Parameter | None
    voltage_rating: float | None = None


@dataclass(frozen=True)
class Residual:
    """What the actuation before left: ``voltage`` [V] at its end, which the store loses from for ``time_since`` [s]."""

    voltage: Parameter
    time_since: Parameter


@dataclass(frozen=True)
class Storage:
    """The store: one capacitor (``capacitance``, ``esr``, ``insulation``), or a bank of ``capacitors`` in parallel.

    ``insulation`` [ohm*F] and ``clamp_voltage`` [V] are None where there is none. ``initial_voltage`` is None where
    there is a ``residual``. ``since_soldering`` [h] is the time between soldering and age 0. The ``voltage_rating`` [V]
    of a bank is the lowest that its capacitors state.
    """

    capacitance: Parameter | None
    esr: Parameter | None
    insulation: Parameter | None
    initial_voltage: Parameter | None
    clamp_voltage: Parameter | None = None
    capacitors: tuple[Capacitor, ...] = ()
    residual: Residual | None = None
    voltage_rating: float | None = None
    since_soldering: float = 1000.0

    @property
    def parts(self) -> tuple[Capacitor, ...]:
        """The capacitors of a bank, or the one capacitor as a bank of one, whose name is empty."""
        if self.capacitance is None or self.esr is None:
            return self.capacitors
        return (Capacitor("", self.capacitance, self.esr, self.insulation, self.voltage_rating),)

    @property
    def before(self) -> Parameter:
        """The voltage [V] that is in the store when its story begins: initial voltage, or that of the residual."""
        given = self.initial_voltage if self.residual is None else self.residual.voltage
        if given is None:
            raise TypeError("a store has an initial voltage or a residual")
        return given

    @property
    def nominal_capacitance(self) -> float:
        """Nominal capacitance at no bias [F], all capacitors together."""
        return sum(part.capacitance.nominal for part in self.parts)

    @property
    def nominal_esr(self) -> float:
        """Nominal series resistance [ohm], that of all capacitors in parallel; 0 where one has none."""
        resistances = [part.esr.nominal for part in self.parts]
        return 0.0 if 0.0 in resistances else 1.0 / sum(1.0 / r for r in resistances)


@dataclass(frozen=True)
class Regulator:
    """``linear``, ``buck`` or ``direct``; what its kind does not have is None."""

    kind: str
    output: Parameter | None
    quiescent: Parameter
    off_current: Parameter
    ground_share: Parameter | None
    start_voltage: Parameter
    stop_voltage: Parameter
    start_delay: Parameter
    output_capacitance: Parameter
    dropout: Parameter | None = None
    efficiency: Parameter | None = None
    voltage_rating: float | None = None
    restart: bool = False


@dataclass(frozen=True)
class Frame:
    """One transmission: ``octets`` of the PSDU behind ``overhead_octets``; ``bit_rate`` [bit/s].

    ``retry_octets`` are those of every attempt after the first, the same when None.
    """

    octets: int
    bit_rate: float
    overhead_octets: int
    retry_octets: int | None = None

    def time_of(self, octets: int) -> float:
        """Time on air [s] of a frame of so many octets, (octets + overhead_octets) * 8 / bit_rate."""
        return (octets + self.overhead_octets) * 8 / self.bit_rate

    @property
    def air_time(self) -> float:
        """Time on air [s] of the first attempt."""
        return self.time_of(self.octets)


@dataclass(frozen=True)
class Message:
    """One kind of message: its ``share`` of the actuations, and the octets it sends in place of the frame's own."""

    name: str
    share: float
    octets: int | None = None
    retry_octets: int | None = None


@dataclass(frozen=True)
class Acknowledgement:
    """Wholly arrived ``earliest`` + U(0, ``spread``) after the frame's end; ``timeout`` ends the wait [s]."""

    earliest: Parameter
    spread: Parameter
    timeout: Parameter


@dataclass(frozen=True)
class Step:
    """One step of the load sequence: exactly one of ``duration``, ``frame`` and ``acknowledgement`` is set.

    ``required`` is false only for a step after the acknowledgement that is no part of completion. The step runs
    for the ``messages`` named alone, for all of them when none is.
    """

    name: str
    when: str
    kind: str
    duration: Parameter | None
    frame: Frame | None
    acknowledgement: Acknowledgement | None
    current: Parameter
    minimum_supply: Parameter | None
    required: bool
    messages: tuple[str, ...] = ()


@dataclass(frozen=True)
class Radio:
    """The load: lowest supply it works at, highest it bears [V], and what it does in order."""

    minimum_supply: Parameter
    maximum_supply: float | None
    sequence: tuple[Step, ...]
    messages: tuple[Message, ...] = ()

    @property
    def nominal_message(self) -> int:
        """Index of the message that a nominal actuation sends: the largest share, first of equals; 0 for none."""
        shares = [message.share for message in self.messages] or [1.0]
        return shares.index(max(shares))

    def octets(self, frame: Frame, message: int, *, retry: bool) -> int:
        """PSDU octets of a frame in the first attempt or, with ``retry``, in a later one.

        A message's own octets stand in place of the frame's, in every attempt unless the message has retry octets.
        """
        own = self.messages[message] if self.messages else Message("", 1.0)
        first = frame.octets if own.octets is None else own.octets
        if not retry:
            return first
        if own.retry_octets is not None:
            return own.retry_octets
        return first if own.octets is not None or frame.retry_octets is None else frame.retry_octets

    def runs(self, step: Step, message: int) -> bool:
        """Whether a step runs for the message of this index."""
        return not step.messages or self.messages[message].name in step.messages


@dataclass(frozen=True)
class Backoff:
    """Channel access by listening before talking (IEEE 802.15.4, unslotted CSMA-CA) and what it costs."""

    unit: Parameter
    busy: Parameter
    idle_current: Parameter
    assess_time: Parameter
    assess_current: Parameter
    turnaround: Parameter
    turnaround_current: Parameter
    minimum_exponent: int
    maximum_exponent: int
    maximum_backoffs: int


@dataclass(frozen=True)
class Link:
    """``attempts`` counts all transmissions; losses as shares, or from ``signal_to_noise`` [dB].

    Where ``retry_above`` [V] is given, a retry begins only with the regulator input at or above it.
    """

    attempts: int
    frame_loss: Parameter
    acknowledgement_loss: Parameter
    signal_to_noise: Parameter | None = None
    backoff: Backoff | None = None
    retry_above: Parameter | None = None


@dataclass(frozen=True)
class Correlation:
    """Spearman ``rank`` correlation of each pair of the parameters ``between``, at one ``level``."""

    between: tuple[str, ...]
    rank: float
    level: str

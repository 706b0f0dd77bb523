"""What a reference node is made of: sources, store, regulator and load as plain numbers in SI units.

Part of the independent integration of `reference_node`; nothing of the project is imported.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

HORIZON = 0.5  # [s] after the last stroke, the time within which the regulator has to start

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Stroke:
    """One stroke of the mechanism, signed: a coil gives ``amplitude``·sin(πτ/width) of emf, a piezoelectric
    element an open-circuit voltage that moves by ``amplitude``·(1 − cos(πτ/width))/2; [s], [V]."""

    start: float  # unless it dwells
    amplitude: float
    width: float
    dwell: float | None = None  # it begins so long after the end of the stroke before


@dataclass(frozen=True)
class Packet:
    """The datasheet view of a source: ``energy``·``efficiency``/``time`` flows into the store from t = 0."""

    energy: float
    efficiency: float
    time: float


@dataclass(frozen=True)
class Precharge:
    """A direct current into the store before t = 0, up to a limit; [A], [V], [s]."""

    current: float
    limit: float
    time: float


@dataclass(frozen=True)
class Capacitor:
    """One capacitor of a bank; ``bias`` as that of the node, ``insulation`` an ohm-farad product [s]."""

    capacitance: float
    bias: Points | None = None
    esr: float = 0.0
    insulation: float = math.inf


@dataclass(frozen=True)
class LoadStep:
    """One step of the radio: duration [s], current [A], the lowest supply it works from [V].

    The current is that at a supply of ``reference`` and changes by ``slope`` [S]; below the lowest supply it
    stays.  With a ``gate`` [V] the step, and all behind it, runs only if V_in stands there at the end of the
    step before.
    """

    name: str
    duration: float
    current: float
    minimum_supply: float
    slope: float = 0.0
    reference: float = 0.0
    gate: float = 0.0

    def load(self, supply: float) -> float:
        return max(self.current + self.slope * (max(supply, self.minimum_supply) - self.reference), 0.0)


@dataclass(frozen=True)
class ReferenceNode:
    """One node with plain numbers in SI units; what is left out is absent or ideal."""

    sequence: tuple[LoadStep, ...]
    strokes: tuple[Stroke, ...] = ()
    waveform: Points = ()  # (time, emf), linear between, in place of the strokes
    travel: float = 1.0  # of its flux, swing or energy, the share that each stroke delivers
    coil_resistance: float = 1.0
    coil_inductance: float = 0.0
    source_capacitance: float | None = None  # given: the strokes are those of a piezoelectric element
    loss_resistance: float = math.inf  # across it
    packet: Packet | None = None
    precharge: Precharge | None = None
    time_since: float = 0.0  # before t = 0, and before the precharge, with the regulator off
    bridge: bool = True  # False: a single diode, which passes positive current only
    junction_voltage: float = 0.0  # one junction: junction_voltage + junction_slope * current
    junction_slope: float = 0.0
    junction_law: Points | None = None  # two points (A, V) of one junction, in place of the line
    reverse_leakage: float = 0.0
    capacitance: float = 1e-6  # small-signal, at no bias
    bias: Points | None = None  # (voltage, factor), flat beyond
    esr: float = 0.0
    insulation: float = math.inf  # [ohm F]
    bank: tuple[Capacitor, ...] = ()  # in place of the four above
    initial_voltage: float = 0.0
    clamp: float = math.inf
    regulator: str = "linear"  # linear | buck | direct
    restart: bool = False
    output_voltage: float = 0.0  # of linear and buck
    quiescent: float = 0.0
    off_current: float = 0.0
    ground_share: float = 0.0  # of linear
    start_voltage: float = 0.0
    stop_voltage: float = 0.0
    start_delay: float = 0.0
    output_capacitance: float = 0.0
    pass_resistance: float = 0.0  # of linear and buck
    efficiency: float = 1.0  # of buck
    # factors against V_in, or against the load current for the efficiency; linear between, flat beyond
    off_curve: Points = ()
    quiescent_curve: Points = ()
    dropout_curve: Points = ()
    efficiency_curve: Points = ()

    @property
    def piezoelectric(self) -> bool:
        return self.source_capacitance is not None

    @property
    def junctions(self) -> int:
        return 2 if self.bridge else 1

    @property
    def drop(self) -> float:
        """The rectifier's drop at no current [V]."""
        return 0.0 if self.junction_law else self.junctions * self.junction_voltage

    @property
    def parts(self) -> tuple[Capacitor, ...]:
        """The capacitors of the store."""
        return self.bank or (Capacitor(self.capacitance, self.bias, self.esr, self.insulation),)

    @property
    def series_resistance(self) -> float:
        """The ESR of the store: the parallel value [ohm]."""
        if any(part.esr == 0.0 for part in self.parts):
            return 0.0
        return 1.0 / math.fsum(1.0 / part.esr for part in self.parts)

    @property
    def conductance(self) -> float:
        """The insulation of the store [S]."""
        return math.fsum(part.capacitance / part.insulation for part in self.parts)

    @property
    def timed(self) -> tuple[tuple[float, float, Stroke], ...]:
        """Start and end of every stroke, dwells and travel in, with the stroke."""
        # the flux of a half-sine up to tau goes with (1 - cos(pi tau/w))/2, and so does the swing
        share = math.acos(1.0 - 2.0 * self.travel) / math.pi
        found: list[tuple[float, float, Stroke]] = []
        for stroke in self.strokes:
            start = stroke.start if stroke.dwell is None else found[-1][1] + stroke.dwell
            found.append((start, start + share * stroke.width, stroke))
        return tuple(found)

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Start and end of every stroke [s]; a sampled waveform and a packet are one stroke."""
        if self.packet is not None:
            return [(0.0, self.travel * self.packet.time)]
        if self.waveform:
            return [(self.waveform[0][0], self.waveform[-1][0])]
        return [(start, end) for start, end, _ in self.timed]

    @property
    def horizon(self) -> float:
        return max((end for _, end in self.spans), default=0.0) + HORIZON

    def need(self, step: LoadStep) -> float:
        """The lowest V_in [V] with which the step works."""
        if self.regulator == "direct":
            return max(step.minimum_supply, self.stop_voltage)
        lost = self.pass_resistance * step.load(step.minimum_supply)
        need = step.minimum_supply + lost
        if self.dropout_curve and lost > 0.0:
            most = step.minimum_supply + lost * self.dropout_curve[0][1]  # the factor does not rise

            def excess(v: float) -> float:
                return v - lost * factor(self.dropout_curve, v) - step.minimum_supply

            least = step.minimum_supply + 0.999 * lost * self.dropout_curve[-1][1]
            need = float(brentq(excess, least, most + 1e-9, xtol=1e-14))
        return max(need, self.stop_voltage)


def factor(curve: Sequence[tuple[float, float]], x: float) -> float:
    """A factor curve at ``x``: linear between its points, flat beyond, 1 where there is none."""
    if not curve:
        return 1.0
    if x <= curve[0][0]:
        return curve[0][1]
    for (x0, y0), (x1, y1) in pairwise(curve):
        if x <= x1:
            return y0 + (x - x0) * (y1 - y0) / (x1 - x0)
    return curve[-1][1]


class Part:
    """C(V) = C_s * b(V), b a shape-preserving cubic, 1 below zero, flat beyond."""

    def __init__(self, part: Capacitor) -> None:
        self._nominal = part.capacitance
        self._knots: list[float] = []
        if part.bias is not None:
            volts, factors = zip(*part.bias, strict=True)
            curve = PchipInterpolator(volts, factors)
            self._knots = [float(v) for v in volts]
            self._cubics = [tuple(map(float, row)) for row in curve.c.T]
            self._last = float(factors[-1])

    def capacitance(self, v: float) -> float:
        if not self._knots or v <= 0.0:
            return self._nominal
        if v >= self._knots[-1]:
            return self._nominal * self._last
        k = bisect_right(self._knots, v) - 1
        x = v - self._knots[k]
        a, b, c, d = self._cubics[k]
        return self._nominal * (((a * x + b) * x + c) * x + d)


class Store:
    """The ideal capacitor, or a bank at one voltage: C(V) is the sum."""

    def __init__(self, node: ReferenceNode) -> None:
        self.parts = [Part(part) for part in node.parts]

    def capacitance(self, v: float) -> float:
        return sum([part.capacitance(v) for part in self.parts])

    def after_charge(self, v: float, charge: float) -> float:
        """The voltage once ``charge`` [C] has been taken from the store at ``v``."""
        taken = solve_ivp(
            lambda _, y: [-charge / self.capacitance(y[0])], (0.0, 1.0), [v], "DOP853", rtol=1e-11, atol=1e-13
        )
        return float(taken.y[0, -1])

    def after_energy(self, v: float, energy: float) -> float:
        """The voltage once ``energy`` [J] has been taken; ValueError if the store does not hold it."""

        # y = V^2: d(V^2)/dE = -2/C is regular down to an empty store
        def rate(_: float, y: Sequence[float]) -> list[float]:
            return [-2.0 * energy / self.capacitance(math.sqrt(max(y[0], 0.0)))]

        taken = solve_ivp(rate, (0.0, 1.0), [v * v], "DOP853", rtol=1e-11, atol=1e-13)
        if v <= 0.0 or taken.y[0, -1] <= 0.0:
            raise ValueError(f"the output capacitor asks for {energy:.3g} J, more than the store holds")
        return math.sqrt(taken.y[0, -1])


def at_release(node: ReferenceNode) -> float:
    """The store's voltage at t = 0: what is left of the residual voltage, and the precharge.

    The regulator is off.  Nothing takes the store below zero here; above the precharge's limit its source
    gives nothing, at the limit as much as is lost.
    """
    v = node.initial_voltage
    if node.time_since > 0.0:
        v = _idle(node, v, 0.0, math.inf, node.time_since)
    if node.precharge is not None and node.precharge.time > 0.0:
        limit = min(node.precharge.limit, node.clamp)
        v = _idle(node, v, node.precharge.current, limit, node.precharge.time)
    return v


def _idle(node: ReferenceNode, v: float, current: float, limit: float, time: float) -> float:
    store, conductance = Store(node), node.conductance

    def losses(x: float) -> float:
        return node.off_current * factor(node.off_curve, x) + node.reverse_leakage + conductance * x

    t = 0.0
    while t < time:
        if v == limit and current >= losses(v):
            return v
        given = current if v < limit or (v == limit and current > 0.0) else 0.0
        if v <= 0.0 and given <= losses(0.0):
            return 0.0

        def rate(_: float, y: Sequence[float], given: float = given) -> list[float]:
            return [(given - losses(y[0])) / store.capacitance(y[0])]

        def met(_: float, y: Sequence[float]) -> float:
            return y[0] - limit if math.isfinite(limit) else -1.0

        def empty(_: float, y: Sequence[float]) -> float:
            return y[0]

        empty.terminal, empty.direction = True, -1.0  # type: ignore[attr-defined]
        met.terminal, met.direction = True, -1.0 if v > limit else 1.0  # type: ignore[attr-defined]
        run = solve_ivp(rate, (t, time), [v], "DOP853", rtol=1e-11, atol=1e-13, events=[met, empty])
        if not run.success:
            raise RuntimeError(f"the store before the release: {run.message}")
        t, v = float(run.t[-1]), float(run.y[0, -1])
        if run.t_events[0].size:
            v = limit
        elif run.t_events[1].size:
            v = 0.0
    return v


def validate(node: ReferenceNode) -> None:
    """Raises ValueError for a node that is none."""
    if node.regulator not in ("linear", "buck", "direct"):
        raise ValueError(f"no regulator of the kind {node.regulator!r}")
    if ((node.waveform or node.packet) and node.strokes) or (node.waveform and node.packet):
        raise ValueError("strokes, a sampled waveform or a packet, not two of them")
    if node.waveform and (node.travel != 1.0 or node.piezoelectric):
        raise ValueError("a sampled waveform is that of a whole press on a coil")
    spans = sorted(node.spans)
    # a stroke that follows at once may begin a rounding early
    if any(right[0] < left[1] - 1e-12 for left, right in pairwise(spans)):
        raise ValueError("strokes overlap")
    if node.initial_voltage > node.clamp or not node.sequence:
        raise ValueError("the store begins above its clamp, or there is no sequence")
    if node.junction_law and (node.regulator == "buck" or node.quiescent_curve or node.off_curve):
        raise ValueError("the exponential law goes with constant currents of the regulator alone")
    most = max(step.load(node.output_voltage) for step in node.sequence)
    least = node.efficiency * max((y for _, y in node.efficiency_curve), default=1.0)
    if node.regulator == "buck" and node.series_resistance * most >= node.output_voltage / least:
        raise ValueError("the ESR alone would take the converter's whole input voltage")

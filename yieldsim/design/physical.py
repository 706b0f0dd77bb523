"""The physical quantities of a design: what each measures, which values are possible, which probable.

One row a key of the configuration file; the last part of a parameter's name finds it, or the last two where a key
means something else in another table.
"""

from __future__ import annotations

from dataclasses import dataclass

from yieldsim.design.parameter import Parameter


@dataclass(frozen=True)
class Physical:
    """One key that takes a parameter.

    Attributes
    ----------
    dimension : as in :data:`yieldsim.design.units.DIMENSIONS`
    meaning : one line for help and for editors
    low, high : possible values, SI; None for no bound
    strict : the lower bound itself is impossible
    probable : values outside (and not 0) are warned of
    """

    dimension: str
    meaning: str
    low: float | None = None
    high: float | None = None
    strict: bool = False
    probable: tuple[float, float] | None = None

    def possible(self, value: float) -> bool:
        """Whether a nominal value is possible."""
        if self.low is not None and (value < self.low or (self.strict and value == self.low)):
            return False
        return self.high is None or value <= self.high


def _positive(dimension: str, meaning: str, probable: tuple[float, float]) -> Physical:
    return Physical(dimension, meaning, 0.0, strict=True, probable=probable)


def _not_negative(dimension: str, meaning: str, probable: tuple[float, float]) -> Physical:
    return Physical(dimension, meaning, 0.0, probable=probable)


def _loss(meaning: str) -> Physical:
    return Physical("share", meaning, 0.0, 1.0, probable=(0.0, 0.5))


PHYSICAL: dict[str, Physical] = {
    # harvester
    "peak_emf": _not_negative("V", "open-circuit peak of the emf at speed 1", (0.5, 100.0)),
    "transit_time": _positive("s", "width of one half-sine pulse at speed 1", (50e-6, 0.1)),
    "speed": _positive("factor", "speed of the mechanism relative to the nominal press", (0.2, 5.0)),
    "coil_resistance": _not_negative("ohm", "coil resistance at 20 degC", (1.0, 20e3)),
    "coil_inductance": _not_negative("H", "coil inductance", (1e-6, 2.0)),
    "mechanical_energy": _positive("J", "work that the mechanism gives in one actuation", (10e-6, 1.0)),
    "start": _not_negative("s", "start of the stroke after release", (1e-6, 1.0)),
    "dwell": _not_negative("s", "rest between the end of the stroke before and the start of this one", (1e-3, 60.0)),
    "linkage": Physical("factor", "flux linkage relative to the first stroke; a return stroke is -1", -10.0, 10.0),
    "scale": _positive("factor", "factor on the measured emf", (0.1, 10.0)),
    "open_circuit_swing": _not_negative("V", "open-circuit swing of the voltage over one stroke", (1.0, 500.0)),
    "source_capacitance": _positive("F", "capacitance of the piezoelectric element", (1e-9, 10e-6)),
    "loss_resistance": _positive("ohm", "loss resistance across the piezoelectric element", (1e3, 1e9)),
    "energy": _not_negative("J", "energy that one actuation gives", (10e-6, 0.1)),
    "harvester.efficiency": Physical(
        "share", "part of the energy that reaches the store", 0.0, 1.0, strict=True, probable=(0.1, 0.98)
    ),
    "delivery_time": _positive("s", "time over which the energy arrives", (50e-6, 1.0)),
    "share": Physical("share", "share of the presses that stop short", 0.0, 1.0, probable=(1e-6, 0.3)),
    "travel": Physical("factor", "part of a stroke that a press which stops short delivers", 0.0, 1.0, strict=True),
    # precharge
    "precharge.current": _not_negative("A", "current of the source that charges beforehand", (10e-9, 0.1)),
    "voltage_limit": _positive("V", "voltage at which that source stops charging", (0.5, 50.0)),
    "charge_time": _not_negative("s", "time for which it charges before the actuation", (1e-3, 1e6)),
    # rectifier
    "forward_drop": _not_negative("V", "forward drop of one junction", (0.05, 1.5)),
    "reverse_leakage": _not_negative("A", "current the rectifier takes from the store", (1e-9, 1e-3)),
    # storage
    "capacitance": _positive("F", "capacitance of the store at no bias", (0.1e-6, 10e-3)),
    "esr": _not_negative("ohm", "equivalent series resistance of the store", (1e-4, 50.0)),
    "insulation": _positive("ohm*F", "insulation resistance times capacitance", (1.0, 1e6)),
    "initial_voltage": _not_negative("V", "voltage left in the store before the actuation", (1e-3, 50.0)),
    "voltage": _not_negative("V", "voltage of the store at the end of the actuation before", (1e-3, 50.0)),
    "time_since": _not_negative("s", "time since the end of the actuation before", (1e-3, 1e7)),
    "clamp_voltage": _positive("V", "voltage at which an ideal clamp holds the store", (1.0, 50.0)),
    # regulator
    "output": _positive("V", "regulated output voltage", (0.8, 5.5)),
    "quiescent": _not_negative("A", "own current of the regulator while it runs", (1e-9, 1e-3)),
    "off_current": _not_negative("A", "current drawn before the start", (1e-10, 100e-6)),
    "ground_share": Physical("share", "ground current as a share of the load current", 0.0, 1.0, probable=(1e-6, 0.2)),
    "start_voltage": _positive("V", "input voltage at which the regulator starts", (0.9, 20.0)),
    "stop_voltage": _not_negative("V", "input voltage at which the regulator stops", (0.5, 20.0)),
    "start_delay": _not_negative("s", "time from the start to a valid output", (1e-6, 20e-3)),
    "output_capacitance": _not_negative("F", "capacitance charged at the regulator's output", (1e-9, 100e-6)),
    "dropout": _not_negative("V", "least input-output difference at its test current", (1e-3, 2.0)),
    "efficiency": Physical("share", "conversion efficiency", 0.0, 1.0, strict=True, probable=(0.4, 0.98)),
    # radio
    "minimum_supply": _positive("V", "lowest supply at which it still works", (0.7, 4.5)),
    "duration": _positive("s", "duration of the step", (1e-6, 2.0)),
    "earliest": _not_negative("s", "earliest complete arrival of the acknowledgement", (1e-6, 2.0)),
    "spread": _not_negative("s", "width of the uniform spread of its arrival", (1e-6, 2.0)),
    "timeout": _positive("s", "longest wait for the acknowledgement", (1e-6, 5.0)),
    "current": _not_negative("A", "supply current of the step", (100e-9, 0.5)),
    # link
    "frame_loss": _loss("probability that a frame is lost"),
    "acknowledgement_loss": _loss("probability that an acknowledgement is lost"),
    "signal_to_noise": Physical("dB", "signal-to-noise ratio at the receiver", probable=(-5.0, 60.0)),
    "retry_above": _not_negative("V", "regulator input below which a retry is not begun", (0.5, 20.0)),
    "unit": _positive("s", "unit backoff period", (10e-6, 10e-3)),
    "busy": _loss("probability that a channel assessment finds the channel busy"),
    "idle_current": _not_negative("A", "supply current while backing off", (100e-9, 0.1)),
    "assess_time": _not_negative("s", "duration of one channel assessment", (1e-6, 10e-3)),
    "assess_current": _not_negative("A", "supply current during a channel assessment", (1e-6, 0.5)),
    "turnaround": _not_negative("s", "time from the clear channel to the transmission", (1e-6, 10e-3)),
    "turnaround_current": _not_negative("A", "supply current during the turnaround", (1e-6, 0.5)),
    # laws
    "change": Physical("change", "relative change by ageing", -1.0, 20.0),
    "dielectric": Physical("factor", "place of a part within the limits of its dielectric's code", 0.0, 1.0),
}


def physical_of(parameter: Parameter) -> Physical:
    """Return the row of a parameter."""
    return PHYSICAL[key_of_name(parameter.name)]


def key_of_name(name: str) -> str:
    """Return the key in :data:`PHYSICAL` of a parameter's dotted name."""
    both = ".".join(name.split(".")[-2:])
    return both if both in PHYSICAL else name.rpartition(".")[2]

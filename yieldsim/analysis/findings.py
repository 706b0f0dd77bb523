"""Sanity of a design at its nominal values: what would stop it or stress it, told before a single run."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

from yieldsim.analysis.described import limits_of
from yieldsim.design.parameter import Parameter
from yieldsim.design.quantity import format_quantity
from yieldsim.design.rules import RATINGS
from yieldsim.design.schema import Design, Step
from yieldsim.engine.settings import Settings

OK, LOOK, WARNING = "ok", "look", "warning"
_BRAKING = 0.2  # share of the mechanical energy above which the press feels the coil
_SLOW = 0.5  # time constant over transit time above which the current hardly follows the emf
_LARGE_ERROR = 0.01  # of the drop's line, mean over the charge [V]
_DROP_SHARE = "over 5 % to 100 % of the unloaded peak current"


@dataclass(frozen=True)
class Finding:
    """One sentence, ``ok``, ``look`` or ``warning``."""

    kind: str
    text: str


def findings_of(
    design: Design, settings: Settings, assumed: tuple[str, ...], line: Mapping[str, float]
) -> Iterator[Finding]:
    """Yield every finding of a design.

    Parameters
    ----------
    design : Design
    settings : Settings
    assumed : names of the parameters whose numbers are assumed
    line : of the forward drop, see `drop_line_of`
    """
    yield _start(design)
    yield from _inductance(design)
    yield from _overvoltage(design)
    yield from _drop(line)
    yield from _braking(design, settings)
    yield _basis(design, assumed)


def _volts(value: float) -> str:
    return format_quantity(value, "V", 4)


def _start(design: Design) -> Finding:
    """Compare the start voltage, less what the output capacitor takes, with what the first step needs."""
    regulator, step = design.regulator, design.radio.sequence[0]
    start = regulator.start_voltage.nominal
    left = _after_charging(design, start)
    need = _need(design, step)
    told = (
        f"after the start at {_volts(start)} the output capacitor leaves {_volts(left)} in the store, "
        f"without further charge; {step.name} needs {_volts(need)}"
    )
    if left >= need:
        return Finding(OK, f"regulator.start_voltage: {told}.")
    return Finding(WARNING, f"regulator.start_voltage: {told}, which the source must still deliver.")


def _after_charging(design: Design, start: float) -> float:
    """Store voltage [V] once the output capacitor is charged, from ``start`` and without further charge."""
    regulator, storage = design.regulator, design.storage
    output = regulator.output.nominal if regulator.output is not None else start
    capacitance = storage.capacitance.nominal * _bias_at(design, start)
    load = regulator.output_capacitance.nominal
    if regulator.efficiency is not None:  # a buck takes energy: C V dV = C_out V_out^2 / (2 eta)
        square = start * start - load * output * output / (regulator.efficiency.nominal * capacitance)
        return math.sqrt(max(square, 0.0))
    return start - load * output / capacitance


def _bias_at(design: Design, voltage: float) -> float:
    """Return the differential bias factor at a voltage, by straight lines between its points."""
    points = design.storage.capacitance.bias
    if points is None:
        return 1.0
    for (v0, f0), (v1, f1) in pairwise(points):
        if voltage < v1:
            return f0 + (f1 - f0) * (voltage - v0) / (v1 - v0)
    return points[-1][1]


def _need(design: Design, step: Step) -> float:
    """Lowest regulator input [V] of a step at nominal values: max(V_min + R_pass I, V_stop)."""
    minimum = (step.minimum_supply or design.radio.minimum_supply).nominal
    slope, reference = step.current.slope or 0.0, step.current.at or 0.0
    current = max(0.0, step.current.nominal + slope * (minimum - reference))
    dropout = design.regulator.dropout
    drop = dropout.nominal / dropout.at * current if dropout is not None and dropout.at else 0.0
    return max(minimum + drop, design.regulator.stop_voltage.nominal)


def _inductance(design: Design) -> Iterator[Finding]:
    harvester = design.harvester
    if harvester is None or harvester.coil_inductance.nominal == 0.0 or harvester.coil_resistance.nominal == 0.0:
        return
    constant = harvester.coil_inductance.nominal / harvester.coil_resistance.nominal
    widths = [p for p in (harvester.transit_time, *(s.transit_time for s in harvester.strokes)) if p is not None]
    if harvester.waveform is not None:
        shortest = harvester.waveform.time[-1] - harvester.waveform.time[0]
    elif widths:
        shortest = min(p.nominal for p in widths)
    else:
        return
    share = constant / shortest
    text = (
        f"harvester.coil_inductance: its time constant L/R is {format_quantity(constant, 's', 3)}, "
        f"{100 * share:.3g} % of the shortest stroke"
    )
    if share > _SLOW:
        yield Finding(LOOK, f"{text}; check both, for the current hardly follows the emf.")
    else:
        yield Finding(OK, f"{text}.")


def _overvoltage(design: Design) -> Iterator[Finding]:
    """Compare the clamp, or without one the open-circuit peak, with the ratings that see the input."""
    sees = [
        "store.voltage",
        "regulator.voltage",
        *(["radio.voltage"] if design.regulator.kind == "direct" else []),
    ]
    ratings = {}
    for name in sees:
        section, key = RATINGS[name]
        value = getattr(getattr(design, section), key)
        if value is not None:
            ratings[f"{section}.{key}"] = value
    if not ratings:
        yield Finding(LOOK, "no rating is stated that the input voltage could be compared with.")
        return
    weakest = min(ratings, key=lambda name: ratings[name])
    rating = f"{weakest} {_volts(ratings[weakest])}"
    clamp = design.storage.clamp_voltage
    if clamp is not None:
        yield _clamp(design, clamp, ratings[weakest], rating)
        return
    peak = _peak_emf(design)
    if peak is None:
        return
    if peak <= ratings[weakest]:
        yield Finding(OK, f"no clamp: the nominal peak emf {_volts(peak)} does not exceed {rating}.")
    else:
        yield Finding(
            LOOK,
            f"no clamp: nominal peak emf {_volts(peak)} is above {rating}; only the store's size limits it.",
        )


def _clamp(design: Design, clamp: Parameter, rating: float, rated: str) -> Finding:
    """Compare the store's terminal with a rating: the clamp holds the store's own voltage, ESR comes on top."""
    from yieldsim.engine.part_tables import unloaded_peak_current

    highest = limits_of(clamp)[1]
    highest = clamp.nominal if highest is None else highest
    rise = design.storage.esr.nominal * unloaded_peak_current(design)
    laws = ", before its laws" if clamp.temperature is not None or clamp.ageing else ""
    text = (
        f"storage.clamp_voltage: the store's own voltage is at most {_volts(highest)}{laws}; the terminal may "
        f"stand ESR times the coil current above it, {_volts(rise)} at the unloaded peak current"
    )
    if highest + rise <= rating:
        return Finding(OK, f"{text}: {_volts(highest + rise)} in all, within {rated}.")
    return Finding(WARNING, f"{text}: {_volts(highest + rise)} in all, above {rated}.")


def _peak_emf(design: Design) -> float | None:
    harvester = design.harvester
    if harvester is None:
        return None
    if harvester.waveform is not None:
        return max(abs(e) for e in harvester.waveform.emf) * harvester.waveform.scale.nominal * harvester.speed.nominal
    if harvester.peak_emf is None:
        return None
    return harvester.peak_emf.nominal * max(
        abs(stroke.linkage.nominal) * (stroke.speed or harvester.speed).nominal for stroke in harvester.strokes
    )


def drop_line_of(design: Design) -> dict[str, float]:
    """Return the straight line that stands for one junction's drop, and its largest error.

    The modules that fit it are heavy, so they are imported only where the drop is a table.
    """
    drop = design.rectifier.forward_drop
    if drop.points is None or len({volts for _, volts in drop.points}) == 1:  # a drop that knows no current
        return {"intercept_V": drop.nominal, "slope_ohm": 0.0, "error_V": 0.0, "mean_error_V": 0.0}
    from yieldsim.engine.part_tables import drop_line, unloaded_peak_current

    line = drop_line(drop.points, unloaded_peak_current(design))
    return {
        "intercept_V": line.intercept,
        "slope_ohm": line.slope,
        "error_V": line.largest,
        "mean_error_V": line.mean,
    }


def _drop(line: Mapping[str, float]) -> Iterator[Finding]:
    if line["slope_ohm"] == 0.0 and line["error_V"] == 0.0:
        return
    mean, largest = (format_quantity(line[name], "V", 2) for name in ("mean_error_V", "error_V"))
    text = (
        f"rectifier.forward_drop: its straight line, {format_quantity(line['intercept_V'], 'V', 3)} + "
        f"{format_quantity(line['slope_ohm'], 'ohm', 3)}, is {mean} off the table in the mean over the "
        f"charge, {largest} at most, "
        f"{_DROP_SHARE}"
    )
    if line["mean_error_V"] > _LARGE_ERROR:
        yield Finding(LOOK, f"{text}; add points where the current flows.")
    else:
        yield Finding(OK, f"{text}.")


def _braking(design: Design, settings: Settings) -> Iterator[Finding]:
    """Compare the work of the source with the mechanical energy, where that is given."""
    harvester = design.harvester
    if harvester is None or harvester.mechanical_energy is None:
        return
    from yieldsim.engine.columns import Condition
    from yieldsim.engine.response import Response
    from yieldsim.kernel.layout import LED_SOURCE

    opened = Response(design, settings).respond_at({}, Condition(25.0, 0.0), opened=True)
    work, given = float(opened.ledger[LED_SOURCE]), harvester.mechanical_energy.nominal
    text = (
        f"harvester.mechanical_energy: the nominal actuation takes {format_quantity(work, 'J', 3)}, "
        f"{100 * work / given:.3g} % of {format_quantity(given, 'J', 4)}"
    )
    if work > _BRAKING * given:
        yield Finding(LOOK, f"{text}; above {100 * _BRAKING:g} % the coil brakes the mechanism, which is not modelled.")
    else:
        yield Finding(OK, f"{text}; its braking is neglected.")


def _basis(design: Design, assumed: tuple[str, ...]) -> Finding:
    stated = [p for p in design.parameters.values() if not p.defaulted]
    count = f"{len(assumed)} of {len(stated)} stated parameters are assumed"
    if assumed:
        return Finding(LOOK, f"{count}: {', '.join(assumed)}.")
    return Finding(OK, f"{count}.")

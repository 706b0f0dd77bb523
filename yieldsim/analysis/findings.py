"""Sanity of a design at its nominal values: what would stop it or stress it, told before a single run."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

from yieldsim.analysis.described import limits_of
from yieldsim.analysis.finding import LOOK, OK, WARNING, Finding, volts
from yieldsim.analysis.nominal_store import capacitance_at, energy_at, voltage_with
from yieldsim.analysis.source_findings import before_the_release, source_findings
from yieldsim.design.parameter import Parameter
from yieldsim.design.quantity import format_quantity
from yieldsim.design.rules import RATINGS
from yieldsim.design.schema import Design, Step
from yieldsim.engine.settings import Settings

__all__ = ["LOOK", "OK", "WARNING", "Finding", "drop_line_of", "findings_of"]

_BRAKING = 0.2  # share of the mechanical energy above which the press feels the coil
_SLOW = 0.5  # time constant over transit time above which the current hardly follows the emf
_LARGE_ERROR = 0.01  # of the drop's line, mean over the charge [V]
_DROP_SHARE = "over 5 % to 100 % of the unloaded peak current"


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
    yield from source_findings(design)
    yield from _inductance(design)
    yield from _overvoltage(design)
    yield from _drop(design, line)
    yield from _braking(design, settings)
    yield _basis(design, assumed)


def _start(design: Design) -> Finding:
    """Compare the start voltage, less what the output capacitor takes, with what the first step needs."""
    regulator, step = design.regulator, design.radio.sequence[0]
    start = regulator.start_voltage.nominal
    left = _after_charging(design, start)
    need = _need(design, step)
    told = (
        f"after the start at {volts(start)} the output capacitor leaves {volts(left)} in the store, "
        f"without further charge; {step.name} needs {volts(need)}"
    )
    if left >= need:
        return Finding(OK, f"regulator.start_voltage: {told}.")
    return Finding(WARNING, f"regulator.start_voltage: {told}, which the source must still deliver.")


def _after_charging(design: Design, start: float) -> float:
    """Store voltage [V] once the output capacitor is charged, from ``start`` and without further charge."""
    regulator = design.regulator
    output = regulator.output.nominal if regulator.output is not None else start
    capacitance = capacitance_at(design, start)
    load = regulator.output_capacitance.nominal
    if regulator.efficiency is not None:  # a buck takes energy: C V dV = C_out V_out^2 / (2 eta)
        square = start * start - load * output * output / (regulator.efficiency.nominal * capacitance)
        return math.sqrt(max(square, 0.0))
    return start - load * output / capacitance


def _need(design: Design, step: Step) -> float:
    """Lowest regulator input [V] of a step at nominal values: max(V_min + V_do(I), V_stop)."""
    minimum = (step.minimum_supply or design.radio.minimum_supply).nominal
    slope, reference = step.current.slope or 0.0, step.current.at or 0.0
    current = max(0.0, step.current.nominal + slope * (minimum - reference))
    dropout = design.regulator.dropout
    drop = dropout.nominal / dropout.at * current if dropout is not None and dropout.at else 0.0
    curve = dropout.curve if dropout is not None else None
    return max(_met(minimum, drop, curve), design.regulator.stop_voltage.nominal)


def _met(minimum: float, drop: float, curve: tuple[tuple[float, float], ...] | None) -> float:
    """Input V [V] with V = minimum + drop f(V); the factor f does not rise, so halving finds the one there is."""
    if not curve:
        return minimum + drop

    def factor(v: float) -> float:
        if v <= curve[0][0]:
            return curve[0][1]
        for (v0, f0), (v1, f1) in pairwise(curve):
            if v < v1:
                return f0 + (f1 - f0) * (v - v0) / (v1 - v0)
        return curve[-1][1]

    low, high = minimum, minimum + drop * curve[0][1]
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if middle < minimum + drop * factor(middle) else (low, middle)
    return high


def _inductance(design: Design) -> Iterator[Finding]:
    harvester = design.harvester
    if harvester is None or harvester.coil_inductance is None or harvester.coil_resistance is None:
        return
    if harvester.coil_inductance.nominal == 0.0 or harvester.coil_resistance.nominal == 0.0:
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
    rating = f"{weakest} {volts(ratings[weakest])}"
    clamp = design.storage.clamp_voltage
    if clamp is not None:
        yield _clamp(design, clamp, ratings[weakest], rating)
        return
    highest = _highest(design)
    if highest is None:
        return
    name, peak = highest
    if peak <= ratings[weakest]:
        yield Finding(OK, f"no clamp: the {name} {volts(peak)} does not exceed {rating}.")
    elif design.harvester is not None and design.harvester.kind == "energy packet":
        yield Finding(WARNING, f"no clamp: the {name} {volts(peak)} is above {rating}.")
    else:
        yield Finding(LOOK, f"no clamp: {name} {volts(peak)} is above {rating}; only the store's size limits it.")


def _clamp(design: Design, clamp: Parameter, rating: float, rated: str) -> Finding:
    """Compare the store's terminal with a rating: the clamp holds the store's own voltage, ESR comes on top."""
    from yieldsim.engine.part_tables import unloaded_peak_current

    highest = limits_of(clamp)[1]
    highest = clamp.nominal if highest is None else highest
    rise = design.storage.nominal_esr * unloaded_peak_current(design)
    piezo = design.harvester is not None and design.harvester.kind == "piezoelectric"
    through = "current of the element" if piezo else "coil current"
    laws = ", before its laws" if clamp.temperature is not None or clamp.ageing else ""
    text = (
        f"storage.clamp_voltage: the store's own voltage is at most {volts(highest)}{laws}; the terminal may "
        f"stand ESR times the {through} above it, {volts(rise)} at the unloaded peak current"
    )
    if rise == 0.0:  # without ESR, or with an energy packet, whose current crosses none
        text = f"storage.clamp_voltage: the store's own voltage is at most {volts(highest)}{laws}"
        if highest <= rating:
            return Finding(OK, f"{text}, within {rated}.")
        return Finding(WARNING, f"{text}, above {rated}.")
    if highest + rise <= rating:
        return Finding(OK, f"{text}: {volts(highest + rise)} in all, within {rated}.")
    return Finding(WARNING, f"{text}: {volts(highest + rise)} in all, above {rated}.")


def _highest(design: Design) -> tuple[str, float] | None:
    """Name and value [V] of the highest voltage that the source can put on the store, None where it is not known."""
    harvester = design.harvester
    if harvester is None:
        return None
    if harvester.energy is not None and harvester.efficiency is not None:
        there = energy_at(design, before_the_release(design))
        given = harvester.energy.nominal * harvester.efficiency.nominal
        return "nominal store voltage without load", voltage_with(energy_at, design, there + given)
    if harvester.open_circuit_swing is not None:
        largest = max(abs(stroke.linkage.nominal) for stroke in harvester.strokes)
        return "nominal open-circuit swing", harvester.open_circuit_swing.nominal * largest
    speed = 1.0 if harvester.speed is None else harvester.speed.nominal
    if harvester.waveform is not None:
        peak = max(abs(e) for e in harvester.waveform.emf) * harvester.waveform.scale.nominal
        return "nominal peak emf", peak * speed
    if harvester.peak_emf is None:
        return None
    return "nominal peak emf", harvester.peak_emf.nominal * max(
        abs(stroke.linkage.nominal) * (speed if stroke.speed is None else stroke.speed.nominal)
        for stroke in harvester.strokes
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


def _drop(design: Design, line: Mapping[str, float]) -> Iterator[Finding]:
    if design.harvester is not None and design.harvester.kind == "energy packet":
        return  # nothing of it passes a diode of the design
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

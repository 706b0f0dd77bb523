"""What must hold between the parts of a design; each rule yields what is wrong with the parts it needs.

A part that could not be read is None, and the rules that need it are silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from yieldsim.design.correlation import correlation_problems
from yieldsim.design.impossible import faults_of
from yieldsim.design.laws_at import non_positive_factors
from yieldsim.design.parameter import Parameter
from yieldsim.design.physical import physical_of
from yieldsim.design.probability import reach
from yieldsim.design.quantity import format_quantity, shown
from yieldsim.design.tree import parameters_of
from yieldsim.words.errors import Problem

if TYPE_CHECKING:
    from yieldsim.design.schema import Design

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,39}")
_SHARES_WITHIN = 0.001  # how far shares may be from 100 % in all
# Stress -> section and key of its rating
RATINGS = {
    "store.voltage": ("storage", "voltage_rating"),
    "regulator.voltage": ("regulator", "voltage_rating"),
    "radio.voltage": ("radio", "maximum_supply"),
    "rectifier.current": ("rectifier", "current_rating"),
    "rectifier.reverse": ("rectifier", "reverse_rating"),
}


def problems_of(design: Design) -> tuple[Problem, ...]:
    """Everything that makes a design impossible: its parameters one by one, then its parts together."""
    found = [
        Problem(None, p.name, format_quantity(p.nominal, physical_of(p).dimension), reason, remedy)
        for p in design.parameters.values()
        for reason, remedy in faults_of(p, physical_of(p))
    ]
    return (*found, *cross_problems(design))


def cross_problems(parts: Any) -> Iterator[Problem]:
    """Tell what is wrong between ``parts``, which has the attributes of a Design; None for a missing part."""
    for rule in _RULES:
        yield from rule(parts)


def _problem(key: str, value: str | None, reason: str, remedy: str) -> Problem:
    return Problem(None, key, value, reason, remedy)


def _mission(parts: Any) -> Iterator[Problem]:
    conditions = parts.conditions
    if conditions is None:
        return
    missions = [("conditions.mission", conditions.mission)]
    missions += [(f"site[{i}].mission", site.mission) for i, site in enumerate(conditions.sites, start=1)]
    for key, mission in missions:
        yield from _adds_up(key, [share for _, share in mission])
        temperatures = [temperature for temperature, _ in mission]
        if len(set(temperatures)) < len(temperatures):
            yield _problem(key, None, "one temperature given twice", "add its shares together")
    if conditions.sites:
        yield from _adds_up("site", [site.share for site in conditions.sites])
        names = [site.name for site in conditions.sites]
        if len(set(names)) < len(names):
            yield _problem("site", None, "two sites of one name", "give each its own name")


def _adds_up(key: str, shares: list[float]) -> Iterator[Problem]:
    total = sum(shares)
    if abs(total - 1.0) > _SHARES_WITHIN + 1e-12:
        yield _problem(key, None, f"its shares add up to {100 * total:g} %", "make them add up to 100 %")


def _counting(parts: Any) -> Iterator[Problem]:
    if parts.conditions is None or parts.conditions.actuations_per_day is not None:
        return
    for parameter in _all(parts):
        if any(law.law == "per decade of actuations" for law in parameter.ageing):
            reason = f"missing, and the ageing of {parameter.name} counts actuations"
            yield _problem("conditions.actuations_per_day", None, reason, "add it, for example actuations_per_day = 30")
            return


def _coefficients(parts: Any) -> Iterator[Problem]:
    for parameter in _all(parts):
        if parameter.name.endswith(".change") and "actuation" in parameter.levels:
            reason = "how fast a unit ages cannot be drawn for each actuation"
            yield _problem(f"{parameter.name}.tolerance", None, reason, 'use the level "unit" or "lot"')


def _strokes(parts: Any) -> Iterator[Problem]:
    harvester = parts.harvester
    strokes = harvester.strokes if harvester is not None else ()
    for i in range(1, len(strokes)):
        before, here = strokes[i - 1], strokes[i]
        width = before.transit_time or harvester.transit_time
        speed = before.speed or harvester.speed
        if width is None:
            continue
        key, value = f"harvester.stroke_{i + 1}.start", format_quantity(here.start.nominal, "s")
        slowest = speed.nominal + sum(min(reach(t, speed.nominal)[0], 0.0) for t in speed.tolerances)
        if slowest <= 0.0:
            continue  # refused as a parameter
        end = _highest(before.start) + _highest(width) / slowest
        if _lowest(here.start) < end:
            latest = format_quantity(end, "s")
            reason = f"stroke {i} may last until {latest}, when its start, width and speed are at their limits"
            yield _problem(key, value, reason, f"start the stroke at {latest} or later; strokes do not overlap")


def _lowest(parameter: Parameter) -> float:
    return parameter.nominal + sum(min(reach(t, parameter.nominal)[0], 0.0) for t in parameter.tolerances)


def _highest(parameter: Parameter) -> float:
    return parameter.nominal + sum(max(reach(t, parameter.nominal)[1], 0.0) for t in parameter.tolerances)


def _store(parts: Any) -> Iterator[Problem]:
    storage = parts.storage
    if storage is None or storage.clamp_voltage is None:
        return
    initial, clamp = storage.initial_voltage.nominal, storage.clamp_voltage.nominal
    if initial > clamp:
        reason = f"above the clamp voltage {format_quantity(clamp, 'V')}"
        yield _problem(
            "storage.initial_voltage",
            format_quantity(initial, "V"),
            reason,
            "lower it, or raise storage.clamp_voltage",
        )


def _thresholds(parts: Any) -> Iterator[Problem]:
    regulator = parts.regulator
    if regulator is None:
        return
    start, stop = regulator.start_voltage.nominal, regulator.stop_voltage.nominal
    if stop > start:
        reason = f"above the start voltage {format_quantity(start, 'V')}"
        remedy = "lower it: a regulator starts at or above the voltage at which it stops"
        yield _problem("regulator.stop_voltage", format_quantity(stop, "V"), reason, remedy)


def _supplies(parts: Any) -> Iterator[Problem]:
    regulator, radio = parts.regulator, parts.radio
    if regulator is None or radio is None:
        return
    minima = [("radio.minimum_supply", radio.minimum_supply)]
    minima += [(s.minimum_supply.name, s.minimum_supply) for s in radio.sequence if s.minimum_supply is not None]
    if regulator.output is not None:
        lowest = lowest_output(regulator.output)
        told = f"the lowest output {format_quantity(lowest, 'V')} (regulator.output)"
        for key, minimum in minima:
            if minimum.nominal > lowest:
                value = format_quantity(minimum.nominal, "V")
                remedy = "lower the minimum supply, or raise or tighten the output"
                yield _problem(key, value, f"above {told}", remedy)
    for key, minimum in minima:
        if radio.maximum_supply is not None and minimum.nominal >= radio.maximum_supply:
            value, limit = format_quantity(minimum.nominal, "V"), format_quantity(radio.maximum_supply, "V")
            yield _problem(key, value, f"not below radio.maximum_supply {limit}", "lower it")


def lowest_output(output: Parameter) -> float:
    """Return the output voltage [V] at its lower limits; the nominal where a tolerance has none."""
    limited = [t for t in output.tolerances if t.low is not None]
    return output.nominal + sum(min(reach(t, output.nominal)[0], 0.0) for t in limited)


def _names(parts: Any) -> Iterator[Problem]:
    steps = parts.radio.sequence if parts.radio is not None else ()
    seen: set[str] = set()
    for i, step in enumerate(steps, start=1):
        key = f"radio.sequence[{i}].step"
        if not _NAME.fullmatch(step.name):
            reason = "a step's name has 1 to 40 letters, digits, spaces, hyphens or underscores"
            yield _problem(key, shown(step.name), reason, "write a name such as boot")
        if step.name == "channel access":
            yield _problem(key, shown(step.name), "this name belongs to the backoff", "choose another name")
        if step.name in seen:
            yield _problem(key, shown(step.name), "two steps of one name", "give each step its own name")
        seen.add(step.name)


def _sequence(parts: Any) -> Iterator[Problem]:
    steps = parts.radio.sequence if parts.radio is not None else ()
    order = ("once", "each attempt", "after acknowledgement")
    latest = 0
    sent = waited = False
    for step in steps:
        key, when = f"radio.{step.name}.when", shown(step.when)
        if order.index(step.when) < latest:
            remedy = "put the steps in the order once, each attempt, after acknowledgement"
            yield _problem(key, when, f'it follows a step that runs "{order[latest]}"', remedy)
        latest = max(latest, order.index(step.when))
        if step.kind != "fixed" and step.when != "each attempt":
            what = "a frame is sent" if step.kind == "frame" else "an acknowledgement is awaited"
            yield _problem(key, when, f"{what} in each attempt", 'write when = "each attempt", or leave it out')
        if step.kind == "listen":
            wait = step.acknowledgement
            place = f"radio.{step.name}"
            if not sent:
                reason = "no frame is sent before it"
                yield _problem(f"{place}.acknowledgement", None, reason, "put a step with a frame in front of it")
            if waited:
                reason = "a second acknowledgement step"
                yield _problem(f"{place}.acknowledgement", None, reason, "keep one of them")
            if wait.earliest.nominal > wait.timeout.nominal:
                value = format_quantity(wait.timeout.nominal, "s")
                reason = f"below earliest, {format_quantity(wait.earliest.nominal, 's')}: nothing is ever received"
                yield _problem(f"{place}.timeout", value, reason, "wait at least until the earliest arrival")
            waited = True
        sent = sent or step.kind == "frame"


def _link(parts: Any) -> Iterator[Problem]:
    link, radio = parts.link, parts.radio
    if link is None or radio is None:
        return
    kinds = [step.kind for step in radio.sequence]
    if link.attempts > 1 and "listen" not in kinds:
        reason = "without an acknowledgement step nothing tells the node to try again"
        remedy = "write attempts = 1, or add a step with an acknowledgement"
        yield _problem("link.attempts", str(link.attempts), reason, remedy)
    if link.backoff is not None and "frame" not in kinds:
        yield _problem("link.backoff", None, "no frame is sent that it could precede", "leave it out, or add a frame")


def _ratings(parts: Any) -> Iterator[Problem]:
    for i, derating in enumerate(parts.deratings or (), start=1):
        section, key = RATINGS[derating.of]
        part = getattr(parts, section)
        if part is not None and getattr(part, key) is None:
            reason = f"there is no {section}.{key} that it could refer to"
            yield _problem(f"derating[{i}].of", shown(derating.of), reason, f"add {section}.{key}")


def _laws(parts: Any) -> Iterator[Problem]:
    if parts.conditions is None:
        return
    for parameter in _all(parts):
        for key, reason, remedy in non_positive_factors(parameter, parts.conditions, _soldered(parts)):
            yield _problem(f"{parameter.name}.{key}", None, reason, remedy)


def _soldered(parts: Any) -> float:
    return parts.storage.since_soldering if parts.storage is not None else 1000.0


def _correlations(parts: Any) -> Iterator[Problem]:
    if parts.correlations:
        yield from correlation_problems(parts.correlations, {p.name: p for p in _all(parts)})


def _all(parts: Any) -> Iterator[Parameter]:
    for section in ("harvester", "rectifier", "storage", "regulator", "radio", "link"):
        yield from parameters_of(getattr(parts, section))


_RULES = (
    _mission,
    _counting,
    _coefficients,
    _strokes,
    _store,
    _thresholds,
    _supplies,
    _names,
    _sequence,
    _link,
    _ratings,
    _laws,
    _correlations,
)

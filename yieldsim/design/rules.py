"""What must hold between the parts of a design; each rule yields what is wrong with the parts it needs.

A part that could not be read is None, and the rules that need it are silent.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from yieldsim.design.correlation import correlation_problems
from yieldsim.design.impossible import faults_of
from yieldsim.design.laws_at import non_positive_factors
from yieldsim.design.parameter import Parameter
from yieldsim.design.physical import physical_of
from yieldsim.design.probability import NEGLIGIBLE, probability_below, reach
from yieldsim.design.quantity import format_quantity, shown
from yieldsim.design.tree import parameters_of
from yieldsim.words.errors import Problem
from yieldsim.words.spelling import nearest

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
    end = 0.0
    for i, stroke in enumerate(harvester.strokes if harvester is not None else (), start=1):
        width = stroke.transit_time or harvester.transit_time
        speed = stroke.speed or harvester.speed
        if stroke.start is not None and i > 1 and _lowest(stroke.start) < end:
            key, value = f"harvester.stroke_{i}.start", format_quantity(stroke.start.nominal, "s")
            latest = format_quantity(end, "s")
            reason = f"stroke {i - 1} may last until {latest}, when its start, width and speed are at their limits"
            yield _problem(key, value, reason, f"start the stroke at {latest} or later; strokes do not overlap")
        slowest = _lowest(speed)
        if width is None or slowest <= 0.0:
            return  # refused as a parameter
        begin = _highest(stroke.start) if stroke.start is not None else end + _highest(stroke.dwell)
        end = begin + _highest(width) / slowest


def _lowest(parameter: Parameter) -> float:
    return parameter.nominal + sum(min(reach(t, parameter.nominal)[0], 0.0) for t in parameter.tolerances)


def _highest(parameter: Parameter) -> float:
    return parameter.nominal + sum(max(reach(t, parameter.nominal)[1], 0.0) for t in parameter.tolerances)


def _drop(parts: Any) -> Iterator[Problem]:
    rectifier, harvester = parts.rectifier, parts.harvester
    if rectifier is None or harvester is None or harvester.energy is not None:
        return
    if rectifier.forward_drop.defaulted:
        yield _problem("rectifier.forward_drop", None, "missing", 'add it, for example forward_drop = "0.35 V"')


def _store(parts: Any) -> Iterator[Problem]:
    storage = parts.storage
    if storage is None or storage.clamp_voltage is None:
        return
    before, clamp = storage.before, storage.clamp_voltage.nominal
    if before.nominal > clamp:
        reason = f"above the clamp voltage {format_quantity(clamp, 'V')}"
        remedy = "lower it, or raise storage.clamp_voltage"
        yield _problem(before.name, format_quantity(before.nominal, "V"), reason, remedy)


def _bank(parts: Any) -> Iterator[Problem]:
    capacitors = parts.storage.capacitors if parts.storage is not None else ()
    taken = {field.name for field in fields(parts.storage)} | {"capacitor"} if capacitors else set()
    for i, capacitor in enumerate(capacitors, start=1):
        key, name = f"storage.capacitor[{i}].name", capacitor.name
        if not _NAME.fullmatch(name):
            reason = "a capacitor's name has 1 to 40 letters, digits, spaces, hyphens or underscores"
            yield _problem(key, shown(name), reason, "write a name such as ceramic")
        elif name in taken:
            yield _problem(key, shown(name), "this name is a key of the store", "choose another name")
        if name in [other.name for other in capacitors[: i - 1]]:
            yield _problem(key, shown(name), "two capacitors of one name", "give each its own name")


def _thresholds(parts: Any) -> Iterator[Problem]:
    regulator = parts.regulator
    if regulator is None:
        return
    start, stop = regulator.start_voltage.nominal, regulator.stop_voltage.nominal
    if stop > start:
        reason = f"above the start voltage {format_quantity(start, 'V')}"
        remedy = "lower it: a regulator starts at or above the voltage at which it stops"
        yield _problem("regulator.stop_voltage", format_quantity(stop, "V"), reason, remedy)


def _efficiency(parts: Any) -> Iterator[Problem]:
    efficiency = parts.regulator.efficiency if parts.regulator is not None else None
    if efficiency is None or efficiency.curve is None:
        return
    largest = max(factor for _, factor in efficiency.curve)
    key, value = "regulator.efficiency.against_load", f"{100.0 * efficiency.nominal * largest:.4g} %"
    remedy = "give factors on the nominal efficiency, at most 1 where the nominal is the best"
    if efficiency.nominal * largest > 1.0 + 1e-12:
        reason = f"its largest factor {largest:g} makes the efficiency {value}, more than 100 %"
        yield _problem(key, None, reason, remedy)
        return
    share = 1.0 - probability_below(efficiency, (1.0 + 1e-12) / largest)
    if share > NEGLIGIBLE:
        reason = f"with its largest factor {largest:g} the tolerance of the efficiency reaches above 100 % "
        yield _problem(
            key, None, f"{reason}with probability {share:.1e}", "tighten the tolerance, or lower the factors"
        )


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


def _messages(parts: Any) -> Iterator[Problem]:
    radio = parts.radio
    if radio is None:
        return
    known = [message.name for message in radio.messages]
    for i, name in enumerate(known, start=1):
        if not _NAME.fullmatch(name):
            reason = "a message's name has 1 to 40 letters, digits, spaces, hyphens or underscores"
            yield _problem(f"radio.message[{i}].name", shown(name), reason, "write a name such as event")
        if name in known[: i - 1]:
            yield _problem(
                f"radio.message[{i}].name", shown(name), "two messages of one name", "give each its own name"
            )
    if known:
        yield from _adds_up("radio.message", [message.share for message in radio.messages])
    for step in radio.sequence:
        for name in step.messages:
            if name not in known:
                key = f"radio.{step.name}.message"
                near = nearest(name, dict.fromkeys(known))
                remedy = near if known else "add it: [[radio.message]] with name and share"
                yield _problem(key, shown(name), "no message has this name", remedy)
    for message in radio.messages:
        own = [s for s in radio.sequence if not s.messages or message.name in s.messages]
        frames = any(step.kind == "frame" for step in own)
        if any(step.kind == "listen" for step in own) and not frames:
            reason = f"the message {shown(message.name)} awaits an acknowledgement but sends no frame"
            yield _problem("radio.sequence", None, reason, "let a step with a frame run for it, or no acknowledgement")
        if (message.octets is not None or message.retry_octets is not None) and not frames:
            reason = f"the message {shown(message.name)} has octets but sends no frame"
            yield _problem("radio.message", None, reason, "leave the octets out, or let a step with a frame run for it")
        if not own:
            reason = f"no step runs for the message {shown(message.name)}"
            yield _problem("radio.message", None, reason, "leave it out, or let a step run for it")


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
            bank = section == "storage" and part.capacitors
            place = f"storage.{part.capacitors[0].name}.{key}" if bank else f"{section}.{key}"
            reason = f"there is no {section}.{key} that it could refer to"
            if bank:
                reason = f"no capacitor of the bank has a {key} that it could refer to"
            yield _problem(f"derating[{i}].of", shown(derating.of), reason, f"add {place}")


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
    for section in ("harvester", "precharge", "rectifier", "storage", "regulator", "radio", "link"):
        yield from parameters_of(getattr(parts, section))


_RULES = (
    _mission,
    _counting,
    _coefficients,
    _strokes,
    _drop,
    _store,
    _bank,
    _thresholds,
    _efficiency,
    _supplies,
    _names,
    _messages,
    _sequence,
    _link,
    _ratings,
    _laws,
    _correlations,
)

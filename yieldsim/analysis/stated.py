"""What a design uses beside its parameters' nominals, tolerances and laws, as rows of a key and a text."""

from __future__ import annotations

from collections.abc import Iterator

from yieldsim.design.quantity import format_quantity
from yieldsim.design.rules import RATINGS
from yieldsim.design.schema import Conditions, Design, Step

Row = tuple[str, str]
NOT_STATED = "not stated"
_UNIT_OF_RATING = {"rectifier.current": "A"}  # the others are voltages


def settings_of_design(design: Design) -> tuple[Row, ...]:
    """Return everything that is used and is no parameter, keyed as in the configuration file.

    A value that the file leaves out says so, with what stands in its place.
    """
    return (
        ("defaults", f"a bare tolerance is {design.defaults.shape}, level {design.defaults.level}"),
        *_conditions(design.conditions),
        *_requirement(design),
        *_tables(design),
        *_ratings(design),
        *(row for step in design.radio.sequence for row in _step(step)),
        *_messages(design),
        *_link(design),
        *_correlations(design),
    )


def _share(value: float) -> str:
    return f"{100 * value:.10g} %"


def _conditions(conditions: Conditions) -> Iterator[Row]:
    yield "conditions.temperatures", ", ".join(format_quantity(t, "degC") for t in conditions.temperatures)
    yield "conditions.ages", ", ".join(f"{age:g} yr" for age in conditions.ages)
    yield "conditions.service_life", f"{conditions.service_life:g} yr"
    per_day = conditions.actuations_per_day
    yield "conditions.actuations_per_day", NOT_STATED if per_day is None else f"{per_day:g}"
    for site in conditions.sites:
        yield f"site {site.name}", f"{_share(site.share)} of the units: {_mission(site.mission)}"
    if not conditions.sites:
        text = _mission(conditions.mission)
        yield "conditions.mission", text if conditions.mission_given else f"{text} (default: the file states none)"


def _mission(mission: tuple[tuple[float, float], ...]) -> str:
    return ", ".join(f"{format_quantity(t, 'degC')} {_share(share)}" for t, share in mission)


def _requirement(design: Design) -> Iterator[Row]:
    required = design.requirement
    if required is None:
        yield "requirement", NOT_STATED
    else:
        if required.completion is not None:
            yield "requirement.completion", f"{_share(required.completion)} of each unit's actuations"
        if required.unit_yield is not None:
            yield "requirement.unit_yield", f"{_share(required.unit_yield)} of units"
        yield "requirement.applies_to", required.applies_to
        yield "requirement.confidence", _share(required.confidence)
    for i, rule in enumerate(design.deratings, start=1):
        text = f"{rule.of} at most {_share(rule.at_most)} of its rating in {_share(rule.share)} of actuations"
        yield f"derating[{i}]", text


def _tables(design: Design) -> Iterator[Row]:
    """Yield kinds of parts, and the tables and test currents that belong to a parameter."""
    if design.harvester is not None:
        yield "harvester.kind", design.harvester.kind
        wave = design.harvester.waveform
        if wave is not None:
            begin, end = (format_quantity(t, "s") for t in (wave.time[0], wave.time[-1]))
            yield "harvester.emf_waveform", f"{wave.file}, {len(wave.time)} samples from {begin} to {end}"
    yield "rectifier.kind", design.rectifier.kind
    drop = design.rectifier.forward_drop.points
    if drop is not None and len({volts for _, volts in drop}) > 1:  # else the nominal says it all
        yield "rectifier.forward_drop.points", _points(drop, "A", "V")
    yield from _store(design)
    yield "storage.since_soldering", f"{design.storage.since_soldering:g} h before age 0"
    yield "regulator.kind", design.regulator.kind
    if design.regulator.dropout is not None and design.regulator.dropout.at is not None:
        yield "regulator.dropout.at", format_quantity(design.regulator.dropout.at, "A")
    yield from _curves(design)
    yield "regulator.restart", _restart(design)


def _store(design: Design) -> Iterator[Row]:
    """Yield bias and dielectric of each capacitor, and what stands in the store before the release."""
    storage = design.storage
    for part in storage.parts:
        capacitance = part.capacitance
        if capacitance.bias is not None:
            yield f"{capacitance.name}.bias", _points(capacitance.bias, "V", "factor")
        if capacitance.dielectric is not None:
            yield f"{capacitance.name}.dielectric", capacitance.dielectric
    if storage.capacitors:
        yield "storage.capacitor", f"{len(storage.capacitors)} in parallel at one voltage, their ESR in parallel"
        for part in storage.capacitors:
            rating = NOT_STATED if part.voltage_rating is None else format_quantity(part.voltage_rating, "V")
            yield f"storage.{part.name}.voltage_rating", rating


def _curves(design: Design) -> Iterator[Row]:
    """Yield the factors of a parameter against its regulator's input voltage or load current."""
    regulator = design.regulator
    for parameter in (regulator.off_current, regulator.quiescent, regulator.dropout):
        if parameter is not None and parameter.curve is not None:
            yield f"{parameter.name}.against_input", _points(parameter.curve, "V", "factor")
    if regulator.efficiency is not None and regulator.efficiency.curve is not None:
        yield f"{regulator.efficiency.name}.against_load", _points(regulator.efficiency.curve, "A", "factor")


def _restart(design: Design) -> str:
    return "starts again after a brown-out" if design.regulator.restart else "does not start again after a brown-out"


def _points(points: tuple[tuple[float, float], ...], x: str, y: str) -> str:
    return ", ".join(f"{format_quantity(a, x)}: {format_quantity(b, y)}" for a, b in points)


def _ratings(design: Design) -> Iterator[Row]:
    for name, (section, key) in RATINGS.items():
        value = getattr(getattr(design, section), key)
        text = NOT_STATED if value is None else format_quantity(value, _UNIT_OF_RATING.get(name, "V"))
        yield f"{section}.{key}", text


def _step(step: Step) -> Iterator[Row]:
    place = f"radio.{step.name}"
    yield f"{place}.when", step.when if step.required else f"{step.when}, no part of completion"
    if step.frame is not None:
        frame = step.frame
        yield (
            f"{place}.frame",
            (
                f"{frame.octets} octets behind {frame.overhead_octets}, at {format_quantity(frame.bit_rate, 'bit/s')}: "
                f"{format_quantity(frame.air_time, 's')} on air"
            ),
        )
        if frame.retry_octets is not None:
            again = format_quantity(frame.time_of(frame.retry_octets), "s")
            yield f"{place}.frame.retry_octets", f"{frame.retry_octets} octets in a retry: {again} on air"
    if step.messages:
        yield f"{place}.message", f"runs for {' and '.join(step.messages)} alone"
    if step.current.slope:
        slope, at = format_quantity(step.current.slope, "A/V"), format_quantity(step.current.at or 0.0, "V")
        yield f"{place}.current.slope", f"{slope} about {at}"


def _messages(design: Design) -> Iterator[Row]:
    for message in design.radio.messages:
        text = f"{_share(message.share)} of the actuations"
        if message.octets is not None:
            text += f", {message.octets} octets"
        if message.retry_octets is not None:
            text += f", {message.retry_octets} in a retry"
        yield f"radio.message {message.name}", text


def _link(design: Design) -> Iterator[Row]:
    yield "link.attempts", f"{design.link.attempts} in all"
    backoff = design.link.backoff
    if backoff is None:
        yield "link.backoff", "none: frames are sent without listening first"
        return
    yield "link.backoff.minimum_exponent", f"{backoff.minimum_exponent}"
    yield "link.backoff.maximum_exponent", f"{backoff.maximum_exponent}"
    yield "link.backoff.maximum_backoffs", f"{backoff.maximum_backoffs}"


def _correlations(design: Design) -> Iterator[Row]:
    for i, correlation in enumerate(design.correlations, start=1):
        names = " and ".join(correlation.between)
        yield f"correlation[{i}]", f"{names}: rank {correlation.rank:g}, level {correlation.level}"
    if not design.correlations:
        yield "correlation", "none: all draws are independent"

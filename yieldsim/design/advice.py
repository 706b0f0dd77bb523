"""Warnings: what is possible and allowed, but deserves a look. Each is one sentence and told once."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING

from yieldsim.design.dielectrics import PRESETS
from yieldsim.design.laws_at import life_used, missions, working_temperatures
from yieldsim.design.parameter import Parameter
from yieldsim.design.physical import physical_of
from yieldsim.design.quantity import format_quantity

if TYPE_CHECKING:
    from yieldsim.design.schema import Conditions, Design

_PROBABLE_TEMPERATURES = (-60.0, 150.0)  # [degC]
_PROBABLE_AGE = 40.0  # [yr]
_PROBABLE_COEFFICIENT = 0.02  # [1/K]
_PROBABLE_SHIFT = 0.01  # [V/K]
_UNITY_WITHIN = 1e-9
_CUT_OFF = 0.02  # share of its peak at which a measured waveform may end
_HOLE = 20.0  # a step between samples that is so many times the middle one is a hole in the recording
_PROBABLE_DURATION = (50e-6, 2.0)  # of a measured waveform [s]
_PROBABLE_PEAK = (0.1, 200.0)  # of a measured waveform [V]


def warnings_of(design: Design) -> tuple[str, ...]:
    """Every warning of a design, without repetition, in the order of the parameters."""
    found = list(_of_conditions(design.conditions))
    for parameter in design.parameters.values():
        found.extend(_improbable(parameter))
        found.extend(_of_temperature(parameter, design.conditions))
        found.extend(_of_ageing(parameter, design.conditions))
    found.extend(_of_packet(design))
    found.extend(_of_waveform(design))
    found.extend(_of_supply(design))
    found.extend(_of_dielectrics(design))
    found.extend(_of_retries(design))
    return tuple(dict.fromkeys(found))


def _of_conditions(conditions: Conditions) -> Iterator[str]:
    low, high = _PROBABLE_TEMPERATURES
    for temperature in working_temperatures(conditions):
        if not low <= temperature <= high:
            probable = f"probable: {low:g} to {high:g} degC"
            yield f"conditions: {temperature:g} degC is an improbable temperature ({probable})"
    for age in (*conditions.ages, conditions.service_life):
        if age > _PROBABLE_AGE:
            yield f"conditions: {age:g} yr is an improbable age (probable: up to {_PROBABLE_AGE:g} yr)"


def _improbable(parameter: Parameter) -> Iterator[str]:
    probable = physical_of(parameter).probable
    value = abs(parameter.nominal)
    if probable is not None and value != 0.0 and not parameter.defaulted:
        low, high = probable
        if not (low <= parameter.nominal <= high if low < 0.0 else low <= value <= high):
            spelled, *ends = (format_quantity(x, parameter.dimension) for x in (parameter.nominal, low, high))
            yield f"{parameter.name}: {spelled} is an improbable value (probable: {ends[0]} to {ends[1]})"
    for t in parameter.tolerances:
        if t.relative and t.low is not None and t.high is not None and t.high - t.low > 2.0:
            yield f"{parameter.name}: a tolerance {100 * (t.high - t.low):g} % wide is improbable"


def _of_temperature(parameter: Parameter, conditions: Conditions) -> Iterator[str]:
    law = parameter.temperature
    if law is None:
        return
    largest = {"linear": _PROBABLE_COEFFICIENT, "shift": _PROBABLE_SHIFT}.get(law.kind)
    if largest is not None and abs(law.coefficient or 0.0) > largest:
        unit = "1/K" if law.kind == "linear" else "V/K"
        spelled, end = (format_quantity(x, unit) for x in (law.coefficient or 0.0, largest))
        yield f"{parameter.name}: {spelled} is an improbable temperature coefficient (probable: up to {end})"
    if law.kind != "table":
        return
    yield from _beyond_ends(parameter.name, law.temperatures, conditions)
    factor = _factor_at(law.temperatures, law.factors, law.reference)
    if factor is not None and abs(factor - 1.0) > _UNITY_WITHIN:
        yield (
            f"{parameter.name}: the temperature table gives {factor:g} at {law.reference:g} degC, "
            f"where the nominal value should hold with factor 1"
        )


def _beyond_ends(name: str, temperatures: tuple[float, ...], conditions: Conditions) -> Iterator[str]:
    beyond = [t for t in working_temperatures(conditions) if not temperatures[0] <= t <= temperatures[-1]]
    if beyond:
        places = ", ".join(f"{t:g}" for t in beyond)
        yield (
            f"{name}: the temperature table ends at {temperatures[0]:g} and {temperatures[-1]:g} degC; "
            f"at {places} degC its end value is used"
        )


def _factor_at(temperatures: tuple[float, ...], factors: tuple[float, ...], at: float) -> float | None:
    """Return the factor at a temperature where it can be told without interpolating: a point, an end."""
    if at <= temperatures[0]:
        return factors[0]
    if at >= temperatures[-1]:
        return factors[-1]
    for (t0, f0), (t1, f1) in zip(
        zip(temperatures, factors, strict=True), zip(temperatures[1:], factors[1:], strict=True), strict=False
    ):
        if t0 == at or (t0 < at < t1 and f0 == f1):
            return f0
        if t0 < at < t1 and not min(f0, f1) <= 1.0 <= max(f0, f1):
            return (f0 + f1) / 2.0  # a shape-preserving cubic stays between its points, so it is not 1
    return None


def _of_ageing(parameter: Parameter, conditions: Conditions) -> Iterator[str]:
    oldest = max(*conditions.ages, conditions.service_life)
    for law in parameter.ageing:
        if law.law == "endurance":
            used = max(life_used(law, oldest, mission) for mission in missions(conditions))
            if used > 1.0:
                yield (
                    f"{parameter.name}: at {oldest:g} yr the mission has used {100 * used:.3g} % "
                    f"of its rated life; the drift is continued beyond it"
                )
        if law.law == "table" and not law.years[0] <= min(conditions.ages) <= oldest <= law.years[-1]:
            yield (
                f"{parameter.name}: the ageing table ends at {law.years[0]:g} and {law.years[-1]:g} yr; "
                f"beyond, its end value is used"
            )


def _of_packet(design: Design) -> Iterator[str]:
    if design.harvester is not None and design.harvester.energy is not None:
        if not design.rectifier.forward_drop.defaulted:
            yield "rectifier.forward_drop: without effect, as harvester.efficiency includes the rectifier"


def _of_waveform(design: Design) -> Iterator[str]:
    waveform = design.harvester.waveform if design.harvester is not None else None
    if waveform is None:
        return
    peak = max(abs(e) for e in waveform.emf)
    for end, emf in (("begins", waveform.emf[0]), ("ends", waveform.emf[-1])):
        if abs(emf) > _CUT_OFF * peak:
            share = f"{100 * abs(emf) / peak:.3g} % of its peak"
            yield f"harvester.emf_waveform: it {end} at {emf:.3g} V, {share}; outside it is 0"
    for start, stop in _holes(waveform.time, waveform.emf, peak):
        yield f"harvester.emf_waveform: no sample between {start:g} s and {stop:g} s; a straight line stands there"
    for what, value, (low, high), unit in (
        ("lasts until", waveform.time[-1], _PROBABLE_DURATION, "s"),
        ("peaks at", peak * waveform.scale.nominal, _PROBABLE_PEAK, "V"),
    ):
        if not low <= value <= high:
            yield (
                f"harvester.emf_waveform: it {what} {value:g} {unit}, which is improbable "
                f"(probable: {low:g} to {high:g} {unit})"
            )


def _holes(time: tuple[float, ...], emf: tuple[float, ...], peak: float) -> Iterator[tuple[float, float]]:
    """Steps of a recording far longer than its middle one, where the emf on a side is more than a rest."""
    steps = [after - before for before, after in pairwise(time)]
    longest = _HOLE * sorted(steps)[len(steps) // 2]
    for i, step in enumerate(steps):
        if step > longest and max(abs(emf[i]), abs(emf[i + 1])) > _CUT_OFF * peak:
            yield time[i], time[i + 1]


def _of_dielectrics(design: Design) -> Iterator[str]:
    for part in design.storage.parts:
        parameter, code = part.capacitance, part.capacitance.dielectric
        if code is None:
            continue
        law = parameter.temperature
        if code in PRESETS:
            if not any(one.change is not None and one.change.defaulted for one in parameter.ageing):
                yield f'{parameter.name}: its own ageing law stands in place of the generic one of "{code}"'
            if law is None:
                yield f'{parameter.name}: "{code}" says nothing of the temperature, so it stays as it is'
        elif law is not None and law.kind != "dielectric":
            yield f"{parameter.name}: its own temperature law stands in place of the limits of {code}"


def _of_retries(design: Design) -> Iterator[str]:
    if design.link.attempts > 1:
        return
    if design.link.retry_above is not None:
        yield "link.retry_above: without effect, as link.attempts is 1"
    radio = design.radio
    shorter = [
        f"radio.{s.name}.frame" for s in radio.sequence if s.frame is not None and s.frame.retry_octets is not None
    ]
    shorter += [f"radio.message[{i}]" for i, m in enumerate(radio.messages, start=1) if m.retry_octets is not None]
    for place in shorter:
        yield f"{place}.retry_octets: without effect, as link.attempts is 1"


def _of_supply(design: Design) -> Iterator[str]:
    output, limit = design.regulator.output, design.radio.maximum_supply
    if output is not None and limit is not None and output.nominal > limit:
        spelled = (format_quantity(x, "V") for x in (output.nominal, limit))
        yield "regulator.output: {} is above radio.maximum_supply {}".format(*spelled)
    kinds = [step.kind for step in design.radio.sequence]
    if "frame" not in kinds:
        yield "radio.sequence: no step sends a frame"

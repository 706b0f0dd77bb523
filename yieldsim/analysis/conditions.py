"""Whether a condition that a user names can be computed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from yieldsim.design.laws_at import non_positive_factors
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.words.errors import Problem

TEMPERATURES = (-100.0, 300.0)  # that are let through [degC]
OLDEST = 200.0  # [yr]


def condition_problems(design: Design, condition: Condition) -> Iterator[Problem]:
    """Yield what is wrong with a condition: out of range, or a law at which a nominal value vanishes."""
    low, high = TEMPERATURES
    file = str(design.source) if design.source is not None else None
    if not low <= condition.temperature <= high:
        given = f"{condition.temperature:g} degC"
        yield Problem(None, "temperature", given, "out of range", f"use {low:g} to {high:g} degC")
    elif not 0.0 <= condition.age <= OLDEST:
        yield Problem(None, "age", f"{condition.age:g} yr", "out of range", f"use 0 to {OLDEST:g} yr")
    else:
        here = replace(design.conditions, temperatures=(condition.temperature,), ages=(condition.age,))
        for parameter in design.parameters.values():
            for key, reason, _ in non_positive_factors(parameter, here, design.storage.since_soldering):
                remedy = "ask for a condition at which its law still holds"
                yield Problem(file, f"{parameter.name}.{key}", None, reason, remedy)

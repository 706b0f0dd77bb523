"""Ages at which a life is looked at: closer together where the laws of ageing move fast."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from yieldsim.analysis.conditions import condition_problems
from yieldsim.design.parameter import AgeingLaw
from yieldsim.design.schema import Design
from yieldsim.design.units import HOURS_PER_YEAR
from yieldsim.engine.columns import Condition
from yieldsim.engine.laws import DAYS_PER_YEAR
from yieldsim.words.errors import InputError, Problem

DEFAULT_AGES = 8
_MOST_AGES = 200
_MOST_ROUNDING = 0.4  # of the way to the nearer neighbour

Progress = Callable[[float], float]


def horizon_of(design: Design, until: float | None) -> float:
    """Return the last age [yr]: the one asked for, else the service life.

    Raises
    ------
    InputError : it is not above 0 or out of range, a law fails before it, or the design states no life
    """
    if until is None and not design.conditions.service_life > 0.0:
        file = None if design.source is None else str(design.source)
        reason = "no age above 0 yr is stated, so there is no life to follow"
        raise InputError(Problem(file, "conditions.service_life", None, reason, 'state it, or give --until "12 yr"'))
    horizon = design.conditions.service_life if until is None else until
    if not (math.isfinite(horizon) and horizon > 0.0):
        raise InputError(Problem(None, "until", f"{horizon:g} yr", "an age above 0 yr is needed", 'use "12 yr"'))
    for temperature in design.conditions.temperatures:
        problems = tuple(condition_problems(design, Condition(temperature, horizon)))
        if problems:
            raise InputError(*problems)
    return horizon


def ages_until(design: Design, horizon: float, count: int = DEFAULT_AGES) -> tuple[float, ...]:
    """Return ascending ages [yr] from 0 to the horizon, the stated ones up to it among them.

    The others halve, one by one, the largest step left, measured by the mean progress of the design's laws: a
    logarithm for laws per decade, time itself for all others. They are rounded to two or three digits.

    Parameters
    ----------
    design : Design
    horizon : last age [yr], above 0
    count : of the ages, at least 2; more where the design states more

    Raises
    ------
    InputError : a count out of range
    """
    if not 2 <= count <= _MOST_AGES:
        reason = "one age says nothing of ageing" if count == 1 else "out of range"
        raise InputError(Problem(None, "ages", str(count), reason, f"use 2 to {_MOST_AGES}"))
    progress = _progress(design, horizon)
    ages = sorted({0.0, horizon, *(a for a in design.conditions.ages if a < horizon)})
    while len(ages) < count:
        steps = [progress(b) - progress(a) for a, b in pairwise(ages)]
        k = steps.index(max(steps))
        ages.insert(k + 1, _halfway(progress, ages[k], ages[k + 1]))
    return tuple(ages)


def _progress(design: Design, horizon: float) -> Progress:
    """Mean progress of the laws, from 0 when new to 1 at the horizon; it rises strictly."""
    scales = {_scale(design, law) for parameter in design.parameters.values() for law in parameter.ageing}
    return _mean_of(sorted(scale for scale in scales if scale is not None), horizon)


def _mean_of(scales: Sequence[float], horizon: float) -> Progress:
    def progress(age: float) -> float:
        logarithms = [math.log1p(age / scale) / math.log1p(horizon / scale) for scale in scales]
        # time itself takes part always: years are what the reader thinks in
        return (sum(logarithms) + age / horizon) / (len(logarithms) + 1)

    return progress


def _scale(design: Design, law: AgeingLaw) -> float | None:
    """Age [yr] at which a law per decade begins to count in decades; None for any other law."""
    if law.law == "per decade of hours":
        return max(design.storage.since_soldering, 1.0) / HOURS_PER_YEAR
    rate = design.conditions.actuations_per_day
    if law.law == "per decade of actuations" and law.start and rate:
        return law.start / (rate * DAYS_PER_YEAR)
    return None


def _halfway(progress: Progress, low: float, high: float) -> float:
    """Age between two others that halves the progress, rounded where it stays well between them."""
    target = 0.5 * (progress(low) + progress(high))
    a, b = low, high
    for _ in range(200):
        middle = 0.5 * (a + b)
        a, b = (middle, b) if progress(middle) < target else (a, middle)
    exact = 0.5 * (a + b)
    room = _MOST_ROUNDING * min(exact - low, high - exact)
    rounded = (float(f"{exact:.{digits}g}") for digits in (2, 3))
    return next((age for age in rounded if abs(age - exact) <= room), exact)

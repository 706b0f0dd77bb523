"""Ratings used: what of each rating an actuation takes, and whether derating rules are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.verdict import NOT_MET, Judged, judge, judged, percent
from yieldsim.design.rules import RATINGS
from yieldsim.design.schema import Derating, Design
from yieldsim.engine.cells import Rule
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.tally import COUNTED, Counted, Tally, count_histogram, histogram_quantile
from yieldsim.estimate.frequencies import Frequencies, share_of_units
from yieldsim.estimate.intervals import Estimate
from yieldsim.kernel import layout as at
from yieldsim.kernel.shapes import deviations
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

HIGH = 0.999  # probability of what is called the high point of a stress
_STRESSES = {
    "store.voltage": ("peak_voltage_V", "V"),
    "regulator.voltage": ("peak_voltage_V", "V"),
    "radio.voltage": ("peak_voltage_V", "V"),
    "rectifier.current": ("peak_current_A", "A"),
    "rectifier.reverse": ("peak_reverse_V", "V"),
}
_DIODES = ("rectifier.current", "rectifier.reverse")
_MIDDLES = (np.arange(256) + 0.5) / 256
SUPPLY = "radio_supply_V"  # regulated voltages among the histograms of a tally; no column of the kernel holds them
_SUPPLIES = Counted(-1, 0.0, 50.0, 50000)


@dataclass(frozen=True)
class RatingUse:
    """A stress beside its rating, over the actuations of one cell.

    Attributes
    ----------
    rating : in ``unit``
    unit : V or A
    median, high, largest : stress at its median, at its 99.9 % point, and the largest seen; in ``unit``
    """

    rating: float
    unit: str
    median: float
    high: float
    largest: float


@dataclass(frozen=True)
class DeratingCheck:
    """A derating rule and how it is kept in the cell that decides.

    Attributes
    ----------
    of, at_most, share : as in `Derating`
    reached : share of the actuations within, in the cell that decides
    verdict : ``met`` when the lower bound reaches the share in every cell, ``not met`` when the upper bound
        does not in one, else ``undecided``
    worst_cell : temperature [degC] and age [yr] of that cell
    """

    of: str
    at_most: float
    share: float
    reached: Estimate
    verdict: str
    worst_cell: tuple[float, float]


def rating_of(design: Design, name: str) -> float | None:
    """Return the rating [V or A] that a stress is compared with, None where the design has none."""
    section, key = RATINGS[name]
    value: float | None = getattr(getattr(design, section), key)
    return value


def has_diodes(design: Design) -> bool:
    """Whether the source's current passes diodes of the design; those of an energy packet are inside its module."""
    return design.harvester is None or design.harvester.kind != "energy packet"


def regulated(design: Design, name: str) -> bool:
    """Whether a stress is the regulated supply, which no peak of the input reaches."""
    return name == "radio.voltage" and design.regulator.kind != "direct"


def check_ratings(design: Design) -> None:
    """Refuse a derating rule without its rating, or of a stress that the source leaves unknown.

    Raises
    ------
    InputError : names every such rule
    """
    problems = []
    file = str(design.source) if design.source is not None else None
    for k, rule in enumerate(design.deratings, start=1):
        if rule.of in _DIODES and not has_diodes(design):
            reason = "the diodes of an energy packet are inside its module, and their stress is not computed"
            problems.append(Problem(file, f"derating[{k}].of", rule.of, reason, "remove the rule"))
        elif rating_of(design, rule.of) is None:
            section, key = RATINGS[rule.of]
            problems.append(
                Problem(file, f"derating[{k}].of", rule.of, "its rating is missing", f"add {section}.{key}")
            )
    if problems:
        raise InputError(*problems)


def rules_of(design: Design) -> list[Rule]:
    """Return one rule a derating: values (n, VALUES) -> whether each actuation keeps it."""
    return [_rule(design, rule) for rule in design.deratings]


def _rule(design: Design, derating: Derating) -> Rule:
    rating = rating_of(design, derating.of)
    limit = np.inf if rating is None or regulated(design, derating.of) else derating.at_most * rating
    column = COUNTED[_STRESSES[derating.of][0]].column

    def keeps(values: FloatArray) -> NDArray[np.bool_]:
        stress = values[:, column]
        # A stress that is not known may be any: an actuation that was not finished does not keep the rule.
        within: NDArray[np.bool_] = np.isfinite(stress) & (stress <= limit)
        return within

    return keeps


def regulated_supply(response: Response, condition: Condition, units: IntArray) -> FloatArray | None:
    """Return the regulated voltage [V] of units, (n, 1), or (n, 256) where it varies per actuation.

    None where no rating asks for it. The supply stands below it in dropout, so it is the most the radio sees.
    """
    design = response.design
    if rating_of(design, "radio.voltage") is None or not regulated(design, "radio.voltage"):
        return None
    base, scale = response.unit_base(units, condition)
    drawn = response.population.actuation_variables
    if "regulator.output" not in drawn.names:
        return base[:, at.OUTPUT, None].copy()  # a view would keep the values of all units
    k = drawn.names.index("regulator.output")
    d = deviations(int(drawn.shapes.codes[k]), drawn.shapes.params[k], drawn.shapes.table, _MIDDLES)
    return base[:, at.OUTPUT, None] + scale[:, at.OUTPUT, None] * d


def within_shares(design: Design, tally: Tally, supply: FloatArray | None) -> list[FloatArray]:
    """Return, for each derating rule, the share of each unit's actuations that keep it (n,)."""
    shares = []
    for k, rule in enumerate(design.deratings):
        rating = rating_of(design, rule.of)
        if regulated(design, rule.of) and supply is not None and rating is not None:
            shares.append((supply <= rule.at_most * rating).mean(axis=1))
        else:
            shares.append(tally.derated[:, k] / tally.actuations)
    return shares


def with_supply(tally: Tally, supply: FloatArray | None) -> Tally:
    """Return a tally in which the regulated voltages [V] of units, (n, m), are counted as well, where they are asked
    for.
    """
    if supply is None:
        return tally
    counts = {SUPPLY: count_histogram(_SUPPLIES, supply.reshape(-1))}
    seen = {SUPPLY: np.array([supply.min(), supply.max()])}
    return replace(tally, histograms=tally.histograms | counts, extremes=tally.extremes | seen)


def ratings_used(design: Design, tally: Tally) -> dict[str, RatingUse]:
    """Return every rating of the design beside what one cell takes of it; the tally counts supplies where one asks."""
    used = {}
    for name, (stress, unit) in _STRESSES.items():
        rating = rating_of(design, name)
        if rating is None or (name in _DIODES and not has_diodes(design)):
            continue
        counted = SUPPLY if regulated(design, name) else stress
        edges = _SUPPLIES if counted == SUPPLY else COUNTED[stress]
        least, largest = (float(end) for end in tally.extremes[counted])
        found = (histogram_quantile(edges, tally.histograms[counted], p) for p in (0.5, HIGH))
        median, high = (min(max(value, least), largest) for value in found)
        used[name] = RatingUse(rating, unit, median, high, largest)
    return used


def check_deratings(
    design: Design,
    conditions: Sequence[Condition],
    shares: Sequence[Sequence[Frequencies]],
    confidence: float,
    *,
    spent: float | None = None,
) -> tuple[tuple[DeratingCheck, ...], tuple[Judged, ...]]:
    """Judge every derating rule over all cells.

    Parameters
    ----------
    design : Design
    conditions : the C cells
    shares : (C, D) frequencies of what `within_shares` returns
    confidence : of each one-sided bound
    spent : confidence at which each is made where it is one look of several; `confidence` when None
    """
    checks, parts = [], []
    for k, rule in enumerate(design.deratings):
        made = [share_of_units(cell[k], spent or confidence) for cell in shares]
        found = [replace(estimate, confidence=confidence) for estimate in made]
        words = [judge(e.low, e.high, rule.share) for e in found]
        order = range(len(found))
        if NOT_MET in words:
            worst = min(order, key=lambda c: (found[c].high, found[c].value))
        else:
            worst = min(order, key=lambda c: (found[c].low, found[c].value))
        place = conditions[worst]
        subject = (
            f"of actuations keep {rule.of} within {percent(rule.at_most)} of its rating "
            f"at {place.temperature:g} degC and {place.age:g} yr, the worst condition for it"
        )
        part = judged(rule.of, found[worst], rule.share, subject)
        parts.append(part)
        checks.append(
            DeratingCheck(rule.of, rule.at_most, rule.share, found[worst], part.word, (place.temperature, place.age))
        )
    return tuple(checks), tuple(parts)

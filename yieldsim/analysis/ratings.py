"""What is taken of every rating, against the ratings and against the derating rules."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds, place
from yieldsim.analysis.mission import plan_of
from yieldsim.analysis.rating_counts import METHOD, StressCounts, count_stresses, edges_of, merge_counts, quantile_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.stress import DeratingCheck, check_deratings, check_ratings
from yieldsim.analysis.verdict import MET, NOT_MET, UNDECIDED, Judged, more_units, percent
from yieldsim.analysis.worst_cases.answers import Asked, quantities_of
from yieldsim.analysis.worst_cases.box import link_cases
from yieldsim.analysis.worst_cases.search import Searcher
from yieldsim.analysis.yields import confidence_of
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PROBABILITIES = (0.5, 0.99, 0.999)
WITHIN, EXCEEDED, IN_WORST_CASE = "within", "exceeded", "within, not in the worst case"
_CURVE = 96  # points of a curve for the picture


@dataclass(frozen=True)
class RatingCell:
    """One rating in one condition.

    Attributes
    ----------
    of, unit : which stress, and its unit
    rating : [unit]
    limit : what derating rules leave of it, the strictest [unit]; None without a rule
    temperature_degC, age_yr : the condition
    quantiles : probability -> value over the actuations, with one-sided bounds [unit]
    largest : simulated, of ``unit_number`` in ``actuation``; the latter is -1 where the stress is the unit's own [unit]
    above_rating, above_limit : share of the actuations above, with one-sided bounds
    extreme_value : worst found with every tolerance at its extremes [unit]
    interior : parameters that stand between their extremes there
    unknown : actuations that gave no number and count as above everything
    curve : (value [unit], share of the actuations above it) of rising values
    """

    of: str
    unit: str
    rating: float
    limit: float | None
    temperature_degC: float
    age_yr: float
    quantiles: dict[float, Estimate]
    largest: float
    unit_number: int
    actuation: int
    above_rating: Estimate
    above_limit: Estimate | None
    extreme_value: float
    interior: tuple[str, ...]
    unknown: int
    curve: tuple[tuple[float, float], ...]

    @property
    def word(self) -> str:
        """``exceeded`` by what was simulated, ``within, not in the worst case``, or ``within``; of the rating."""
        if self.above_rating.value > 0.0:
            return EXCEEDED
        return IN_WORST_CASE if self.extreme_value > self.rating else WITHIN

    def payload(self) -> dict[str, Any]:
        """Return the cell for machines."""
        row: dict[str, Any] = {
            "rating_of": self.of,
            "unit": self.unit,
            "rating": self.rating,
            "derated_limit": self.limit,
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
        }
        for p, found in self.quantiles.items():
            row |= bounds(f"quantile_{100 * p:g}".replace(".", "_"), found)
        return {
            **row,
            "largest": self.largest,
            "largest_in_unit": self.unit_number,
            "largest_in_actuation": None if self.actuation < 0 else self.actuation,
            **bounds("above_rating", self.above_rating),
            **bounds("above_limit", self.above_limit),
            "extreme_value": self.extreme_value,
            "largest_used": self.largest / self.rating,
            "extreme_used": self.extreme_value / self.rating,
            "verdict": self.word,
            "unknown": self.unknown,
            "interior": list(self.interior),
        }


@dataclass(frozen=True)
class RatingsResult(Result):
    """Every rating in every condition, and how the derating rules are kept.

    Attributes
    ----------
    path : of the configuration as it was given, for the commands that open an actuation
    confidence : of each one-sided bound
    units, actuations : simulated, the latter of each unit in each condition
    cells : by rating, the condition that takes most of it first
    deratings, judged : the rules one by one
    word : ``exceeded``, ``not met``, ``undecided``, ``within, not in the worst case``, ``within``
    reason : in plain words, with the numbers
    evaluations : actuations computed for the extreme values
    """

    command: ClassVar[str] = "ratings"
    path: str | None
    confidence: float
    units: int
    actuations: int
    cells: tuple[RatingCell, ...]
    deratings: tuple[DeratingCheck, ...]
    judged: tuple[Judged, ...]
    word: str
    reason: str
    evaluations: int

    @property
    def names(self) -> tuple[str, ...]:
        """The ratings, in the order in which the current meets them."""
        return tuple(dict.fromkeys(cell.of for cell in self.cells))

    def worst(self, name: str) -> RatingCell:
        """Return the condition that takes most of a rating, in the worst case."""
        return next(cell for cell in self.cells if cell.of == name)

    def payload(self) -> dict[str, Any]:
        """Return verdict, rules and cells."""
        return {
            "confidence": self.confidence,
            "verdict": self.word,
            "reason": self.reason,
            "deratings": [
                {
                    "of": rule.of,
                    "at_most": rule.at_most,
                    "share": rule.share,
                    **bounds("reached", rule.reached),
                    "verdict": rule.verdict,
                    "worst_cell": place(rule.worst_cell),
                }
                for rule in self.deratings
            ],
            "ratings": [cell.payload() for cell in self.cells],
            "quantile_method": METHOD,
            "above_method": self.cells[0].above_rating.method,
            "extreme_value_method": "search of the box of all extremes: vertices by the signs of differences, then "
            "compass searches from several starts",
            "evaluations": self.evaluations,
        }


def ratings(
    design: Design, settings: Settings, progress: Progress | None = None, over: Mapper | None = None
) -> RatingsResult:
    """Run the same units in every condition and say what they take of every rating.

    Parameters
    ----------
    design : Design
    settings : Settings
    progress : called with pieces of work done and in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out

    Raises
    ------
    InputError : no rating is stated, a derating rule without its rating, a confidence out of range, or what `Response`
        refuses
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return ratings(design, settings, progress, threads)
    confidence = confidence_of(design, settings)
    check_ratings(design)
    asked = _asked(design, settings)
    response = Response(design, settings)
    clusters = None if settings.lots is None else response.population.lot_of(np.arange(settings.units))
    work = _Work(response, asked, clusters, confidence, over, progress)
    conditions = plan_of(design).conditions
    answers = [work.cell(condition) for condition in conditions]
    deratings, judged = check_deratings(
        design, conditions, [_shares(design, asked, counts, clusters) for _, counts in answers], confidence
    )
    order = {a.name: k for k, a in enumerate(asked)}
    cells = sorted(
        (cell for own, _ in answers for cell in own), key=lambda c: (order[c.of], -max(c.extreme_value, c.largest))
    )
    word, reason = _verdict(cells, judged, settings, len(conditions))
    unknown = sum(cell.unknown for cell in cells if cell.of == asked[0].name)
    warned = [f"{unknown} actuations were not finished; they count as above every rating"] if unknown else []
    if design.conditions.sites:
        warned.append("the worst case ages every unit by conditions.mission, not by its site's")
    return RatingsResult(
        provenance=provenance(design, settings, *warned),
        path=None if design.source is None else str(design.source),
        confidence=confidence,
        units=settings.units,
        actuations=settings.actuations,
        cells=tuple(cells),
        deratings=deratings,
        judged=judged,
        word=word,
        reason=reason,
        evaluations=work.evaluations,
    )


def _asked(design: Design, settings: Settings) -> list[Asked]:
    """Return the ratings that the design states."""
    asked = [a for a in quantities_of(design, settings.accuracy) if a.rating is not None]
    if not asked:
        file = None if design.source is None else str(design.source)
        reason = "no rating is stated, so that there is nothing to compare a stress with"
        raise InputError(
            Problem(file, "storage.voltage_rating", None, reason, 'add it, storage.voltage_rating = "10 V" for one')
        )
    return asked


def _limits(design: Design, asked: Asked) -> list[float]:
    """Return the rating and what each rule leaves of it, in the order of the rules [unit]."""
    rating = asked.rating or 0.0
    return [rating, *(rule.at_most * rating for rule in design.deratings if rule.of == asked.name)]


def _shares(
    design: Design, asked: Sequence[Asked], counts: Sequence[StressCounts], lots: IntArray | None
) -> list[Frequencies]:
    """Return, for each derating rule, the frequencies of the share of a unit's actuations that keep it."""
    places = {a.name: k for k, a in enumerate(asked)}
    seen = dict.fromkeys(places, 0)
    shares = []
    for rule in design.deratings:
        seen[rule.of] += 1
        shares.append(Frequencies.in_lots(counts[places[rule.of]].within[:, seen[rule.of]], lots))
    return shares


class _Work:
    """One run: counts and extreme values of a condition after the other."""

    def __init__(
        self,
        response: Response,
        asked: Sequence[Asked],
        clusters: IntArray | None,
        confidence: float,
        over: Mapper,
        progress: Progress | None,
    ) -> None:
        self.response, self.asked, self.clusters, self.confidence = response, asked, clusters, confidence
        self.over, self.progress = over, progress
        self.case = link_cases(response)[0]  # stresses do not depend on what the link does
        self.searcher = Searcher(response, [self.case])
        self.parts = blocks(response.settings.units)
        self.limits = [_limits(response.design, a) for a in asked]
        self.pieces = len(plan_of(response.design).conditions) * len(self.parts)
        self.done, self.evaluations = 0, 0

    def cell(self, condition: Condition) -> tuple[list[RatingCell], list[StressCounts]]:
        """Return every rating in one condition, and the counts behind it."""
        edges = edges_of(self.response, self.asked, condition)
        parts = []
        for part in self.over.map(
            lambda units: count_stresses(self.response, self.asked, self.limits, edges, condition, units), self.parts
        ):
            parts.append(part)
            self.done += 1
            if self.progress is not None:
                self.progress(self.done, self.pieces)
        counts = merge_counts(parts)
        extremes = self._extremes(condition)
        pairs = zip(self.asked, counts, strict=True)
        return [self._told(a, own, condition, *extremes[a.column]) for a, own in pairs], counts

    def _extremes(self, condition: Condition) -> dict[int, tuple[float, tuple[str, ...]]]:
        """Search the box of all extremes for each stress; ratings of one stress share their search."""
        first = {a.column: a for a in reversed(self.asked)}
        found = list(self.over.map(lambda a: self.searcher.find(a, self.case, condition), list(first.values())))
        self.evaluations += sum(f.evaluations for f in found)
        axes = self.searcher.boxes[self.case.attempts].axes
        return {
            f.asked.column: (f.extreme, tuple(f"{axes[k].name} ({axes[k].level})" for k in f.search.interior))
            for f in found
        }

    def _told(
        self, asked: Asked, counts: StressCounts, condition: Condition, extreme: float, interior: tuple[str, ...]
    ) -> RatingCell:
        limits = _limits(self.response.design, asked)
        strictest = None if len(limits) == 1 else 1 + int(np.argmin(limits[1:]))

        def above(k: int) -> Estimate:
            return mean_of_clusters(1.0 - counts.within[:, k], self.clusters, self.confidence)

        every = max(1, len(counts.edges) // _CURVE)
        curve = zip(counts.edges[::every], counts.exceedance[::every], strict=True)
        return RatingCell(
            of=asked.name,
            unit=asked.unit,
            rating=limits[0],
            limit=None if strictest is None else limits[strictest],
            temperature_degC=condition.temperature,
            age_yr=condition.age,
            quantiles={p: quantile_of(counts, p, self.clusters, self.confidence) for p in PROBABILITIES},
            largest=counts.largest,
            unit_number=counts.unit,
            actuation=counts.actuation,
            above_rating=above(0),
            above_limit=None if strictest is None else above(strictest),
            extreme_value=extreme,
            interior=interior,
            unknown=counts.unknown,
            curve=tuple((float(x), float(y)) for x, y in curve),
        )


def _verdict(
    cells: Sequence[RatingCell], judged: Sequence[Judged], settings: Settings, conditions: int
) -> tuple[str, str]:
    """Return the word and its reason: what was exceeded, then the rules, then the worst case."""
    reasons = []
    exceeded = list(dict.fromkeys(cell.of for cell in cells if cell.word == EXCEEDED))
    for name in exceeded:
        worst = max((cell for cell in cells if cell.of == name), key=lambda cell: cell.above_rating.low)
        found = worst.above_rating
        reasons.append(
            f"{percent(found.value)} of the actuations (at least {percent(found.low, down=True)}) take more than the "
            f"rating {name} at {worst.temperature_degC:g} degC and {worst.age_yr:g} yr."
        )
    words = {part.word for part in judged}
    reasons += [part.reason for part in judged if part.word != MET]
    needed = [
        more_units(part.reached.value, settings.units, part.required, part.reached.confidence)
        for part in judged
        if part.word == UNDECIDED and settings.lots is None  # with lots more units add no lot
    ]
    if needed and None not in needed:
        reasons.append(f"About {max(n for n in needed if n is not None):,d} more units would decide it.")
    beyond = list(
        dict.fromkeys(cell.of for cell in cells if cell.extreme_value > cell.rating and cell.of not in exceeded)
    )
    if beyond:
        reasons.append(f"With every tolerance at its extreme {' and '.join(beyond)} would be exceeded.")
    if not exceeded:
        where = f"each of {conditions} conditions" if conditions > 1 else "the one condition"
        most = percent(max(cell.above_rating.high for cell in cells), down=False)
        reasons.append(
            f"No rating was exceeded in {settings.units * settings.actuations:,d} actuations of {settings.units:,d} "
            f"units in {where}: at most {most} of the actuations would "
            f"(each bound at {percent(cells[0].above_rating.confidence)} confidence)."
        )
    if judged and words == {MET}:
        reasons.append("Every derating rule is met.")
    word = WITHIN
    if exceeded:
        word = EXCEEDED
    elif NOT_MET in words:
        word = NOT_MET
    elif UNDECIDED in words:
        word = UNDECIDED
    elif beyond:
        word = IN_WORST_CASE
    return word, " ".join(reasons)

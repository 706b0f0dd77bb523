"""The worst case: extreme value, root-sum-square, quantile and failure point side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import product
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.conditions import condition_problems
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.worst_cases.answers import (
    RESERVE,
    Asked,
    CaseAnswer,
    CellAnswer,
    FailurePointAnswer,
    Waterfall,
    passes,
    quantities_of,
)
from yieldsim.analysis.worst_cases.box import BUSIEST, Extreme, LinkCase, extremes_of, link_cases
from yieldsim.analysis.worst_cases.failure import failure_points
from yieldsim.analysis.worst_cases.sample import sample
from yieldsim.analysis.worst_cases.search import Found, Searcher
from yieldsim.analysis.worst_cases.shares import BENCH
from yieldsim.analysis.worst_cases.waterfall import waterfall
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.tolerance_limits import normal_limit, sample_size, tolerance_limit
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]

CONTENT = 0.999
_RANKS = (5, 4, 3, 2, 1)  # which observation the limit is to be, the first that the most observations allow
_MOST = 20_000  # observations for a rank above 1
_COMPARED = 2  # times that worst points are tried everywhere
_LIMIT = 1_000_000  # observations at all


@dataclass(frozen=True)
class WorstCaseResult(Result):
    """The worst cases of all conditions.

    Attributes
    ----------
    content, confidence : of each tolerance limit; intervals of failure probabilities have this confidence, two-sided
    observations : of each sample
    rank : which observation a limit is, counted from the worst
    cells : one a quantity and condition: by quantity, then the worst extreme value first
    failure_points : of each quantity at its worst condition, by number of attempts
    waterfalls : of each quantity at its worst condition: one attempt on a clear channel, then the worst of all
    extremes : how far each drawn variable is taken
    evaluations : actuations computed for the extreme values
    method : what was done
    """

    command: ClassVar[str] = "worst-case"
    content: float
    confidence: float
    observations: int
    rank: int
    cells: tuple[CellAnswer, ...]
    failure_points: tuple[FailurePointAnswer, ...]
    waterfalls: tuple[Waterfall, ...]
    extremes: tuple[Extreme, ...]
    evaluations: int
    method: str

    def of(self, quantity: str) -> tuple[CellAnswer, ...]:
        """Return the answers for one quantity, the worst condition first."""
        return tuple(cell for cell in self.cells if cell.quantity == quantity)

    @property
    def worst(self) -> CellAnswer:
        """The condition with the least extreme value of the reserve."""
        return self.of(RESERVE)[0]

    @property
    def quantities(self) -> tuple[str, ...]:
        """What was asked, margins first."""
        return tuple(dict.fromkeys(cell.quantity for cell in self.cells))

    def payload(self) -> dict[str, Any]:
        """Return every answer."""
        return {
            "content": self.content,
            "confidence": self.confidence,
            "observations": self.observations,
            "rank": self.rank,
            "evaluations": self.evaluations,
            "method": self.method,
            "cells": [asdict(cell) for cell in self.cells],
            "failure_points": [asdict(point) for point in self.failure_points],
            "waterfalls": [asdict(fall) for fall in self.waterfalls],
            "extremes": [asdict(extreme) for extreme in self.extremes],
        }


_METHOD = (
    "extreme value: vertices of the box of all extremes guided by the signs of differences, then compass searches from "
    "several starts; root-sum-square: what each tolerance does alone at the condition, biases added algebraically; "
    "quantile: order statistics of independent actuations, a unit each; failure point: most probable points with "
    "importance sampling"
)


def worst_case(
    design: Design,
    settings: Settings,
    condition: Condition | None = None,
    content: float = CONTENT,
    progress: Progress | None = None,
) -> WorstCaseResult:
    """Ask for the worst case of margins, hold-up and ratings.

    Parameters
    ----------
    design : Design
    settings : seed, accuracy, confidence and threads are used
    condition : one condition; None for all of the design's, and temperatures between them that are worse
    content : share of actuations that a tolerance limit is to hold for
    progress : called with pieces of work done and in all

    Raises
    ------
    InputError : a content or a condition out of range
    """
    confidence = settings.confidence or 0.95
    problems = list(_problems(content, confidence))
    if condition is not None:
        problems.extend(condition_problems(design, condition))
    if problems:
        raise InputError(*problems)
    response = Response(design, replace(settings, lots=None))
    rank, observations = _effort(content, confidence)
    with mapper(settings.threads) as over:
        work = _Work(response, over, content, confidence, observations, progress)
        found, between = work.search(condition)
        cells = work.cells(found, between)
        points = failure_points(response, [f for a in work.asked for f in _worst_cell(found, a)], confidence, over)
        falls = [waterfall(work.searcher, f, work.bench(f.asked)) for a in work.asked for f in _told(found, a)]
    return WorstCaseResult(
        provenance=provenance(design, settings, *work.warnings(found)),
        content=content,
        confidence=confidence,
        observations=observations,
        rank=rank,
        cells=cells,
        failure_points=points,
        waterfalls=tuple(falls),
        extremes=extremes_of(response),
        evaluations=work.searcher.evaluations,
        method=_METHOD,
    )


def _problems(content: float, confidence: float) -> list[Problem]:
    if not 0.5 <= content < 1.0:
        return [Problem(None, "content", f"{content:.10g}", "out of range", "use 0.5 or more and below 1")]
    try:
        needed = sample_size(content, confidence)
    except ValueError:
        needed = _LIMIT + 1
    if needed > _LIMIT:
        reason = f"a limit from order statistics would need more than {_LIMIT:,d} actuations in every condition"
        remedy = "use a lower content, or ask `yieldsim tail`"
        return [Problem(None, "content", f"{content:.10g}", reason, remedy)]
    return []


def _effort(content: float, confidence: float) -> tuple[int, int]:
    """Return the rank of the limit, and how many observations that takes."""
    for rank in _RANKS:
        observations = sample_size(content, confidence, rank)
        if observations <= _MOST or rank == 1:
            break
    return rank, observations


def _told(found: Sequence[Found], asked: Asked) -> list[Found]:
    """Return the worst of a quantity, before it the same for the likeliest outcome of the link where that is another.

    Cases are listed with the likeliest first: one attempt on a clear channel.
    """
    own = [f for f in found if f.asked == asked]
    likely = min((f for f in own if f.case == own[0].case), key=lambda f: f.search.value)
    worst = min(own, key=lambda f: f.search.value)
    return [worst] if worst is likely else [likely, worst]


def _worst_cell(found: Sequence[Found], asked: Asked) -> list[Found]:
    """Return what was found for a quantity at its worst condition, one a case of the link."""
    place = min((f for f in found if f.asked == asked), key=lambda f: f.search.value).condition
    return [f for f in found if f.asked == asked and f.condition == place]


class _Work:
    """One run: searches and samples over all conditions."""

    def __init__(
        self,
        response: Response,
        over: Mapper,
        content: float,
        confidence: float,
        observations: int,
        progress: Progress | None,
    ) -> None:
        self.response, self.over, self.progress = response, over, progress
        self.content, self.confidence, self.observations = content, confidence, observations
        self.cases = link_cases(response)
        self.searcher = Searcher(response, self.cases)
        self.asked = quantities_of(response.design, response.settings.accuracy)
        bench = response.respond_at({}, BENCH)
        self._bench = np.append(bench.values, response.nominal_base(BENCH)[at.OUTPUT])
        self.done = 0

    def bench(self, asked: Asked) -> float:
        """Return the value of the nominal actuation on the bench [unit]."""
        return float(self._bench[asked.column])

    # --- extreme values ---------------------------------------------------------------------------------------------

    def search(self, condition: Condition | None) -> tuple[list[Found], list[Condition]]:
        """Search all conditions, then temperatures between them; returns what was found and those temperatures."""
        known = self.response.design.conditions
        cells = [Condition(t, a) for a in sorted(known.ages) for t in sorted(known.temperatures)]
        cells = cells if condition is None else [condition]
        self.expected = len(cells)
        found = self._searched(cells)
        between: list[Condition] = []
        if condition is None and len(known.temperatures) > 1:
            rows = [
                [f for f in found if f.asked == a and f.case == case and f.condition.age == age]
                for a, age in product(self._searched_for, known.ages)
                for case in self._cases_of(a)
            ]
            for more in self.over.map(self.searcher.between, rows):
                between += [cell for cell in more if cell not in between]
            between.sort(key=lambda cell: (cell.age, cell.temperature))
            self.expected += len(between)
            found += self._searched(between)
        return found, between

    @property
    def _searched_for(self) -> list[Asked]:
        """Quantities to search: ratings of one stress share their search."""
        first: dict[tuple[int, bool], Asked] = {}
        for a in self.asked:
            first.setdefault((a.column, a.least), a)
        return list(first.values())

    def _cases_of(self, asked: Asked) -> tuple[LinkCase, ...]:
        return self.cases if asked.by_attempts else self.cases[:1]

    def _searched(self, cells: list[Condition]) -> list[Found]:
        first: dict[tuple[Asked, LinkCase, Condition], Found] = {}
        for cell in cells:
            tasks = [(a, case, cell) for a in self._searched_for for case in self._cases_of(a)]
            for task, f in zip(tasks, self.over.map(lambda task: self.searcher.find(*task), tasks), strict=True):
                first[task] = f
            self._tick()
        for _ in range(_COMPARED):
            again = self.searcher.compared(list(first.values()))
            for f in self.over.map(lambda task: self.searcher.find(*task), again):
                task = f.asked, f.case, f.condition
                spent = first[task].evaluations + f.evaluations
                better = f if f.search.value < first[task].search.value else first[task]
                first[task] = replace(better, evaluations=spent)
            if not again:
                break
        return [replace(f, asked=a) for f in first.values() for a in self.asked if _same(f.asked, a)]

    def _tick(self) -> None:
        self.done += 1
        if self.progress is not None:
            self.progress(self.done, 2 * self.expected)

    # --- answers ----------------------------------------------------------------------------------------------------

    def cells(self, found: list[Found], between: list[Condition]) -> tuple[CellAnswer, ...]:
        """Return the answers by quantity, the worst condition first."""
        answers: list[CellAnswer] = []
        for cell in dict.fromkeys(f.condition for f in found):
            samples = {
                used: sample(self.response, cell, self.observations, used, self.over)
                for used in (None, *dict.fromkeys(case.attempts for case in self.cases))
            }
            for a in self.asked:
                own = [f for f in found if f.asked == a and f.condition == cell]
                answers.append(self._cell(a, own, samples, cell not in between))
            self._tick()
        order = {a.name: k for k, a in enumerate(self.asked)}
        least = {a.name: a.least for a in self.asked}
        answers.sort(key=lambda c: (order[c.quantity], c.extreme_value if least[c.quantity] else -c.extreme_value))
        return tuple(answers)

    def _cell(self, asked: Asked, own: list[Found], samples: dict[int | None, FloatArray], stated: bool) -> CellAnswer:
        pick = min if asked.least else max
        condition = own[0].condition
        extreme, combined = pick(f.extreme for f in own), pick(f.root_sum_square for f in own)
        values = _worst_last(samples[None][:, asked.column], asked)
        quantile, limit = self._quantile(values, asked)
        finite = values[np.isfinite(values)]
        told = {"extreme value": extreme, "root-sum-square": combined, "quantile limit": limit}
        return CellAnswer(
            quantity=asked.name,
            unit=asked.unit,
            temperature_degC=condition.temperature,
            age_yr=condition.age,
            stated=stated,
            nominal=self.bench(asked),
            extreme_value=extreme,
            root_sum_square=combined,
            quantile=quantile,
            quantile_limit=limit,
            sample_extreme=float(values.min() if asked.least else values.max()),
            normal_limit=(
                normal_limit(finite, self.content, self.confidence, upper=not asked.least)
                if len(finite) > 1
                else np.nan
            ),
            limit=asked.limit,
            rating=asked.rating,
            passed=tuple(name for name, value in told.items() if passes(asked, value)),
            cases=tuple(self._case(f, samples[f.case.attempts]) for f in own),
        )

    def _case(self, found: Found, values: FloatArray) -> CaseAnswer:
        asked, stratum, box = found.asked, found.stratum, self.searcher.boxes[len(found.stratum.tries)]
        quantile, limit = self._quantile(_worst_last(values[:, asked.column], asked), asked)
        return CaseAnswer(
            attempts=found.case.attempts,
            channel=found.case.channel,
            message=found.message(self.response.design),
            press=found.press,
            link_probability=found.case.probability(self.response, found.condition, stratum),
            biased=found.biased,
            extreme_value=found.extreme,
            root_sum_square=found.root_sum_square,
            quantile=quantile,
            quantile_limit=limit,
            evaluations=found.evaluations,
            interior=tuple(f"{box.axes[k].name} ({box.axes[k].level})" for k in found.search.interior),
        )

    def _quantile(self, values: FloatArray, asked: Asked) -> tuple[float, float]:
        probability = 1.0 - self.content if asked.least else self.content
        quantile = float(np.quantile(values, probability, method="median_unbiased"))
        return quantile, tolerance_limit(values, self.content, self.confidence, upper=not asked.least).limit

    def warnings(self, found: list[Found]) -> list[str]:
        """Return what a reader of the answers should know."""
        told = []
        lost = sum(f.search.not_finite for f in found)
        if lost:
            told.append(f"{lost} actuations of the searches gave no finite number and were never taken as the worst")
        if self.response.design.conditions.sites:
            told.append("extreme values and failure points age every unit by conditions.mission, not by its site's")
        if self.response.kernel.use_backoff and self.response.design.link.backoff is not None:
            told.append(
                f"the extreme values on a channel {BUSIEST} take every backoff at its longest; read them with the "
                "probability of such an outcome of the link beside them"
            )
        return told


def _same(a: Asked, b: Asked) -> bool:
    return (a.column, a.least) == (b.column, b.least)


def _worst_last(values: FloatArray, asked: Asked) -> FloatArray:
    """Values with those that are no number taken as the worst there can be."""
    return np.where(np.isnan(values), -np.inf if asked.least else np.inf, values)

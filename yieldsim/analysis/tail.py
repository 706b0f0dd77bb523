"""How rare a failure is: probabilities far below what a run can count, and where they come from."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.conditions import condition_problems
from yieldsim.analysis.converging import ConvergenceCurve
from yieldsim.analysis.drawn import unit_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.support import DataSupport, data_support
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.limit_states import CAUSES, ActuationLimit, UnitLimit
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import Stratum, chances_of, list_strata, pivot_slot
from yieldsim.estimate.tails import TailAnswer, failure_probability
from yieldsim.population.points import coordinate, point_set
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]

ENERGY, COMPLETION = "energy", "completion"
ACTUATION, UNIT = "actuation", "unit"
METHODS = ("auto", "mixture", "subset", "monte-carlo")
_UNITS = 1024  # over which the chances of the link are averaged
_NEGLIGIBLE = 1e-12  # probability of outcomes of the link that are not listed
_LEFT_OUT = 0.05  # share of the answer that the outcomes not looked into may add at the most
_MOST_OUTCOMES = 12  # of the link that are looked into
_REST_DRAWS = 4  # draws of what differs between a unit's actuations beside the press
_SHOWN = 8  # parameters of the most probable failure point


@dataclass(frozen=True)
class FailureParameter:
    """One parameter at the most probable failure point.

    Attributes
    ----------
    name, level : as drawn
    score : standard scores from its median; positive for a higher draw
    importance : share of the squared direction cosines [-]
    value, nominal : at the condition, in ``unit``; None for what is no number of a part
    """

    name: str
    level: str
    score: float
    importance: float
    value: float | None
    nominal: float | None
    unit: str


@dataclass(frozen=True)
class FailurePointOfCell:
    """The failure point that carries most: where it lies, and how it fails."""

    reliability_index: float
    cause: str
    link: str
    parameters: tuple[FailureParameter, ...]


@dataclass(frozen=True)
class CellTail:
    """The failure probability of one condition.

    Attributes
    ----------
    temperature_degC, age_yr : the condition
    of, level : ``energy`` or ``completion``; ``actuation`` or ``unit``
    failure, failure_low, failure_high : estimate and two-sided interval
    causes : cause -> probability that it fails; together they may exceed the whole
    link_floor : probability that the link fails whatever the supply does, part of ``failure``; 0 for energy
    left_out : most that outcomes of the link not looked into add if none of them fails oftener than the hardest one,
        part of ``failure_high``
    model_calls : actuations computed
    method : which one answers
    agreement : each method's own answer for the outcome of the link that carries most
    flag : in plain words what keeps the answer from being trusted
    reached : below this probability the population was not looked at
    farthest : score of the farthest draw that matters: how far into the tail of an input the answer reaches
    most_probable_point : where it fails first
    data_support : down to which probability the data of the inputs support it; None without a failure point
    """

    temperature_degC: float
    age_yr: float
    of: str
    level: str
    failure: float
    failure_low: float
    failure_high: float
    causes: dict[str, float]
    link_floor: float
    left_out: float
    model_calls: int
    method: str
    agreement: tuple[dict[str, Any], ...]
    flag: str | None
    reached: float
    farthest: float
    most_probable_point: FailurePointOfCell | None
    data_support: DataSupport | None = None

    @property
    def within(self) -> bool:
        """Whether the interval is narrow enough to quote the estimate: a factor 2 each way."""
        return self.failure_low > 0.0 and self.failure_high <= 4.0 * self.failure_low


@dataclass(frozen=True)
class TailResult(Result):
    """The tails of all conditions.

    Attributes
    ----------
    confidence : of each two-sided interval
    target : relative standard error aimed at
    cells : by age, then temperature
    method : what was done
    convergence : how the worst of them narrows with effort, where it was asked for
    """

    command: ClassVar[str] = "tail"
    confidence: float
    target: float
    cells: tuple[CellTail, ...]
    method: str
    convergence: tuple[ConvergenceCurve, ...] = ()

    @property
    def worst(self) -> CellTail:
        """The condition that fails most."""
        return max(self.cells, key=lambda cell: cell.failure)

    def payload(self) -> dict[str, Any]:
        """Return the cells, worst point and agreement included."""
        return {
            "confidence": self.confidence,
            "target": self.target,
            "method": self.method,
            "cells": [asdict(cell) for cell in self.cells],
            "convergence": [curve.payload() for curve in self.convergence],
        }


@dataclass(frozen=True)
class Asked:
    """What a tail analysis is asked for.

    Attributes
    ----------
    of : ``energy`` for g < 0, ``completion`` for whatever keeps an actuation from completing
    level : ``actuation``, or ``unit`` for a unit below its required completion
    target : relative standard error aimed at [-]
    method : ``auto``, or one of the estimators by name
    budget : model calls of one outcome of the link after which no new effort is begun
    """

    of: str = ENERGY
    level: str = ACTUATION
    target: float = 0.1
    method: str = "auto"
    budget: int = 60_000


@dataclass(frozen=True)
class Part:
    """The answer for one outcome of the link, and how probable that is."""

    stratum: Stratum
    weight: float
    limit: ActuationLimit | UnitLimit
    answer: TailAnswer


def tail(
    design: Design,
    settings: Settings,
    condition: Condition | None = None,
    asked: Asked | None = None,
    progress: Progress | None = None,
) -> TailResult:
    """Estimate failure probabilities down to 1e-9, condition by condition.

    The outcomes of the link are listed with their probabilities, and the margins are asked of each in turn; what was
    learnt of one outcome and condition starts the next.

    Parameters
    ----------
    design : Design
    settings : seed, accuracy, confidence and threads are used
    condition : one condition; None for all of the design's
    asked : what; energy failures of an actuation when None
    progress : called with conditions done and in all

    Raises
    ------
    InputError : a target, method, budget or condition out of range; a unit's tail without a requirement
    """
    asked = asked or Asked()
    problems = list(_problems(design, asked))
    if condition is not None:
        problems.extend(condition_problems(design, condition))
    if problems:
        raise InputError(*problems)
    confidence = settings.confidence or 0.95
    response = Response(design, settings)
    known = design.conditions
    cells = [Condition(t, a) for a in sorted(known.ages) for t in sorted(known.temperatures)]
    required = _required(design) if asked.level == UNIT else None
    found: list[CellTail] = []
    before: dict[Stratum | None, TailAnswer] = {}
    with mapper(settings.threads) as over:
        for cell in cells if condition is None else [condition]:
            search = Search(response, cell, asked, confidence, over, before)
            found.append(search.actuation_tail() if required is None else search.unit_tail(required))
            if progress is not None:
                progress(len(found), 1 if condition is not None else len(cells))
    warnings = []
    if known.sites:
        warnings.append("tails age every unit by conditions.mission, not by that of its site")
    return TailResult(
        provenance=provenance(design, settings, *warnings),
        confidence=confidence,
        target=asked.target,
        cells=tuple(found),
        method=_METHOD,
    )


_METHOD = (
    "outcomes of the link as strata with known probabilities; in each, most probable points searched from many starts "
    "and by subset simulation, importance sampling over all of them with a defensive share, subset simulation beside "
    "it as a check; intervals two-sided"
)


def _problems(design: Design, asked: Asked) -> list[Problem]:
    problems = []
    for name, value, known in (
        ("of", asked.of, (ENERGY, COMPLETION)),
        ("level", asked.level, (ACTUATION, UNIT)),
        ("method", asked.method, METHODS),
    ):
        if value not in known:
            problems.append(Problem(None, name, value, "not known", f"use {' or '.join(known)}"))
    if not 0.01 <= asked.target < 1.0:
        problems.append(Problem(None, "target", f"{asked.target:g}", "out of range", "use 0.01 to below 1"))
    if asked.budget < 5000:
        problems.append(Problem(None, "budget", str(asked.budget), "too low", "use 5000 or more"))
    if asked.level == UNIT and _required(design) is None:
        file = design.source.name if design.source is not None else None
        reason = "a unit fails when it completes less than is required, and nothing is"
        problems.append(Problem(file, "requirement", None, reason, "state [requirement] completion"))
    return problems


def _required(design: Design) -> float | None:
    return None if design.requirement is None else design.requirement.completion


class Search:
    """The tail of one condition."""

    def __init__(
        self,
        response: Response,
        condition: Condition,
        asked: Asked,
        confidence: float,
        over: Mapper,
        before: dict[Stratum | None, TailAnswer],
    ) -> None:
        self.response, self.condition, self.asked = response, condition, asked
        self.confidence, self.over, self.before = confidence, over, before
        units = np.arange(_UNITS, dtype=np.int64)
        base, scale = response.unit_base(units, condition)
        self.strata, weights = list_strata(response, chances_of(response, base, scale), _NEGLIGIBLE)
        self.weights: FloatArray = weights.mean(axis=0)

    def answer(self, limit: ActuationLimit | UnitLimit, key: Stratum | None, causes: Sequence[str]) -> TailAnswer:
        """Estimate one limit state, from what its neighbour taught."""
        found = failure_probability(
            limit,
            len(limit.axes),
            seed=self.response.settings.seed,
            target=self.asked.target,
            causes=causes,
            start_points=self.before.get(key),
            method=self.asked.method,  # type: ignore[arg-type]
            level=self.confidence,
            budget=self.asked.budget,
        )
        if len(found.points):
            self.before[key] = found
        return found

    def actuation_tail(self) -> CellTail:
        """Sum over the outcomes of the link, until the rest cannot matter."""
        return self.together(*self.parts())

    def parts(self, most: int = _MOST_OUTCOMES) -> tuple[list[Part], float, float]:
        """Answer the outcomes of the link, the most probable first, until the rest cannot matter or ``most`` are.

        The rest fails no oftener than the hardest outcome, the one with the least margin at the median: it is asked
        first, and bounds them.

        Returns
        -------
        parts, floor, left : answers; probability that the link fails whatever the supply does; most that the outcomes
            not looked into add
        """
        limits = [ActuationLimit(self.response, self.condition, stratum, self.over) for stratum in self.strata]
        asked = [k for k, stratum in enumerate(self.strata) if self.asked.of == ENERGY or stratum.acknowledged]
        middle = {k: float(np.nanmin(limits[k](np.zeros((1, len(limits[k].axes)))))) for k in asked}
        floor = float(sum(w for k, w in enumerate(self.weights) if k not in middle))
        parts: dict[int, Part] = {}
        worst = 1.0
        if middle:
            hardest = min(middle, key=lambda k: middle[k])
            parts[hardest] = self._part(limits[hardest], parts)
            worst = parts[hardest].answer.high
            for k in asked:
                left = max(1.0 - floor - sum(part.weight for part in parts.values()), 0.0)
                so_far = floor + sum(part.weight * part.answer.probability for part in parts.values())
                if len(parts) >= most or left * worst <= max(_LEFT_OUT * so_far, _NEGLIGIBLE):
                    break
                if k not in parts:
                    parts[k] = self._part(limits[k], parts)
        left = max(1.0 - floor - sum(part.weight for part in parts.values()), 0.0)
        return list(parts.values()), floor, left * worst

    def _part(self, limit: ActuationLimit, parts: dict[int, Part]) -> Part:
        """Answer one outcome of the link, from another of the same condition where none is known from a neighbour."""
        stratum = limit.stratum
        if stratum not in self.before:
            same = [part for part in parts.values() if part.limit.axes == limit.axes and len(part.answer.points)]
            if same:
                self.before[stratum] = same[-1].answer
        weight = float(self.weights[self.strata.index(stratum)])
        return Part(stratum, weight, limit, self.answer(limit, stratum, CAUSES))

    def unit_tail(self, required: float) -> CellTail:
        """Ask how probable a unit is that completes less than ``required`` of its actuations."""
        axes = self.response.dimensions
        slot = pivot_slot(self.response)
        press = next((k for k, a in enumerate(axes) if a.level == ACTUATION and a.place == slot), None)
        names = [coordinate(f"{a.name}.{a.attempt}", a.level) for a in axes]
        rest = point_set(names, _REST_DRAWS, self.response.settings.seed)
        limit = UnitLimit(
            self.response, self.condition, tuple(self.strata), self.weights, required,
            self.asked.of == COMPLETION, rest, press, self.over,
        )  # fmt: skip
        part = Part(self.strata[0], 1.0, limit, self.answer(limit, None, ("completes too little",)))
        return self.together([part], 0.0, 0.0)

    def together(self, parts: list[Part], floor: float, left: float) -> CellTail:
        """Return the tail of the condition from what `parts` gives."""
        failure = floor + sum(part.weight * part.answer.probability for part in parts)
        below = math.sqrt(sum((part.weight * (part.answer.probability - part.answer.low)) ** 2 for part in parts))
        above = math.sqrt(sum((part.weight * (part.answer.high - part.answer.probability)) ** 2 for part in parts))
        main = max(parts, key=lambda part: part.weight * part.answer.high) if parts else None
        causes = ("completes too little",) if self.asked.level == UNIT else CAUSES
        flags = dict.fromkeys(
            part.answer.flag
            for part in parts
            if part.answer.flag is not None and part.weight * part.answer.high > 0.05 * max(failure, 1e-300)
        )
        point = None if main is None else self._point(main, causes)
        design = self.response.design
        return CellTail(
            temperature_degC=self.condition.temperature,
            age_yr=self.condition.age,
            of=self.asked.of,
            level=self.asked.level,
            failure=min(failure, 1.0),
            failure_low=max(failure - below, floor),
            failure_high=min(failure + above + left, 1.0),
            causes={
                name: float(sum(part.weight * part.answer.cause_probabilities[k] for part in parts))
                for k, name in enumerate(causes)
            },
            link_floor=floor,
            left_out=left,
            model_calls=sum(part.answer.calls for part in parts),
            method=main.answer.method if main is not None else "listed outcomes of the link",
            agreement=() if main is None else tuple(_own(a) for a in main.answer.agreement),
            flag="; ".join(str(flag) for flag in flags) or None,
            reached=max((part.weight * part.answer.reached for part in parts), default=0.0),
            farthest=max((part.answer.farthest for part in parts), default=0.0),
            most_probable_point=point,
            data_support=None if point is None else data_support(design, point.reliability_index, point.parameters),
        )

    def _point(self, part: Part, causes: Sequence[str]) -> FailurePointOfCell | None:
        """Tell the failure point that carries most in engineering units."""
        answer, limit = part.answer, part.limit
        if not len(answer.points):
            return None
        best = max(range(len(answer.indices)), key=lambda k: (answer.indices[k].share, -answer.indices[k].beta))
        u = answer.points[best]
        x, nominal = limit.values_at(u), self.response.nominal_base(self.condition)
        columns = column_of(self.response.design)
        cosines = u**2 / max(float(u @ u), 1e-300)
        rows = []
        for k in np.argsort(-cosines)[:_SHOWN]:
            axis = limit.axis(int(k))
            column = columns.get(axis.name)
            parameter = self.response.design.parameters.get(axis.name)
            rows.append(
                FailureParameter(
                    name=axis.name if axis.attempt < 1 else f"{axis.name}, attempt {axis.attempt + 1}",
                    level=axis.level,
                    score=float(u[k]),
                    importance=float(cosines[k]),
                    value=None if column is None else float(x[column]),
                    nominal=None if column is None else float(nominal[column]),
                    unit="" if parameter is None else unit_of(parameter),
                )
            )
        point = answer.indices[best]
        return FailurePointOfCell(point.beta, causes[point.cause], _told(part.stratum), tuple(rows))


def _own(answer: Any) -> dict[str, Any]:
    """One method's own answer, as the output has it."""
    return {
        "method": answer.name,
        "failure": answer.probability,
        "failure_low": answer.low,
        "failure_high": answer.high,
        "model_calls": answer.calls,
    }


def _told(stratum: Stratum) -> str:
    """An outcome of the link in words."""
    made = len(stratum.tries)
    words = f"{made} attempt{'s' if made > 1 else ''}, {'acknowledged' if stratum.acknowledged else 'no answer'}"
    return f"{words}, press stopped short" if stratum.partial else words

"""Where a quantity passes its limit first: most probable failing points at one condition, per number of attempts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.drawn import unit_of
from yieldsim.analysis.tail import FailureParameter
from yieldsim.analysis.worst_cases.answers import REGULATED, Asked, FailurePointAnswer
from yieldsim.analysis.worst_cases.box import BUSIEST, LinkCase
from yieldsim.analysis.worst_cases.search import Found
from yieldsim.engine.columns import column_of
from yieldsim.engine.execution import Inline, Mapper
from yieldsim.engine.limit_states import ActuationLimit
from yieldsim.engine.response import Response
from yieldsim.estimate.tails import TailAnswer, failure_probability
from yieldsim.estimate.tails.design_points import search
from yieldsim.estimate.tails.limit_state import LimitState

FloatArray = NDArray[np.float64]

_SHOWN = 8
_STARTS = 8
_TARGET = 0.15  # relative standard error aimed at: the point matters here, its probability is `tail`'s question
_BUDGET = 6_000
_COMMON = 1.5  # index below which failures are counted


@dataclass(frozen=True)
class QuantityLimit:
    """How much is left until a quantity passes its limit: ``g(u)`` (n,) for u (n, d).

    Attributes
    ----------
    of : whose axes u moves
    asked : the quantity
    """

    of: ActuationLimit
    asked: Asked

    def __call__(self, u: FloatArray) -> FloatArray:
        """Return what is left (n,) [unit of the quantity]."""
        plan = self.of.stratum.plan(self.of.response.kernel.attempts)
        values = self.of.response.respond(self.of.points(u), self.of.condition, plan=plan, full=True)[0]
        column = values[:, self.asked.column]
        return column - self.asked.limit if self.asked.least else self.asked.limit - column


def failure_points(
    response: Response, worst: Sequence[Found], confidence: float, over: Mapper
) -> tuple[FailurePointAnswer, ...]:
    """Return the failure points of quantities where their extreme values were found, on a clear channel.

    Press and message are those of the extreme value. A stress of the regulated
    supply is left out: it is the regulator's own accuracy, and no actuation's. A point stands for nothing
    until a sample around it finds the probability it promises: that is estimated too, by importance sampling from the
    points found, or by counting where failures are common.
    """
    clear = [f for f in worst if f.asked.column != REGULATED and f.case.channel != BUSIEST]
    tasks = [(f.asked, f.case, ActuationLimit(response, f.condition, f.stratum, Inline())) for f in clear]
    return tuple(over.map(lambda task: _found(*task, confidence), tasks))


def _found(asked: Asked, case: LinkCase, of: ActuationLimit, confidence: float) -> FailurePointAnswer:
    """Search, then sample."""
    limit, dimension, seed = QuantityLimit(of, asked), len(of.axes), of.response.settings.seed
    counted = LimitState(limit, dimension)
    points, index = _searched(counted, seed) if dimension else (np.zeros((0, 0)), None)
    answer: TailAnswer | None = None
    if index is not None:
        common = index < _COMMON
        answer = failure_probability(
            limit, dimension, seed=seed, target=_TARGET, level=confidence, budget=_BUDGET,
            start_points=None if common else points, method="monte-carlo" if common else "auto",
        )  # fmt: skip
    return FailurePointAnswer(
        quantity=asked.name,
        temperature_degC=of.condition.temperature,
        age_yr=of.condition.age,
        attempts=case.attempts,
        reliability_index=index,
        failure=None if answer is None else answer.probability,
        failure_low=None if answer is None else answer.low,
        failure_high=None if answer is None else answer.high,
        flag=None if answer is None else answer.flag,
        model_calls=counted.calls + (0 if answer is None else answer.calls),
        parameters=() if index is None else _parameters(of, points[0]),
    )


def _searched(counted: LimitState, seed: int) -> tuple[FloatArray, float | None]:
    """Search from several starts; return the points found (m, d), the nearest first, and the index of that one.

    The index is negative where the median is beyond the limit.
    """
    rng = np.random.default_rng([seed, counted.dimension, 1])
    starts = np.concatenate(
        [np.zeros((1, counted.dimension)), 1.5 * rng.standard_normal((_STARTS - 1, counted.dimension))]
    )
    counted.fails_at_origin = bool(counted.values(starts[:1])[0, 0] < 0.0)
    regions = [region for region in search(counted, starts) if region.converged]
    if not regions:
        return np.zeros((0, counted.dimension)), None
    regions.sort(key=lambda region: float(np.linalg.norm(region.point)))
    nearest = float(np.linalg.norm(regions[0].point))
    return np.stack([r.point for r in regions]), -nearest if counted.fails_at_origin else nearest


def _parameters(of: ActuationLimit, u: FloatArray) -> tuple[FailureParameter, ...]:
    """Tell a point (d,) in engineering units, the most important parameter first."""
    response = of.response
    x, nominal = of.values_at(u), response.nominal_base(of.condition)
    columns, cosines = column_of(response.design), u**2 / max(float(u @ u), 1e-300)
    rows = []
    for k in np.argsort(-cosines, kind="stable")[:_SHOWN]:
        axis = of.axis(int(k))
        column, parameter = columns.get(axis.name), response.design.parameters.get(axis.name)
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
    return tuple(rows)

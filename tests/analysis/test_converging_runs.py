"""Rankings and tails against effort: the last point is the answer itself, and less effort says less."""

from __future__ import annotations

from itertools import pairwise

from yieldsim.analysis.converging_runs import rank_curves, tail_curves
from yieldsim.analysis.ranking import rank
from yieldsim.analysis.tail import Asked, tail
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings

HOT = Condition(60.0, 0.0)


def test_indices_against_base_points(small: Design) -> None:
    settings = Settings(effort=128, threads=1)
    result = rank(small, settings, HOT)
    curves = rank_curves(small, settings, result)
    assert [curve.of for curve in curves] == [
        f"total index of {row.name} ({row.level})" for row in result.parameters[:3]
    ]
    for curve, row in zip(curves, result.parameters, strict=False):
        assert curve.efforts == (16, 32, 64, 128)
        assert (curve.low[-1], curve.value[-1], curve.high[-1]) == (row.total_low, row.total, row.total_high)
        # eight parts of 16 points know more than eight of 2
        assert curve.high[-1] - curve.low[-1] < curve.high[0] - curve.low[0]


def test_a_tail_against_model_calls(small: Design) -> None:
    settings, asked = Settings(threads=1), Asked(target=0.2)
    result = tail(small, settings, HOT, asked)
    (curve,) = tail_curves(small, settings, asked, result)
    assert all(a < b for a, b in pairwise(curve.efforts))
    assert curve.efforts[-1] == max(curve.efforts)
    answer = (curve.low[-1], curve.value[-1], curve.high[-1])
    assert answer == (result.worst.failure_low, result.worst.failure, result.worst.failure_high)

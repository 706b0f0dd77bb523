"""Estimates against effort: each point is what a run of that effort gives."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from yieldsim.analysis.yields import yields
from yieldsim.design.schema import Design
from yieldsim.engine.settings import Settings

SETTINGS = Settings(units=64, actuations=4, threads=1)


def test_each_point_is_a_run_of_that_effort(small: Design) -> None:
    whole = yields(small, SETTINGS, convergence=True)
    completion, units = whole.convergence
    for curve in (completion, units):
        assert curve.efforts[-1] == 64
        assert all(a < b for a, b in pairwise(curve.efforts))
        assert all(low <= value <= high for low, value, high in zip(curve.low, curve.value, curve.high, strict=True))
    assert whole.joint is not None
    assert (units.low[-1], units.value[-1], units.high[-1]) == (whole.joint.low, whole.joint.value, whole.joint.high)
    assert units.required == 0.9
    worst = whole.worst.completion
    assert (completion.low[-1], completion.value[-1], completion.high[-1]) == (worst.low, worst.value, worst.high)
    # the same draws again, ended at half of them
    half = yields(small, replace(SETTINGS, units=32))
    place = units.efforts.index(32)
    assert half.joint is not None
    same_cell = next(
        c for c in half.cells if c.temperature_degC == whole.worst.temperature_degC and c.age_yr == whole.worst.age_yr
    )
    assert completion.value[place] == pytest.approx(same_cell.completion.value, abs=1e-15)
    assert completion.low[place] == pytest.approx(same_cell.completion.low, abs=1e-12)


def test_nothing_is_told_that_was_not_asked_for(small: Design) -> None:
    result = yields(small, SETTINGS)
    assert result.convergence == ()
    assert result.payload()["convergence"] == []

"""Estimate and interval against effort."""

from __future__ import annotations

import re

import numpy as np
import pytest

from yieldsim.estimate.convergence import (
    completion_convergence,
    convergence_of,
    efforts,
    unit_yield_convergence,
)
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.estimate.unit_completion import combine_strata
from yieldsim.estimate.unit_yield import unit_yield


def test_efforts_are_whole_blocks_and_end_with_all_units():
    assert efforts(3072, 1024) == [1024, 2048, 3072]
    assert efforts(2500, 1024) == [1024, 2048, 2500]
    assert efforts(100, 1024) == [100]
    assert efforts(3072, 1024, looks=1) == [3072]
    many = efforts(1_000_000, 1000, looks=10)
    assert many[0] == 1000
    assert many[-1] == 1_000_000
    assert 2 <= len(many) <= 10
    assert all(n % 1000 == 0 for n in many)


def test_completion_is_that_of_the_first_units():
    rng = np.random.default_rng(1)
    blocks = [rng.beta(9.0, 1.0, n) for n in (50, 50, 20)]
    lots = np.arange(120) % 8
    told = completion_convergence(blocks, 0.9, lots)
    assert told.units.tolist() == [50, 100, 120]
    for k, n in enumerate(told.units):
        expected = mean_of_clusters(np.concatenate(blocks)[:n], lots[:n], 0.9)
        assert (told.value[k], told.low[k], told.high[k]) == (expected.value, expected.low, expected.high)
    assert told.confidence == 0.9
    assert told.method == expected.method


def test_unit_yield_narrows_to_the_bounds_of_all_units():
    rng = np.random.default_rng(2)
    p = np.clip(rng.beta(30.0, 1.0, (1000, 1, 1)) + rng.normal(0.0, 0.002, (1000, 1, 4)), 0.0, 1.0)
    units = combine_strata(p, p, np.ones((1000, 1)), np.zeros(1000))
    told = unit_yield_convergence(units, 0.95, 100)
    whole = unit_yield(units.low, units.high, 0.95, sampling=units.sampling)
    assert told.units.tolist() == list(range(100, 1100, 100))
    assert (told.value[-1], told.low[-1], told.high[-1]) == (whole.value, whole.low, whole.high)
    width = told.high - told.low
    # ten times the units: about a third of the width, at least less than half
    assert width[-1] < 0.5 * width[0]


def test_any_estimate():
    told = convergence_of(lambda n: Estimate(1.0 / n, 0.0, 2.0 / n, 0.95, f"of {n}"), [1, 2, 4])
    assert told.value.tolist() == [1.0, 0.5, 0.25]
    assert told.high.tolist() == [2.0, 1.0, 0.5]
    assert told.method == "of 4"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: convergence_of(None, [2, 2]), "units = [2, 2]: increasing numbers of units, from 1 on, are needed"),
        (lambda: convergence_of(None, []), "units = []: increasing numbers of units, from 1 on, are needed"),
        (lambda: efforts(0, 4), "units = 0, block = 4, looks = 24: each must be 1 or more"),
        (lambda: completion_convergence([]), "no blocks: one at least is needed"),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()

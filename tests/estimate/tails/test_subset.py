"""Subset simulation and the interval over its runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, norm

from yieldsim.estimate.tails.limit_state import LimitState
from yieldsim.estimate.tails.subset import interval_of_runs, run_subset

SEEDS = [11, 12, 13]


def estimates(function, dimension, seed, runs=24, size=1000):
    rng = np.random.default_rng(seed)
    return np.array([run_subset(LimitState(function, dimension), rng, size).probability for _ in range(runs)])


def far_from(found, truth):
    # 7 standard errors of the mean of 24 runs: Student's t with 23 degrees of freedom, false alarm below 1e-6
    return abs(found.mean() - truth) > 7.0 * found.std(ddof=1) / np.sqrt(found.size)


@pytest.mark.parametrize("seed", SEEDS)
def test_linear_and_spherical(seed):
    linear = estimates(lambda u: 4.0 - u.sum(axis=1) / np.sqrt(8.0), 8, seed)
    assert not far_from(linear, norm.sf(4.0))
    # outside a sphere: the chi-squared distribution
    sphere = estimates(lambda u: 40.0 - (u**2).sum(axis=1), 10, seed)
    assert not far_from(sphere, chi2.sf(40.0, 10))
    # negative controls: the truths of a limit state a little further in
    assert far_from(linear, norm.sf(3.6))
    assert far_from(sphere, chi2.sf(34.0, 10))


def test_a_plateau_is_no_level():
    # above 1.0 the margin is flat, and 16 % of the population lies below
    found = estimates(lambda u: np.minimum(1.0, 2.0 - u[:, 0]), 3, 1, runs=8)
    assert not far_from(found, norm.sf(2.0))
    stuck = run_subset(LimitState(lambda u: np.ones(len(u)), 3), np.random.default_rng(1), 300)
    assert stuck.stuck
    assert stuck.probability == 0.0


def test_it_says_how_far_it_looked():
    run = run_subset(LimitState(lambda u: 30.0 - u[:, 0], 2), np.random.default_rng(1), 300, floor=1e-6)
    assert run.probability == 0.0
    assert not run.stuck
    assert 1e-8 < run.reached < 1e-6


def test_masked_points_cost_no_calls():
    seen = []

    def function(u):
        seen.append(u)
        return 3.0 - u[:, 0]

    limit_state = LimitState(function, 2)
    run = run_subset(limit_state, np.random.default_rng(2), 400, allowed=lambda u: u[:, 1] < 0.0)
    assert np.concatenate(seen)[:, 1].max() < 0.0
    assert limit_state.calls == sum(map(len, seen))
    # half of the population is allowed
    assert run.probability == pytest.approx(0.5 * norm.sf(3.0), rel=0.8)


def test_interval_of_runs():
    # mean 2, sample standard deviation 1, standard error 1/2 = 25 %; t(0.975, 3) = 3.1824, tables of Student's t
    runs = np.array([1.0, 1.5, 2.5, 3.0])
    error = runs.std(ddof=1) / 2.0 / 2.0
    mean, low, high = interval_of_runs(runs / 10.0, 0.95)
    assert mean == pytest.approx(0.2)
    assert high / mean == pytest.approx(np.exp(3.182446 * error), rel=1e-6)
    assert mean / low == pytest.approx(high / mean)
    assert interval_of_runs(np.zeros(4), 0.95) == (0.0, 0.0, 1.0)
    assert interval_of_runs(np.array([0.1]), 0.95) == (0.1, 0.0, 1.0)

"""Failing points that an answer keeps: their weights, sources and moments, by the closed form of a linear limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from yieldsim.estimate.failure_ranking import rank_failures
from yieldsim.estimate.tails import failure_probability

DIRECTION = np.array([0.8, 0.5, np.sqrt(1.0 - 0.89), 0.0])
BETA = 4.0


def linear(u: np.ndarray) -> np.ndarray:
    return BETA - u @ DIRECTION


@pytest.mark.parametrize("method", ["auto", "subset"])
def test_they_follow_the_population_where_it_fails(method: str) -> None:
    # along the direction failing scores have the mean phi(b) / Phi(-b) and the second moment 1 + b times it (truncated
    # normal, Johnson, Kotz and Balakrishnan 1994, section 13.10.1); across it they are standard normal
    answer = failure_probability(linear, 4, seed=3, target=0.1, method=method)
    assert answer.failing.shape == (answer.failing_weight.size, 4)
    assert np.all(linear(answer.failing) < 0.0)
    assert answer.failing_weight.sum() == pytest.approx(1.0)
    mean = norm.pdf(BETA) / norm.sf(BETA)
    along = answer.failing @ DIRECTION
    assert answer.failing_weight @ along == pytest.approx(mean, rel=0.03)
    assert answer.failing_weight @ along**2 == pytest.approx(1.0 + BETA * mean, rel=0.06)
    assert answer.failing_weight @ answer.failing[:, 3] == pytest.approx(0.0, abs=0.3)


def test_they_rank_the_causes() -> None:
    answer = failure_probability(linear, 4, seed=5, target=0.1)
    found = rank_failures(answer.failing, answer.failing_weight, answer.failing_source)
    assert list(found.order[:3]) == [0, 1, 2]
    assert list(found.influences) == [True, True, True, False]
    # one-sided influences: J to first order m**2 / 2, m = a_i phi(b) / Phi(-b)
    mean = norm.pdf(BETA) / norm.sf(BETA)
    assert found.shift[:3] == pytest.approx(DIRECTION[:3] * mean, abs=0.25)


def test_points_of_a_subset_run_share_a_source() -> None:
    answer = failure_probability(linear, 4, seed=3, target=0.3, method="subset")
    labels = np.unique(answer.failing_source)
    assert 2 <= labels.size < 40  # runs, each with hundreds of points
    assert answer.failing_source.size > 100 * labels.size / 10


def test_without_a_failure_there_is_none() -> None:
    answer = failure_probability(lambda u: np.ones(len(u)), 3, seed=1, budget=3000)
    assert answer.failing_weight.size == answer.failing_source.size == 0

"""Probability of each place against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from yieldsim.estimate.rank_stability import place_probabilities, places_of

SEEDS = [91, 92, 93]


@pytest.mark.parametrize("seed", SEEDS)
def test_two_groups(seed):
    # the difference of two estimates over its standard error is Student's t with R - 1 degrees of freedom
    parts = np.random.default_rng(seed).standard_normal((8, 2))
    values = np.array([1.0, 1.2])
    difference = parts[:, 1] - parts[:, 0]
    truth = t.cdf(0.2 / (difference.std(ddof=1) / np.sqrt(8)), 7)
    found = place_probabilities(values, parts, seed, draws=40_000)
    # 6 standard errors of 40,000 draws, false alarm 2e-9
    assert abs(found[1, 0] - truth) < 6.0 * 0.5 / np.sqrt(40_000)
    assert found.sum(axis=0) == pytest.approx([1.0, 1.0])
    # negative control: without scatter the order is sure
    assert place_probabilities(values, np.zeros((8, 2)), seed).tolist() == [[0.0, 1.0], [1.0, 0.0]]


def test_what_is_in_common_changes_no_place():
    common = np.random.default_rng(1).standard_normal((8, 1)) * np.ones((1, 3))
    assert place_probabilities(np.array([3.0, 2.0, 1.0]), 100.0 * common).tolist() == np.eye(3).tolist()


def test_equal_values_take_turns():
    found = places_of(np.zeros((30_000, 3)), np.random.default_rng(2))
    # a third each, 6 standard errors of 30,000 draws
    assert np.max(np.abs(found - 1.0 / 3.0)) < 6.0 * np.sqrt(2.0 / 9.0 / 30_000)

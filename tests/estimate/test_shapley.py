"""Shapley effects against the sum over subsets for linear functions of correlated normal inputs."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.special import ndtri

from yieldsim.estimate.shapley import shapley_effects

SEEDS = [21, 22, 23]
SLOPES = np.array([1.0, 0.0, 2.0, 0.5])
CORRELATION = np.array([[1.0, 0.8, 0.0, 0.0], [0.8, 1.0, 0.2, 0.0], [0.0, 0.2, 1.0, -0.5], [0.0, 0.0, -0.5, 1.0]])


def linear(u):
    return ndtri(u) @ SLOPES


def exact(correlation):
    """The definition (Owen 2014, equation 3), conditional variances of the normal law in closed form."""
    d = len(SLOPES)

    def explained(known):
        if not known:
            return 0.0
        covariance = SLOPES @ correlation[:, known]
        return covariance @ np.linalg.solve(correlation[np.ix_(known, known)], covariance)

    effect = np.zeros(d)
    for i in range(d):
        others = [j for j in range(d) if j != i]
        for size in range(d):
            for known in itertools.combinations(others, size):
                gain = explained([*known, i]) - explained(list(known))
                effect[i] += gain / (d * math.comb(d - 1, size))
    return effect / (SLOPES @ correlation @ SLOPES)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("correlation", [None, CORRELATION])
def test_linear_gaussian(seed, correlation):
    truth = exact(np.eye(4) if correlation is None else correlation)
    found = shapley_effects(linear, 4, 512, correlation=correlation, seed=seed, replicates=16)
    # 6.4 half-widths of a 95 % interval on 15 degrees of freedom: false alarm below 1e-9 a comparison
    half = 0.5 * (found.high - found.low)
    assert np.all(np.abs(found.effect - truth) <= 6.4 * half + 1e-9)
    assert np.max(half) < 0.05
    assert found.effect.sum() == pytest.approx(1.0, abs=1e-9)
    assert found.model_calls == 16 * 512 * 5


def test_an_unused_input_counts_through_its_neighbour():
    found = shapley_effects(linear, 4, 512, correlation=CORRELATION, seed=1)
    assert found.low[1] > 0.0
    # negative control: not when it is independent
    alone = shapley_effects(linear, 4, 512, seed=1)
    assert alone.low[1] <= 0.0 <= alone.high[1]


def test_groups_and_constants():
    found = shapley_effects(linear, 4, 256, groups=[[0, 1], [2, 3]], seed=2)
    # independent groups of a sum: their shares of its variance, 1 and 4.25 of 5.25
    assert found.effect == pytest.approx([1.0 / 5.25, 4.25 / 5.25], abs=0.02)
    constant = shapley_effects(lambda u: np.full(len(u), 3.0), 2, 16, seed=2)
    assert constant.constant
    assert constant.effect.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"dimension": 0}, "dimension = 0: at least one input is needed"),
        ({"base_points": 24}, "base_points = 24: a power of two of at least 16 is needed"),
        ({"replicates": 1}, "replicates = 1: an interval needs two or more independent scrambles"),
        ({"confidence": 0.0}, "confidence = 0.0: a confidence strictly between 0 and 1 is needed"),
        ({"groups": [[0, 1]]}, "groups: every column must belong to one"),
        ({"correlation": np.ones((4, 4))}, "correlation: a positive definite correlation matrix of 4 inputs is needed"),
        ({"model": lambda u: u[:, :1]}, "the model returned shape"),
    ],
)
def test_errors(changes, message):
    arguments = {"model": linear, "dimension": 4, "base_points": 16}
    with pytest.raises(ValueError, match=f"^{message}"):
        shapley_effects(**(arguments | changes))

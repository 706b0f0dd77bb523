"""Means and shares over independent scrambles of a Sobol' set."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import qmc
from scipy.stats import t as student

from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.estimate.replicates import FEW_POINTS, REPLICATES, mean_of_replicates, share_of_replicates

SEEDS = [61, 62, 63]


def scrambles(seed, replicates, log2_points, dimensions):
    """Normal scores (replicates, points, dimensions) of independently scrambled Sobol' sets."""
    sets = [
        qmc.Sobol(dimensions, rng=np.random.default_rng([seed, r])).random_base2(log2_points) for r in range(replicates)
    ]
    return ndtri(np.clip(np.stack(sets), 1e-12, 1.0 - 1e-12))


@pytest.mark.parametrize("replicates", [2, 3, 8, 32])
def test_bounds_are_student_s(replicates):
    # scipy.stats.t as the oracle
    x = np.random.default_rng(replicates).normal(3.0, 2.0, replicates)
    found = mean_of_replicates(x, 0.95)
    low, high = student.interval(0.90, replicates - 1, loc=x.mean(), scale=x.std(ddof=1) / np.sqrt(replicates))
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9)
    assert found.value == pytest.approx(x.mean())


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("x1", "mean"), [(0.0, 50.0), (10.0, 150.0), (50.0, 2550.0)])
def test_comparison_loss_of_jcgm_101(seed, x1, mean):
    # JCGM 101:2008, 9.4: Y = X1^2 + X2^2, normal, u = 0.005 each, here in thousandths; mean x1^2 + 2 u^2 exactly
    # (values from memory of JCGM 101, and by hand). 9 pairs of bounds of 8 replicates at 1 - 5e-8: false alarm 9e-7
    z = scrambles(seed, 8, 9, 2)
    y = (x1 + 5.0 * z[..., 0]) ** 2 + (5.0 * z[..., 1]) ** 2
    found = mean_of_replicates(y.mean(axis=1), 1.0 - 5e-8)
    assert found.low <= mean <= found.high
    # as many independent points have a standard error of u(y) / 64: the scatter of the scrambles is a fifth at most
    scatter = y.mean(axis=1).std(ddof=1) / np.sqrt(8.0)
    assert scatter < 0.2 * y.std() / np.sqrt(y.size)


@pytest.mark.parametrize("seed", SEEDS)
def test_share_of_an_indicator(seed):
    # P(x1 + ... + x4 > -2 s) = Phi(2) exactly, 8 scrambles of 1024: 3 pairs of bounds at 1 - 1e-7
    z = scrambles(seed, 8, 10, 4)
    shares = (z.sum(axis=2) > -4.0).mean(axis=1)
    found = share_of_replicates(shares, 1024, 1.0 - 1e-7)
    assert found.low <= ndtr(2.0) <= found.high
    assert found.method == REPLICATES
    # negative control: the truth of another limit lies outside
    assert not found.low <= ndtr(1.6) <= found.high


def test_few_failing_points_fall_back_to_the_exact_bounds():
    none = share_of_replicates(np.ones(8), 256, 0.95)
    assert (none.low, none.high) == pytest.approx(clopper_pearson_bounds(2048, 2048, 0.95))
    assert none.method == FEW_POINTS
    # two scrambles with one failing point each: as many independent points, or Student's t where it is wider
    shares = np.array([255, 256, 255, 256, 256, 256, 256, 256]) / 256
    few = share_of_replicates(shares, 256, 0.95)
    low, high = clopper_pearson_bounds(2046, 2048, 0.95)
    t = mean_of_replicates(shares, 0.95)
    assert (few.low, few.high) == pytest.approx((min(low, t.low), max(high, min(t.high, 1.0))))
    # the same means of probabilities: their spread counts, unless there is none
    averaged = share_of_replicates(shares, 256, 0.95, averaged=True)
    assert (averaged.low, averaged.high) == pytest.approx((t.low, min(t.high, 1.0)))
    assert share_of_replicates(np.ones(8), 256, 0.95, averaged=True) == none
    everything = share_of_replicates(np.zeros(4), 64, 0.95)
    assert (everything.low, everything.high) == pytest.approx(clopper_pearson_bounds(0, 256, 0.95))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: mean_of_replicates([1.0]),
            "means: 1 replicates, all finite and two or more, are needed for their spread",
        ),
        (
            lambda: mean_of_replicates([1.0, np.inf]),
            "means: 2 replicates, all finite and two or more, are needed for their spread",
        ),
        (lambda: share_of_replicates([0.5, 1.5], 4), "points = 4: one at least, and shares in [0, 1], are needed"),
        (lambda: share_of_replicates([0.5, 0.5], 0), "points = 0: one at least, and shares in [0, 1], are needed"),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()

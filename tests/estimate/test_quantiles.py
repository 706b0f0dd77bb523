"""Distribution-free bounds on quantiles."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from yieldsim.estimate.quantiles import quantile_estimate

SEEDS = [41, 42, 43]


@given(st.integers(1, 300), st.floats(0.001, 0.999), st.sampled_from([0.6, 0.9, 0.95, 0.999]))
def test_ranks_against_the_binomial(n, p, confidence):
    # definition with scipy.stats.binom as the oracle: P(X_(l) <= q) = P(B >= l), P(X_(u) >= q) = P(B <= u -
    # 1), B ~ Bin(n, p); values are their own ranks
    estimate = quantile_estimate(np.arange(1, n + 1), p, confidence)
    ranks = np.arange(1, n + 1)
    lows = ranks[binom.sf(ranks - 1, n, p) >= confidence - 1e-12]
    highs = ranks[binom.cdf(ranks - 1, n, p) >= confidence - 1e-12]
    assert estimate.low == (lows.max() if lows.size else -np.inf)
    assert estimate.high == (highs.min() if highs.size else np.inf)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=50), st.floats(0.01, 0.99))
def test_value_is_numpys_median_unbiased_quantile(values, p):
    # numpy.quantile(method="median_unbiased") is Hyndman and Fan's type 8
    estimate = quantile_estimate(values, p)
    assert estimate.value == pytest.approx(np.quantile(values, p, method="median_unbiased"), rel=1e-9, abs=1e-9)
    assert estimate.low <= estimate.value <= estimate.high


def test_clusters_of_one_are_order_statistics():
    x = np.random.default_rng(1).normal(size=150)
    for p in (0.05, 0.5, 0.9):
        alone, grouped = quantile_estimate(x, p), quantile_estimate(x, p, clusters=np.arange(150))
        assert (grouped.low, grouped.high) == (alone.low, alone.high)


@pytest.mark.parametrize("seed", SEEDS)
def test_coverage_with_dependent_observations(seed):
    # 60 units of 50 actuations each, sharing 95 % of the variance: the true 10 % quantile of N(0, 1)
    truth, repeats = -1.2815515655446004, 100
    rng = np.random.default_rng(seed)
    units = np.repeat(np.arange(60), 50)
    held = {"clustered": 0, "pooled": 0}
    for _ in range(repeats):
        x = np.sqrt(0.95) * rng.standard_normal(60)[units] + np.sqrt(0.05) * rng.standard_normal(3000)
        held["clustered"] += quantile_estimate(x, 0.1, 0.95, units).low <= truth
        held["pooled"] += quantile_estimate(x, 0.1, 0.95).low <= truth
    # true coverage is 97.9 % clustered and 58.4 % pooled (measured in 20,000 repeats); at most 87 of 100
    # clustered has a probability of 3e-7, at least 86 of 100 pooled of 5e-9
    assert held["clustered"] / repeats > 0.87
    assert held["pooled"] / repeats < 0.86


def test_infinite_observations_are_ordered():
    values = [-np.inf, -np.inf, 1.0, 2.0, 3.0, np.inf]
    assert quantile_estimate(values, 0.01).value == -np.inf
    assert quantile_estimate(values, 0.5).value == 1.5
    assert quantile_estimate(values, 0.99).value == np.inf


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([], 0.5), "values: 0 observations, 0 of them NaN; a sample without NaN is needed"),
        (([1.0, float("nan")], 0.5), "values: 2 observations, 1 of them NaN; a sample without NaN is needed"),
        (([1.0], 0.0), "probability = 0.0: a quantile needs a probability strictly between 0 and 1"),
    ],
)
def test_errors(arguments, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        quantile_estimate(*arguments)

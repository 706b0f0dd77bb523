"""Exact and Wilson bounds, and bounds on a mean over clusters."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from yieldsim.estimate.intervals import (
    Estimate,
    binomial_estimate,
    clopper_pearson_bounds,
    clopper_pearson_interval,
    mean_of_clusters,
    success_run_trials,
    wilson_bounds,
)

SEEDS = [21, 22, 23]
COUNTS = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
FRACTIONS = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30)


@given(COUNTS, st.floats(0.55, 0.9999))
def test_exact_bounds_invert_the_binomial(counts, confidence):
    # definition of Clopper and Pearson (1934), with scipy.stats.binom as the oracle
    k, n = counts
    low, high = clopper_pearson_bounds(k, n, confidence)
    if k > 0:
        assert binom.sf(k - 1, n, low) == pytest.approx(1.0 - confidence, rel=1e-6)
    else:
        assert low == 0.0
    if k < n:
        assert binom.cdf(k, n, high) == pytest.approx(1.0 - confidence, rel=1e-6)
    else:
        assert high == 1.0


@given(COUNTS, st.floats(0.55, 0.999))
def test_wilson_bounds_invert_the_score(counts, confidence):
    # definition of Wilson (1927): (k/n - p)**2 = z**2 p (1 - p) / n
    k, n = counts
    z = -np.sqrt(2.0) * _erfcinv(2.0 * confidence)
    for bound in wilson_bounds(k, n, confidence):
        assert (k / n - bound) ** 2 == pytest.approx(z**2 * bound * (1.0 - bound) / n, rel=1e-6, abs=1e-12)


def _erfcinv(x):
    from scipy.special import erfcinv

    return float(erfcinv(x))


@given(COUNTS, st.floats(0.55, 0.9999))
def test_zeros_and_ones_give_the_exact_bounds(counts, confidence):
    k, n = counts
    estimate = mean_of_clusters([1.0] * k + [0.0] * (n - k), None, confidence)
    assert (estimate.low, estimate.high) == pytest.approx(clopper_pearson_bounds(k, n, confidence), abs=1e-9)


@given(FRACTIONS, st.floats(0.55, 0.999))
def test_bounds_enclose_the_value_and_widen_with_confidence(values, confidence):
    narrow, wide = mean_of_clusters(values, None, confidence), mean_of_clusters(values, None, 0.9995)
    assert wide.low <= narrow.low + 1e-9
    assert narrow.high <= wide.high + 1e-9
    assert 0.0 <= narrow.low <= narrow.value <= narrow.high <= 1.0


@given(FRACTIONS, st.randoms(use_true_random=False))
def test_bounds_ignore_order_and_mirror(values, random):
    estimate = mean_of_clusters(values)
    shuffled = list(values)
    random.shuffle(shuffled)
    other = mean_of_clusters(shuffled)
    assert (other.low, other.high) == pytest.approx((estimate.low, estimate.high), abs=1e-9)
    mirrored = mean_of_clusters([1.0 - v for v in values])
    assert (1.0 - mirrored.high, 1.0 - mirrored.low) == pytest.approx((estimate.low, estimate.high), abs=1e-8)


@given(FRACTIONS, st.integers(0, 29), st.floats(0.0, 1.0))
def test_a_better_unit_never_lowers_a_bound(values, index, better):
    index %= len(values)
    improved = [max(v, better) if i == index else v for i, v in enumerate(values)]
    before, after = mean_of_clusters(values), mean_of_clusters(improved)
    assert after.low >= before.low - 1e-9
    assert after.high >= before.high - 1e-9


def test_no_failure_is_bounded_by_the_number_of_clusters():
    # zero failures in n: the exact lower bound is (1 - confidence)**(1 / n)
    assert mean_of_clusters(np.ones(1000)).low == pytest.approx(0.05 ** (1 / 1000), rel=1e-9)
    lots = np.arange(1000) % 20
    assert mean_of_clusters(np.ones(1000), lots).low == pytest.approx(0.05 ** (1 / 20), rel=1e-9)
    assert mean_of_clusters(np.ones(1000), lots).high == 1.0


def test_units_of_a_lot_count_once():
    rng = np.random.default_rng(4)
    means = rng.beta(8.0, 2.0, 30)
    once, often = (
        mean_of_clusters(means),
        mean_of_clusters(np.repeat(means, 50), np.repeat(np.arange(30), 50)),
    )
    assert (often.value, often.low, often.high) == pytest.approx((once.value, once.low, once.high), abs=1e-9)


def test_unequal_lots_are_weighted_by_size():
    values = np.array([1.0] * 30 + [0.5] * 10)
    estimate = mean_of_clusters(values, np.array(["a"] * 30 + ["b"] * 10))
    assert estimate.value == 0.875
    by_hand = mean_of_clusters([1.0, 0.5], weights=[30.0, 10.0])
    assert (estimate.low, estimate.high) == pytest.approx((by_hand.low, by_hand.high), abs=1e-12)


def coverage(seed, bound, repeats=400):
    """Share of repeats whose low and high bounds hold the truth: 500 units, failing beta(0.01, 0.99)."""
    rng = np.random.default_rng(seed)
    held = np.zeros(2)
    for _ in range(repeats):
        completed = 20 - rng.binomial(20, rng.beta(0.01, 0.99, 500))
        low, high = bound(completed)
        held += low <= 0.99, high >= 0.99
    return held / repeats


def clustered(completed):
    estimate = mean_of_clusters(completed / 20)
    return estimate.low, estimate.high


def pooled(completed):
    return clopper_pearson_bounds(int(completed.sum()), 20 * completed.size, 0.95)


@pytest.mark.parametrize("seed", SEEDS)
def test_coverage_with_spread_between_units(seed):
    # true coverage is 99.3 % (low) and 96.4 % (high), the latter 5 standard errors above the limit: false
    # alarm 3e-7
    limit = 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / 400)
    assert np.all(coverage(seed, clustered) >= limit)
    # negative control: pooled actuations cover 67 %; 80 % or more in 400 repeats has a probability of 1e-8
    assert coverage(seed, pooled)[0] < 0.80


def test_binomial_estimate_says_what_it_is():
    estimate = binomial_estimate(19, 20, 0.9)
    low, high = clopper_pearson_bounds(19, 20, 0.9)
    assert estimate == Estimate(0.95, low, high, 0.9, "exact binomial bounds (Clopper-Pearson)")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_of_clusters([]), "values is empty: at least one unit is needed"),
        (
            lambda: mean_of_clusters([0.5, 1.5]),
            "values[1] = 1.5: fractions must be finite and lie in [0, 1]",
        ),
        (
            lambda: mean_of_clusters([float("nan")]),
            "values[0] = nan: fractions must be finite and lie in [0, 1]",
        ),
        (
            lambda: mean_of_clusters([1.0, 1.0], [0]),
            "clusters has shape (1,) for 2 values: one label a value is needed",
        ),
        (lambda: mean_of_clusters([1.0], weights=[0.0]), "weights must be finite and positive"),
        (
            lambda: mean_of_clusters([1.0], weights=[1.0, 1.0]),
            "weights has 2 entries for 1 values: one a value is needed",
        ),
        (
            lambda: mean_of_clusters([1.0], confidence=0.5),
            "confidence = 0.5: a bound needs a confidence between 0.5 and 1, both excluded",
        ),
        (
            lambda: clopper_pearson_bounds(3, 2, 0.95),
            "successes = 3, trials = 2: whole numbers with 0 <= successes <= trials, trials >= 1, are needed",
        ),
        (
            lambda: clopper_pearson_interval(1, 2, 1.0),
            "confidence = 1.0: a two-sided interval needs a confidence between 0 and 1",
        ),
        (
            lambda: success_run_trials(1.0, 0.95),
            "reliability = 1.0, confidence = 0.95, failures = 0: "
            "both shares must lie strictly between 0 and 1 and failures must not be negative",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()

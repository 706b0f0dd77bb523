"""Tolerance limits against published counts and factors, and against coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from yieldsim.estimate.quantiles import quantile_estimate
from yieldsim.estimate.tolerance_limits import (
    confidence_of_ranks,
    normal_limit,
    one_sided_factor,
    sample_size,
    tolerance_limit,
    two_sided_factor,
)


@pytest.mark.parametrize(
    ("content", "confidence", "n"),
    [(0.90, 0.90, 38), (0.90, 0.95, 46), (0.95, 0.95, 93), (0.95, 0.99, 130), (0.99, 0.95, 473), (0.99, 0.99, 662)],
)
def test_wilks_intervals_from_smallest_to_largest(content: float, confidence: float, n: int) -> None:
    """Wilks 1941: n p^(n-1) - (n-1) p^n <= 1 - confidence; the counts are those of the usual tables."""
    assert sample_size(content, confidence, 2) == n
    assert n * content ** (n - 1) - (n - 1) * content**n <= 1.0 - confidence


@pytest.mark.parametrize(
    ("content", "counts"),
    [
        (0.90, (29, 46, 61, 76, 89, 103)),
        (0.95, (59, 93, 124, 153, 181, 208)),
        (0.99, (299, 473, 628, 773, 913, 1049)),
    ],
)
def test_one_sided_counts_are_those_of_success_runs_with_allowed_failures(
    content: float, counts: tuple[int, ...]
) -> None:
    """The r-th smallest is a lower limit exactly where r - 1 failures are allowed: n of the success-run tables, at
    95 % confidence; 2995 for 99.9 % is printed in documentation of a statistics package.
    """
    assert tuple(sample_size(content, 0.95, r) for r in range(1, 7)) == counts
    assert sample_size(0.999, 0.95) == 2995


@pytest.mark.parametrize(
    ("n", "content", "confidence", "one", "two"),
    [
        (5, 0.90, 0.95, 3.40663, 4.29060),
        (5, 0.99, 0.95, 5.74108, 6.59798),
        (10, 0.95, 0.95, 2.91096, 3.39343),
        (20, 0.99, 0.95, 3.29516, 3.62099),
        (50, 0.90, 0.95, 1.64556, 1.99900),
        (100, 0.95, 0.95, 1.92654, 2.23388),
    ],
)
def test_normal_factors(n: int, content: float, confidence: float, one: float, two: float) -> None:
    """Exact factors, noncentral t and Witkovsky's two-sided ones, as independent programs of this kind print them."""
    assert one_sided_factor(n, content, confidence) == pytest.approx(one, abs=6e-6)
    assert two_sided_factor(n, content, confidence) == pytest.approx(two, abs=6e-6)


def test_published_example() -> None:
    """n = 40, mean 10, s = 0.2, 90 % content, 99 % confidence: a teaching site prints the one-sided factor 1.9017 and,
    by the Howe-Guenther approximation, 9.5496 to 10.4504; exact is 2.252843.
    """
    assert one_sided_factor(40, 0.90, 0.99) == pytest.approx(1.9017, abs=5e-5)
    k = two_sided_factor(40, 0.90, 0.99)
    assert k == pytest.approx(2.252843, abs=1e-6)
    assert (10.0 - 0.2 * k, 10.0 + 0.2 * k) == pytest.approx((9.5496, 10.4504), abs=3e-4)


@given(st.integers(1, 400), st.floats(0.5, 0.999), st.integers(1, 6))
def test_confidence_is_a_binomial_tail(n: int, content: float, r: int) -> None:
    expected = float(binom.sf(r - 1, n, 1.0 - content)) if r <= n else 0.0
    assert confidence_of_ranks(n, content, r) == pytest.approx(expected, abs=1e-12)


@given(st.integers(20, 3000), st.floats(0.55, 0.99), st.floats(0.55, 0.99))
def test_limit_is_the_bound_of_the_quantile(n: int, content: float, confidence: float) -> None:
    """A lower tolerance limit of content p is a lower confidence bound of the quantile 1 - p: found there by inverting
    exact binomial bounds, here by ranks.
    """
    x = np.random.default_rng(n).standard_normal(n)
    lower = tolerance_limit(x, content, confidence)
    assert lower.limit == quantile_estimate(x, 1.0 - content, confidence).low
    upper = tolerance_limit(-x, content, confidence, upper=True)
    assert (upper.limit, upper.rank) == (-lower.limit, lower.rank)


def test_too_few_observations_give_no_limit() -> None:
    few = tolerance_limit(np.arange(58.0), 0.95, 0.95)
    assert (few.limit, few.rank, few.reached) == (-math.inf, 0, 0.0)
    enough = tolerance_limit(np.arange(59.0), 0.95, 0.95)
    assert (enough.limit, enough.rank) == (0.0, 1)
    assert enough.reached == pytest.approx(1.0 - 0.95**59)


def test_coverage_of_both_limits() -> None:
    """Of 2,000 samples of an exponential law, the limit holds in at least the share promised, and in no more than the
    rank allows; the normal limit, for the wrong law, does not. Standard error 0.5 %.
    """
    rng = np.random.default_rng(7)
    content, confidence, n = 0.9, 0.95, 80
    truth = -math.log(content)  # quantile 0.1 of the exponential law
    samples = rng.exponential(size=(2000, n))
    limits = [tolerance_limit(sample, content, confidence) for sample in samples]
    held = np.mean([limit.limit <= truth for limit in limits])
    assert held == pytest.approx(limits[0].reached, abs=0.015)
    assert limits[0].reached >= confidence
    top = -math.log(1.0 - content)
    assert np.mean([normal_limit(s, content, confidence, upper=True) >= top for s in samples]) < 0.9


@pytest.mark.parametrize(("content", "confidence"), [(1.0, 0.95), (0.0, 0.95), (0.9, 1.0)])
def test_refuses_certainty(content: float, confidence: float) -> None:
    with pytest.raises(ValueError, match="strictly between 0 and 1"):
        sample_size(content, confidence)


def test_refuses_what_is_no_sample() -> None:
    with pytest.raises(ValueError, match="without NaN"):
        tolerance_limit([1.0, math.nan], 0.9, 0.9)
    with pytest.raises(ValueError, match="two observations"):
        one_sided_factor(1, 0.9, 0.9)
    with pytest.raises(ValueError, match="1 or more"):
        sample_size(0.9, 0.9, 0)

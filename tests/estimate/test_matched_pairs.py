"""Mean differences of matched units against scipy's paired t-test, and against lots as single observations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_rel

from yieldsim.estimate.matched_pairs import mean_pair_difference


@given(st.integers(0, 2**32 - 1), st.integers(2, 40), st.sampled_from([0.9, 0.95, 0.99]))
def test_bounds_are_those_of_the_paired_t_test(seed: int, n: int, confidence: float) -> None:
    rng = np.random.default_rng(seed)
    shared = rng.normal(3.0, 1.0, n)
    a, b = shared + rng.normal(0.1, 0.02, n), shared + rng.normal(0.0, 0.02, n)
    found = mean_pair_difference(a, b, confidence)
    # two one-sided bounds are a two-sided interval at 2 C - 1
    truth = ttest_rel(a, b).confidence_interval(2.0 * confidence - 1.0)
    assert found.value == pytest.approx(np.mean(a - b))
    assert found.low == pytest.approx(truth.low)
    assert found.high == pytest.approx(truth.high)


def test_lots_of_one_size_are_single_observations() -> None:
    rng = np.random.default_rng(1)
    lots = np.repeat(np.arange(8), 25)
    away = rng.normal(0.0, 0.1, 8)[lots] + rng.normal(0.0, 0.01, 200)
    found = mean_pair_difference(away, np.zeros(200), clusters=lots)
    means = away.reshape(8, 25).mean(axis=1)
    alone = mean_pair_difference(means, np.zeros(8))
    assert (found.value, found.low, found.high) == pytest.approx((alone.value, alone.low, alone.high))
    pooled = mean_pair_difference(away, np.zeros(200))
    assert pooled.high - pooled.low < 0.5 * (found.high - found.low)


def test_one_unit_or_lot_bounds_nothing() -> None:
    assert mean_pair_difference([2.0], [1.0]).low == -np.inf
    one = mean_pair_difference([2.0, 4.0], [1.0, 1.0], clusters=[0, 0])
    assert (one.value, one.low, one.high) == (2.0, -np.inf, np.inf)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="finite values of the same units"):
        mean_pair_difference([1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="finite values of the same units"):
        mean_pair_difference([np.inf], [1.0])
    with pytest.raises(ValueError, match="one label a unit"):
        mean_pair_difference([1.0, 2.0], [1.0, 2.0], clusters=[1])

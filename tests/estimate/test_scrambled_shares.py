"""Shares of points that come from scrambled sets in turn, plain, by ratio and by strata."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.estimate.replicates import (
    FEW_POINTS,
    REPLICATES,
    effective_number,
    exact_bounds,
    mean_of_replicates,
)
from yieldsim.estimate.scrambled import (
    FEW_IN_STRATUM,
    means_of_scrambles,
    ratio_of_means,
    share_of_strata,
)
from yieldsim.estimate.unit_yield import FEW_UNITS, Sampling, unit_yield

SEEDS = [71, 72, 73]
R = 16
# each bound fails once in ten million
SURE = 1.0 - 1e-7


def in_turn(seed, log2_points, dimensions):
    """Uniforms (R * points, dimensions), point i of scramble i mod R."""
    sets = [qmc.Sobol(dimensions, rng=np.random.default_rng([seed, r])).random_base2(log2_points) for r in range(R)]
    return np.clip(np.stack(sets, axis=1).reshape(-1, dimensions), 1e-12, 1.0 - 1e-12)


def test_point_i_is_of_scramble_i_mod_r():
    values = np.array([0.0, 1.0, 2.0, 10.0, 11.0, 12.0])
    np.testing.assert_array_equal(means_of_scrambles(values, 3), [5.0, 6.0, 7.0])


@pytest.mark.parametrize(("parts", "number"), [([1, 1, 1, 1], 4.0), ([5, 0, 0], 1.0), ([3, 1], 1.6), ([0, 0], 0.0)])
def test_effective_number(parts, number):
    # (sum)^2 / sum of squares, by hand
    assert effective_number(parts) == pytest.approx(number)
    assert effective_number(np.array(parts) * 1e-200) == pytest.approx(number)


@pytest.mark.parametrize(("failing", "points"), [(0, 59), (3, 100), (100, 100)])
def test_exact_bounds_of_whole_numbers_are_those_of_clopper_and_pearson(failing, points):
    assert exact_bounds(failing, points, 0.95) == pytest.approx(clopper_pearson_bounds(points - failing, points, 0.95))


def ratio_in_turn(of_kind, among):
    means = (means_of_scrambles(counts, R) for counts in (of_kind, among))
    return ratio_of_means(*means, 1.0, len(among) // R, SURE)


@pytest.mark.parametrize("seed", SEEDS)
def test_ratio_of_dependent_counts(seed):
    # b = 1 where x1 < 0.5, a = b where x1 + x2 < 1 as well: P(a | b) = 3/4, by the areas. 6 bounds at 1 - 1e-7
    u = in_turn(seed, 8, 2)
    b = u[:, 0] < 0.5
    found = ratio_in_turn(b, b & (u.sum(axis=1) < 1.0))
    assert found is not None
    assert found.low <= 0.75 <= found.high
    assert found.high - found.low < 0.1
    # too few of them to go by
    assert ratio_in_turn(b, b & (u[:, 1] < 1e-3)) is None


@pytest.mark.parametrize("seed", SEEDS)
def test_strata_with_known_weights(seed):
    """Two outcomes of 0.99 and 0.01, failing with Phi(x - 3) and Phi(x): exactly 0.99 Phi(-3 / s) + 0.005, s^2 = 2."""
    u = in_turn(seed, 7, 1)
    x = ndtri(u[:, 0])
    p = np.column_stack([ndtr(x - 3.0), ndtr(x)])
    p[32 * R :, 1] = np.nan  # not asked
    w = np.tile([0.99, 0.01], (len(u), 1))
    truth = 1.0 - 0.99 * ndtr(-3.0 / np.sqrt(2.0)) - 0.005
    found = share_of_strata(p, p, w, [128, 32], R, SURE)
    assert found.low <= truth <= found.high
    assert found.method == REPLICATES
    # a tenth of what as many independent points would leave open
    usual = share_of_strata(p, p, w, [128, 32], R)
    low, high = clopper_pearson_bounds(round(truth * len(u)), len(u), 0.95)
    assert usual.high - usual.low < 0.1 * (high - low)
    # the weights leave a thousandth open: it fails below and completes above
    w[:, 1] = 0.009
    less = share_of_strata(p, p, w, [128, 32], R, SURE)
    assert less.low == pytest.approx(found.low - 0.001 + 0.0005, abs=1e-4)
    assert less.high == pytest.approx(found.high + 0.0005, abs=1e-4)


def test_brackets_widen_the_bounds():
    p = np.tile(np.linspace(0.1, 0.3, 8)[:, None], (R, 1))
    w = np.ones_like(p)
    exact, open_ = share_of_strata(p, p, w, [8], R), share_of_strata(p - 0.01, p + 0.02, w, [8], R)
    assert open_.low == pytest.approx(exact.low - 0.02)
    assert open_.high == pytest.approx(exact.high + 0.01)


def test_a_stratum_that_fails_in_few_points_is_not_trusted():
    """One failing point of 1,024 in the first outcome, half of them in the second: the first one is what is open."""
    p = np.zeros((64 * R, 2))
    p[5, 0], p[: 64 * R, 1] = 1.0, 0.5
    w = np.tile([0.9, 0.1], (len(p), 1))
    found = share_of_strata(p, p, w, [64, 64], R)
    low, high = clopper_pearson_bounds(len(p) - 1, len(p), 0.95)
    spread = mean_of_replicates(means_of_scrambles((w * p).sum(axis=1), R))
    assert found.method == FEW_IN_STRATUM
    assert found.low == pytest.approx(1.0 - spread.high - 0.9 * (1.0 - 1.0 / len(p) - low))
    assert found.high == pytest.approx(1.0 - spread.low + 0.9 * (high - 1.0 + 1.0 / len(p)))
    # nothing failed in the first: the bound is that of no failure in so many independent points (0.05^(1/n))
    p[5, 0] = 0.0
    none = share_of_strata(p, p, w, [64, 64], R)
    assert none.low == pytest.approx(0.95 - 0.9 * (1.0 - 0.05 ** (1.0 / len(p))))
    # a stratum that is known to fail leaves nothing open
    p[:, 1] = 1.0
    known = share_of_strata(p, p, w, [64, 64], R, known=[False, True])
    assert known.high == pytest.approx(0.9)
    assert share_of_strata(p, p, w, [64, 64], R).high > 0.9


@pytest.mark.parametrize("seed", SEEDS)
def test_unit_yield_of_points(seed):
    # P(x1 + ... + x4 > -2) = Phi(1): a completion of Phi(sum + 3) that reaches Phi(1). 6 bounds at 1 - 1e-7
    completion = ndtr(ndtri(in_turn(seed, 8, 4)).sum(axis=1) + 3.0)
    found = unit_yield(completion, completion, float(ndtr(1.0)), SURE, scrambles=R)
    assert found.low <= ndtr(1.0) <= found.high
    assert found.method.startswith(REPLICATES)
    plain, usual = (unit_yield(completion, completion, float(ndtr(1.0)), scrambles=r) for r in (None, R))
    assert found.value == plain.value
    assert usual.high - usual.low < plain.high - plain.low


def test_unit_yield_with_few_failing_units_is_that_of_independent_units():
    completion = np.ones(256)
    completion[:3] = 0.5
    found = unit_yield(completion, completion, 0.9, 0.95, scrambles=R)
    low, high = clopper_pearson_bounds(253, 256, 0.95)
    assert found.low <= low
    assert found.high >= high
    assert FEW_POINTS in found.method
    sampling = Sampling(np.full(256, 1e-3), np.stack([completion, completion]), 4)
    averaged = unit_yield(completion, completion, 0.9, 0.95, sampling=sampling, scrambles=R)
    assert averaged.low <= low
    assert FEW_UNITS in averaged.method


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: means_of_scrambles(np.ones(30), R), "30 points for 16 scrambles: as many in each of two or more are"),
        (lambda: means_of_scrambles(np.ones(30), 1), "30 points for 1 scrambles: as many in each of two or more are"),
        (
            lambda: share_of_strata(np.ones((32, 1)), np.ones((32, 1)), np.ones((32, 1)), [3], R),
            "asked = (3,): powers of two up to 2 are needed",
        ),
        (
            lambda: share_of_strata(np.ones((32, 1)), np.ones((32, 1)), np.ones((32, 2)), [1], R),
            "(32, 1), (32, 1), (32, 2), 1 strata: (n, K) thrice and K are needed",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}"):
        call()

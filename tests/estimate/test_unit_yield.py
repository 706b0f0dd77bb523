"""Unit yield against its closed form.

Unit means N(4, 1) in units of the actuation noise: pi_u = Phi(mu_u), Y(r) = Phi(4 - Phi^-1(r)) = 0.8186 at r
= 0.999. Counting actuations, a unit passes 0.999 in 20 or 200 of them only with no failure, so that the
expected reading is E pi^20 = 0.9689 and E pi^200 = 0.8773.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.estimate.pivot import pivot_probability
from yieldsim.estimate.unit_yield import (
    Sampling,
    UnitCompletion,
    combine_strata,
    complete_units,
    stack_cells,
    unit_yield,
)

SEEDS = [31, 32, 33]
UNITS = 4000
REQUIRED = 0.999
TRUTH = float(ndtr(4.0 - ndtri(REQUIRED)))
# each bound fails once in ten million
SURE = 1.0 - 1e-7


def completions(seed, draws, other, units=UNITS):
    """Units whose actuation noise has other**2 of its variance in a drawn variable, the rest in the pivot."""
    rng = np.random.default_rng([seed, draws])
    mu, drawn = rng.normal(4.0, 1.0, units), rng.standard_normal((units, draws))
    start = (mu[:, None] + other * drawn).reshape(-1)
    scale = np.sqrt(1.0 - other**2)
    low, high = pivot_probability(lambda rows, v: start[rows] + scale * ndtri(v), start.size)
    shape = (units, 1, draws)
    return mu, combine_strata(low.reshape(shape), high.reshape(shape), np.ones((units, 1)), np.zeros(units))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("draws", [5, 20, 200])
def test_closed_form_with_all_noise_in_the_pivot(seed, draws):
    mu, units = completions(seed, draws, 0.0)
    assert np.all((units.low <= ndtr(mu) + 1e-8) & (ndtr(mu) <= units.high + 1e-8))
    estimate = unit_yield(units.low, units.high, REQUIRED, SURE, sampling=units.sampling)
    assert estimate.low <= TRUTH <= estimate.high
    # 6 standard errors of 0.0061: false alarm 2e-9
    assert estimate.value == pytest.approx(TRUTH, abs=0.037)
    assert estimate.high - estimate.low < 0.075


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("presses", "reading"), [(20, 0.9689), (200, 0.8773)])
def test_counting_actuations_is_wrong(seed, presses, reading):
    # negative control: the share of units whose observed fraction reaches r, with its exact interval
    rng = np.random.default_rng([seed, presses])
    observed = rng.binomial(presses, ndtr(rng.normal(4.0, 1.0, UNITS))) / presses
    passed = int((observed >= REQUIRED).sum())
    # 6 standard errors of at most 0.0052: false alarm 2e-9
    assert passed / UNITS == pytest.approx(reading, abs=0.032)
    assert clopper_pearson_bounds(passed, UNITS, SURE)[0] > TRUTH


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("draws", [5, 20, 100])
def test_closed_form_with_a_quarter_of_the_variance_drawn(seed, draws):
    _, units = completions(seed, draws, 0.5)
    estimate = unit_yield(units.low, units.high, REQUIRED, SURE, sampling=units.sampling)
    assert estimate.low <= TRUTH <= estimate.high
    # the bias left after correction is below 0.008 at 5 draws (measured); 6 standard errors of 0.0061
    assert estimate.value == pytest.approx(TRUTH, abs=0.037 + 0.008)


@pytest.mark.parametrize("seed", SEEDS)
def test_guard_is_needed(seed):
    # negative control: 5 draws of a variable with two thirds of the variance, taken as if nothing had been
    # averaged
    _, units = completions(seed, 5, 0.8)
    plain = unit_yield(units.low, units.high, REQUIRED, 0.999)
    guarded = unit_yield(units.low, units.high, REQUIRED, 0.999, sampling=units.sampling)
    assert plain.low > TRUTH
    assert guarded.low < plain.low
    assert guarded.high > plain.high


def stratum(seed, units=UNITS):
    """Units that fail in a share of the draws of a stratum of weight 0.006, normal in its normal score."""
    rng = np.random.default_rng(seed)
    mean = rng.normal(0.0, 1.0, units) - ndtri(0.18) - ndtri((0.001 - 2e-4) / 0.006)

    def draw(some, first, count):
        p = 1.0 - 2e-4 - 0.006 * (rng.random((some.size, count)) < ndtr(-mean[some])[:, None])
        return p, p

    return draw


def mostly_drawn(seed, units=UNITS):
    """Unit means in units of the actuation noise, 81 % of whose variance is drawn."""
    rng = np.random.default_rng(seed)
    mean = rng.normal(0.0, 1.0, units) - ndtri(0.18) + ndtri(REQUIRED)

    def draw(some, first, count):
        p = ndtr((mean[some][:, None] + 0.9 * rng.standard_normal((some.size, count))) / np.sqrt(0.19))
        return p, p

    return draw


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", [stratum, mostly_drawn])
def test_units_whose_draws_decide_much(seed, kind):
    # 82 % comply, exactly, by the normal distribution of the means: 12 bounds at 1 - 5e-8
    (units,) = complete_units(kind(seed), UNITS, REQUIRED)
    estimate = unit_yield(units.low, units.high, REQUIRED, 1.0 - 5e-8, sampling=units.sampling)
    assert estimate.low <= 0.82 <= estimate.high
    assert estimate.high - estimate.low < 0.3
    # negative control: two draws each, compared as if they were exact
    (few,) = complete_units(kind(seed), UNITS, REQUIRED, stages=(2,))
    plain = unit_yield(few.low, few.high, REQUIRED, 1.0 - 5e-8)
    assert not plain.low <= 0.82 <= plain.high


def test_scores_by_hand():
    # 3 units clear, 5 short, 2 that pass with all draws though one half does not: 2 * 1 - 0.5 = 1.5 each
    full = np.array([0.95] * 3 + [0.5] * 5 + [0.91] * 2)
    halves = np.stack([np.where(full == 0.91, 0.89, full), np.where(full == 0.91, 0.93, full)])
    sampling = Sampling(np.zeros(10), halves, 16)
    assert unit_yield(full, full, 0.9, sampling=sampling).value == pytest.approx((3.0 + 2.0 * 1.5) / 10.0)
    # nothing in doubt: the exact binomial bounds
    clear = unit_yield(full, full, 0.9, sampling=Sampling(np.zeros(10), np.stack([full, full]), 16))
    assert (clear.low, clear.high) == pytest.approx(clopper_pearson_bounds(5, 10, 0.95))
    assert clear.method.endswith("averaged over 16 draws, their bias removed and its rest allowed for")
    # draws that differ from unit to unit are told as a range
    mixed = Sampling(np.zeros(10), np.stack([full, full]), 4, np.array([4] * 9 + [64]))
    assert "averaged over 4 to 64 draws" in unit_yield(full, full, 0.9, sampling=mixed).method


def test_more_draws_leave_less_to_allow_for():
    full = np.array([0.95] * 300 + [0.5] * 100 + [0.91] * 20)
    halves = np.stack([np.where(full == 0.91, 0.89, full), np.where(full == 0.91, 0.93, full)])
    widths = []
    for draws in (4, 16, 64):
        found = unit_yield(full, full, 0.9, sampling=Sampling(np.zeros(420), halves, draws))
        widths.append(found.high - found.low)
    assert widths[0] > widths[1] > widths[2]


@pytest.mark.parametrize("seed", SEEDS)
def test_lots_move_units_together(seed):
    # means of lots N(4, 0.8^2), of units in a lot 0.6^2: the same Y, but only 200 independent lots
    rng = np.random.default_rng(seed)
    lots = np.arange(UNITS) % 200
    pi = ndtr(rng.normal(4.0, 0.8, 200)[lots] + rng.normal(0.0, 0.6, UNITS))
    within, apart = unit_yield(pi, pi, REQUIRED, SURE, lots), unit_yield(pi, pi, REQUIRED, SURE)
    assert within.low <= TRUTH <= within.high
    assert within.value == apart.value
    assert within.high - within.low > 1.5 * (apart.high - apart.low)


def test_a_unit_counts_when_it_reaches_the_requirement_in_every_cell():
    low = np.array([[0.99, 0.95, 0.90, 0.99], [0.99, 0.90, 0.95, 0.95]])
    estimate = unit_yield(low, low, 0.95)
    assert estimate.value == 0.5
    assert (estimate.low, estimate.high) == pytest.approx(clopper_pearson_bounds(2, 4, 0.95))


def test_brackets_widen_the_bounds_only():
    low, high = np.array([0.9, 0.94, 0.97, 0.99]), np.array([0.94, 0.96, 0.98, 1.0])
    estimate = unit_yield(low, high, 0.95)
    assert estimate.low == pytest.approx(clopper_pearson_bounds(2, 4, 0.95)[0])
    assert estimate.high == pytest.approx(clopper_pearson_bounds(3, 4, 0.95)[1])


def test_sums_of_weights_reach_a_requirement_of_one():
    weights = np.full((1, 10), 0.1)
    units = combine_strata(np.ones((1, 10, 1)), np.ones((1, 10, 1)), weights, np.zeros(1), drawn=False)
    assert unit_yield(units.low, units.high, 1.0).value == 1.0


def test_strata_and_rest_are_weighed():
    # two strata of 0.6 and 0.3 with 0.1 unseen: by hand
    p_low = np.array([[[0.9, 0.7], [0.4, 0.2]]])
    p_high = p_low + 0.1
    units = combine_strata(p_low, p_high, np.array([[0.6, 0.3]]), np.array([0.1]))
    assert units.low == pytest.approx([0.6 * 0.8 + 0.3 * 0.3])
    assert units.high == pytest.approx([0.6 * 0.9 + 0.3 * 0.4 + 0.1])
    # draws 0.66 and 0.48 apart from a constant: their standard error is half their difference
    assert units.sampling.standard_error == pytest.approx([0.09])
    assert units.sampling.halves[:, 0] == pytest.approx([0.755, 0.575])
    assert units.sampling.draws == 2


def test_cells_are_stacked():
    one = combine_strata(np.full((3, 1, 4), 0.9), np.full((3, 1, 4), 0.9), np.ones((3, 1)), np.zeros(3))
    two = combine_strata(np.full((3, 1, 4), 0.8), np.full((3, 1, 4), 0.8), np.ones((3, 1)), np.zeros(3))
    both = stack_cells([one, two])
    assert both.low.tolist() == [[0.9] * 3, [0.8] * 3]
    assert both.sampling.halves.shape == (2, 2, 3)
    assert unit_yield(both.low, both.high, 0.85, sampling=both.sampling).value == 0.0
    assert unit_yield(both.low, both.high, 0.75, sampling=both.sampling).value == 1.0
    exact = UnitCompletion(one.low, one.high, None)
    assert stack_cells([exact, exact]).sampling is None


ONES = np.ones((2, 1, 1))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: combine_strata(ONES, ONES, np.ones((2, 1)), np.zeros(2)),
            "one draw gives no standard error: two or more are needed, or drawn=False where each row is exact",
        ),
        (
            lambda: combine_strata(ONES, ONES, np.ones((2, 1)), np.full(2, 0.1), drawn=False),
            "weights and rest of a unit must not be negative and must add up to 1",
        ),
        (
            lambda: combine_strata(ONES, ONES, np.ones(2), np.zeros(2), drawn=False),
            "p_low (2, 1, 1), p_high (2, 1, 1), weights (2,), rest (2,): "
            "(units, strata, draws) twice, (units, strata) and (units,) are needed",
        ),
        (
            lambda: unit_yield([0.9], [0.8], 0.5),
            "completions must be finite, with 0 <= low <= high <= 1",
        ),
        (
            lambda: unit_yield([np.nan], [0.8], 0.5),
            "completions must be finite, with 0 <= low <= high <= 1",
        ),
        (
            lambda: unit_yield([], [], 0.5),
            "completion_low (1, 0), completion_high (1, 0): two equal shapes with units are needed",
        ),
        (
            lambda: unit_yield([0.9], [0.9], 0.0),
            "required = 0.0: a share above 0 and at most 1 is needed",
        ),
        (
            lambda: unit_yield([[[0.9]]], [[[0.9]]], 0.5),
            "completions have 3 dimensions: (units,) or (cells, units) is needed",
        ),
        (
            lambda: unit_yield([0.9], [0.9], 0.5, sampling=Sampling(np.zeros(2), np.zeros((2, 2)), 4)),
            "sampling has shape (1, 2) for completions (1, 1): the same units and cells are needed",
        ),
        (lambda: stack_cells([]), "no cells to stack: at least one is needed"),
        (
            lambda: stack_cells([UnitCompletion(np.ones(n), np.ones(n), None) for n in (2, 3)]),
            "cells differ in their number of units or draws: the same units and draws are needed in each",
        ),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=f"^{re.escape(message)}$"):
        call()

"""Differences of pairs: exact coverage over tables, closed forms, and published examples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, multinomial, norm

from yieldsim.estimate.intervals import Estimate, clopper_pearson_bounds, mean_of_clusters, wilson_interval
from yieldsim.estimate.paired import (
    independent_difference,
    mean_difference,
    no_difference,
    same_units,
    unit_yield_difference,
)
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion, complete_units, stack_cells
from yieldsim.estimate.unit_yield import scores_of, unit_yield

DIFFERENCES = st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=30).map(np.array)
# Armitage and Berry, Statistical Methods in Medical Research, chapter 4: 50 specimens of sputum in two culture media,
# 20 positive in both, 12 in the first alone, 2 in the second alone, 16 in neither. Numbers from memory.
BOTH, FIRST, SECOND, NEITHER = 20, 12, 2, 16
SPUTUM = np.repeat([1.0, -1.0, 0.0], [FIRST, SECOND, BOTH + NEITHER])


@pytest.mark.parametrize("n", [1, 7, 512])
def test_with_no_unit_moved_the_bounds_are_the_exact_ones_on_none(n: int) -> None:
    found = mean_difference(np.zeros(n))
    reach = clopper_pearson_bounds(0, n, 0.95)[1]  # 1 - 0.05**(1/n)
    assert found.value == 0.0
    assert (found.low, found.high) == pytest.approx((-reach, reach), rel=1e-6)


@pytest.mark.parametrize("moved", [1, 3, 20])
def test_with_moves_one_way_the_far_bound_is_the_exact_one(moved: int) -> None:
    d = np.repeat([1.0, 0.0], [moved, 40 - moved])
    found = mean_difference(d)
    assert found.high == pytest.approx(clopper_pearson_bounds(moved, 40, 0.95)[1], rel=1e-6)
    assert found.low < clopper_pearson_bounds(moved, 40, 0.95)[0]  # the unseen unit may move the other way


def test_coverage_over_all_tables_is_at_least_the_confidence() -> None:
    # exact: the probability of every table of n units is multinomial, and no simulation is needed
    n, confidence = 12, 0.95
    tables = [(up, down, n - up - down) for up in range(n + 1) for down in range(n + 1 - up)]
    found = [mean_difference(np.repeat([1.0, -1.0, 0.0], table), confidence=confidence) for table in tables]
    low, high = np.array([e.low for e in found]), np.array([e.high for e in found])
    for up in (0.001, 0.01, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 0.9):
        for down in (0.0, 0.001, 0.05, 0.1, 0.2, 0.5):
            if up + down <= 1.0:
                chance = multinomial.pmf(tables, n, [up, down, max(1.0 - up - down, 0.0)])
                assert chance[low <= up - down + 1e-12].sum() >= confidence
                assert chance[high >= up - down - 1e-12].sum() >= confidence


def test_the_sputum_example_agrees_with_the_exact_test_of_mcnemar() -> None:
    # McNemar's exact test is the sign test of the 14 that differ: two-sided P = 0.0129, as in the book (from memory)
    p = binomtest(FIRST, FIRST + SECOND).pvalue
    assert p == pytest.approx(0.0129, abs=5e-5)
    found = mean_difference(SPUTUM, confidence=0.975)
    assert found.value == pytest.approx(0.20)
    assert found.low > 0.0  # significant at 5 %
    assert mean_difference(SPUTUM, confidence=1.0 - 0.05 * p).low < 0.0  # not at a twentieth of P


def test_the_sputum_example_lies_around_the_interval_of_the_score_method() -> None:
    # Newcombe (1998), Statistics in Medicine 17, 2635-2650, method 10; formula from memory
    n = BOTH + FIRST + SECOND + NEITHER
    p1, p2 = (BOTH + FIRST) / n, (BOTH + SECOND) / n
    l1, u1 = wilson_interval(BOTH + FIRST, n, 0.95)
    l2, u2 = wilson_interval(BOTH + SECOND, n, 0.95)
    product = (BOTH + FIRST) * (SECOND + NEITHER) * (BOTH + SECOND) * (FIRST + NEITHER)
    phi = max(BOTH * NEITHER - FIRST * SECOND - n / 2, 0.0) / np.sqrt(product)
    a, b = p1 - l1, u2 - p2
    low = p1 - p2 - np.sqrt(a**2 - 2.0 * phi * a * b + b**2)
    a, b = u1 - p1, p2 - l2
    high = p1 - p2 + np.sqrt(a**2 - 2.0 * phi * a * b + b**2)
    found = mean_difference(SPUTUM, confidence=0.975)
    # bounds that hold for any distribution are wider, but not by half
    assert found.low == pytest.approx(low, abs=0.06)
    assert found.high == pytest.approx(high, abs=0.06)
    assert high - low < found.high - found.low < 1.5 * (high - low)


@pytest.mark.parametrize(
    ("first", "second", "interval"),
    [((56, 70), (48, 80), (0.0524, 0.3339)), ((9, 10), (3, 10), (0.1705, 0.8090)), ((10, 10), (0, 20), (0.6791, 1.0))],
)
def test_apart_is_the_published_square_and_add(first, second, interval) -> None:
    # Newcombe (1998), Statistics in Medicine 17, 873-890, table II, method 10 (from memory)
    def estimate(k: int, n: int) -> Estimate:
        return Estimate(k / n, *wilson_interval(k, n, 0.95), 0.975, "")

    found = independent_difference(estimate(*second), estimate(*first))
    assert (found.low, found.high) == pytest.approx(interval, abs=5e-5)


def test_on_common_random_numbers_a_shifted_margin_has_the_width_of_its_closed_form() -> None:
    # margins X and X + s with X normal: a unit moves with p = P(-s <= X < 0), so that the mean difference has the
    # standard error sqrt(p (1 - p) / n), against sqrt(q (1 - q) / n) twice for two runs apart
    n, shift, mean = 20_000, 0.05, 1.0
    x = np.random.default_rng([4, 2]).normal(mean, 1.0, n)
    a, b = (x >= 0.0).astype(float), (x + shift >= 0.0).astype(float)
    moved = norm.cdf(-mean) - norm.cdf(-mean - shift)
    found = mean_difference(b - a)
    assert abs(found.value - moved) < 4.0 * np.sqrt(moved * (1.0 - moved) / n)
    wide = 2.0 * norm.ppf(0.95) * np.sqrt(found.value * (1.0 - found.value) / n)
    unseen = 3.0 / n  # what one unit that was not seen may add at either end
    assert wide < found.high - found.low < wide + 2.0 * unseen
    apart = independent_difference(mean_of_clusters(a), mean_of_clusters(b))
    q = np.array([norm.cdf(mean), norm.cdf(mean + shift)])
    expected = 2.0 * norm.ppf(0.95) * np.sqrt((q * (1.0 - q)).sum() / n)
    assert apart.high - apart.low == pytest.approx(expected, rel=0.05)
    assert found.high - found.low < 0.25 * (apart.high - apart.low)


def test_repeated_runs_hold_their_confidence() -> None:
    # fractions of 8 actuations that move together, mostly a little: 200 runs, false alarms below 1e-4
    rng = np.random.default_rng([7, 11])
    held = 0
    for _ in range(200):
        p = rng.beta(8.0, 1.0, 60)
        d = rng.binomial(8, np.minimum(p * 1.02, 1.0)) / 8 - rng.binomial(8, p) / 8
        truth = 0.02 * 8 / 9 - _cut(8.0, 1.02)
        held += mean_difference(d).low <= truth
    assert held >= 200 * 0.95 - 4.0 * np.sqrt(200 * 0.95 * 0.05)


def _cut(a: float, factor: float) -> float:
    """Mean of what min(factor p, 1) takes off factor p, p ~ Beta(a, 1): density a p**(a - 1)."""
    edge = 1.0 / factor
    return factor * a / (a + 1.0) * (1.0 - edge ** (a + 1.0)) - (1.0 - edge**a)


@given(DIFFERENCES)
def test_the_other_way_round_it_is_the_negative(d: np.ndarray) -> None:
    one, other = mean_difference(d), mean_difference(-d)
    assert other.value == pytest.approx(-one.value, abs=1e-12)
    assert (other.low, other.high) == pytest.approx((-one.high, -one.low), abs=1e-7)
    assert -1.0 <= one.low <= one.value <= one.high <= 1.0


def test_units_of_a_lot_count_as_one() -> None:
    d, lots = np.tile([0.5, 0.0, 0.0, -0.25], 30), np.repeat(np.arange(30), 4)
    by_lot = mean_difference(d, lots)
    assert by_lot.low == pytest.approx(mean_difference(np.full(30, 0.0625)).low, abs=1e-9)
    assert by_lot.high - by_lot.low > mean_difference(d).high - mean_difference(d).low


def test_a_computation_does_not_differ_from_itself() -> None:
    found = no_difference(0.9)
    assert (found.value, found.low, found.high, found.confidence) == (0.0, 0.0, 0.0, 0.9)


# --- unit yield -------------------------------------------------------------------------------------------------------


def exact(completion: np.ndarray) -> UnitCompletion:
    return UnitCompletion(completion, completion, None)


def averaged(completion: np.ndarray, error: float) -> UnitCompletion:
    n = np.shape(completion)
    return UnitCompletion(completion, completion, Sampling(np.full(n, error), np.stack([completion] * 2), 16))


def test_exactly_known_units_are_counted_in_every_cell() -> None:
    a = exact(np.array([[0.999, 0.999, 0.5, 0.999], [0.999, 0.5, 0.999, 0.999]]))
    b = exact(np.array([[0.999, 0.999, 0.5, 0.5], [0.999, 0.999, 0.999, 0.999]]))
    found = unit_yield_difference(a, b, 0.99)
    plain = mean_difference(np.array([0.0, 1.0, 0.0, -1.0]))
    assert (found.value, found.low, found.high) == (plain.value, plain.low, plain.high)


def test_brackets_widen_the_bounds() -> None:
    a, b = exact(np.full(50, 0.5)), UnitCompletion(np.full(50, 0.9), np.full(50, 1.0), None)
    found = unit_yield_difference(a, b, 0.99)
    assert found.low == pytest.approx(-(1.0 - 0.05 ** (1 / 50)), rel=1e-6)  # none may comply
    assert found.high == pytest.approx(1.0, abs=1e-12)  # all may


def test_a_unit_that_came_out_the_same_counts_as_no_difference() -> None:
    near = np.linspace(0.985, 0.995, 60)
    a, b = averaged(near, 0.002), averaged(near.copy(), 0.002)
    assert same_units(a, b).all()
    found = unit_yield_difference(a, b, 0.99)
    reach = 1.0 - 0.05 ** (1 / 60)
    assert (found.value, found.low, found.high) == pytest.approx((0.0, -reach, reach), abs=1e-9)
    b.low[7] += 1e-9
    assert np.flatnonzero(~same_units(a, b)).tolist() == [7]
    surely, likely, perhaps = scores_of(a, 0.99)
    assert surely.shape == likely.shape == perhaps.shape == (60,)


def test_a_cell_with_few_draws_in_which_all_is_clear_says_nothing() -> None:
    # joined with a cell that all units pass by far after 4 draws, a cell known from 64 keeps its bounds
    rng = np.random.default_rng([3, 9])
    truth = 1.0 - 10.0 ** rng.uniform(-3.0, -1.0, 300)
    halves = truth + rng.normal(0.0, 1e-3, (2, 300))

    def known(shift: float, cells: int) -> UnitCompletion:
        of = np.clip(halves + shift, 0.0, 1.0)
        middle, error, clear = of.mean(axis=0), np.full(300, 7e-4), np.full(300, 0.9999)
        if cells == 1:
            return UnitCompletion(middle, middle, Sampling(error, of, 64))
        both = np.stack([middle, clear])
        counts = np.stack([np.full(300, 64), np.full(300, 4)])
        sampling = Sampling(np.stack([error, error]), np.stack([of, np.stack([clear, clear])], axis=1), 4, counts)
        return UnitCompletion(both, both, sampling)

    one = unit_yield_difference(known(0.0, 1), known(0.002, 1), 0.99)
    two = unit_yield_difference(known(0.0, 2), known(0.002, 2), 0.99)
    assert (two.value, two.low, two.high) == (one.value, one.low, one.high)
    assert one.low < one.value < one.high


def test_bounds_on_the_yield_difference_hold_over_repeated_runs() -> None:
    # two cells; margins of units N(3, 0.8) and some 0.4 more, draws N(0, 0.7) shared by both designs and cells: a unit
    # complies where ndtr(m / sqrt(1 + 0.49)) reaches 0.99, which gives the truth; B lies 0.15 lower
    required, shift, w, n, runs = 0.99, 0.15, 0.7, 128, 40
    margins = np.random.default_rng(1).normal([3.0, 0.4], [0.8, 0.3], (400_000, 2)).cumsum(axis=1)
    need = norm.ppf(required) * np.sqrt(1.0 + w * w)
    truth = (margins.min(axis=1) - shift >= need).mean() - (margins.min(axis=1) >= need).mean()
    held, narrower = np.zeros(2), []
    for run in range(runs):
        rng = np.random.default_rng([run, 5])
        own = rng.normal([3.0, 0.4], [0.8, 0.3], (n, 2)).cumsum(axis=1)
        z = w * rng.normal(size=(n, 64))
        a, b = (
            stack_cells([complete_units(_drawer(own[:, cell] - lower, z), n, required)[0] for cell in range(2)])
            for lower in (0.0, shift)
        )
        found = unit_yield_difference(a, b, required)
        held += [found.low <= truth, found.high >= truth]
        alone = [unit_yield(x.low, x.high, required, sampling=x.sampling) for x in (a, b)]
        apart = independent_difference(*alone)
        narrower.append((found.high - found.low) / (apart.high - apart.low))
    assert held.min() >= runs * 0.95 - 4.0 * np.sqrt(runs * 0.95 * 0.05)
    assert np.mean(narrower) < 0.8


def _drawer(margins: np.ndarray, z: np.ndarray):
    def draw(units, first, count):
        p = norm.cdf(margins[units, None] + z[units, first : first + count])
        return p, p

    return draw


def test_averages_and_exact_values_are_never_the_same() -> None:
    x = np.full(5, 0.9)
    assert not same_units(exact(x), averaged(x, 0.01)).any()
    assert not same_units(exact(x), exact(np.stack([x, x]))).any()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: mean_difference([]), "differences: 0 of them; one or more are needed, all finite"),
        (lambda: mean_difference([0.0, np.nan]), "differences: 2 of them; one or more are needed, all finite"),
        (lambda: mean_difference([0.0], surely=[0.0, 0.0]), "2 differences for a bound on the mean of 1"),
        (lambda: mean_difference([0.0], confidence=0.4), "confidence = 0.4"),
        (lambda: unit_yield_difference(exact(np.ones(2)), exact(np.ones(3)), 0.9), "2 units in A and 3 in B"),
        (
            lambda: independent_difference(Estimate(0, 0, 0, 0.9, ""), Estimate(0, 0, 0, 0.95, "")),
            "bounds at 0.9 and at 0.95: the same confidence is needed",
        ),
    ],
)
def test_what_cannot_be_bounded_is_refused(call, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()

"""Ages at which units fall: closed-form lifetimes, coverage of the bounds, censoring, recovery."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from yieldsim.estimate.intervals import success_run_trials
from yieldsim.estimate.lifetimes import (
    complying,
    first_falls,
    recovered,
    share_life,
    surviving,
    with_deciding_draws,
)
from yieldsim.estimate.quantiles import quantile_estimate
from yieldsim.estimate.unit_completion import Draw, Sampling, UnitCompletion, complete_units, stack_cells

Floats = NDArray[np.float64]
REQUIRED = 0.99


def alive(lifetimes: Floats, ages: Floats) -> list[UnitCompletion]:
    """Units that complete always until their life ends, and never afterwards: completions known exactly."""
    return [UnitCompletion(up := (lifetimes > age).astype(np.float64), up, None) for age in ages]


# --- lives in closed form ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("share", "life"), [(0.01, 0.1005034), (0.1, 1.0536052), (0.5, 6.9314718)])
def test_exponential_lifetimes(share: float, life: float) -> None:
    # F(t) = 1 - exp(-t / theta), so B_p = -theta ln(1 - p); any text on reliability, theta = 10 yr
    lifetimes = -10.0 * np.log1p(-(np.arange(5000) + 0.5) / 5000)
    ages = np.concatenate([[0.0], np.geomspace(0.01, 30.0, 300)])
    found = share_life(ages, surviving(alive(lifetimes, ages), REQUIRED), share)
    assert found.value == pytest.approx(life, rel=0.01)
    assert found.low < life < found.high
    assert found.high / found.low < (1.7 if share == 0.01 else 1.2)


def test_linear_between_the_ages_of_the_grid() -> None:
    lifetimes = np.repeat([0.5, 5.0, 50.0], [10, 40, 50])  # by 1: 10 %, by 10: 50 %
    ages = np.array([0.0, 1.0, 10.0])
    kept = surviving(alive(lifetimes, ages), REQUIRED)
    assert share_life(ages, kept, 0.05).value == pytest.approx(0.5)
    assert share_life(ages, kept, 0.1).value == pytest.approx(1.0)
    assert share_life(ages, kept, 0.3).value == pytest.approx(5.5)
    assert math.isinf(share_life(ages, kept, 0.51).value)


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.01, 0.1, 0.3]), st.integers(30, 400))
def test_bounds_are_order_statistics_rounded_outwards(seed: int, share: float, n: int) -> None:
    # an implementation of its own, by ranks: Hahn and Meeker 1991, chapter 5
    lifetimes = np.random.default_rng(seed).weibull(1.5, n) * 10.0
    ages = np.linspace(0.0, 40.0, 81)
    found = share_life(ages, surviving(alive(lifetimes, ages), REQUIRED), share)
    ranks = quantile_estimate(lifetimes, share)
    below = ages[ages < ranks.low]
    assert found.low == (below[-1] if below.size else 0.0)
    above = ages[ages >= ranks.high]
    assert found.high == (above[0] if above.size else math.inf)


def drawing(margin: Floats, away: Floats) -> Draw:
    """Draws of completions Phi(margin + away), of units (n,) and their draws (n, J)."""

    def draw(units: NDArray[np.intp], first: int, count: int) -> tuple[Floats, Floats]:
        p = ndtr(margin[units, None] + away[units, first : first + count])
        return p, p

    return draw


# --- coverage -------------------------------------------------------------------------------------------------

REPEATS = 300
MISSES = 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / REPEATS)  # of a bound at 95 %, within three standard errors


@pytest.mark.parametrize(("share", "n"), [(0.01, 1500), (0.1, 400)])
def test_bounds_hold_their_confidence(share: float, n: int) -> None:
    rng = np.random.default_rng([7, n])
    truth = -10.0 * math.log1p(-share)
    ages = np.linspace(0.0, 3.0 * truth, 61)
    missed = np.zeros(2)
    for _ in range(REPEATS):
        found = share_life(ages, surviving(alive(rng.exponential(10.0, n), ages), REQUIRED), share)
        missed += [found.low > truth, found.high < truth]
    assert np.all(missed / REPEATS <= MISSES)
    assert missed.sum() > 0  # they are not bounds that hold always


def test_lots_are_allowed_for() -> None:
    # whole lots live and die together: 60 lots of 20 units hold no more than 60 lifetimes
    rng = np.random.default_rng(11)
    ages = np.linspace(0.0, 4.0, 9)
    truth = -10.0 * math.log(0.9)
    lots = np.repeat(np.arange(60), 20)
    missed, pooled, repeats = np.zeros(2), np.zeros(2), 25
    for _ in range(repeats):
        units = alive(np.repeat(rng.exponential(10.0, 60), 20), ages)
        for counts, clusters in ((missed, lots), (pooled, None)):
            found = share_life(ages, surviving(units, REQUIRED, clusters=clusters), 0.1)
            counts += [found.low > truth, found.high < truth]
    assert np.all(missed / repeats <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / repeats))
    assert np.any(pooled / repeats > 0.2)  # taken for independent, they would not be


def test_bounds_hold_where_completions_are_averaged_over_draws() -> None:
    # margin m - d a + s e with m, e standard normal: pi = Phi((m0 + m - d a) / sqrt(1 + s^2)), so a unit survives a
    # where m >= z_r sqrt(1 + s^2) + d a - m0, whose probability is a normal integral
    ages, drift, spread, start, n = np.array([0.0, 2.0, 6.0]), 0.15, 0.5, 5.6, 256
    root = math.sqrt(1.0 + spread**2)
    truth = ndtr(start - drift * ages - ndtri(REQUIRED) * root)
    repeats, missed = 60, np.zeros((2, 3))
    for repeat in range(repeats):
        rng = np.random.default_rng([13, repeat])
        m, e = rng.standard_normal(n), rng.standard_normal((n, 64))
        by_age = []
        for age in ages:
            by_age += complete_units(drawing(start - drift * age + m, spread * e), n, REQUIRED)
        found = surviving(by_age, REQUIRED)
        missed += [[f.low > t for f, t in zip(found, truth, strict=True)],
                   [f.high < t for f, t in zip(found, truth, strict=True)]]  # fmt: skip
    assert np.all(missed / repeats <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / repeats))


# --- censoring ------------------------------------------------------------------------------------------------


def test_units_that_outlive_the_horizon() -> None:
    # 299 trials without a failure show 99 % at 95 % confidence, 298 do not: Wilks; ln 0.05 / ln 0.99 = 298.07
    assert success_run_trials(0.99, 0.95) == 299
    ages = np.array([0.0, 6.0, 12.0])
    for n, shown in ((299, True), (298, False)):
        found = share_life(ages, surviving(alive(np.full(n, 50.0), ages), REQUIRED), 0.01)
        assert found.beyond
        assert math.isinf(found.value)
        assert math.isinf(found.high)
        assert found.surely_beyond is shown
        assert found.low == (12.0 if shown else 0.0)
        assert (found.after, found.before) == (12.0, math.inf)


def test_units_that_are_below_when_new() -> None:
    ages = np.array([0.0, 6.0, 12.0])
    kept = surviving(alive(np.repeat([0.0, 50.0], [80, 120]), ages), REQUIRED)
    found = share_life(ages, kept, 0.1)
    assert (found.value, found.low, found.high, found.after, found.before) == (0.0, 0.0, 0.0, 0.0, 0.0)
    assert 1.0 - kept[0].value == pytest.approx(0.4)


@given(st.integers(0, 2**32 - 1), st.floats(1.0, 40.0))
def test_a_longer_look_changes_no_earlier_age(seed: int, scale: float) -> None:
    lifetimes = np.random.default_rng(seed).exponential(scale, 50)
    ages = np.linspace(0.0, 12.0, 7)
    long, short = surviving(alive(lifetimes, ages), REQUIRED), surviving(alive(lifetimes, ages[:4]), REQUIRED)
    for a, b in zip(short, long, strict=False):
        assert a.value == b.value
        assert a.low == b.low
    for share in (0.01, 0.1, 0.5):
        whole, part = share_life(ages, long, share), share_life(ages[:4], short, share)
        assert part.value == whole.value or math.isinf(part.value)
        assert part.high == whole.high or math.isinf(part.high)


# --- falls of single units ------------------------------------------------------------------------------------


@given(
    st.lists(st.floats(0.0, 6.0), min_size=1, max_size=30),
    st.floats(0.01, 0.5),
    st.lists(st.floats(0.05, 30.0), min_size=1, max_size=8, unique=True),
)
def test_steady_drift_falls_where_the_straight_line_crosses(
    margins: list[float], drift: float, later: list[float]
) -> None:
    # completion Phi(z - d a) passes r at a = (z - Phi^-1(r)) / d
    z, ages = np.array(margins), np.array([0.0, *sorted(later)])
    by_age = [UnitCompletion(p := ndtr(z - drift * a), p, None) for a in ages]
    crossing = (z - ndtri(REQUIRED)) / drift
    for place, at in zip(first_falls(by_age, REQUIRED).likely, crossing, strict=True):
        if place > 0:
            assert at >= ages[place - 1] - 1e-6
        if place < ages.size:
            assert at <= ages[place] + 1e-6


def test_the_first_fall_counts_though_the_unit_recovers() -> None:
    paths = np.array([[1.0, 0.5, 1.0], [1.0, 1.0, 1.0], [0.5, 1.0, 1.0], [1.0, 1.0, 0.5]]).repeat(25, axis=0)
    by_age = [UnitCompletion(p, p, None) for p in paths.T]
    assert first_falls(by_age, REQUIRED).likely.reshape(4, 25)[:, 0].tolist() == [1, 3, 0, 2]
    assert [e.value for e in surviving(by_age, REQUIRED)] == [0.75, 0.5, 0.25]
    assert complying(by_age[2], REQUIRED).value == 0.75
    back = recovered(by_age, REQUIRED)
    assert back.value == 0.5
    assert back.low < 0.5 < back.high


def test_brackets_and_errors_leave_a_recovery_open() -> None:
    n = 100
    s = Sampling(np.full(n, 0.01), np.full((2, n), 0.985), 4)
    near = [UnitCompletion(np.full(n, 0.985), np.full(n, 0.985), s), UnitCompletion(np.full(n, 0.995), np.ones(n), s)]
    found = recovered(near, REQUIRED)
    assert found.low == 0.0
    assert found.high == 1.0


def test_a_bracket_bounds_the_fall_from_both_sides() -> None:
    by_age = [UnitCompletion(np.array([0.98, 0.995]), np.array([0.995, 1.0]), None) for _ in range(2)]
    by_age.append(UnitCompletion(np.zeros(2), np.array([0.5, 1.0]), None))
    falls = first_falls(by_age, REQUIRED)
    assert falls.earliest.tolist() == [0, 2]
    assert falls.latest.tolist() == [2, 3]
    assert np.all(falls.earliest <= falls.likely)
    assert np.all(falls.likely <= falls.latest)


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1), st.integers(1, 3), st.booleans())
def test_survivors_never_rise_and_hold_their_value(seed: int, cells: int, lots: bool) -> None:
    rng = np.random.default_rng(seed)
    n, draws = 24, 4
    by_age = []
    for _ in range(4):
        p = rng.beta(60.0, 0.5, (2, cells, n))
        middle, error = p.mean(axis=0), np.abs(p[0] - p[1]) / 2.0
        by_age.append(UnitCompletion(middle, middle, Sampling(error, p, draws)))
    found = surviving(by_age, REQUIRED, clusters=np.arange(n) // 3 if lots else None)
    assert all(e.low <= e.value <= e.high for e in found)
    for a, b in pairwise(found):
        assert b.low <= a.low
        assert b.value <= a.value
        assert b.high <= a.high
    assert (
        found[-1].value <= min(complying(one, REQUIRED).value for one in by_age) + 1e-9
        or found[-1].value == found[-1].low
    )


def test_draws_are_counted_where_a_unit_is_decided() -> None:
    sure = UnitCompletion(np.ones(2), np.ones(2), Sampling(np.zeros(2), np.ones((2, 2)), 4))
    near = np.array([0.991, 0.9])
    near_cell = UnitCompletion(
        near, near, Sampling(np.array([0.001, 0.01]), np.stack([near, near]), 4, np.array([64, 16]))
    )
    both = stack_cells([sure, near_cell])
    assert both.sampling is not None
    found = with_deciding_draws(both, REQUIRED)
    assert found.sampling is not None
    assert found.sampling.counts.tolist() == [[64, 16], [64, 16]]
    assert np.array_equal(found.low, both.low)


# --- refused --------------------------------------------------------------------------------------------------


def test_what_does_not_fit_is_refused() -> None:
    units = alive(np.array([1.0, 9.0]), np.array([0.0, 5.0]))
    kept = surviving(units, REQUIRED)
    with pytest.raises(ValueError, match="the same units, at one age or more"):
        surviving([], REQUIRED)
    with pytest.raises(ValueError, match="the same units, at one age or more"):
        first_falls([units[0], UnitCompletion(np.ones(3), np.ones(3), None)], REQUIRED)
    with pytest.raises(ValueError, match="2 ages for 1 shares"):
        share_life([0.0, 1.0], kept[:1], 0.1)
    with pytest.raises(ValueError, match="one ascending, finite age a share"):
        share_life([5.0, 0.0], kept, 0.1)
    with pytest.raises(ValueError, match="share = 1"):
        share_life([0.0, 5.0], kept, 1.0)
    with pytest.raises(ValueError, match="survivors increase"):
        share_life([0.0, 5.0], kept[::-1], 0.1)

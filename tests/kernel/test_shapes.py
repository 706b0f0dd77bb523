"""Every tolerance shape against the quantile functions of scipy.stats."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, special, stats

from yieldsim.kernel.shapes import (
    LOGNORMAL,
    MEASURED,
    NORMAL,
    SORTED,
    TRAPEZOIDAL,
    TRIANGULAR,
    TRUNCATED_NORMAL,
    UNIFORM,
    deviation,
    deviation_of_score,
    deviation_within,
    deviations,
    joint_deviation,
    joint_deviations,
)

# Probabilities from 1e-12 to 1 - 1e-12, dense at both ends.
HALF = np.concatenate([np.geomspace(1e-12, 0.1, 60), np.linspace(0.1, 0.5, 41)[1:-1]])
PROBABILITIES = np.concatenate([HALF, [0.4999, 0.5, 0.5001], (1.0 - HALF)[::-1]])
NO_TABLE = np.empty(0)


def row(low=0.0, high=0.0, sigma=0.0, centre=0.0, flat=0.0, removed=(0.0, 0.0), offset=0.0) -> np.ndarray:  # type: ignore[no-untyped-def]
    return np.array([low, high, sigma, centre, flat, removed[0], removed[1], offset])


def ours(code: int, p: np.ndarray, u: np.ndarray = PROBABILITIES, table: np.ndarray = NO_TABLE) -> np.ndarray:
    return deviations(code, p, table, u)


def agree(x: np.ndarray, reference: np.ndarray, scale: float) -> None:
    # 1e-9 relative; beside a zero crossing, where the reference itself cancels, 1e-15 of the shape's width.
    np.testing.assert_allclose(x, reference, rtol=1e-9, atol=1e-15 * scale)


@pytest.mark.parametrize("sigma", [0.003, 0.05, 2.0])
def test_normal(sigma: float) -> None:
    agree(ours(NORMAL, row(sigma=sigma)), stats.norm(scale=sigma).ppf(PROBABILITIES), sigma)


@pytest.mark.parametrize(("low", "high"), [(-0.05, 0.05), (-0.2, 0.8), (0.01, 0.03), (0.0, 1.0)])
def test_uniform(low: float, high: float) -> None:
    agree(ours(UNIFORM, row(low, high)), stats.uniform(low, high - low).ppf(PROBABILITIES), high - low)


@pytest.mark.parametrize(("low", "high", "mode"), [(-0.05, 0.05, 0.0), (-0.2, 0.8, 0.0), (-0.1, 0.1, 0.1), (0, 1, 0)])
def test_triangular(low: float, high: float, mode: float) -> None:
    reference = stats.triang((mode - low) / (high - low), low, high - low).ppf(PROBABILITIES)
    # scipy forms 1 - sqrt((1 - c)(1 - u)) on the unit interval: the same to rounding of the width.
    agree(ours(TRIANGULAR, row(low, high, centre=mode)), reference, high - low)


@pytest.mark.parametrize("flat", [0.0, 0.25, 0.8, 1.0])
def test_trapezoidal(flat: float) -> None:
    low, high = -0.2, 0.3
    reference = stats.trapezoid((1 - flat) / 2, (1 + flat) / 2, low, high - low).ppf(PROBABILITIES)
    agree(ours(TRAPEZOIDAL, row(low, high, flat=flat)), reference, high - low)


@pytest.mark.parametrize("sigma", [0.02, 0.4, 1.5])
def test_lognormal(sigma: float) -> None:
    reference = stats.lognorm(sigma).ppf(PROBABILITIES) - 1.0
    agree(ours(LOGNORMAL, row(sigma=sigma)), reference, 1.0)


@pytest.mark.parametrize(
    ("low", "high", "mean", "sigma"),
    [
        (-0.05, 0.05, 0.0, 0.05 / 3),  # limits at three sigma
        (-0.2, 0.2, 0.0, 0.05),
        (-0.2, 0.8, 0.3, 1.0 / 6),  # +80/-20 %
        (-1.0, 0.1, 0.0, 0.05),
        (0.0, 0.2, 0.0, 0.05),  # half a normal
        (-0.2, 0.0, 0.0, 0.05),
        (0.1, 0.3, 0.0, 0.05),  # wholly in the upper tail
        (-0.3, -0.1, 0.0, 0.05),
        (-0.9, 0.9, 0.0, 0.05),  # limits so wide that they hardly bind
        (-1e-5, 2e-5, 0.0, 1.0),  # limits so narrow that it is nearly uniform
    ],
)
def test_truncated_normal(low: float, high: float, mean: float, sigma: float) -> None:
    law = stats.truncnorm((low - mean) / sigma, (high - mean) / sigma, mean, sigma)
    x = ours(TRUNCATED_NORMAL, row(low, high, sigma, mean))
    # scipy forms the quantile as a probability of the whole normal law, so it cancels on the scale of sigma.
    agree(x, law.ppf(PROBABILITIES), max(high - low, sigma))
    assert np.all((x >= low) & (x <= high))


def sorted_reference(
    u: float, low: float, high: float, removed: tuple[float, float], sigma: float, mean: float
) -> float:
    """The mixture of two truncated laws, solved for u numerically on the nearer side."""
    if sigma > 0.0:
        scores = [((a - mean) / sigma, (b - mean) / sigma) for a, b in ((low, removed[0]), (removed[1], high))]
        pieces = [stats.truncnorm(*pair, mean, sigma) for pair in scores]
        weights = [special.ndtr(b) - special.ndtr(a) for a, b in scores]
    else:
        pieces = [stats.uniform(a, b - a) for a, b in ((low, removed[0]), (removed[1], high))]
        weights = [removed[0] - low, high - removed[1]]
    share = weights[0] / sum(weights)

    def lower(x: float) -> float:
        return float(share * pieces[0].cdf(x) - u)

    def upper(x: float) -> float:
        return float((1.0 - share) * pieces[1].sf(x) - (1.0 - u))

    if u <= share:
        return float(optimize.brentq(lower, low, removed[0], xtol=1e-15, rtol=1e-14))
    return float(optimize.brentq(upper, removed[1], high, xtol=1e-15, rtol=1e-14))


@pytest.mark.parametrize(
    ("low", "high", "removed", "sigma", "mean"),
    [
        (-0.1, 0.1, (-0.05, 0.05), 0.0, 0.0),
        (-0.2, 0.8, (-0.1, 0.2), 0.0, 0.0),
        (-0.1, 0.1, (-0.05, 0.05), 0.04, 0.0),
        (-0.1, 0.15, (-0.02, 0.05), 0.04, 0.0),
        (-0.1, 0.15, (-0.02, 0.05), 0.04, 0.02),
    ],
)
def test_sorted(low: float, high: float, removed: tuple[float, float], sigma: float, mean: float) -> None:
    x = ours(SORTED, row(low, high, sigma, mean, removed=removed))
    reference = np.array([sorted_reference(u, low, high, removed, sigma, mean) for u in PROBABILITIES])
    np.testing.assert_allclose(x, reference, rtol=1e-9)
    assert not np.any((x > removed[0]) & (x < removed[1]))


def test_measured_interpolates_between_order_statistics() -> None:
    # Hyndman and Fan (1996), definition 7, which numpy.quantile uses by default.
    values = np.sort(np.random.default_rng(5).lognormal(size=41)) - 1.0
    table = np.concatenate([[99.0, 98.0], values, [97.0]])
    p = row(low=2, high=len(values))
    agree(ours(MEASURED, p, table=table), np.quantile(values, PROBABILITIES), 1.0)
    assert deviation(MEASURED, p, table, 2.0**-53) >= values[0]
    assert deviation(MEASURED, p, table, 1 - 2.0**-53) <= values[-1]
    assert deviation(MEASURED, row(low=2, high=1), table, 0.3) == values[0]


ROWS = {
    NORMAL: row(sigma=0.05, offset=0.01),
    TRUNCATED_NORMAL: row(-0.1, 0.2, 0.05, offset=0.01),
    UNIFORM: row(-0.1, 0.2, offset=0.01),
    TRIANGULAR: row(-0.1, 0.2, offset=0.01),
    TRAPEZOIDAL: row(-0.1, 0.2, flat=0.4, offset=0.01),
    LOGNORMAL: row(sigma=0.3, offset=0.01),
    SORTED: row(-0.1, 0.2, removed=(-0.05, 0.05), offset=0.01),
    MEASURED: row(0, 3, offset=0.01),
}
TABLE = np.array([-0.1, 0.02, 0.05])


@pytest.mark.parametrize("code", ROWS)
def test_offset_adds(code: int) -> None:
    without = ROWS[code].copy()
    without[-1] = 0.0
    np.testing.assert_allclose(
        deviations(code, ROWS[code], TABLE, PROBABILITIES),
        deviations(code, without, TABLE, PROBABILITIES) + 0.01,
        rtol=0,
        atol=1e-17,
    )


@pytest.mark.parametrize("code", ROWS)
def test_scores_give_the_same_deviation(code: int) -> None:
    z = np.linspace(-6.9, 6.9, 81)
    u = special.ndtr(z)
    by_score = np.array([deviation_of_score(code, ROWS[code], TABLE, x) for x in z])
    np.testing.assert_allclose(by_score[z <= 0], deviations(code, ROWS[code], TABLE, u)[z <= 0], rtol=1e-9, atol=1e-12)
    # Above the median ndtr(z) has lost digits that the score still has: allow for them.
    np.testing.assert_allclose(by_score, deviations(code, ROWS[code], TABLE, u), rtol=1e-4, atol=1e-12)


@given(st.sampled_from(sorted(ROWS)), st.floats(1e-15, 1 - 1e-15), st.floats(1e-15, 1 - 1e-15))
def test_deviation_never_falls_with_u(code: int, a: float, b: float) -> None:
    low, high = min(a, b), max(a, b)
    below = deviation(code, ROWS[code], TABLE, low)
    above = deviation(code, ROWS[code], TABLE, high)
    # Neighbouring formulas of one shape may differ by rounding where they meet.
    assert below <= above + 1e-15


@pytest.mark.parametrize(("low", "high"), [(-0.08, 0.03), (0.05, 0.3), (-9.0, -0.02)])
@pytest.mark.parametrize("code", [NORMAL, TRUNCATED_NORMAL, UNIFORM])
def test_conditional_quantile(code: int, low: float, high: float) -> None:
    # F(x | low <= X <= high) = u, with F from scipy.
    p = ROWS[code]
    law = {
        NORMAL: stats.norm(0.01, 0.05),
        TRUNCATED_NORMAL: stats.truncnorm(-2.0, 4.0, 0.01, 0.05),
        UNIFORM: stats.uniform(-0.09, 0.3),
    }[code]
    u = np.linspace(0.001, 0.999, 77)
    x = np.array([deviation_within(code, p, w, 1.0 - w, low, high) for w in u])
    conditional = (law.cdf(x) - law.cdf(low)) / (law.cdf(high) - law.cdf(low))
    np.testing.assert_allclose(conditional, u, rtol=1e-9)
    assert np.all((x >= low) & (x <= high))


def test_conditional_quantile_where_nothing_is_left() -> None:
    assert deviation_within(UNIFORM, row(-0.1, 0.1), 0.3, 0.7, 0.2, 0.4) == 0.2
    assert deviation_within(UNIFORM, row(-0.1, 0.1), 0.3, 0.7, -0.4, -0.2) == -0.2
    assert deviation_within(NORMAL, row(sigma=0.01), 0.3, 0.7, 0.5, 0.6) == 0.5
    assert deviation_within(NORMAL, row(sigma=0.01), 0.3, 0.7, -0.6, -0.5) == -0.5


FACTOR = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.6, 0.0, 0.8]])
CODES = np.array([NORMAL, UNIFORM, TRIANGULAR])


def test_correlated_variables_share_their_scores() -> None:
    params = np.array([ROWS[code] for code in CODES])
    u = np.array([0.9, 0.2, 0.3])
    z = 0.6 * special.ndtri(0.9) + 0.8 * special.ndtri(0.3)
    third = joint_deviation(2, CODES, params, TABLE, FACTOR, u)
    assert third == pytest.approx(0.01 + stats.triang(1 / 3, -0.1, 0.3).ppf(special.ndtr(z)), rel=1e-12)
    # The second is correlated with nobody: its own number alone, to the bit.
    assert joint_deviation(1, CODES, params, TABLE, FACTOR, u) == deviation(UNIFORM, params[1], TABLE, 0.2)


def test_many_units_at_once_are_the_single_ones() -> None:
    params = np.array([ROWS[code] for code in CODES])
    u = np.random.default_rng(3).random((40, 3))
    free = np.tile([-np.inf, np.inf], (3, 1))
    none, ones = np.full(3, -1), np.ones(3)
    many = joint_deviations(CODES, params, TABLE, FACTOR, free, none, ones, u)
    for n, row_of_u in enumerate(u):
        for i in range(3):
            assert many[n, i] == joint_deviation(i, CODES, params, TABLE, FACTOR, row_of_u)


def test_total_limits_leave_the_second_what_the_first_has_not_taken() -> None:
    codes, params = np.array([NORMAL, UNIFORM]), np.array([row(sigma=0.05), row(-0.1, 0.1)])
    totals = np.array([[-np.inf, np.inf], [-0.12, 0.08]])
    u = np.random.default_rng(3).random((400, 2))
    lots, scales = np.array([-1, 0]), np.array([1.0, 2.0])
    many = joint_deviations(codes, params, NO_TABLE, np.empty((0, 0)), totals, lots, scales, u)
    low, high = (np.clip(limit - 2.0 * many[:, 0], -0.1, 0.1) for limit in (-0.12, 0.08))
    inside = high > low
    np.testing.assert_allclose(many[inside, 1], (low + u[:, 1] * (high - low))[inside], rtol=0, atol=1e-15)
    assert np.count_nonzero(inside) > 300


def test_unknown_shape_is_not_a_number() -> None:
    assert math.isnan(deviation(99, row(), NO_TABLE, 0.5))


def test_negative_control_a_wrong_law_is_caught() -> None:
    with pytest.raises(AssertionError):
        agree(ours(TRIANGULAR, row(-0.05, 0.05)), stats.uniform(-0.05, 0.1).ppf(PROBABILITIES), 0.1)

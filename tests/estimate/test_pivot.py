"""Probability over one variable integrated out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri

from yieldsim.estimate.pivot import GRID, normal_score_grid, pivot_probability


@given(st.lists(st.floats(-7.0, 7.0), min_size=1, max_size=20), st.floats(0.1, 5.0))
def test_monotone_margin_is_bracketed(means, scale):
    # closed form: P(m + s Z >= 0) = Phi(m / s)
    m = np.array(means)
    low, high = pivot_probability(lambda rows, v: np.expm1(m[rows] + scale * ndtri(v)), m.size)
    truth = ndtr(m / scale)
    # 1e-9 lies beyond the outermost points of the grid
    assert np.all((low <= truth + 1.1e-9) & (truth <= high + 1.1e-9))
    change = np.minimum(truth, 1.0 - truth)
    assert np.all(high - low <= np.maximum(1e-6, 1.1e-3 * change))


def test_window_with_jumps():
    # a false start: completes from 0.2, fails between 0.45 and 0.6 (a jump), completes beyond
    edges = np.array([[0.2, 0.45, 0.6], [0.0123, 0.4, 0.9], [0.3, 0.31, 0.999]])

    def margin(rows, v):
        inside = (v >= edges[rows, 0]) & ~((v > edges[rows, 1]) & (v < edges[rows, 2]))
        return np.where(inside, 0.7, -3.0)

    grid = np.sort(np.concatenate([GRID, [0.305]]))
    low, high = pivot_probability(margin, 3, grid=grid, tolerance=1e-9, relative=0.0)
    truth = 1.0 - edges[:, 0] - (edges[:, 2] - edges[:, 1])
    assert np.all((low <= truth + 1e-12) & (truth <= high + 1e-12))
    assert np.all(high - low <= 3e-9)


def test_no_pivot_gives_zero_or_one_exactly():
    g = np.array([1.0, 0.0, -1e-300, np.nan, np.inf, -np.inf])
    for grid in (None, [0.5]):
        low, high = pivot_probability(lambda rows, v: g[rows], g.size, grid=grid)
        assert low.tolist() == high.tolist() == [1.0, 1.0, 0.0, 0.0, 1.0, 0.0]


def test_not_a_number_counts_as_failing():
    low, high = pivot_probability(lambda rows, v: np.where(v < 0.25, np.nan, 1.0), 1, tolerance=1e-8, relative=0.0)
    assert low[0] <= 0.75 <= high[0]
    assert high[0] - low[0] <= 1e-8


def test_batches_change_nothing_and_bound_the_calls():
    m = np.random.default_rng(3).normal(2.0, 1.0, 500)
    sizes = []

    def margin(rows, v):
        sizes.append(rows.size)
        return m[rows] + ndtri(v)

    whole = pivot_probability(margin, m.size)
    evaluations, sizes[:] = sum(sizes), []
    parts = pivot_probability(margin, m.size, batch=GRID.size * 7)
    assert np.array_equal(whole, parts)
    assert max(sizes) <= GRID.size * 7
    # a smooth margin takes few evaluations beyond the scan: bisection alone would take 9 to 15 for each row
    assert evaluations <= m.size * (GRID.size + 6)


def test_a_tighter_tolerance_narrows_the_bracket():
    def margin(rows, v):
        return ndtri(v) + 1.234

    widths = [
        float(np.subtract(*pivot_probability(margin, 1, tolerance=t, relative=0.0)[::-1])[0])
        for t in (1e-3, 1e-6, 1e-9)
    ]
    assert widths[0] <= 1e-3
    assert widths[1] <= 1e-6
    assert 0.0 < widths[2] <= 1e-9


def test_a_denser_grid_sees_narrow_windows():
    # a false start between 0.5 and 0.55: unseen by the default grid, seen with a step of 0.1
    def margin(rows, v):
        return np.where((v > 0.501) & (v < 0.55), -1.0, 1.0)

    assert pivot_probability(margin, 1)[0][0] == 1.0
    low, high = pivot_probability(margin, 1, grid=normal_score_grid(0.1))
    assert low[0] <= 0.951 <= high[0]
    assert np.diff(normal_score_grid(0.1)).max() < 0.04
    with pytest.raises(ValueError, match=r"^step = 0.0: above 0 and at most 3.5 is needed$"):
        normal_score_grid(0.0)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"grid": []}, "grid: increasing values strictly between 0 and 1 are needed"),
        ({"grid": [0.0, 0.5]}, "grid: increasing values strictly between 0 and 1 are needed"),
        ({"grid": [0.5, 0.4]}, "grid: increasing values strictly between 0 and 1 are needed"),
        ({"tolerance": 0.0}, "tolerance = 0.0, relative = 0.001: must be positive, and not negative"),
    ],
)
def test_errors(arguments, message):
    with pytest.raises(ValueError, match=f"^{message}$"):
        pivot_probability(lambda rows, v: v, 1, **arguments)


def test_wrong_shape_is_refused():
    with pytest.raises(ValueError, match="one value a row is needed"):
        pivot_probability(lambda rows, v: v[:3], 5)

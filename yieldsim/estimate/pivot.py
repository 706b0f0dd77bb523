"""Probability that a margin is not negative, with one random variable integrated out.

The margin of an actuation depends on a few variables drawn for each actuation. One of them, the pivot (the
speed of the press, say), enters through its uniform v in (0, 1). With everything else held, the set of v
where the margin is at least 0 is a union of intervals, and its total length is the probability wanted:
conditional Monte Carlo (pre-integration; Griewank, Kuo, Leovey and Sloan 2018, Journal of Computational and
Applied Mathematics 344, 259-274).

Assumption: between two neighbouring points of the grid, and beyond the outermost ones, the margin changes its
sign at most once where the signs at the two ends differ, and not at all where they agree; beyond the
outermost points it keeps its sign. With one stroke the margin is monotone in the strength of the press up to
where the energy saturates, so that there are one or two sign changes in all; each false start (waking on an
early stroke with too little) adds a sign change where it begins and one where it ends. Two of them within one
gap of the grid would be missed, with an error of at most that gap. A jump is found like a crossing: only the
signs at the ends of a bracket count.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
Margin = Callable[[NDArray[np.intp], Floats], Floats]


def normal_score_grid(step: float = 0.5) -> Floats:
    """Uniforms at normal quantiles: every `step` from -3.5 to 3.5, then 4.25, 5 and 6 either way.

    Beyond either end lies 1e-9 of probability. Where several strokes may cause false starts take 0.1, which
    leaves no gap wider than 0.04 of probability; the default leaves gaps of up to 0.19 in the middle.
    """
    if not 0.0 < step <= 3.5:
        raise ValueError(f"step = {step}: above 0 and at most 3.5 is needed")
    half = np.concatenate([np.arange(step, 3.5 + 1e-9, step), [4.25, 5.0, 6.0]])
    return ndtr(np.concatenate([-half[::-1], [0.0], half]))


#: The default scan, 21 points.
GRID: Floats = normal_score_grid()

_ITERATIONS = 200


def pivot_probability(
    margin: Margin,
    n_rows: int,
    *,
    grid: ArrayLike | None = None,
    tolerance: float = 1e-6,
    relative: float = 1e-3,
    batch: int = 1 << 17,
) -> tuple[Floats, Floats]:
    """Probability of a margin of at least 0 over the pivot, one a row, bracketed.

    Parameters
    ----------
    margin : callable
        ``margin(rows, v) -> g`` for arrays of equal length: row index (whatever else is held: unit, stratum,
        draw), uniform of the pivot in (0, 1), margin in any unit. A margin that is not a number counts as
        failing. Where there is no pivot, v is ignored and every probability is 0 or 1; a `grid` of one point
        then saves the scan.
    n_rows : int
        Number of rows.
    grid : (m,) array_like, optional
        Increasing uniforms in (0, 1) scanned for sign changes; `GRID` (`normal_score_grid()`, 21 points) when
        left out.
    tolerance : float
        A bracket of v no wider than this is not refined further. For a required share r take about (1 - r) /
        1000.
    relative : float
        Nor is a bracket no wider than this times min(v, 1 - v).
    batch : int
        Most evaluations handed to `margin` at a time in the scan.

    Returns
    -------
    low, high : (n_rows,) arrays
        Probability [share] with every unresolved bracket counted as failing, and as completing.

    Raises
    ------
    ValueError
        For a grid that is not increasing within (0, 1), or a tolerance that is not positive.
    """
    v = GRID if grid is None else np.asarray(grid, dtype=np.float64).reshape(-1)
    if v.size == 0 or not (v[0] > 0.0 and v[-1] < 1.0 and np.all(np.diff(v) > 0.0)):
        raise ValueError("grid: increasing values strictly between 0 and 1 are needed")
    if not tolerance > 0.0 or not relative >= 0.0:
        raise ValueError(f"tolerance = {tolerance}, relative = {relative}: must be positive, and not negative")
    low, high = np.zeros(n_rows), np.zeros(n_rows)
    rows_at_a_time = max(1, batch // v.size)
    for start in range(0, n_rows, rows_at_a_time):
        rows = np.arange(start, min(start + rows_at_a_time, n_rows), dtype=np.intp)
        g = _evaluate(margin, np.repeat(rows, v.size), np.tile(v, rows.size)).reshape(rows.size, v.size)
        low[rows], high[rows] = _measure(margin, rows, v, g, tolerance, relative)
    # sums of many lengths may pass the ends of [0, 1] by rounding
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _evaluate(margin: Margin, rows: NDArray[np.intp], v: Floats) -> Floats:
    """Evaluate the margin, with what is not a number turned into a failure."""
    g = np.asarray(margin(rows, v), dtype=np.float64)
    if g.shape != rows.shape:
        raise ValueError(f"the margin returned shape {g.shape} for {rows.size} rows: one value a row is needed")
    return np.where(np.isnan(g), -np.inf, g)


def _measure(
    margin: Margin, rows: NDArray[np.intp], v: Floats, g: Floats, tolerance: float, relative: float
) -> tuple[Floats, Floats]:
    """Lengths of the completing sets of some rows, from the scan g of shape (rows, grid)."""
    good = g >= 0.0
    edges = np.concatenate([[0.0], v, [1.0]])
    # gaps between neighbours of equal sign, and the two beyond the ends, which take the sign of the outermost
    # point
    both = np.concatenate([good[:, :1], good[:, :-1] & good[:, 1:], good[:, -1:]], axis=1)
    # the full length as 1, not as a sum of gaps: rows of one sign are then exact
    low = np.where(good.all(axis=1), 1.0, both @ np.diff(edges))
    high = low.copy()
    where, gap = np.nonzero(good[:, :-1] != good[:, 1:])
    if where.size == 0:
        return low, high
    left, right = _refine(
        margin, rows[where], v[gap], v[gap + 1], g[where, gap], g[where, gap + 1], tolerance, relative
    )
    rising = good[where, gap + 1]
    certain = np.where(rising, v[gap + 1] - right, left - v[gap])
    np.add.at(low, where, certain)
    np.add.at(high, where, certain + (right - left))
    return low, high


def _refine(
    margin: Margin,
    rows: NDArray[np.intp],
    left: Floats,
    right: Floats,
    g_left: Floats,
    g_right: Floats,
    tolerance: float,
    relative: float,
) -> tuple[Floats, Floats]:
    """Narrow brackets of a sign change until they are small enough; returns their ends in v.

    Interpolate, truncate and project (Oliveira and Takahashi 2020, ACM Transactions on Mathematical Software
    47, 5), in normal scores, where margins are nearly straight lines: faster than bisection on smooth
    margins, and no more than a step slower at a jump.
    """
    left, right = left.copy(), right.copy()
    a, b = ndtri(left), ndtri(right)
    ga, gb = g_left.copy(), g_right.copy()
    active = np.arange(rows.size)
    for step in range(_ITERATIONS):
        target = np.maximum(tolerance, relative * np.minimum(left[active], 1.0 - right[active]))
        active = active[right[active] - left[active] > target]
        if active.size == 0:
            break
        x = _itp(
            a[active],
            b[active],
            ga[active],
            gb[active],
            left[active],
            right[active],
            tolerance,
            relative,
            step,
        )
        v = ndtr(x)
        g = _evaluate(margin, rows[active], v)
        to_left = (g >= 0.0) == (ga[active] >= 0.0)
        one, other = active[to_left], active[~to_left]
        a[one], left[one], ga[one] = x[to_left], v[to_left], g[to_left]
        b[other], right[other], gb[other] = x[~to_left], v[~to_left], g[~to_left]
    return left, right


def _itp(
    a: Floats,
    b: Floats,
    ga: Floats,
    gb: Floats,
    left: Floats,
    right: Floats,
    tolerance: float,
    relative: float,
    step: int,
) -> Floats:
    """Next point of each bracket: the secant pushed towards the middle, or the middle."""
    middle, width = 0.5 * (a + b), b - a
    with np.errstate(invalid="ignore", divide="ignore"):
        secant = (gb * a - ga * b) / (gb - ga)
    secant = np.where(np.isfinite(secant) & (secant > a) & (secant < b), secant, middle)
    # half the width wanted, carried from v to the normal score by the mean density over the bracket
    wanted = np.maximum(tolerance, relative * np.minimum(left, 1.0 - right))
    half = 0.5 * wanted * width / (right - left)
    towards = np.sign(middle - secant)
    push = np.maximum(half, 0.2 * width * width / (1.0 + width))
    truncated = np.where(push <= np.abs(middle - secant), secant + towards * push, middle)
    # every third step is a plain bisection, so that a bracket shrinks from both sides whatever the margin's
    # shape
    return np.where(step % 3 == 2, middle, truncated)

"""The least value of a function over a box: its vertices, guided by the signs of differences, then a global search.

Where every variable pushes one way, the least value stands at a vertex, and the signs of the differences name it. It
need not: a function may fall and rise again within the limits. So bounded searches follow, from the vertex, from the
start and from the best of a random sample: compass searches, which ask for values alone and do not mind noise or jumps.
Along coordinate directions, clipped at the limits, they converge to a point without a way down for any smooth function
in a box (Kolda, Lewis and Torczon 2003, SIAM Review 45, 385-482). No search of this kind can prove that it found the
least value of all.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Function = Callable[[Floats], Floats]

_SAMPLE = 256  # random points, as many random vertices
_FIRST, _FINEST = 0.5, 1.0 / 128.0  # step of the searches as a share of the width
_EDGE = 1.0 / 4096.0  # finest step of the last one
_ROUNDS = 60


@dataclass(frozen=True)
class BoxSearch:
    """What a search found; points in shares of the way from each lower to each upper limit.

    Attributes
    ----------
    point : (d,) where the least value stands
    value : the least value
    vertex : (d,) best vertex that the signs led to
    vertex_value : the value there
    interior : axes of ``point`` that stand between their limits, farther from them than the finest step of the
        searches, for more than the tolerance
    alone : (d, 2) values with one axis at its lower, upper limit and the others at the start
    start_value : the value at the start
    evaluations : points computed
    not_finite : how many of them gave no finite number; never taken as the least
    starts : searches begun
    """

    point: Floats
    value: float
    vertex: Floats
    vertex_value: float
    interior: tuple[int, ...]
    alone: Floats
    start_value: float
    evaluations: int
    not_finite: int
    starts: int

    @property
    def interior_won(self) -> bool:
        """Whether the least value stands at no vertex."""
        return bool(self.interior)


class _Counted:
    """The function, counting; what is not finite is never the least."""

    def __init__(self, function: Function) -> None:
        self.function = function
        self.evaluations = 0
        self.not_finite = 0

    def __call__(self, points: Floats) -> Floats:
        if len(points) == 0:
            return np.zeros(0)
        values = np.asarray(self.function(points), dtype=np.float64)
        if values.shape != (len(points),):
            raise ValueError(f"the function returned shape {values.shape} for {len(points)} points")
        lost = ~np.isfinite(values)
        self.evaluations += len(points)
        self.not_finite += int(lost.sum())
        return np.where(lost, np.inf, values)


def search_box(
    function: Function,
    start: Floats,
    *,
    seed: int,
    tolerance: float,
    starts: int = 8,
    also: Floats | None = None,
) -> BoxSearch:
    """Search the unit box for the least value of a function.

    Parameters
    ----------
    function : (n, d) points of the unit box -> (n,) values
    start : (d,) where one axis after the other is moved from
    seed : of the random sample
    tolerance : differences up to this do not count, in the function's unit
    starts : of the bounded searches
    also : (m, d) points known from elsewhere, from which searches start too

    Raises
    ------
    ValueError : a start outside the box, or a function that returns another shape
    """
    start = np.asarray(start, dtype=np.float64)
    if start.ndim != 1 or not np.all((start >= 0.0) & (start <= 1.0)):
        raise ValueError("start: one point of the unit box is needed")
    if starts < 1:
        raise ValueError(f"starts = {starts}: one or more are needed")
    f, d = _Counted(function), len(start)
    start_value = float(f(start[None])[0])
    alone = f(_each_at_its_limits(start)).reshape(d, 2)
    vertex, vertex_value = _best_vertex(f, np.argmin(alone, axis=1).astype(np.float64), tolerance)
    rng = np.random.default_rng([seed, d])
    sample = np.concatenate([rng.random((_SAMPLE, d)), rng.integers(0, 2, (_SAMPLE, d)).astype(np.float64)])
    sample = sample[np.argsort(f(sample), kind="stable")[: max(starts - 2, 0)]]
    begun = np.concatenate(
        [vertex[None], start[None][: starts - 1], sample, np.zeros((0, d)) if also is None else also]
    )
    point, value = _compass(f, begun, 0.05 * tolerance, _FIRST, _FINEST)
    point, value = _onto_limits(f, point, value, tolerance)
    if np.any((point > 0.0) & (point < 1.0)):  # behind a jump the least may stand right at its edge
        point, value = _compass(f, point[None], 0.05 * tolerance, _FINEST, _EDGE)
        point, value = _onto_limits(f, point, value, tolerance)
    inside = np.flatnonzero((point >= _FINEST) & (point <= 1.0 - _FINEST))
    if not inside.size:
        # no vertex that was looked at is left out of the comparison
        vertex, vertex_value = (point, value) if value < vertex_value else (vertex, vertex_value)
    if vertex_value <= value + (tolerance if inside.size else 0.0):
        point, value, inside = vertex, vertex_value, inside[:0]
    return BoxSearch(
        point, value, vertex, vertex_value, tuple(int(k) for k in inside), alone, start_value,
        f.evaluations, f.not_finite, len(begun),
    )  # fmt: skip


def _each_at_its_limits(point: Floats) -> Floats:
    """Return (2 d, d) points: each axis at its lower and its upper limit."""
    d = len(point)
    points = np.repeat(point[None], 2 * d, axis=0)
    points[np.arange(0, 2 * d, 2), np.arange(d)] = 0.0
    points[np.arange(1, 2 * d, 2), np.arange(d)] = 1.0
    return points


def _best_vertex(f: _Counted, vertex: Floats, tolerance: float) -> tuple[Floats, float]:
    """Turn over whatever makes it less, all at once or the best one, until nothing does."""
    value, d = float(f(vertex[None])[0]), len(vertex)
    for _ in range(_ROUNDS):
        turned = np.abs(vertex[None] - np.eye(d))
        found = f(turned)
        better = found < value - 0.05 * tolerance
        if not better.any():
            break
        together = np.where(better, 1.0 - vertex, vertex)
        tried = np.stack([together, turned[np.argmin(found)]])
        values = np.array([f(tried[:1])[0], found.min()])
        vertex, value = tried[np.argmin(values)], float(values.min())
    return vertex, value


def _compass(f: _Counted, points: Floats, worth: float, first: float, finest: float) -> tuple[Floats, float]:
    """Compass searches from (m, d) points side by side; returns the best point of all, and its value.

    Each round polls a step both ways along every axis; all the better ways are tried at once beside the best one, and
    where there is none the step is halved.
    """
    points = points.copy()
    values = f(points)
    steps = np.full(len(points), first)
    best, least = points[np.argmin(values)], float(values.min())
    d = points.shape[1]
    for _ in range(_ROUNDS if d else 0):
        points, values, steps = _distinct(points, values, steps)
        if not len(points):
            break
        ways = np.concatenate([np.eye(d), -np.eye(d)])
        polled = np.clip(points[:, None, :] + steps[:, None, None] * ways[None], 0.0, 1.0)
        moved = (polled != points[:, None, :]).any(axis=2)
        found = np.full(moved.shape, np.inf)
        found[moved] = f(polled[moved])
        up, down = found[:, :d], found[:, d:]
        gain = np.minimum(up, down) < values[:, None] - worth
        sign = np.where(up <= down, 1.0, -1.0)
        together = np.clip(points + steps[:, None] * np.where(gain, sign, 0.0), 0.0, 1.0)
        several = gain.sum(axis=1) > 1
        joint = np.full(len(points), np.inf)
        joint[several] = f(together[several])
        single = np.argmin(found, axis=1)
        rows = np.arange(len(points))
        one = found[rows, single]
        better = np.asarray(gain.any(axis=1))
        next_points = np.where((joint < one)[:, None], together, polled[rows, single])
        points = np.where(better[:, None], next_points, points)
        values = np.where(better, np.minimum(joint, one), values)
        steps = np.where(better, steps, 0.5 * steps)
        if values.min() < least:
            best, least = points[np.argmin(values)], float(values.min())
        going = steps >= finest
        points, values, steps = points[going], values[going], steps[going]
    return best, least


def _distinct(points: Floats, values: Floats, steps: Floats) -> tuple[Floats, Floats, Floats]:
    """Leave out searches that have met another: the one with the longer step goes on."""
    order = np.argsort(-steps, kind="stable")
    _, first = np.unique(points[order], axis=0, return_index=True)
    kept = np.sort(order[first])
    return points[kept], values[kept], steps[kept]


def _onto_limits(f: _Counted, point: Floats, value: float, tolerance: float) -> tuple[Floats, float]:
    """Put every axis that stands between its limits for nothing onto one of them."""
    point = point.copy()
    for k in np.flatnonzero((point > 0.0) & (point < 1.0)):
        ends = np.repeat(point[None], 2, axis=0)
        ends[:, k] = 0.0, 1.0
        found = f(ends)
        best = int(np.argmin(found))
        # the tolerance is for all of them together: each may give away a part of what is left of it
        if found[best] <= value + 0.1 * tolerance:
            point, value = ends[best], float(found[best])
    return point, value

"""Carries what was learnt about one condition over to the next."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import log_ndtr

from yieldsim.estimate.tails.answer import TailAnswer
from yieldsim.estimate.tails.design_points import search
from yieldsim.estimate.tails.exploration import Exploration, explain
from yieldsim.estimate.tails.limit_state import Floats, LimitState
from yieldsim.estimate.tails.mixture import SPLIT
from yieldsim.estimate.tails.region import Region

_FARTHEST = 9.0
#: Share of the effort that is spread evenly over the regions whatever their planes say.
_EVEN = 0.1


def warm_start(
    limit_state: LimitState, start: TailAnswer | Floats, dimension: int
) -> tuple[Exploration, Floats | None]:
    """Move known regions onto this limit state, and look at the points that nearly failed elsewhere.

    Returns what is known and, where no region was lost or met, how the effort is shared among the regions (m, 7):
    as before, but for each by what its tangent plane says of how its probability changed.

    Raises
    ------
    ValueError
        For points of another dimension.
    """
    seen = Exploration(settled=True)
    points = start.points if isinstance(start, TailAnswer) else np.atleast_2d(np.asarray(start, dtype=np.float64))
    if points.shape[0] and points.shape[1] != dimension:
        raise ValueError(f"start_points have {points.shape[1]} coordinates where the limit state has {dimension}")
    # causes of different size are compared by their spread; so few points tell it well enough
    limit_state.compare_by(limit_state.values(np.vstack([np.zeros((1, dimension)), points, -points])))
    if not isinstance(start, TailAnswer):
        seen.searches = points.shape[0]
        seen.add(search(limit_state, points))
        return seen, None
    seen.add(_moved(limit_state, list(start.regions), seen))
    seen.sentinels = start.sentinels
    if seen.sentinels.shape[0] and seen.regions:
        failing = limit_state.margin(seen.sentinels) < 0.0
        if failing.any():
            explain(limit_state, seen, seen.sentinels[failing])
    return seen, _shares(start, seen.regions)


def _shares(start: TailAnswer, regions: list[Region]) -> Floats | None:
    """Shares of the effort (m, 7) for the regions as they are now; None where they are not those of `start`.

    A region keeps its normal when it is moved, by which it is known again: they need not be in the same order.
    """
    if start.shares.shape[0] != len(start.regions):
        return None
    before = {_name(region): i for i, region in enumerate(start.regions)}
    if len(before) != len(regions) or any(_name(region) not in before for region in regions):
        return None
    order = [before[_name(region)] for region in regions]
    old = np.array([start.regions[i].distance for i in order])
    change = log_ndtr(-np.array([region.distance for region in regions])) - log_ndtr(-old)
    shares = start.shares[order] * np.exp(change - change.max())[:, None]
    # a plane may be wrong about how a region grows
    even = np.tile(SPLIT, (len(regions), 1)) / len(regions)
    return np.asarray((1.0 - _EVEN) * shares / shares.sum() + _EVEN * even)


def _name(region: Region) -> tuple[int, bytes]:
    return region.cause, region.normal.tobytes()


def _moved(limit_state: LimitState, regions: list[Region], seen: Exploration) -> list[Region]:
    """Shift each region along its normal onto the limit state; search anew where that does not settle."""
    if not regions:
        return []
    normals = np.array([region.normal for region in regions])
    points = np.array([region.point for region in regions])
    cause = np.array([region.cause for region in regions])
    slope = np.array([region.slope for region in regions])
    rows = np.arange(len(regions))
    going = np.ones(len(regions), dtype=bool)
    g = np.zeros(len(regions))
    for _ in range(4):
        g[going] = limit_state.values(points[going])[np.arange(going.sum()), cause[going]]
        move = np.clip(np.where(np.isfinite(g), g / slope, 0.0), -1.0, 1.0)
        tight = np.abs(move) < 0.05
        points += np.where(going, move, 0.0)[:, None] * normals
        going &= ~tight
        if not going.any():
            break
    settled = ~going & ((points * normals).sum(axis=1) > 0.0)
    found = [_at(regions[i], points[i]) for i in rows[settled] if np.linalg.norm(points[i]) < _FARTHEST]
    lost = points[~settled]
    if lost.shape[0]:
        seen.searches += lost.shape[0]
        found += search(limit_state, lost)
    return found


def _at(region: Region, point: Floats) -> Region:
    """Return the region moved to `point`, the centre of its failing points with it."""
    centre = region.cloud_centre
    return replace(region, point=point, cloud_centre=None if centre is None else centre + point - region.point)

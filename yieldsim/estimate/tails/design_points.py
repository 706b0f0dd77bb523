"""Most probable failure points: many searches side by side.

The improved Hasofer-Lind-Rackwitz-Fiessler iteration (Zhang and Der Kiureghian 1995, in Reliability and
Optimization of Structural Systems, 297-304): a step towards the nearest point of the linearised limit state,
shortened until a merit function falls. Between full gradients the gradient is corrected by Broyden's rank-one
formula (Broyden 1965, Mathematics of Computation 19, 577-593), so that a search costs little more than two or
three gradients.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.estimate.tails.limit_state import Bools, Floats, LimitState
from yieldsim.estimate.tails.region import Region

#: Step of the forward differences, in standard deviations: wide enough for the noise of an integrated model.
STEP = 0.01
_FARTHEST = 12.0
_LONGEST = 3.0


@dataclass
class _Searches:
    """State of m searches: points, their values and slopes for the cause each of them follows."""

    u: Floats
    cause: NDArray[np.intp]
    g: Floats
    slope: Floats
    fresh: Bools  # whether the slope is a full gradient at u, not a corrected one
    shrink: Floats
    state: NDArray[np.intp]  # 0 going on, 1 converged, 2 given up


def search(
    limit_state: LimitState,
    starts: Floats,
    causes: NDArray[np.intp] | None = None,
    *,
    iterations: int = 30,
    step: float = STEP,
) -> list[Region]:
    """Search from every start; return what was found, one region for each search that met the limit state.

    Parameters
    ----------
    limit_state : LimitState
    starts : (m, d) array
    causes : (m,) array of int, optional
        Column each search follows; the smallest scaled column at the start when left out.
    iterations : int
        Most steps of a search.
    step : float
        Step of the differences.
    """
    if starts.shape[0] == 0:
        return []
    searches = _begin(limit_state, starts, causes, step)
    for _ in range(iterations):
        going = np.flatnonzero(searches.state == 0)
        if going.size == 0:
            break
        _advance(limit_state, searches, going, step)
    return [_region(searches, i) for i in range(starts.shape[0]) if _useful(searches, i, limit_state.fails_at_origin)]


def _begin(limit_state: LimitState, starts: Floats, causes: NDArray[np.intp] | None, step: float) -> _Searches:
    u = np.array(starts, dtype=np.float64)
    values = limit_state.values(u)
    if causes is None:
        causes = np.argmin(np.where(np.isnan(values), np.inf, values / limit_state.scale), axis=1)
    rows = np.arange(u.shape[0])
    g = values[rows, causes]
    slopes = limit_state.gradients(u, values, step)[rows, causes]
    steep = np.linalg.norm(slopes, axis=1)
    state = np.where(np.isfinite(g) & (steep > 1e-12 * (np.abs(g) + 1e-300)), 0, 2)
    return _Searches(u, causes, g, slopes, np.ones(u.shape[0], dtype=bool), np.ones(u.shape[0]), state)


def _merit(u: Floats, g: Floats, penalty: Floats) -> Floats:
    """Half the squared distance plus a penalty: Zhang and Der Kiureghian's merit function."""
    return np.asarray(0.5 * (u**2).sum(axis=1) + penalty * np.abs(g), dtype=np.float64)


def _advance(limit_state: LimitState, s: _Searches, going: NDArray[np.intp], step: float) -> None:
    """One step of every search that goes on: test, try a step, correct or renew the slope."""
    u, g, slope = s.u[going], s.g[going], s.slope[going]
    steep = np.linalg.norm(slope, axis=1)
    normal = -slope / steep[:, None]
    target = ((u * normal).sum(axis=1) + g / steep)[:, None] * normal
    move = target - u
    length = np.linalg.norm(move, axis=1)
    done = (np.abs(g) / steep < 0.02) & (length < 0.06)
    s.state[going[done & s.fresh[going]]] = 1
    renew = done & ~s.fresh[going]
    move *= np.minimum(1.0, _LONGEST / np.maximum(length, 1e-300))[:, None]
    tried = u + s.shrink[going][:, None] * move
    size = np.linalg.norm(tried, axis=1)
    tried *= np.minimum(1.0, _FARTHEST / np.maximum(size, 1e-300))[:, None]
    step_on = ~done
    if step_on.any():
        rows = going[step_on]
        found = limit_state.values(tried[step_on])[np.arange(rows.size), s.cause[rows]]
        # the same penalty before and after the step, more than the multiplier of either end
        penalty = 2.0 * np.maximum(np.linalg.norm(u, axis=1), np.linalg.norm(target, axis=1)) / steep
        before = _merit(u[step_on], g[step_on], penalty[step_on])
        better = np.isfinite(found) & (_merit(tried[step_on], found, penalty[step_on]) < before)
        _correct(s, rows[better], tried[step_on][better], found[better])
        worse = rows[~better]
        # a corrected slope that misleads is renewed; a true one asks for a shorter step
        renew_rows = worse[~s.fresh[worse]]
        s.shrink[worse[s.fresh[worse]]] *= 0.4
        s.state[worse[s.fresh[worse] & (s.shrink[worse] < 0.005)]] = 2
    else:
        renew_rows = np.zeros(0, dtype=np.intp)
    rows = np.concatenate([going[renew], renew_rows])
    if rows.size:
        _renew(limit_state, s, rows, step)


def _correct(s: _Searches, rows: NDArray[np.intp], u: Floats, g: Floats) -> None:
    """Take the step and correct the slope by what the limit state did along it."""
    move = u - s.u[rows]
    squared = np.maximum((move**2).sum(axis=1), 1e-300)
    surprise = g - s.g[rows] - (s.slope[rows] * move).sum(axis=1)
    s.slope[rows] += (surprise / squared)[:, None] * move
    s.u[rows], s.g[rows] = u, g
    s.fresh[rows] = np.sqrt(squared) < 0.02  # too short a step to have changed the slope
    s.shrink[rows] = np.minimum(1.0, 2.0 * s.shrink[rows])
    s.state[rows[np.linalg.norm(s.slope[rows], axis=1) < 1e-300]] = 2


def _renew(limit_state: LimitState, s: _Searches, rows: NDArray[np.intp], step: float) -> None:
    """Replace corrected slopes by full gradients."""
    values = limit_state.values(s.u[rows]) if limit_state.scale.size > 1 else s.g[rows][:, None]
    s.slope[rows] = limit_state.gradients(s.u[rows], values, step)[np.arange(rows.size), s.cause[rows]]
    s.fresh[rows] = True
    s.shrink[rows] = 1.0
    s.state[rows[np.linalg.norm(s.slope[rows], axis=1) < 1e-300]] = 2


def _useful(s: _Searches, i: int, inside: bool) -> bool:
    """Whether a search ended so near the limit state that its tangent plane describes it."""
    steep = float(np.linalg.norm(s.slope[i]))
    return bool(
        np.isfinite(s.g[i])
        and steep > 1e-300
        and abs(s.g[i]) / steep < 0.3
        and (inside or -s.slope[i] @ s.u[i] / steep + s.g[i] / steep > 0.0)
    )


def _region(s: _Searches, i: int) -> Region:
    steep = float(np.linalg.norm(s.slope[i]))
    normal = -s.slope[i] / steep
    # the last small distance to the plane is gone along the normal, without a call
    point = s.u[i] + s.g[i] / steep * normal
    aside = float(np.linalg.norm(point - (point @ normal) * normal))
    converged = s.state[i] == 1 or (abs(s.g[i]) / steep < 0.05 and aside < 0.2)
    return Region(point, normal, int(s.cause[i]), steep, bool(converged))

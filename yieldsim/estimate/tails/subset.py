"""Subset simulation: a rare failure reached through a chain of less rare ones.

Au and Beck (2001), Probabilistic Engineering Mechanics 16, 263-277, with the adaptive conditional sampling of
Papaioannou, Betz, Zwirglmaier and Straub (2015), Probabilistic Engineering Mechanics 41, 89-103. One run does
not know its own error (its chains share ancestors), so that intervals rest on independent runs alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from yieldsim.estimate.tails.limit_state import Bools, Floats, LimitState

Allowed = Callable[[Floats], Bools]

SHARE = 0.1
#: Acceptance that is nearly optimal for conditional sampling (Papaioannou and others 2015).
_ACCEPTANCE = 0.44


@dataclass(frozen=True)
class SubsetRun:
    """What one run found.

    Attributes
    ----------
    probability : float
        Its estimate; 0 when no failure was reached.
    reached : float
        Probability of the last level: an estimate of how far down it looked.
    failures : (m, d) array
        Failing points of the last level.
    nearest : (s, d) array
        The points of least margin of the last level, failing or not.
    stuck : bool
        Whether the margin was too flat to go on (the same value at nearly all points of a level).
    ancestors : int
        How many points of the first level the failing points descend from.
    """

    probability: float
    reached: float
    failures: Floats
    nearest: Floats
    stuck: bool
    ancestors: int


def _threshold(g: Floats, share: float) -> float | None:
    """Level below which about `share` of the values lie, or None when the values leave no choice.

    Seeds are the values strictly below the level, so that a plateau (one value at many points) is not
    mistaken for a level.
    """
    level = float(np.partition(g, int(share * g.size))[int(share * g.size)])
    if level <= 0.0:
        return 0.0
    below = int(np.count_nonzero(g < level))
    if below >= 0.5 * share * g.size:
        return level
    if below >= 5:
        return level
    above = g[g > level]
    # the plateau lies at the bottom: take all of it, if that is a level at all
    if below == 0 and above.size >= 0.2 * g.size:
        return float(above.min())
    return None


def run_subset(
    limit_state: LimitState,
    rng: np.random.Generator,
    size: int,
    *,
    share: float = SHARE,
    floor: float = 1e-14,
    allowed: Allowed | None = None,
    first: tuple[Floats, Floats] | None = None,
    sigma: float = 1.0,
) -> SubsetRun:
    """One run with `size` points a level, down to failure or to a level rarer than `floor`.

    Parameters
    ----------
    limit_state : LimitState
    rng : numpy.random.Generator
    size : int
        Points a level.
    share : float
        Probability of each level given the one before.
    floor : float
        Where to give up.
    allowed : callable, optional
        Points where it is False are left out of the search, without a model call; the probability then is
        that of failing where it is True.
    first : (u, g), optional
        Points of the population already computed, with their margins; they count as the first level.
    sigma : float
        Standard deviation of the population looked at; wider than 1 it serves to find regions, not to estimate.
    """

    def margin(x: Floats) -> Floats:
        return limit_state.margin(sigma * x)

    def within(x: Floats) -> Bools:
        return np.ones(x.shape[0], dtype=np.bool_) if allowed is None else allowed(sigma * x)

    def ended(failures: Floats, stuck: bool, chance: float, ancestors: int = 0) -> SubsetRun:
        return SubsetRun(chance, probability, sigma * failures, sigma * _least(u, g), stuck, ancestors)

    if first is not None:
        u, g = first
    else:
        u = rng.standard_normal((size, limit_state.dimension))
        u = u[within(u)]
        if u.shape[0] < 20:
            return SubsetRun(0.0, 0.0, u[:0], u[:0], False, 0)
        g = margin(u)
    ancestor = np.arange(g.size)
    probability, deviation = (1.0 if first is not None else g.size / size), 0.6
    for _ in range(60):
        level = _threshold(g, share)
        if level is None:
            return ended(u[:0], True, 0.0)
        chosen = g < level
        probability *= float(np.count_nonzero(chosen)) / g.size
        if level <= 0.0:
            return ended(u[chosen], False, probability, int(np.unique(ancestor[chosen]).size))
        if probability < floor:
            return ended(u[:0], False, 0.0)
        seeds = u[chosen], g[chosen], ancestor[chosen]
        u, g, ancestor, deviation = _next_level(margin, within, rng, seeds, level, size, deviation)
    return ended(u[:0], True, 0.0)


def _least(u: Floats, g: Floats, most: int = 20) -> Floats:
    return u[np.argsort(g, kind="stable")[:most]]


def _next_level(
    margin: Callable[[Floats], Floats],
    within: Allowed,
    rng: np.random.Generator,
    seeds: tuple[Floats, Floats, NDArray[np.intp]],
    level: float,
    size: int,
    deviation: float,
) -> tuple[Floats, Floats, NDArray[np.intp], float]:
    """Markov chains from all seeds side by side, until the level holds `size` points.

    Returns points, margins, ancestors, and the standard deviation of the next level's proposals.
    """
    u, g, ancestor = seeds
    order = rng.permutation(u.shape[0])[:size]
    u, g, ancestor = u[order].copy(), g[order].copy(), ancestor[order]
    all_u, all_g, all_a = [u.copy()], [g.copy()], [ancestor]
    have, accepted = u.shape[0], []
    correlation = np.sqrt(1.0 - deviation**2)
    while have < size:
        go = np.arange(min(u.shape[0], size - have))
        proposal = correlation * u[go] + deviation * rng.standard_normal((go.size, u.shape[1]))
        may = within(proposal)
        values = np.full(go.size, np.inf)
        if may.any():
            values[may] = margin(proposal[may])
        taken = values < level
        u[go[taken]], g[go[taken]] = proposal[taken], values[taken]
        all_u.append(u[go].copy())
        all_g.append(g[go].copy())
        all_a.append(ancestor[go])
        have += go.size
        accepted.append(float(taken.mean()))
    # the step is changed between levels only: a step that follows its own chain's acceptance biases the estimate
    deviation = float(np.clip(deviation * np.exp(2.0 * (np.mean(accepted or [_ACCEPTANCE]) - _ACCEPTANCE)), 0.05, 1.0))
    return np.concatenate(all_u), np.concatenate(all_g), np.concatenate(all_a), deviation


def interval_of_runs(estimates: Floats, level: float) -> tuple[float, float, float]:
    """Mean of independent runs and a two-sided interval at `level`: Student's t, carried to the logarithm.

    The logarithm keeps the interval positive and follows the skewness of the runs.
    """
    mean = float(estimates.mean())
    if mean <= 0.0:
        return 0.0, 0.0, 1.0
    error = float(estimates.std(ddof=1)) / np.sqrt(estimates.size) / mean if estimates.size > 1 else np.inf
    if not np.isfinite(error):
        return mean, 0.0, 1.0
    reach = float(np.exp(stdtrit(estimates.size - 1, 0.5 + 0.5 * level) * error))
    return mean, mean / reach, min(1.0, mean * reach)

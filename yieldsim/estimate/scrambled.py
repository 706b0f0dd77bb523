"""Shares of points that come from R scrambled sets in turn: point i is one of scramble i mod R.

Each set's own share is one observation (`yieldsim.estimate.replicates`). `share_of_strata` takes outcomes with known
probabilities one by one, the rarer the fewer points: the first 2^k points of a scrambled net are a net themselves, so
that a part of the points asks as evenly as all of them (stratification by outcome; Owen 1997, SIAM Journal on
Numerical Analysis 34, 1884-1910, for the variance of a net of any such size).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from yieldsim.estimate.intervals import Estimate, check_confidence
from yieldsim.estimate.replicates import (
    FEW,
    REPLICATES,
    effective_number,
    exact_bounds,
    mean_of_replicates,
)

FEW_IN_STRATUM = (
    "Student's t over independent scrambles, moved out by exact binomial bounds of as many independent points for "
    "outcomes of the link in which few of them fail"
)

#: A stratum asked in few points has enough failing ones where so large a part of its points fails in effect.
_PART = 0.25

Floats = NDArray[np.float64]


def means_of_scrambles(values: ArrayLike, scrambles: int) -> Floats:
    """Mean (R, ...) of each scramble, from values (n, ...) of points in turn.

    Raises ValueError where the points do not fill all scrambles alike.
    """
    x = np.asarray(values, dtype=np.float64)
    if scrambles < 2 or x.shape[0] == 0 or x.shape[0] % scrambles:
        raise ValueError(f"{x.shape[0]} points for {scrambles} scrambles: as many in each of two or more are needed")
    return np.asarray(x.reshape(-1, scrambles, *x.shape[1:]).mean(axis=0))


def ratio_of_means(
    of_kind: ArrayLike, among: ArrayLike, largest: float, points: int, confidence: float = 0.95
) -> Estimate | None:
    """Share that some have among those of a kind, sum over sum, with one-sided bounds from the spread of scrambles.

    The ratio is linearised: a - t b over the mean of b is the observation of a scramble (Cochran 1977, Sampling
    Techniques, section 6.3).

    Parameters
    ----------
    of_kind, among : (R,) array_like
        Means over the points of each scramble: how many are of the kind, and how many of these count.
    largest : float
        Most that are of the kind in a point.
    points : int
        Points of one scramble.
    confidence : float
        Confidence of each bound, between 0.5 and 1.

    Returns
    -------
    Estimate or None
        None where too few count, or too few do not, for the spread to be trusted: fewer than five full points' worth a
        scramble, a full point being one with the largest number of the kind.
    """
    check_confidence(confidence)
    b, a = np.asarray(of_kind, dtype=np.float64), np.asarray(among, dtype=np.float64)
    whole, scrambles = float(b.mean()), b.size
    if min(float(a.mean()), whole - float(a.mean())) * points < FEW * max(largest, 1e-300):
        return None
    value = float(a.mean()) / whole
    reach = stdtrit(scrambles - 1, confidence) * (a - value * b).std(ddof=1) / whole / np.sqrt(scrambles)
    low, high = max(value - float(reach), 0.0), min(value + float(reach), 1.0)
    return Estimate(value, low, high, confidence, REPLICATES)


def share_of_strata(
    failing_low: ArrayLike,
    failing_high: ArrayLike,
    weights: ArrayLike,
    asked: Sequence[int],
    scrambles: int,
    confidence: float = 0.95,
    *,
    known: ArrayLike | None = None,
) -> Estimate:
    """Completing share from strata of known probability, each asked in the first points of every scramble.

    Where what fails (or completes) in a stratum comes from few of its points in effect, the spread between scrambles
    does not see what the points missed: the bounds are moved out by what the exact bounds of as many independent points
    would leave open in that stratum.

    Parameters
    ----------
    failing_low, failing_high : (n, K) array_like
        Failing probability of each point in each stratum, bracketed; points that were not asked are not looked at.
    weights : (n, K) array_like
        Probability of each stratum in each point. What they leave of 1 fails in the lower bound and completes in the
        upper one.
    asked : K int
        Points of each scramble asked in each stratum, powers of two up to n / R.
    scrambles : int
        R, a divisor of n.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    known : (K,) array_like of bool, optional
        Strata that fail whatever else happens, so that nothing in them is open; none when left out.

    Raises
    ------
    ValueError
        For shapes that do not fit, and as `mean_of_replicates`.
    """
    w = np.asarray(weights, dtype=np.float64)
    low, high = np.asarray(failing_low, dtype=np.float64), np.asarray(failing_high, dtype=np.float64)
    if w.ndim != 2 or low.shape != w.shape or high.shape != w.shape or len(asked) != w.shape[1]:
        raise ValueError(f"{low.shape}, {high.shape}, {w.shape}, {len(asked)} strata: (n, K) thrice and K are needed")
    points = len(w) // scrambles
    if any(not 1 <= k <= points or k & (k - 1) for k in asked):
        raise ValueError(f"asked = {tuple(asked)}: powers of two up to {points} are needed")
    middle = 0.5 * (low + high)
    least, likely, most = (
        mean_of_replicates(_failing(p, w, asked, scrambles), confidence) for p in (low, middle, high)
    )
    rest = float(np.maximum(1.0 - w.sum(axis=1), 0.0).mean())
    settled = np.zeros(len(asked), dtype=np.bool_) if known is None else np.asarray(known, dtype=np.bool_)
    below, above = _unseen(middle, w, asked, scrambles, confidence, settled)
    value = min(max(1.0 - likely.value, 0.0), 1.0)
    lower, upper = 1.0 - most.high - rest - below, 1.0 - least.low + above
    method = REPLICATES if below == above == 0.0 else FEW_IN_STRATUM
    return Estimate(value, min(max(lower, 0.0), value), max(min(upper, 1.0), value), confidence, method)


def _failing(probability: Floats, weights: Floats, asked: Sequence[int], scrambles: int) -> Floats:
    """Failing share (R,) of each scramble."""
    each = [
        means_of_scrambles(weights[: k * scrambles, s] * probability[: k * scrambles, s], scrambles)
        for s, k in enumerate(asked)
    ]
    return np.asarray(np.sum(each, axis=0))


def _unseen(
    probability: Floats,
    weights: Floats,
    asked: Sequence[int],
    scrambles: int,
    confidence: float,
    settled: NDArray[np.bool_],
) -> tuple[float, float]:
    """How far the bounds are moved down and up for strata whose failing or completing share comes from few points."""
    below = above = 0.0
    for s, k in enumerate(asked):
        n, p = k * scrambles, probability[: k * scrambles, s]
        enough = min(FEW * scrambles, _PART * n)
        if settled[s] or min(effective_number(p), effective_number(1.0 - p)) >= enough:
            continue
        low, high = exact_bounds(float(p.sum()), n, confidence)
        weight, completing = float(weights[:, s].mean()), 1.0 - float(p.mean())
        below += weight * max(completing - low, 0.0)
        above += weight * max(high - completing, 0.0)
    return below, above

r"""Differences between two answers for the same units: B less A, unit by unit, with bounds on their mean.

A difference d_u lies in [-1, 1]. The bounds on its mean are those of `yieldsim.estimate.dirichlet` for the mean of
(1 + d_u) / 2: the units are reweighted at random, with one more unit that has not been seen and moves all the way. With
no unit moved among n they are the exact binomial ones, +-(1 - (1 - confidence)**(1/n)); where units stay or move all
the way one way, the bound on that side is that of Clopper and Pearson on those that moved, and the other one reckons
with an unseen unit that moves back. Units that move either way, all the way, are the multinomial case: the coverage of
the bounds is worked out exactly in their tests, over all tables of a number of units.

What the two answers say apart is compared with it by squaring and adding the distances of their bounds (Newcombe 1998,
method 10; Zou and Donner 2008): the interval of two runs of as many units each, drawn independently.

References
----------
Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions: comparison of eleven
    methods. Statistics in Medicine 17, 873-890.
Zou, G. Y. and Donner, A. (2008). Construction of confidence limits about effect measures: a general approach.
    Statistics in Medicine 27, 1693-1702.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.dirichlet import lower_mean_bound, upper_mean_bound
from yieldsim.estimate.intervals import Estimate, check_confidence, cluster_means
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.estimate.unit_yield import scores_of

Floats = NDArray[np.float64]

PAIRED = "bounds on the mean of paired differences (Dirichlet reweighting with one unseen worst case)"
SAME = "the same computation twice"


def mean_difference(
    differences: ArrayLike,
    clusters: ArrayLike | None = None,
    confidence: float = 0.95,
    *,
    surely: ArrayLike | None = None,
    perhaps: ArrayLike | None = None,
) -> Estimate:
    """Mean of differences between paired fractions, with one-sided bounds that assume no distribution.

    Parameters
    ----------
    differences : (n,) array_like
        Each unit's fraction in B less that in A, in [-1, 1]; scores may reach further.
    clusters : (n,) array_like, optional
        Label of each unit's cluster (lot); every unit is one of its own when left out. Units of a cluster are replaced
        by their mean, so that any dependence among them is allowed.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    surely, perhaps : (n,) array_like, optional
        Differences that the lower and the upper bound are made from, where those of `differences` are themselves known
        within bounds only; `differences` when left out.

    Returns
    -------
    Estimate
        The mean and its bounds [share].

    Raises
    ------
    ValueError
        For no differences, values that are not finite, or unequal lengths.
    """
    check_confidence(confidence)
    d = _checked(differences, None)
    low = _bound(_checked(surely, d), clusters, confidence, upper=False)
    high = _bound(_checked(perhaps, d), clusters, confidence, upper=True)
    value = float(d.mean())
    return Estimate(value, min(low, value), max(high, value), confidence, PAIRED)


def _checked(differences: ArrayLike | None, like: Floats | None) -> Floats:
    """Differences as an array of at least one finite number, as many as in ``like``."""
    if differences is None and like is not None:
        return like
    d = np.asarray(differences, dtype=np.float64).reshape(-1)
    if d.size == 0 or not np.all(np.isfinite(d)):
        raise ValueError(f"differences: {d.size} of them; one or more are needed, all finite")
    if like is not None and d.size != like.size:
        raise ValueError(f"{d.size} differences for a bound on the mean of {like.size}: as many are needed")
    return d


def _bound(d: Floats, clusters: ArrayLike | None, confidence: float, *, upper: bool) -> float:
    """One-sided bound on the mean of differences in [-1, 1], or a little beyond."""
    reach = max(1.0, float(np.abs(d).max()))
    x, weights = 0.5 * (1.0 + d / reach), None
    if clusters is not None:
        x, total = cluster_means(x, np.ones_like(x), np.asarray(clusters))
        weights = None if np.all(total == total[0]) else total / total.max()
    bound = upper_mean_bound(x, confidence, weights) if upper else lower_mean_bound(x, confidence, weights)
    return min(max(reach * (2.0 * bound - 1.0), -1.0), 1.0)


def no_difference(confidence: float) -> Estimate:
    """Return the difference of a computation from itself: exactly 0, for every unit there could be."""
    return Estimate(0.0, 0.0, 0.0, check_confidence(confidence), SAME)


def unit_yield_difference(
    a: UnitCompletion, b: UnitCompletion, required: float, confidence: float = 0.95, clusters: ArrayLike | None = None
) -> Estimate:
    """Share of units that reach the requirement in B less that in A, the same units in both.

    Each unit's score is that of `yieldsim.estimate.unit_yield`: 0 or 1, but for the few near the requirement. The lower
    bound sets the surely complying of B against the perhaps complying of A, the upper one the other way round. A unit
    that came out the same in both, to the last bit, counts as no difference.

    Parameters
    ----------
    a, b : UnitCompletion
        Of the same n units, (n,) or (cells, n).
    required : float
        Completion required of a unit [share], in every cell.
    confidence, clusters : as in `mean_difference`

    Raises
    ------
    ValueError
        For different numbers of units, or what `mean_difference` refuses.
    """
    if np.shape(a.low)[-1] != np.shape(b.low)[-1]:
        raise ValueError(f"{np.shape(a.low)[-1]} units in A and {np.shape(b.low)[-1]} in B: the same ones are needed")
    (sure_a, likely_a, perhaps_a), (sure_b, likely_b, perhaps_b) = (scores_of(x, required) for x in (a, b))
    same = same_units(a, b)

    def difference(of_b: Floats, of_a: Floats) -> Floats:
        return np.where(same, 0.0, of_b - of_a)

    return mean_difference(
        difference(likely_b, likely_a),
        clusters,
        confidence,
        surely=difference(sure_b, perhaps_a),
        perhaps=difference(perhaps_b, sure_a),
    )


def same_units(a: UnitCompletion, b: UnitCompletion) -> NDArray[np.bool_]:
    """Whether each unit (n,) came out the same in both, in every cell and to the last bit."""
    if np.shape(a.low) != np.shape(b.low) or (a.sampling is None) != (b.sampling is None):
        return np.zeros(np.shape(a.low)[-1], dtype=np.bool_)
    pairs: list[tuple[NDArray[Any], NDArray[Any]]] = [(a.low, b.low), (a.high, b.high)]
    if a.sampling is not None and b.sampling is not None:
        pairs += [(a.sampling.standard_error, b.sampling.standard_error), (a.sampling.counts, b.sampling.counts)]
        pairs += list(zip(a.sampling.halves, b.sampling.halves, strict=True))
    return np.asarray(np.all([np.atleast_2d(x == y).all(axis=0) for x, y in pairs], axis=0))


def independent_difference(a: Estimate, b: Estimate) -> Estimate:
    """Return B less A as if both were independent, from their bounds alone.

    low = d - sqrt((b - b_low)^2 + (a_high - a)^2) and high = d + sqrt((b_high - b)^2 + (a - a_low)^2), d = b - a.

    Parameters
    ----------
    a, b : Estimate
        Of the same confidence.

    Raises
    ------
    ValueError
        For estimates of different confidence.
    """
    if a.confidence != b.confidence:
        raise ValueError(f"bounds at {a.confidence} and at {b.confidence}: the same confidence is needed")
    d = b.value - a.value
    low = d - math.hypot(b.value - b.low, a.high - a.value)
    high = d + math.hypot(b.high - b.value, a.value - a.low)
    return Estimate(d, low, high, a.confidence, "bounds of either, squared and added")

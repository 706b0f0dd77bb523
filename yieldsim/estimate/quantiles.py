"""Sample quantiles with bounds that assume no distribution.

Independent observations: order statistics, whose ranks are binomial (Wilks 1941, Annals of Mathematical
Statistics 12, 91-96; Hahn and Meeker 1991, Statistical Intervals, chapter 5). Observations in clusters: the
distribution function is bounded at each observation by `yieldsim.estimate.intervals.mean_of_clusters`, and
the bounds are inverted (Woodruff 1952, Journal of the American Statistical Association 47, 635-646). With
clusters of one observation both are the same.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.intervals import (
    Estimate,
    check_confidence,
    clopper_pearson_bounds,
    low_bound_of_clusters,
)

ORDER_STATISTICS = "order statistics, any distribution"
CLUSTERED = "distribution function bounded over clusters and inverted, any distribution"

Floats = NDArray[np.float64]


def quantile_estimate(
    values: ArrayLike, probability: float, confidence: float = 0.95, clusters: ArrayLike | None = None
) -> Estimate:
    """Quantile of a sample with one-sided, distribution-free bounds.

    Parameters
    ----------
    values : (n,) array_like
        Observations, any unit; infinite ones are allowed, NaN is not.
    probability : float
        Which quantile, strictly between 0 and 1.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    clusters : (n,) array_like, optional
        Label of the unit or lot an observation belongs to; observations within one may depend on each other.

    Returns
    -------
    Estimate
        The quantile in the unit of the values (median-unbiased plotting position, Hyndman and Fan 1996, type
        8), and its bounds, each an observation; -inf or inf where the sample is too small for the bound.

    Raises
    ------
    ValueError
        For an empty sample, NaN, a probability or confidence outside its range, or labels that do not fit.
    """
    check_confidence(confidence)
    x = np.asarray(values, dtype=np.float64).reshape(-1)
    if x.size == 0 or np.any(np.isnan(x)):
        raise ValueError(
            f"values: {x.size} observations, {int(np.isnan(x).sum())} of them NaN; a sample without NaN is needed"
        )
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability = {probability}: a quantile needs a probability strictly between 0 and 1")
    ordered = np.sort(x)
    at_least = _lower_bound(x.size, confidence, clusters)
    # an observation t is a lower bound when P(X >= t) is shown to be at least 1 - probability
    low = _last(ordered, lambda t: at_least(x >= t) >= 1.0 - probability)
    high = _first(ordered, lambda t: at_least(x <= t) >= probability)
    value = _sample_quantile(ordered, probability)
    return Estimate(value, low, high, confidence, ORDER_STATISTICS if clusters is None else CLUSTERED)


def _sample_quantile(ordered: Floats, probability: float) -> float:
    """Hyndman and Fan's type 8 quantile; next to an infinite observation, the nearer order statistic."""
    n = ordered.size
    position = min(max(probability * (n + 1.0 / 3.0) + 1.0 / 3.0 - 1.0, 0.0), n - 1.0)
    k = int(position)
    share = position - k
    left, right = float(ordered[k]), float(ordered[min(k + 1, n - 1)])
    if not (np.isfinite(left) and np.isfinite(right)):
        return left if share < 0.5 else right
    return left + share * (right - left)


def _lower_bound(size: int, confidence: float, clusters: ArrayLike | None) -> Callable[[NDArray[np.bool_]], float]:
    """Make a function that bounds the probability of an event from below, from its flags."""
    if clusters is None:
        return lambda flags: clopper_pearson_bounds(int(flags.sum()), size, confidence)[0]
    labels = np.asarray(clusters)
    return lambda flags: low_bound_of_clusters(flags.astype(np.float64), labels, confidence)


def _last(ordered: Floats, holds: Callable[[float], bool]) -> float:
    """Find the largest observation that meets a condition which holds up to some point; -inf for none."""
    low, high = -1, ordered.size
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(float(ordered[middle])) else (low, middle)
    return float(ordered[low]) if low >= 0 else float("-inf")


def _first(ordered: Floats, holds: Callable[[float], bool]) -> float:
    """Find the smallest observation that meets a condition which holds from some point on; inf for none."""
    low, high = -1, ordered.size
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(float(ordered[middle])) else (middle, high)
    return float(ordered[high]) if high < ordered.size else float("inf")

r"""Intervals for a fraction: exact binomial, Wilson, success run, and averages over clusters.

What was measured for `mean_of_clusters`
----------------------------------------
Coverage over units that differ little or much, lots of units, sizes and failing shares from 0.5 to 1e-5, no failure
seen included, beside what pooled actuations and Student's t would cover: `tests/benchmarks/coverage.py`, whose table
is kept in `tests/benchmarks/results/coverage.md`. Pooling actuations as if they were independent does not hold its
confidence wherever units differ, nor does Student's t where failures are rare. The Dirichlet bounds do in every cell,
within the error of the measurement. Few units with little spread are covered beyond need: nothing in the data rules
out a rare unit that fails altogether, and bounds that hold for every distribution must allow for it. The same holds
for lots, whose unseen worst is a lot that fails altogether: some 60 lots are needed to show a mean of 95 %.

References
----------
Clopper, C. J. and Pearson, E. S. (1934). The use of confidence or fiducial limits. Biometrika 26, 404-413.
Wilson, E. B. (1927). Probable inference, the law of succession. Journal of the American Statistical
    Association 22, 209-212.
Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion. Statistics in Medicine 17,
    857-872.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

from yieldsim.estimate.dirichlet import lower_mean_bound, upper_mean_bound

EXACT = "exact binomial bounds (Clopper-Pearson)"
CLUSTERS = "bounds on the mean of independent fractions (Dirichlet reweighting with one unseen worst case)"


@dataclass(frozen=True)
class Estimate:
    """An estimate with two ONE-SIDED bounds.

    Attributes
    ----------
    value : float
        The estimate.
    low, high : float
        One-sided bounds: the truth is at least `low` with `confidence`, and at most `high` with `confidence`.
        Together they are a two-sided interval at 2 * confidence - 1.
    confidence : float
        Confidence of each bound, between 0 and 1.
    method : str
        What the bounds rest on.
    """

    value: float
    low: float
    high: float
    confidence: float
    method: str


def check_confidence(confidence: float) -> float:
    """Return the confidence, or raise ValueError when it is not strictly between 0.5 and 1."""
    if not 0.5 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a bound needs a confidence between 0.5 and 1, both excluded")
    return float(confidence)


def _check_counts(successes: int, trials: int) -> tuple[int, int]:
    """Return both counts as integers, or raise ValueError."""
    if trials < 1 or not 0 <= successes <= trials or int(successes) != successes or int(trials) != trials:
        raise ValueError(
            f"successes = {successes}, trials = {trials}: "
            f"whole numbers with 0 <= successes <= trials, trials >= 1, are needed"
        )
    return int(successes), int(trials)


def clopper_pearson_bounds(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Exact one-sided bounds on a binomial fraction, each at `confidence`.

    low solves P(X >= successes | low) = 1 - confidence, high solves P(X <= successes | high) = 1 -
    confidence.

    Parameters
    ----------
    successes, trials : int
        Counts, 0 <= successes <= trials.
    confidence : float
        Confidence of each bound, between 0.5 and 1.

    Returns
    -------
    low, high : float
        Bounds [share].

    Raises
    ------
    ValueError
        For counts or a confidence outside their range.
    """
    k, n = _check_counts(successes, trials)
    alpha = 1.0 - check_confidence(confidence)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, alpha))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - alpha))
    return low, high


def clopper_pearson_interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Exact two-sided interval on a binomial fraction, half of 1 - confidence beyond each end.

    Parameters, results and errors as in `clopper_pearson_bounds`.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a two-sided interval needs a confidence between 0 and 1")
    return clopper_pearson_bounds(successes, trials, 0.5 * (1.0 + confidence))


def wilson_bounds(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Wilson score bounds on a binomial fraction, each one-sided at `confidence`.

    They are approximate, above all for rare events. Parameters, results and errors as in
    `clopper_pearson_bounds`.
    """
    k, n = _check_counts(successes, trials)
    z = float(ndtri(check_confidence(confidence)))
    share = k / n
    centre = share + z * z / (2 * n)
    spread = z * math.sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n))
    scale = 1.0 + z * z / n
    low = 0.0 if k == 0 else (centre - spread) / scale
    high = 1.0 if k == n else (centre + spread) / scale
    return low, high


def wilson_interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Wilson score interval, two-sided at `confidence`; see `wilson_bounds`."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a two-sided interval needs a confidence between 0 and 1")
    return wilson_bounds(successes, trials, 0.5 * (1.0 + confidence))


def binomial_estimate(successes: int, trials: int, confidence: float) -> Estimate:
    """Return the observed fraction with its bounds; parameters and errors as in `clopper_pearson_bounds`."""
    low, high = clopper_pearson_bounds(successes, trials, confidence)
    return Estimate(successes / trials, low, high, confidence, EXACT)


def success_run_trials(reliability: float, confidence: float, failures: int = 0) -> int:
    """Least number of trials which, with at most `failures` failing, show `reliability` at `confidence`.

    Without failures this is ceil(ln(1 - confidence) / ln(reliability)), the classical success run.

    Parameters
    ----------
    reliability : float
        Fraction of successes to be shown, strictly between 0 and 1.
    confidence : float
        Confidence, strictly between 0 and 1.
    failures : int
        Failures allowed, at least 0.

    Raises
    ------
    ValueError
        For arguments outside their range.
    """
    from scipy.special import bdtr

    if not 0.0 < reliability < 1.0 or not 0.0 < confidence < 1.0 or failures < 0:
        raise ValueError(
            f"reliability = {reliability}, confidence = {confidence}, failures = {failures}: "
            "both shares must lie strictly between 0 and 1 and failures must not be negative"
        )
    alpha, unreliability = 1.0 - confidence, 1.0 - reliability

    def shown(trials: int) -> bool:
        return bool(bdtr(failures, trials, unreliability) <= alpha * (1.0 + 1e-12))

    low, high = failures, failures + 1
    while not shown(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(middle) else (middle, high)
    return high


def success_run_reliability(trials: int, confidence: float, failures: int = 0) -> float:
    """Reliability shown by `trials` with `failures` failing, the exact lower bound.

    Without failures it is (1 - confidence)**(1 / trials). This is the classical convention, not the Bayesian
    one with trials + 1. Errors as in `clopper_pearson_bounds`.
    """
    return clopper_pearson_bounds(trials - failures, trials, confidence)[0]


def mean_of_clusters(
    values: ArrayLike,
    clusters: ArrayLike | None = None,
    confidence: float = 0.95,
    *,
    weights: ArrayLike | None = None,
    repeats: ArrayLike | None = None,
) -> Estimate:
    """Mean of fractions, with one-sided bounds that respect dependence within units and clusters.

    Each value is what one unit did (the share of its actuations that completed, or its completion worked
    out): how many actuations stand behind it does not matter to the bounds, which rest on the spread between
    units. Units of one cluster (a lot) are replaced by their mean, so that any dependence among them is
    allowed. Bounds are never degenerate: with no failure in n clusters the lower bound is the exact binomial
    one on n clusters, (1 - confidence)**(1/n).

    The bounds assume nothing about the distribution over clusters, and therefore reckon with a cluster that
    fails altogether and has not been seen: some 60 clusters are needed before a mean of 95 % can be shown at
    all.

    Parameters
    ----------
    values : (n,) array_like
        Fractions in [0, 1], one a unit.
    clusters : (n,) array_like, optional
        Label of each unit's cluster; every unit is a cluster of its own when left out.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    weights : (n,) array_like, optional
        Positive weight of each unit; equal when left out. Weights, like cluster sizes, must not depend on the
        outcomes.
    repeats : (n,) array_like, optional
        How many units of that cluster and weight each value stands for; 1 when left out.

    Returns
    -------
    Estimate
        The weighted mean over units, and its bounds [share].

    Raises
    ------
    ValueError
        For empty input, values outside [0, 1] or not finite, weights or repeats that are not positive, or unequal
        lengths.
    """
    check_confidence(confidence)
    x, w, units = _check_values(values, weights, repeats)
    value = float(np.average(x, weights=w * units))
    failing, relative, units = _failing_clusters(x, w, units, clusters)
    low = 1.0 - upper_mean_bound(failing, confidence, relative, repeats=units)
    high = 1.0 - lower_mean_bound(failing, confidence, relative, repeats=units)
    return Estimate(value, min(low, value), max(high, value), confidence, CLUSTERS)


def low_bound_of_clusters(values: ArrayLike, clusters: ArrayLike | None = None, confidence: float = 0.95) -> float:
    """Lower bound alone of `mean_of_clusters`, at half the cost; parameters and errors are the same."""
    check_confidence(confidence)
    failing, relative, units = _failing_clusters(*_check_values(values, None, None), clusters)
    return 1.0 - upper_mean_bound(failing, confidence, relative, repeats=units)


def _failing_clusters(
    x: NDArray[np.float64], w: NDArray[np.float64], units: NDArray[np.float64], clusters: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None, NDArray[np.float64]]:
    """Failing share of each cluster, which is what is small, relative weights where they differ, and repeats."""
    if clusters is not None:
        x, w = cluster_means(x, w * units, np.asarray(clusters))
        units = np.ones_like(x)
    return 1.0 - x, None if np.all(w == w[0]) else w / w.max(), units


def _check_values(
    values: ArrayLike, weights: ArrayLike | None, repeats: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Fractions, their weights and repeats as arrays, or ValueError."""
    x = np.asarray(values, dtype=np.float64).reshape(-1)
    if x.size == 0:
        raise ValueError("values is empty: at least one unit is needed")
    if not np.all((x >= 0.0) & (x <= 1.0)):
        first = int(np.flatnonzero(~((x >= 0.0) & (x <= 1.0)))[0])
        raise ValueError(f"values[{first}] = {x[first]}: fractions must be finite and lie in [0, 1]")
    return x, _positive("weights", weights, x), _positive("repeats", repeats, x)


def _positive(name: str, numbers: ArrayLike | None, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """One positive number a value, 1 where they are left out, or ValueError."""
    w = np.ones_like(x) if numbers is None else np.asarray(numbers, dtype=np.float64).reshape(-1)
    if w.shape != x.shape:
        raise ValueError(f"{name} has {w.size} entries for {x.size} values: one a value is needed")
    if not np.all(np.isfinite(w) & (w > 0.0)):
        raise ValueError(f"{name} must be finite and positive")
    return w


def cluster_means(
    x: NDArray[np.float64], w: NDArray[np.float64], clusters: NDArray[np.generic]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted mean and total weight of each cluster, from values in [0, 1], weights and labels, all (n,).

    Raises ValueError where labels and values differ in number.
    """
    if clusters.shape != x.shape:
        raise ValueError(f"clusters has shape {clusters.shape} for {x.size} values: one label a value is needed")
    _, label = np.unique(clusters, return_inverse=True)
    total = np.bincount(label, w).astype(np.float64)
    # rounding must not push a mean of ones above 1
    return np.clip(np.bincount(label, w * x) / total, 0.0, 1.0), total

"""Mean difference of matched pairs of a quantity without limits: the same unit with and without something.

What both members of a pair share (the unit's parts, its presses, its link) cancels, so that the difference is known
far better than either mean. Differences of shares, which have limits, are bounded in `yieldsim.estimate.paired`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from yieldsim.estimate.intervals import Estimate, check_confidence

STUDENT = "matched units, Student's t"


def mean_pair_difference(
    first: ArrayLike, second: ArrayLike, confidence: float = 0.95, clusters: ArrayLike | None = None
) -> Estimate:
    """Mean of ``first - second`` over matched units, with one-sided bounds by Student's t.

    Differences of a continuous quantity between matched units scatter little and have no rare far ones, which is what
    the bounds need to hold their confidence; they are exact for normal differences.

    Parameters
    ----------
    first, second : (n_units,) array_like
        Of the same units, in any one unit of measure.
    confidence : float
        Of each bound, between 0.5 and 1.
    clusters : (n_units,) array_like, optional
        Lot of each unit. Lots are then the independent observations: their means weigh by their sizes, and the spread
        between them gives the bounds (ratio estimator; Cochran 1977, Sampling Techniques, chapter 6).

    Returns
    -------
    Estimate
        In the unit of the values. The bounds of a single unit or lot are infinite.

    Raises
    ------
    ValueError
        For shapes that do not fit, or values that are not finite.
    """
    check_confidence(confidence)
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape or a.size == 0 or not np.all(np.isfinite(a - b)):
        raise ValueError(f"first {a.shape}, second {b.shape}: finite values of the same units are needed")
    labels = np.arange(a.size) if clusters is None else np.asarray(clusters)
    if labels.shape != a.shape:
        raise ValueError(f"clusters has shape {labels.shape} for {a.size} units: one label a unit is needed")
    value = float(np.mean(a - b))
    _, label = np.unique(labels, return_inverse=True)
    sizes = np.bincount(label)
    n = sizes.size
    if n < 2:
        return Estimate(value, -np.inf, np.inf, confidence, STUDENT)
    # sums of deviations of whole lots: their squares allow any dependence within a lot
    away = np.bincount(label, a - b - value) / sizes.mean()
    reach = float(stdtrit(n - 1, confidence) * np.sqrt(np.sum(away**2) / (n - 1) / n))
    return Estimate(value, value - reach, value + reach, confidence, STUDENT)

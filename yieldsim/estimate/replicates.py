"""Means over randomised point sets: R independent scrambles of one Sobol' set, and an interval from their spread.

Within a scramble the points are not independent, between scrambles they are: the R means are the observations.
Student's t over 5 to 32 of them covered better than the bootstrap in a comparison by L'Ecuyer, Nakayama, Owen and
Tuffin (2023, Proceedings of the Winter Simulation Conference), as such means are hardly skewed (Pan and Owen 2024,
arXiv:2405.06136). `tests/benchmarks/replicates.py` measures it again, on an indicator as well.

The spread of few rare events says little: where a failing share rests on few failing points, the bounds are widened
to the exact binomial ones of as many independent points, which a scrambled net of the same size does not scatter
more than but by a constant factor (Owen 1997, SIAM Journal on Numerical Analysis 34, 1884-1910).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, stdtrit

from yieldsim.estimate.intervals import Estimate, check_confidence

REPLICATES = "Student's t over independent scrambles"
FEW_POINTS = "exact binomial bounds of as many independent points, as few of them fail, and Student's t over scrambles"

#: Below so many failing (or completing) points a scramble the spread between scrambles is not trusted alone.
FEW = 5


def mean_of_replicates(means: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Mean of any quantity with one-sided bounds, from independent replicates of its estimate.

    Parameters
    ----------
    means : (R,) array_like
        One estimate a scramble, each from as many points; any unit. R is 2 or more: with 2 the bounds at 95 % are
        6.3 times the standard error away, with 8 they are 1.9 times.
    confidence : float
        Confidence of each bound, between 0.5 and 1.

    Returns
    -------
    Estimate
        In the unit of the means. Bounds coincide with the value where all means do, which is exact for a constant
        alone; for shares take `share_of_replicates`.

    Raises
    ------
    ValueError
        For fewer than two replicates, or means that are not finite.
    """
    check_confidence(confidence)
    x = np.asarray(means, dtype=np.float64).reshape(-1)
    if x.size < 2 or not np.all(np.isfinite(x)):
        raise ValueError(f"means: {x.size} replicates, all finite and two or more, are needed for their spread")
    value = float(x.mean())
    reach = float(stdtrit(x.size - 1, confidence) * x.std(ddof=1) / np.sqrt(x.size))
    return Estimate(value, value - reach, value + reach, confidence, REPLICATES)


def effective_number(parts: ArrayLike) -> float:
    """On how many equal parts a sum of unequal ones rests: the square of the sum over the sum of squares (Kish 1965).

    Parameters
    ----------
    parts : array_like
        Not negative, any shape; 0 for none above 0.
    """
    x = np.asarray(parts, dtype=np.float64)
    largest = float(x.max(initial=0.0))
    if largest <= 0.0:
        return 0.0
    scaled = x / largest  # squares of small probabilities must not vanish
    return float(scaled.sum() ** 2 / np.square(scaled).sum())


def share_of_replicates(
    shares: ArrayLike, points: int, confidence: float = 0.95, *, averaged: bool = False
) -> Estimate:
    """Completing share with one-sided bounds, from independent replicates; never without width.

    Parameters
    ----------
    shares : (R,) array_like
        Completing share of each scramble, in [0, 1]: of its points, or the mean of probabilities over them.
    points : int
        Points of one scramble.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    averaged : bool
        Whether the shares are means of probabilities, one input having been integrated out. They spread even where a
        failure of a point would hardly be seen, and their spread is trusted unless there is none.

    Returns
    -------
    Estimate
        Share.

    Raises
    ------
    ValueError
        As `mean_of_replicates`, for shares outside [0, 1] or fewer than one point.
    """
    x = np.asarray(shares, dtype=np.float64).reshape(-1)
    spread = mean_of_replicates(x, confidence)
    if points < 1 or not np.all((x >= 0.0) & (x <= 1.0)):
        raise ValueError(f"points = {points}: one at least, and shares in [0, 1], are needed")
    low, high = max(spread.low, 0.0), min(spread.high, 1.0)
    n = points * x.size
    failing = n * (1.0 - spread.value)
    enough = spread.high > spread.low if averaged else min(failing, n - failing) >= FEW * x.size
    if enough:
        return Estimate(spread.value, low, high, confidence, REPLICATES)
    exact_low, exact_high = exact_bounds(failing, n, confidence)
    return Estimate(spread.value, min(low, exact_low), max(high, exact_high), confidence, FEW_POINTS)


def exact_bounds(failing: float, points: float, confidence: float) -> tuple[float, float]:
    """One-sided bounds on the completing share of independent points, of which so many fail; not only whole numbers.

    Those of Clopper and Pearson (1934), continued from counts to expected numbers: means of probabilities need not be
    whole numbers of points.
    """
    alpha = 1.0 - confidence
    low = 0.0 if failing >= points else 1.0 - float(betaincinv(failing + 1.0, points - failing, confidence))
    high = 1.0 if failing <= 0.0 else 1.0 - float(betaincinv(failing, points - failing + 1.0, alpha))
    return low, high

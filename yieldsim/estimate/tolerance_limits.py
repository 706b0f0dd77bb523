"""Tolerance limits: what at least a stated share of a population keeps, with a stated confidence.

From order statistics, for any continuous distribution: the r-th smallest of n independent observations is a lower
limit of the content p with the confidence P(Bin(n, 1 - p) >= r), since it is one unless fewer than r observations fall
among the share 1 - p (Wilks 1941, Annals of Mathematical Statistics 12, 91-96). And from mean and standard deviation,
for a normal one.

References
----------
Hahn, G. J. and Meeker, W. Q. (1991). Statistical Intervals, chapters 4 and 5.
Krishnamoorthy, K. and Mathew, T. (2009). Statistical Tolerance Regions, sections 2.2 and 2.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, ndtri

_MOST = 10_000_000  # observations that a content and a confidence may ask for


@dataclass(frozen=True)
class ToleranceLimit:
    """A one-sided limit from order statistics.

    Attributes
    ----------
    limit : float
        In the unit of the observations; infinite where there are too few of them.
    content, confidence : float
        At least ``content`` of the population keeps it, with at least ``confidence``.
    reached : float
        Confidence actually reached, 0 where there are too few observations.
    rank : int
        Which observation it is, counted from the end of the side, 1 for the most extreme; 0 for none.
    observations : int
    """

    limit: float
    content: float
    confidence: float
    reached: float
    rank: int
    observations: int


def confidence_of_ranks(observations: int, content: float, left_out: int) -> float:
    """Confidence that a content lies within order statistics that leave out so many blocks of the sample.

    Parameters
    ----------
    observations : n
    content : between 0 and 1
    left_out : r for the r-th smallest as a lower limit, r + s for the r-th smallest and s-th largest as an interval
    """
    if not 0 < left_out <= observations:
        return 0.0
    return float(betainc(left_out, observations - left_out + 1, 1.0 - content))


def sample_size(content: float, confidence: float, left_out: int = 1) -> int:
    """Least number of observations for a tolerance limit, or an interval, from order statistics.

    Parameters
    ----------
    content, confidence : strictly between 0 and 1
    left_out : 1 for the smallest as a lower limit; 2 for smallest and largest as an interval; see
        `confidence_of_ranks`

    Raises
    ------
    ValueError : out of range, or more than ten million observations
    """
    _check(content, confidence)
    if left_out < 1:
        raise ValueError(f"left_out = {left_out}: a limit is an observation, so that 1 or more are left out")
    low, high = left_out - 1, max(2 * left_out, 16)
    while confidence_of_ranks(high, content, left_out) < confidence:
        low, high = high, 2 * high
        if high > _MOST:
            raise ValueError(f"content {content:g} with confidence {confidence:g} asks for more than {_MOST:,d}")
    while high - low > 1:
        middle = (low + high) // 2
        enough = confidence_of_ranks(middle, content, left_out) >= confidence
        low, high = (low, middle) if enough else (middle, high)
    return high


def tolerance_limit(values: ArrayLike, content: float, confidence: float, *, upper: bool = False) -> ToleranceLimit:
    """One-sided tolerance limit of a continuous population, whatever its distribution.

    Parameters
    ----------
    values : (n,) independent observations; infinite ones are allowed, NaN is not
    content, confidence : strictly between 0 and 1
    upper : a limit from above, which ``content`` stays below

    Raises
    ------
    ValueError : out of range, an empty sample, or NaN
    """
    _check(content, confidence)
    x = np.sort(np.asarray(values, dtype=np.float64).reshape(-1))
    if x.size == 0 or np.isnan(x[-1]):
        raise ValueError("values: a sample without NaN is needed")
    low, high = 0, x.size + 1  # the confidence falls as the rank rises
    while high - low > 1:
        middle = (low + high) // 2
        enough = confidence_of_ranks(x.size, content, middle) >= confidence
        low, high = (middle, high) if enough else (low, middle)
    if low == 0:
        return ToleranceLimit(math.inf if upper else -math.inf, content, confidence, 0.0, 0, x.size)
    limit = float(x[-low] if upper else x[low - 1])
    return ToleranceLimit(limit, content, confidence, confidence_of_ranks(x.size, content, low), low, x.size)


def one_sided_factor(n: int, content: float, confidence: float) -> float:
    """Exact factor k of a normal population: mean - k s is a lower tolerance limit, from n observations.

    k = t'(confidence; n - 1, z sqrt(n)) / sqrt(n), t' the quantile of the noncentral t law.
    """
    _check(content, confidence)
    _check_size(n)
    from scipy.stats import nct  # a second to import

    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, float(ndtri(content)) * root)) / root


def two_sided_factor(n: int, content: float, confidence: float) -> float:
    """Exact factor k of a normal population: mean - k s to mean + k s is a tolerance interval, from n observations.

    Given the error z of the mean in its standard deviations, the interval holds the content where s is at least r / k,
    r^2 the content's quantile of the noncentral chi-squared law with 1 degree of freedom and noncentrality z^2 / n; the
    chance of that is averaged over z.
    """
    _check(content, confidence)
    _check_size(n)
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2

    nodes, weights = np.polynomial.legendre.leggauss(64)
    z = 4.5 * (nodes + 1.0)  # 0 to 9 standard deviations
    density = 4.5 * weights * 2.0 * np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    r2 = ncx2.ppf(content, 1, z**2 / n)

    def lacking(k: float) -> float:
        return float(density @ chi2.sf((n - 1) * r2 / k**2, n - 1)) - confidence

    least = float(ndtri(0.5 + 0.5 * content)) * 0.5
    return float(brentq(lacking, least, 1e4, xtol=1e-12, rtol=1e-12))


def normal_limit(values: ArrayLike, content: float, confidence: float, *, upper: bool = False) -> float:
    """One-sided tolerance limit of a population taken as normal: what `tolerance_limit` would be if it were."""
    x = np.asarray(values, dtype=np.float64).reshape(-1)
    reach = one_sided_factor(x.size, content, confidence) * float(np.std(x, ddof=1))
    return float(np.mean(x)) + (reach if upper else -reach)


def _check(content: float, confidence: float) -> None:
    for name, value in (("content", content), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} = {value}: a share strictly between 0 and 1 is needed")


def _check_size(n: int) -> None:
    if n < 2:
        raise ValueError(f"n = {n}: a standard deviation needs two observations or more")

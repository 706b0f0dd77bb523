"""Tolerance shapes: the deviation of a parameter from its nominal value as a function of one uniform number.

Every shape is a quantile function, so draws, point sets and corners go through the same code. A deviation is
relative to the nominal value [-] or absolute in the parameter's unit, as its tolerance says; the code here
does not care.

Both u and its complement v = 1 - u are carried along, so that the upper tail is as accurate as the lower one.
"""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from yieldsim.kernel.compiled import compiled, entry_point
from yieldsim.kernel.normal import centred_ndtr, ndtr, ndtri, ndtri_centre, ndtri_tail

NORMAL, TRUNCATED_NORMAL, UNIFORM, TRIANGULAR, TRAPEZOIDAL, LOGNORMAL, SORTED, MEASURED = range(8)

# --- parameters of a shape, a row of eight numbers; those a shape does not use are 0 ------------------------
LOW = 0  # limits; of `measured`: first index of its values in the table
HIGH = 1  # limits; of `measured`: how many values
SIGMA = 2  # standard deviation; of `lognormal`: that of ln x; of `sorted`: 0 for a uniform band
CENTRE = 3  # mean of the normal of `truncated normal` and `sorted`; mode of `triangular`
FLAT = 4  # width of the flat top of `trapezoidal` as a share of the limits' width
REMOVED_LOW = 5  # of `sorted`: the inner band that was taken out
REMOVED_HIGH = 6
BELOW = 5  # of `truncated normal`: `centred_ndtr` at its limits, or 0 and 0 for it to be looked up at every draw
ABOVE = 6
OFFSET = 7  # added to the deviation
SHAPE_PARAMETERS = 8

# The centre formula of the normal quantile holds to 0.425 from the median.
_CENTRE_REACH = 0.425
_TINY = 5e-324  # smallest positive number: keeps the logarithm finite where a tail underflows


@compiled
def _mass(a, b):
    """Probability [-] of a standard normal number between a and b, without cancellation in either tail."""
    if a > 1.0:
        return ndtr(-a) - ndtr(-b)
    if b < -1.0:
        return ndtr(b) - ndtr(a)
    return centred_ndtr(b) - centred_ndtr(a)


@compiled
def _truncated_score(a, b, below, above, u, v):
    """Score of the normal law truncated to [a, b]; the limit nearest to 0 where no mass is left.

    ``below`` and ``above`` are `centred_ndtr` there, or 0 and 0 where they are not at hand.
    """
    if not above > below:
        below, above = centred_ndtr(a), centred_ndtr(b)
    mass = above - below if a <= 1.0 and b >= -1.0 else _mass(a, b)
    if not mass > 0.0:
        return a if a > 0.0 else b
    q = below + u * mass if u <= 0.5 else above - v * mass
    # In the tails the probability is a sum of positive terms, so nothing cancels.
    if abs(q) <= _CENTRE_REACH:
        z = ndtri_centre(q)
    elif q < 0.0:
        z = -ndtri_tail(max(ndtr(a) + u * mass, _TINY))
    else:
        z = ndtri_tail(max(ndtr(-b) + v * mass, _TINY))
    return min(max(z, a), b)


@compiled
def _truncated(low, high, mean, sigma, below, above, u, v):
    return mean + sigma * _truncated_score((low - mean) / sigma, (high - mean) / sigma, below, above, u, v)


@compiled
def _between(low, high, u, v):
    """Uniform on [low, high], counted from the nearer limit."""
    return low + u * (high - low) if u <= 0.5 else high - v * (high - low)


@compiled
def _triangular(low, high, mode, u, v):
    width = high - low
    if u * width <= mode - low:
        return low + math.sqrt(u * width * (mode - low))
    return high - math.sqrt(v * width * (high - mode))


@compiled
def _trapezoidal(low, high, flat, u, v):
    width = high - low
    ramp = 0.5 * (1.0 - flat) * width
    height = 2.0 / (width * (1.0 + flat))
    corner = 0.5 * height * ramp
    if u < corner:
        return low + math.sqrt(2.0 * u * ramp / height)
    if v < corner:
        return high - math.sqrt(2.0 * v * ramp / height)
    if u <= 0.5:
        return low + ramp + (u - corner) / height
    return high - ramp - (v - corner) / height


@compiled
def _sorted(p, u, v):
    """Quantile of a band without its inner band: two pieces, each with its share of the probability."""
    low, high, inner_low, inner_high = p[LOW], p[HIGH], p[REMOVED_LOW], p[REMOVED_HIGH]
    mean, sigma = p[CENTRE], p[SIGMA]
    if sigma > 0.0:
        left = _mass((low - mean) / sigma, (inner_low - mean) / sigma)
        right = _mass((inner_high - mean) / sigma, (high - mean) / sigma)
    else:
        left = inner_low - low
        right = high - inner_high
    share = left / (left + right)
    if u <= share:
        u, v = u / share, (share - u) / share
        first, last = low, inner_low
    else:
        rest = right / (left + right)
        u, v = (rest - v) / rest, v / rest
        first, last = inner_high, high
    if sigma > 0.0:
        return _truncated(first, last, mean, sigma, 0.0, 0.0, u, v)
    return _between(first, last, u, v)


@compiled
def _measured(p, table, u):
    """Linear interpolation between order statistics: the smallest value at u = 0, the largest at u = 1."""
    first, count = int(p[LOW]), int(p[HIGH])
    position = u * (count - 1)
    k = min(int(position), count - 2)
    if k < 0:
        return table[first]
    below = table[first + k]
    return below + (position - k) * (table[first + k + 1] - below)


@compiled
def _bounded(code, p, table, u, v):
    """Every shape but the normal and the lognormal, without its offset."""
    if code == TRUNCATED_NORMAL:
        return _truncated(p[LOW], p[HIGH], p[CENTRE], p[SIGMA], p[BELOW], p[ABOVE], u, v)
    if code == UNIFORM:
        return _between(p[LOW], p[HIGH], u, v)
    if code == TRIANGULAR:
        return _triangular(p[LOW], p[HIGH], p[CENTRE], u, v)
    if code == TRAPEZOIDAL:
        return _trapezoidal(p[LOW], p[HIGH], p[FLAT], u, v)
    if code == SORTED:
        return _sorted(p, u, v)
    if code == MEASURED:
        return _measured(p, table, u)
    return math.nan


@compiled
def deviation(code, p, table, u):
    """Return the deviation of a shape at the probability u.

    Parameters
    ----------
    code : int
        ``NORMAL`` .. ``MEASURED``.
    p : (8,) float64
        Parameters of the shape, in the order of this module's column constants.
    table : (N,) float64
        Sorted values of the measured shapes, one behind the other.
    u : float
        Probability [-], 0 < u < 1.

    Returns
    -------
    float
        Deviation, relative [-] or absolute as the parameters are. NaN for an unknown code.
    """
    if code == NORMAL:
        return p[OFFSET] + p[SIGMA] * ndtri(u)
    if code == LOGNORMAL:
        return p[OFFSET] + math.expm1(p[SIGMA] * ndtri(u))
    return p[OFFSET] + _bounded(code, p, table, u, 1.0 - u)


@compiled
def deviation_of_score(code, p, table, z):
    """Return the deviation at the probability ``ndtr(z)``, without loss in the upper tail.

    ``z`` is a standard normal score [-], of a correlated draw for instance; the rest is as in `deviation`.
    """
    if code == NORMAL:
        return p[OFFSET] + p[SIGMA] * z
    if code == LOGNORMAL:
        return p[OFFSET] + math.expm1(p[SIGMA] * z)
    return p[OFFSET] + _bounded(code, p, table, ndtr(z), ndtr(-z))


@compiled
def deviation_within(code, p, u, v, low, high):
    """Return the deviation of a normal, truncated normal or uniform shape, truncated further to [low, high].

    ``v = 1 - u``. Where the law has no probability inside, the end of [low, high] nearest to it is returned.
    """
    low -= p[OFFSET]
    high -= p[OFFSET]
    if code == NORMAL:
        return p[OFFSET] + _truncated(low, high, 0.0, p[SIGMA], 0.0, 0.0, u, v)
    if low >= p[HIGH]:
        return p[OFFSET] + low
    if high <= p[LOW]:
        return p[OFFSET] + high
    low, high = max(low, p[LOW]), min(high, p[HIGH])
    if code == TRUNCATED_NORMAL:
        return p[OFFSET] + _truncated(low, high, p[CENTRE], p[SIGMA], 0.0, 0.0, u, v)
    if code == UNIFORM:
        return p[OFFSET] + _between(low, high, u, v)
    return math.nan


@entry_point
def deviations(
    digest: int,
) -> Callable[[int, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]:
    """Deviations of one shape, ``deviations(code, p, table, u)``; ``u`` and the result are (n,)."""

    def deviations(code, p, table, u):
        _ = digest
        result = np.empty(u.shape[0])
        for i in range(u.shape[0]):
            result[i] = deviation(code, p, table, u[i])
        return result

    return deviations


@compiled
def _linked(factor, i):
    """Whether variable i is correlated with another: anything beside the diagonal in its row or column."""
    for j in range(factor.shape[0]):
        if j != i and (factor[i, j] != 0.0 or factor[j, i] != 0.0):
            return True
    return False


@compiled
def _linked_score(factor, u, i):
    z = 0.0
    for j in range(i + 1):
        if factor[i, j] != 0.0:
            z += factor[i, j] * ndtri(u[j])
    return z


@compiled
def joint_deviation(i, codes, params, table, factor, u):
    """Return the deviation of one of several variables that may be rank-correlated (Gaussian copula).

    Parameters
    ----------
    i : int
        Which one.
    codes, params, table : (V,) int64, (V, 8) float64, (N,) float64
        Shapes of all of them.
    factor : (V, V) float64
        Lower Cholesky factor of the correlation of their normal scores; (0, 0) when all are independent.
    u : (V,) float64
        Independent probabilities [-] of all of them. A variable without correlation looks at its own alone,
        and the correlation of others does not change a bit of its deviation.
    """
    if _linked(factor, i):
        return deviation_of_score(codes[i], params[i], table, _linked_score(factor, u, i))
    return deviation(codes[i], params[i], table, u[i])


@entry_point
def joint_deviations(
    digest: int,
) -> Callable[
    [
        NDArray[np.int64],
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.int64],
        NDArray[np.float64],
        NDArray[np.float64],
    ],
    NDArray[np.float64],
]:
    """Deviations of several variables in many units.

    ``joint_deviations(codes, params, table, factor, totals, lots, scales, u)``, the first four as in
    `joint_deviation`. ``totals`` (V, 2) are limits of the sum of a variable and ``scales[i]`` times the
    variable ``lots[i]`` before it (none where that is negative); (-inf, inf) for no limits. ``u`` (n, V);
    returns (n, V).
    """

    def joint_deviations(codes, params, table, factor, totals, lots, scales, u):
        _ = digest
        units, variables = u.shape
        result = np.empty((units, variables))
        for n in range(units):
            for i in range(variables):
                low, high = totals[i, 0], totals[i, 1]
                if low == -math.inf and high == math.inf:
                    result[n, i] = joint_deviation(i, codes, params, table, factor, u[n])
                    continue
                if lots[i] >= 0:
                    taken = scales[i] * result[n, lots[i]]
                    low -= taken
                    high -= taken
                below, above = u[n, i], 1.0 - u[n, i]
                if _linked(factor, i):
                    z = _linked_score(factor, u[n], i)
                    below, above = ndtr(z), ndtr(-z)
                result[n, i] = deviation_within(codes[i], params[i], below, above, low, high)
        return result

    return joint_deviations

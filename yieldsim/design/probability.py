"""How probable it is that a parameter, all its tolerances together, falls below a value.

Used to refuse impossible designs only, so accuracy matters around one in a million millions, not in the bulk.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable

from yieldsim.design.parameter import Parameter, Tolerance

NEGLIGIBLE = 1e-12  # an impossible value with at most this probability is let pass
_FAR = 9.0  # standard deviations; what lies beyond weighs 1e-19
_PANELS = 400  # of the outer levels of a sum; they bring the error of a tail to about 1 %


def probability_below(parameter: Parameter, value: float) -> float:
    """P(nominal * (1 + sum of relative deviations) + sum of absolute deviations < value), before laws [-]."""
    threshold = value - parameter.nominal
    if parameter.within_total is not None:
        low, _, relative = parameter.within_total
        if low * (abs(parameter.nominal) if relative else 1.0) >= threshold:
            return 0.0
    parts = [_scaled(t, parameter.nominal) for t in parameter.tolerances]
    parts = [part for part in parts if part.high > part.low]
    if sum(part.low for part in parts) >= threshold:
        return 0.0
    return _below(parts, threshold)


def reach(tolerance: Tolerance, nominal: float) -> tuple[float, float]:
    """Lowest and highest deviation in the parameter's unit; six sigma where there is no limit."""
    part = _scaled(tolerance, nominal, far=6.0)
    return part.low, part.high


class _Part:
    """The deviation of one level in the parameter's unit: its support and distribution function."""

    def __init__(self, low: float, high: float, cdf: Callable[[float], float]) -> None:
        self.low = low
        self.high = high
        self.cdf = cdf


def _below(parts: list[_Part], threshold: float) -> float:
    """P(sum of independent parts < threshold), one part integrated out at a time."""
    if not parts:
        return 1.0 if threshold > 0.0 else 0.0
    if len(parts) == 1:
        return parts[0].cdf(threshold)
    widest = max(parts, key=lambda part: part.high - part.low)
    rest = [part for part in parts if part is not widest]
    return _mean(rest[0], lambda x: _below([widest, *rest[1:]], threshold - x))


def _mean(part: _Part, g: Callable[[float], float]) -> float:
    """E g(X): each panel of the support weighs what the distribution function gives it."""
    width = (part.high - part.low) / _PANELS
    total, below = 0.0, part.cdf(part.low)
    for i in range(_PANELS):
        left = part.low + i * width
        upto = part.cdf(left + width)
        if upto > below:
            total += (upto - below) * g(left + width / 2)
        below = upto
    return total


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _scaled(t: Tolerance, nominal: float, far: float = _FAR) -> _Part:
    """Return the part of one tolerance, in the parameter's unit."""
    scale = nominal if t.relative else 1.0
    low, high, cdf = _unscaled(t, far)
    if scale == 0.0:
        return _Part(0.0, 0.0, lambda x: 1.0 if x > 0.0 else 0.0)
    ends = ((low + t.offset) * scale, (high + t.offset) * scale)
    if scale < 0.0:
        return _Part(ends[1], ends[0], lambda x: 1.0 - cdf(x / scale - t.offset))
    return _Part(ends[0], ends[1], lambda x: cdf(x / scale - t.offset))


def _unscaled(t: Tolerance, far: float) -> tuple[float, float, Callable[[float], float]]:
    """Support and distribution function of the deviation as the tolerance states it, offset left out."""
    if t.shape == "normal":
        sigma = t.sigma or 0.0
        return -far * sigma, far * sigma, lambda x: _normal(x / sigma)
    if t.shape == "lognormal":
        s = t.sigma or 0.0
        return (
            math.expm1(-far * s),
            math.expm1(far * s),
            lambda x: _normal(math.log1p(x) / s) if x > -1.0 else 0.0,
        )
    if t.shape == "measured":
        values = t.values
        return values[0], values[-1], lambda x: bisect_right(values, x) / len(values)
    low, high = t.low or 0.0, t.high or 0.0
    parent = _parent(t, low, high)
    if t.shape == "sorted" and t.removed is not None:
        a, b = t.removed
        gap = parent(b) - parent(a)
        whole = parent

        def parent(x: float) -> float:
            return whole(x) - min(max(whole(x) - whole(a), 0.0), gap)

    base, mass = parent(low), parent(high) - parent(low)
    return low, high, lambda x: 0.0 if x <= low else 1.0 if x >= high else (parent(x) - base) / mass


def _parent(t: Tolerance, low: float, high: float) -> Callable[[float], float]:
    """Return a function that grows like the distribution function between the limits."""
    width = high - low
    if t.shape in ("truncated normal", "sorted") and t.sigma:
        sigma, mean = t.sigma, t.mode
        return lambda x: _normal((x - mean) / sigma)
    if t.shape == "triangular":
        return lambda x: _triangular(x, low, high, t.mode)
    if t.shape == "trapezoidal":
        return lambda x: _trapezoidal((x - low) / width, t.flat or 0.0)
    return lambda x: (x - low) / width


def _triangular(x: float, low: float, high: float, mode: float) -> float:
    if x < mode:
        return (x - low) ** 2 / ((high - low) * (mode - low))
    return 1.0 - ((high - x) ** 2 / ((high - low) * (high - mode)) if high > mode else 0.0)


def _trapezoidal(x: float, flat: float) -> float:
    """Symmetric trapezoid on [0, 1] with a flat top of width ``flat``."""
    slope = (1.0 - flat) / 2.0
    top = 1.0 / (1.0 - slope)
    if x < slope:
        return top * x * x / (2.0 * slope)
    if x <= 1.0 - slope:
        return top * (x - slope / 2.0)
    return 1.0 - top * (1.0 - x) ** 2 / (2.0 * slope)

r"""Laws of inputs as far as samples drawn from them tell of other laws: density ratios and score functions.

A law has a *centre* and a *spread*; a neighbouring law has others of either. The score is the derivative of the
logarithm of the density to one of them. A mean over samples times the score is the derivative of that mean (Rubinstein
1986), **if** the range of the input does not move with the parameter and the score has a finite variance:

=================  ========================  ==========================  ==================================
shape              centre                    spread                      score
=================  ========================  ==========================  ==================================
normal             mean                      standard deviation          of both
lognormal          mean of ln x              standard deviation of ln x  of both
truncated normal   of the normal law         of the normal law           of both, the limits standing still
uniform            middle                    half width                  none: the range moves
triangular         middle (the mode)         half width                  infinite variance at the ends
=================  ========================  ==========================  ==================================

What has no score can still be narrowed: the density ratio to a law whose range lies inside is bounded. For a uniform
law the derivative of a mean is what the mean is at the ends of the range, (m(1) - m(-1)) / (2 h) to the centre and
((m(1) + m(-1)) / 2 - mean) / h to the half width h, with m(t) = E[y | input] for t from -1 to 1. Where m is smooth,
`Law.edge_scores` reads both off the whole sample, by the terms up to degree 4 of its expansion in Legendre polynomials.

Rubinstein, R. Y. (1986). The score function approach for sensitivity analysis of computer simulation models.
Mathematics and Computers in Simulation 28, 351-379.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import eval_legendre, log_ndtr

Floats = NDArray[np.float64]
Shape = Literal["normal", "lognormal", "truncated normal", "uniform", "triangular"]

MOVES = "the range of a {} law moves with its {}: the density has no derivative there"
INFINITE = "the score of a triangular law has an infinite variance at the ends of its range"


@dataclass(frozen=True)
class Law:
    """Law of one input.

    Attributes
    ----------
    shape : str
        One of the table above.
    centre, spread : float
        In the unit of the input (of its logarithm for a lognormal one); spread above 0.
    low, high : float
        Limits of a truncated normal law, in the unit of the input; ignored by other shapes.
    """

    shape: Shape
    centre: float
    spread: float
    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self) -> None:
        """Refuse what is not a law."""
        if self.shape not in SHAPES:
            raise ValueError(f"shape = {self.shape!r}: one of {', '.join(SHAPES)} is needed")
        if not (math.isfinite(self.centre) and 0.0 < self.spread < math.inf):
            raise ValueError(
                f"centre = {self.centre}, spread = {self.spread}: both finite, the spread above 0, are needed"
            )
        if self.shape == "truncated normal" and not self.low < self.high:
            raise ValueError(f"low = {self.low}, high = {self.high}: the limits of a truncated law must be in order")

    def moved(self, centre: float, spread: float) -> Law:
        """Return the law of the same shape and limits with another centre and spread."""
        return replace(self, centre=centre, spread=spread)

    def log_density(self, x: Floats) -> Floats:
        """Logarithm of the density at x, -inf outside its range, any shape."""
        return _DENSITIES[self.shape](self, x)

    def covers(self, other: Law) -> float:
        """Share of another law of the same shape that lies in the range of this one."""
        if self.shape not in ("uniform", "triangular"):
            return 1.0
        ends = np.array([self.centre - self.spread, self.centre + self.spread])
        below, above = (_bounded_share(other, float(end)) for end in ends)
        return max(0.0, above - below)

    def score_problem(self, parameter: Literal["centre", "spread"]) -> str | None:
        """Why the score to a parameter cannot be used, or None."""
        if self.shape == "uniform":
            return MOVES.format(self.shape, "nominal" if parameter == "centre" else "spread")
        return INFINITE if self.shape == "triangular" else None

    def scores(self, x: Floats) -> tuple[Floats, Floats]:
        """Derivative of the log density to centre and to spread, each (n,) [1 / unit].

        Raises
        ------
        ValueError
            For a shape without.
        """
        problem = self.score_problem("spread")
        if problem is not None:
            raise ValueError(problem)
        t = ((np.log(x) if self.shape == "lognormal" else x) - self.centre) / self.spread
        to_centre, to_spread = t, t * t - 1.0
        if self.shape == "truncated normal":
            a, b = (self.low - self.centre) / self.spread, (self.high - self.centre) / self.spread
            mass = math.exp(_log_mass(a, b))
            at_a, at_b = _phi(a), _phi(b)
            to_centre = to_centre + (at_b - at_a) / mass
            to_spread = to_spread + ((b * at_b if at_b else 0.0) - (a * at_a if at_a else 0.0)) / mass
        return to_centre / self.spread, to_spread / self.spread

    def edge_scores(self, x: Floats) -> tuple[Floats, Floats]:
        """Weights (n,) whose mean with y is its derivative to centre and half width of a uniform law [1 / unit].

        Exact where E[y | x] is a polynomial of degree 4 or less; what is left out of exp(a t) is 1.5 % at a = 2, a
        share that grows by a factor of 55 over the range.

        Raises
        ------
        ValueError
            For another shape.
        """
        if self.shape != "uniform":
            raise ValueError(f"a {self.shape} law has scores of its own, or none")
        t = (x - self.centre) / self.spread
        odd = 3.0 * eval_legendre(1, t) + 7.0 * eval_legendre(3, t)
        even = 5.0 * eval_legendre(2, t) + 9.0 * eval_legendre(4, t)
        return odd / self.spread, even / self.spread


def _phi(x: float) -> float:
    return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)


def _log_mass(a: float, b: float) -> float:
    """Logarithm of the normal probability between a and b, on the side where digits are kept."""
    if a > 0.0:
        a, b = -b, -a
    low, high = float(log_ndtr(a)), float(log_ndtr(b))
    return high + math.log1p(-math.exp(low - high))


def _normal(law: Law, x: Floats) -> Floats:
    return -0.5 * ((x - law.centre) / law.spread) ** 2 - math.log(law.spread * math.sqrt(2.0 * math.pi))


def _lognormal(law: Law, x: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(x)
        return np.where(x > 0.0, _normal(law, logs) - logs, -np.inf)


def _truncated(law: Law, x: Floats) -> Floats:
    mass = _log_mass((law.low - law.centre) / law.spread, (law.high - law.centre) / law.spread)
    return np.where((x >= law.low) & (x <= law.high), _normal(law, x) - mass, -np.inf)


def _uniform(law: Law, x: Floats) -> Floats:
    # ends belong to the range, rounding of a draw included
    inside = np.abs(x - law.centre) <= law.spread * (1.0 + 1e-12)
    return np.where(inside, -math.log(2.0 * law.spread), -np.inf)


def _triangular(law: Law, x: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(1.0 - np.abs(x - law.centre) / law.spread) - math.log(law.spread)
    return np.where(np.abs(x - law.centre) < law.spread, logs, -np.inf)


def _bounded_share(law: Law, end: float) -> float:
    """Distribution function of a uniform or triangular law."""
    t = float(np.clip((end - law.centre) / law.spread, -1.0, 1.0))
    if law.shape == "uniform":
        return 0.5 * (1.0 + t)
    return 0.5 * (1.0 + t) ** 2 if t < 0.0 else 1.0 - 0.5 * (1.0 - t) ** 2


_DENSITIES: dict[str, Callable[[Law, Floats], Floats]] = {
    "normal": _normal,
    "lognormal": _lognormal,
    "truncated normal": _truncated,
    "uniform": _uniform,
    "triangular": _triangular,
}
SHAPES = tuple(_DENSITIES)

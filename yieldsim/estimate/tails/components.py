r"""Sampling densities of importance sampling, each told by its ratio to the standard normal density.

With :math:`\varphi` the density of the population and :math:`q_j` that of component j, each component gives
draws and :math:`\log(q_j/\varphi)`; a mixture with shares :math:`a_j` then has the balance-heuristic weight
:math:`1/\sum_j a_j q_j/\varphi` (Owen and Zhou 2000, Journal of the American Statistical Association 95,
135-143).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import log_ndtr, ndtri_exp

from yieldsim.estimate.tails.limit_state import Floats
from yieldsim.estimate.tails.region import Region


class Component(Protocol):
    """A density that can be drawn from."""

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Return n points, shape (n, d)."""
        ...

    def log_ratio(self, u: Floats) -> Floats:
        """Logarithm of density over the population's at `u` (n, d), shape (n,); -inf where it is 0."""
        ...


@dataclass(frozen=True)
class Population:
    """The standard normal density itself."""

    dimension: int

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Return n points, shape (n, d)."""
        return rng.standard_normal((n, self.dimension))

    def log_ratio(self, u: Floats) -> Floats:
        """Zero everywhere."""
        return np.zeros(u.shape[0])


@dataclass(frozen=True)
class Shifted:
    """The standard normal density moved to `centre` and widened along the line to it by `stretch`."""

    centre: Floats
    stretch: float = 1.0

    def _along(self) -> tuple[Floats, float]:
        size = float(np.linalg.norm(self.centre))
        return (self.centre / size if size > 0.0 else np.eye(self.centre.size)[0]), size

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Return n points, shape (n, d)."""
        direction, size = self._along()
        u = rng.standard_normal((n, self.centre.size))
        t = u @ direction
        return np.asarray(u + ((self.stretch - 1.0) * t + size)[:, None] * direction)

    def log_ratio(self, u: Floats) -> Floats:
        """Logarithm of density over the population's."""
        direction, size = self._along()
        t = u @ direction
        return np.asarray(0.5 * t**2 - 0.5 * ((t - size) / self.stretch) ** 2 - np.log(self.stretch))


@dataclass(frozen=True)
class Beyond:
    """The population beyond a region's surface moved `slack` towards the origin.

    Along the region's curved directions the draws are normal with the variance that the curvature asks for (as in
    the second-order reliability method), or, where `learnt`, along the directions in which failing points lay with
    their mean and spread; along the others they are standard normal, and along the normal the population's beyond
    the surface. With the surface exact and `slack` 0 the weights hardly vary.
    """

    region: Region
    slack: float
    widening: float = 1.0
    learnt: bool = False

    def _across(self) -> tuple[Floats, Floats, Floats]:
        """Directions (d, r), mean and standard deviation of the draws along them."""
        region = self.region
        if self.learnt and region.spread_axes.shape[1]:
            return region.spread_axes, region.spread_mean, self.widening * region.spread_deviation
        beta = max(region.distance + region.offset, 0.0)
        bend = np.clip(1.0 + beta * region.curvatures, 0.15, None)
        lean = region.axes.T @ region.tilt if region.tilt is not None else np.zeros(bend.size)
        return region.axes, np.clip(-beta * lean / bend, -3.0, 3.0), self.widening / np.sqrt(bend)

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Return n points, shape (n, d)."""
        region = self.region
        u = rng.standard_normal((n, region.normal.size))
        u -= (u @ region.normal)[:, None] * region.normal
        axes, mean, deviation = self._across()
        u += (mean + (deviation - 1.0) * (u @ axes)) @ axes.T
        edge = region.boundary(u) - self.slack
        # inverse of the upper tail, through logarithms so that far edges keep their digits
        t = -ndtri_exp(log_ndtr(-edge) + np.log(rng.uniform(np.finfo(float).tiny, 1.0, n)))
        return np.asarray(u + t[:, None] * region.normal)

    def log_ratio(self, u: Floats) -> Floats:
        """Logarithm of density over the population's; -inf before the edge."""
        region = self.region
        edge = region.boundary(u) - self.slack
        ratio = -log_ndtr(-edge)
        axes, mean, deviation = self._across()
        z = u @ axes
        ratio = ratio + (0.5 * z**2 - 0.5 * ((z - mean) / deviation) ** 2 - np.log(deviation)).sum(axis=1)
        return np.where(u @ region.normal > edge, ratio, -np.inf)


@dataclass(frozen=True)
class Cloud:
    """A normal density about `centre`, with its own standard deviation along each of a few orthonormal `axes`."""

    centre: Floats
    axes: Floats
    deviation: Floats

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Return n points, shape (n, d)."""
        u = rng.standard_normal((n, self.centre.size))
        return np.asarray(self.centre + u + ((self.deviation - 1.0) * (u @ self.axes)) @ self.axes.T)

    def log_ratio(self, u: Floats) -> Floats:
        """Logarithm of density over the population's."""
        v = u - self.centre
        z = v @ self.axes
        own = (v**2).sum(axis=1) + (z**2 * (1.0 / self.deviation**2 - 1.0)).sum(axis=1)
        return np.asarray(0.5 * (u**2).sum(axis=1) - 0.5 * own - np.log(self.deviation).sum())

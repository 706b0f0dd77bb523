"""Limit states with regions planted in them, and their exact probability.

A problem has 1 to 8 failure regions in 5 to 50 dimensions: half-spaces, regions bent away from the origin or
towards it, and tubes (a ball in a few dimensions: an island of failure). Directions are spread over all
dimensions or crowded into a few; the margins of the regions differ in steepness up to ninefold, so that a
search that follows the margin is led astray. The probability is Σ pᵢ E[1/N], pᵢ that of region i in closed form
or by quadrature and N the number of regions that hold a point drawn from one of them in proportion (Karp and
Luby 1983, Foundations of Computer Science, 56-64); as 1/N lies between 1/8 and 1 the error is known and small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri, ndtri_exp
from scipy.stats import chi2, ncx2

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Planted:
    """One region: what it is, where it lies, how steep its margin is."""

    shape: str  # plane | away | towards | tube
    normal: Floats  # (d,)
    beta: float
    steep: float
    axes: Floats  # (d, r) orthonormal, orthogonal to the normal
    bend: float  # curvature, or radius of the tube

    def margin(self, u: Floats) -> Floats:
        """Distance-like margin times its steepness, shape (n,)."""
        t = u @ self.normal
        if self.shape == "tube":
            across = ((u @ self.axes) ** 2).sum(axis=1)
            return self.steep * (np.sqrt((t - self.beta - self.bend) ** 2 + across) - self.bend)
        if self.shape == "plane":
            return self.steep * (self.beta - t)
        return self.steep * (self.beta + 0.5 * self.bend * ((u @ self.axes) ** 2).sum(axis=1) - t)

    def _radial(self) -> tuple[Floats, Floats, float]:
        """Grid of squared distances along the axes, distribution function on it, and the probability."""
        r = self.axes.shape[1]
        grid = chi2.isf(np.concatenate([1.0 - np.linspace(0.0, 0.99, 4000), np.geomspace(0.01, 1e-16, 4000)]), r)
        middle = 0.5 * (grid[1:] + grid[:-1])
        mass = -np.diff(chi2.sf(grid, r)) * ndtr(-(self.beta + 0.5 * self.bend * middle))
        cumulative = np.concatenate([[0.0], np.cumsum(mass)])
        return grid, cumulative / cumulative[-1], float(cumulative[-1])

    def probability(self) -> float:
        """Probability of the region."""
        if self.shape == "plane":
            return float(ndtr(-self.beta))
        if self.shape == "tube":
            return float(ncx2.cdf(self.bend**2, self.axes.shape[1] + 1, (self.beta + self.bend) ** 2))
        return self._radial()[2]

    def draw(self, rng: np.random.Generator, n: int) -> Floats:
        """Points of the population within the region, shape (n, d)."""
        d, r = self.axes.shape
        u = rng.standard_normal((n, d))
        u -= np.outer(u @ self.normal, self.normal)
        if self.shape == "tube":
            return self._draw_tube(rng, u)
        edge = np.full(n, self.beta)
        if self.shape != "plane":
            grid, cumulative, _ = self._radial()
            square = np.interp(rng.uniform(size=n), cumulative, grid)
            z = rng.standard_normal((n, r))
            z *= np.sqrt(square / (z**2).sum(axis=1))[:, None]
            u += (z - u @ self.axes) @ self.axes.T
            edge = edge + 0.5 * self.bend * square
        t = -ndtri_exp(log_ndtr(-edge) + np.log(rng.uniform(size=n)))
        return u + np.outer(t, self.normal)

    def _draw_tube(self, rng: np.random.Generator, u: Floats) -> Floats:
        """By rejection from the half-space the tube touches."""
        left = np.arange(u.shape[0])
        while left.size:
            t = -ndtri(ndtr(-self.beta) * rng.uniform(size=left.size))
            z = rng.standard_normal((left.size, self.axes.shape[1]))
            inside = (t - self.beta - self.bend) ** 2 + (z**2).sum(axis=1) < self.bend**2
            rows = left[inside]
            u[rows] += np.outer(t[inside], self.normal) + (z[inside] - u[rows] @ self.axes) @ self.axes.T
            left = left[~inside]
        return u


@dataclass(frozen=True)
class Problem:
    """A planted problem; failing is the least margin below 0."""

    dimension: int
    regions: tuple[Planted, ...]

    def __call__(self, u: Floats) -> Floats:
        return np.min([region.margin(u) for region in self.regions], axis=0)

    def truth(self, rng: np.random.Generator, n: int = 20_000) -> tuple[float, float]:
        """Probability and its relative standard error."""
        p = np.array([region.probability() for region in self.regions])
        each = np.maximum(50, np.round(n * p / p.sum()).astype(int))
        mean, variance = 0.0, 0.0
        for region, weight, count in zip(self.regions, p, each, strict=True):
            u = region.draw(rng, int(count))
            # a point on the edge may miss its own region by rounding
            holds = np.maximum(1, np.sum([other.margin(u) < 0.0 for other in self.regions], axis=0))
            mean += weight * float(np.mean(1.0 / holds))
            variance += weight**2 * float(np.var(1.0 / holds)) / count
        return mean, float(np.sqrt(variance)) / mean


def _directions(rng: np.random.Generator, d: int, m: int) -> Floats:
    """Unit vectors (m, d), no two nearer than a cosine of 0.8; every third problem crowds them into few dimensions."""
    active = d if rng.uniform() < 0.67 else min(d, int(rng.integers(3, 6)))
    frame = np.linalg.qr(rng.standard_normal((d, active)))[0]
    found: list[Floats] = []
    while len(found) < m:
        vector = frame @ rng.standard_normal(active)
        vector /= np.linalg.norm(vector)
        if all(vector @ other < 0.8 for other in found):
            found.append(vector)
    return np.array(found)


def planted_problem(seed: int, index: int) -> Problem:
    """The problem of an address."""
    rng = np.random.default_rng([seed, index])
    d, m = int(rng.integers(5, 51)), int(rng.integers(1, 9))
    least = rng.uniform(3.5, 5.5)
    regions = []
    for normal in _directions(rng, d, m):
        shape = str(rng.choice(["plane", "away", "towards", "tube"], p=[0.35, 0.25, 0.2, 0.2]))
        beta = least + (rng.uniform(0.0, 0.8) if regions else 0.0)
        r = int(rng.integers(1, min(5, d - 1) + 1)) if shape != "tube" else int(rng.integers(1, 3))
        across = rng.standard_normal((d, r))
        axes = np.linalg.qr(across - np.outer(normal, normal @ across))[0]
        bend = {
            "plane": 0.0,
            "away": rng.uniform(0.1, 1.0) / beta,
            "towards": -rng.uniform(0.1, 0.6) / beta,
            "tube": rng.uniform(1.0, 3.0),
        }[shape]
        regions.append(Planted(shape, normal, beta, float(3.0 ** rng.uniform(-1.0, 1.0)), axes, float(bend)))
    return Problem(d, tuple(regions))

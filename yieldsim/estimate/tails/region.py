"""A failure region as sampling sees it: a point of the limit state, the plane through it, and its curvature."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from yieldsim.estimate.tails.limit_state import Bools, Floats


@dataclass(frozen=True)
class Region:
    """One failure region, described near the point of it that is nearest to the origin.

    Attributes
    ----------
    point : (d,) array
        A point on the limit state; the most probable failure point where `converged`.
    normal : (d,) array
        Unit vector towards failure.
    cause : int
        Column of the limit state that fails there.
    slope : float
        How fast that column falls along `normal` [units of g].
    converged : bool
        Whether `point` is on the limit state and parallel to `normal`.
    axes : (d, r) array
        Orthonormal directions, orthogonal to `normal`, along which the limit state is curved.
    curvatures : (r,) array
        Curvature along each; positive bends away from the origin.
    offset, tilt : float, (d,) array
        Small corrections of the plane found by the fit; `tilt` is orthogonal to `normal`.
    spread : float
        Standard deviation of the limit state about the fitted surface, along `normal`.
    spread_axes, spread_mean, spread_deviation : (d, s), (s,), (s,) arrays
        Directions orthogonal to `normal` in which failing points lay otherwise than the population, and their mean
        and standard deviation along each.
    cloud_centre, cloud_axes, cloud_deviation : (d,), (d, c), (c,) arrays
        Centre of the failing points, the directions in which their spread about it is not 1, and the spread.
    learnt_from : float
        How many independent failing points the spread was learnt from.
    """

    point: Floats
    normal: Floats
    cause: int
    slope: float
    converged: bool
    axes: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    curvatures: Floats = field(default_factory=lambda: np.zeros(0))
    offset: float = 0.0
    tilt: Floats | None = None
    spread: float = 0.0
    spread_axes: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    spread_mean: Floats = field(default_factory=lambda: np.zeros(0))
    spread_deviation: Floats = field(default_factory=lambda: np.zeros(0))
    cloud_centre: Floats | None = None
    cloud_axes: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    cloud_deviation: Floats = field(default_factory=lambda: np.zeros(0))
    learnt_from: float = 0.0

    def __post_init__(self) -> None:
        for name in ("axes", "spread_axes", "cloud_axes"):
            if getattr(self, name).shape[1] == 0:
                object.__setattr__(self, name, np.zeros((self.normal.size, 0)))

    @property
    def distance(self) -> float:
        """Distance of the tangent plane from the origin; for a most probable point its reliability index."""
        return float(self.normal @ self.point)

    def flat(self) -> Region:
        """Return the region with its tangent plane alone."""
        return Region(self.point, self.normal, self.cause, self.slope, self.converged)

    def boundary(self, u: Floats) -> Floats:
        """Where along `normal` the limit state lies for the other coordinates of `u` (n, d), shape (n,)."""
        level = np.full(u.shape[0], self.distance + self.offset)
        if self.tilt is not None:
            level = level + u @ self.tilt
        if self.curvatures.size:
            level = level + 0.5 * ((u @ self.axes) ** 2 @ self.curvatures)
        return np.asarray(level, dtype=np.float64)

    def depth(self, u: Floats) -> Floats:
        """How far `u` (n, d) lies beyond the limit state along `normal`, shape (n,)."""
        return np.asarray(u @ self.normal - self.boundary(u), dtype=np.float64)


def explained(regions: list[Region], u: Floats, slack: float = 0.3) -> Bools:
    """Whether points (n, d) lie beyond a region's surface, or less than `slack` before it."""
    known = np.zeros(u.shape[0], dtype=np.bool_)
    for region in regions:
        known |= region.depth(u) > -slack
    return known


def is_new(regions: list[Region], candidate: Region, near: float = 0.5) -> bool:
    """Whether no region has a point within `near` of the candidate's and nearly its normal."""
    return all(
        np.linalg.norm(region.point - candidate.point) > near or region.normal @ candidate.normal < 0.85
        for region in regions
    )

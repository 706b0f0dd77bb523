"""Curvature of a limit state near a region's point, learnt from points that were computed anyway.

A quadratic surface is fitted by ridge regression, its penalty chosen by generalised cross-validation (Golub,
Heath and Wahba 1979, Technometrics 21, 215-223). It only shapes the sampling density: a poor fit costs
efficiency, never correctness.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from yieldsim.estimate.tails.limit_state import Bools, Floats
from yieldsim.estimate.tails.region import Region

_MOST = 700
_COMMON = 3.0
#: How much wider than what was seen a single direction is made.
_WIDER = 0.1
#: A direction stands out only where no point gives this share of its moment.
_ONE_POINT = 0.25


def widened(share: float, directions: int) -> float:
    """Factor by which each of so many directions is widened, when a single one is widened by `share`.

    Densities r directions of which are wider by a small e than they need be have weights whose second moment is
    about exp(2 r e²) times the least: with e falling as the root of r that does not depend on r.
    """
    return float(1.0 + share / np.sqrt(max(directions, 1)))


def complement(normal: Floats) -> Floats:
    """Orthonormal basis (d, d - 1) of the directions orthogonal to `normal`."""
    d = normal.size
    full, _ = np.linalg.qr(np.column_stack([normal, np.eye(d)]))
    return np.asarray(full[:, 1:d])


def _features(t: Floats, v: Floats) -> Floats:
    """Columns t, v, t v, products of v in pairs, and |v|², n rows.

    Squares are scaled so that each product counts alike; |v|² is scaled up so that the penalty hardly touches it:
    in many dimensions a curvature common to all directions matters most and is known best.
    """
    rows, columns = np.triu_indices(v.shape[1])
    products = v[:, rows] * v[:, columns] * np.where(rows == columns, np.sqrt(0.5), 1.0)
    return np.column_stack([t, v, t[:, None] * v, products, _COMMON * ((v**2).sum(axis=1) - v.shape[1])])


def _most(m: int, each: int) -> int:
    """How many points a fit in m directions takes: `each` a coefficient, as far as that is quickly solved."""
    coefficients = 2 + 2 * m + m * (m + 1) // 2
    return max(_MOST, each * coefficients) if coefficients <= _MOST // 2 else _MOST


def _ridge(x: Floats, y: Floats) -> tuple[Floats, float]:
    """Coefficients and the leave-one-out variance at the best penalty; y is not centred, x carries no constant."""
    n = x.shape[0]
    # through the smaller of the two Gram matrices, which is cheaper than singular vectors
    values, left = np.linalg.eigh(x @ x.T if n <= x.shape[1] else x.T @ x)
    values = np.maximum(values, 0.0)
    good = values > 1e-10 * values[-1]
    squared, left = values[good], left[:, good]
    if n > x.shape[1]:
        left = (x @ left) / np.sqrt(squared)
    projected = left.T @ y
    best = (np.inf, 0.0)
    for penalty in np.geomspace(1e-4, 30.0, 12) * n:
        keep = squared / (squared + penalty)
        leverage = np.minimum((left**2) @ keep, 0.999)
        error = float(np.mean(((y - left @ (keep * projected)) / (1.0 - leverage)) ** 2))
        if error < best[0]:
            best = (error, penalty)
    return x.T @ (left @ (projected / (squared + best[1]))), best[0]


def fit_curvature(region: Region, u: Floats, g: Floats, others: list[Region], each: int = 3) -> Region:
    """Return the region with the curvature that points (n, d) with values g (n,) of its cause show.

    Parameters
    ----------
    region : Region
    u, g : (n, d), (n,) arrays
        Points near the region and the column of the limit state that fails there, in its own units.
    others : list of Region
        Regions whose own surface explains a point better take it away.
    each : int
        Points wanted for each coefficient of the fit.
    """
    y = g / region.slope
    d = region.normal.size
    rows = np.flatnonzero(np.isfinite(y) & (np.abs(u @ region.normal - region.distance) < 2.5))
    most = _most(d - 1, each)
    rows = rows[np.argsort(np.abs(y[rows]), kind="stable")[: 3 * most]]
    predicted = -region.depth(u[rows])
    mine = np.abs(predicted) < 2.5
    for other in others:
        nearer = -other.depth(u[rows]) * other.slope / region.slope
        mine &= ~((nearer < predicted - 0.2) & (np.abs(y[rows] - nearer) < np.abs(y[rows] - predicted)))
    rows = rows[mine][:most]
    if d == 1 or rows.size < 12 + d:
        return region
    u, y = u[rows], y[rows]
    basis = complement(region.normal)
    t, v = u @ region.normal - region.distance, u @ basis
    rest = y + t
    # far from the surface the quadratic need not hold
    trust = 1.0 / (1.0 + np.abs(y))
    coefficients, error = _ridge(_features(t, v) * trust[:, None], rest * trust)
    raw = float(np.mean((rest * trust) ** 2))
    before = float(np.mean(((y + region.depth(u)) * trust) ** 2))
    if before <= 1.1 * min(error, 0.8 * raw):
        return replace(region, spread=float(np.sqrt(before)))
    if raw < (0.03 / max(region.distance, 1.0)) ** 2 or error > 0.8 * raw:
        none = np.zeros((d, 0))
        return replace(region, axes=none, curvatures=np.zeros(0), offset=0.0, tilt=None, spread=float(np.sqrt(raw)))
    return _shape(region, basis, coefficients, float(np.sqrt(error)))


def _shape(region: Region, basis: Floats, coefficients: Floats, error: float) -> Region:
    """Turn coefficients of the fit into the region's surface: principal directions with a curvature that matters."""
    m = basis.shape[1]
    along = float(np.clip(1.0 - coefficients[0], 0.3, 3.0))
    tilt, products = coefficients[1 : 1 + m], coefficients[1 + 2 * m : -1]
    matrix = np.zeros((m, m))
    rows, columns = np.triu_indices(m)
    matrix[rows, columns] = products * np.where(rows == columns, np.sqrt(2.0), 1.0)
    common = 2.0 * _COMMON * coefficients[-1]
    matrix = (matrix + matrix.T - np.diag(np.diag(matrix)) + common * np.eye(m)) / along
    values, vectors = np.linalg.eigh(matrix)
    matters = np.abs(values) * max(region.distance, 1.0) > 0.03
    values = np.clip(values[matters], -0.9 / max(region.distance, 1.0), 3.0)
    return replace(
        region,
        axes=basis @ vectors[:, matters],
        curvatures=values,
        offset=float(-_COMMON * coefficients[-1] * m / along),
        tilt=basis @ np.clip(tilt / along, -0.5, 0.5),
        spread=error,
    )


def refit(regions: list[Region], u: Floats, values: Floats, each: int = 3) -> list[Region]:
    """Fit the curvature of every region to points (n, d) and values (n, k) of the limit state."""
    return [
        fit_curvature(region, u, values[:, region.cause], regions[:i] + regions[i + 1 :], each)
        for i, region in enumerate(regions)
    ]


def learn_spread(region: Region, u: Floats, weight: Floats, alike: float = 1.0, *, again: bool = True) -> Region:
    """Return the region with the directions in which its failing points (n, d) with weights (n,) stand out.

    Once across the normal, about the origin, and once in all directions, about the points' centre. `alike` is how
    many points say as much as an independent one. Fewer than 12 of those change nothing, and neither do fewer than
    it was learnt from before, unless `again`.
    """
    d, total = region.normal.size, float(weight.sum())
    effective = total**2 / max(float((weight**2).sum()), 1e-300) / alike
    if effective < (12.0 if again else max(12.0, region.learnt_from)):
        return region
    centre = _centre(region, u, weight, effective)
    axes, variance, _ = _standing_out(u - centre, weight, effective)
    wide = widened(_WIDER, variance.size) * np.sqrt(variance)
    region = replace(
        region, cloud_centre=centre, cloud_axes=axes, cloud_deviation=np.clip(wide, 0.05, 2.5), learnt_from=effective
    )
    if d == 1:
        return region
    basis = complement(region.normal)
    v = u @ basis
    axes, variance, own = _standing_out(v, weight, effective)
    mean = weight @ (v @ axes) / total
    # a direction that was given the common moment has no mean to take from it
    mean = np.where(own & (np.abs(mean) > 4.0 * np.sqrt(variance / effective)), mean, 0.0)
    deviation = widened(_WIDER, variance.size) * np.sqrt(np.maximum(variance - mean**2, 0.0))
    return replace(
        region,
        spread_axes=basis @ axes,
        spread_mean=mean,
        spread_deviation=np.clip(deviation, 0.03, 2.5),
    )


def _centre(region: Region, u: Floats, weight: Floats, effective: float) -> Floats:
    """Weighted mean of the points, its part across the normal shrunk by what chance makes of it.

    James and Stein (1961), Proceedings of the Fourth Berkeley Symposium 1, 361-379, its positive part.
    """
    mean = weight @ u / weight.sum()
    across = mean - (mean @ region.normal) * region.normal
    chance = float((weight @ (u - mean) ** 2).sum() / weight.sum()) / effective
    keep = max(0.0, 1.0 - chance / max(float(across @ across), 1e-300))
    return np.asarray(mean - (1.0 - keep) * across)


def _standing_out(v: Floats, weight: Floats, effective: float) -> tuple[Floats, Floats, Bools]:
    """Directions (m, r) in which the weighted second moment of points (n, m) is not 1, the moment along each, and
    whether it is the direction's own.

    Moments are compared with their mean, or with 1 where the mean is near it; those count that lie outside what
    chance gives with so many points (the edges of Marchenko and Pastur 1967, Mathematics of the USSR-Sbornik 1,
    457-483, a quarter wider). The others are given the mean.
    """
    m = v.shape[1]
    values, vectors = np.linalg.eigh((v.T * weight) @ v / weight.sum())
    values = np.maximum(values, 0.0)  # rounding
    mean = float(values.mean())
    common = abs(mean - 1.0) > 5.0 * np.sqrt(2.0 / (effective * m))
    mean = mean if common else 1.0
    edge = np.sqrt(m / effective)
    out = (values > 1.25 * mean * (1.0 + edge) ** 2) | (values < 0.75 * mean * max(1.0 - edge, 0.0) ** 2)
    # a moment that one heavy point makes says where that point lies, not how the failing points spread
    one = (weight[:, None] * (v @ vectors) ** 2).max(axis=0) / weight.sum()
    out &= one < _ONE_POINT * np.maximum(values, mean)
    values = np.where(out, values, mean)
    chosen = np.ones(m, dtype=np.bool_) if common else out
    return vectors[:, chosen], values[chosen], out[chosen]

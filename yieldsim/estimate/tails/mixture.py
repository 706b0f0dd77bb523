"""Importance sampling by a defensive mixture over all regions found.

The weight of a point is that of the whole mixture, whichever component drew it (balance heuristic: Veach and
Guibas 1995; Owen and Zhou 2000, Journal of the American Statistical Association 95, 135-143). Each component
gives a fixed number of points, which makes the components strata.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, stdtrit

from yieldsim.estimate.tails.components import Beyond, Cloud, Component, Shifted
from yieldsim.estimate.tails.limit_state import Floats, LimitState
from yieldsim.estimate.tails.region import Region


@dataclass(frozen=True)
class Mixture:
    """Components, the region each belongs to, and their shares (adding up to 1)."""

    components: tuple[Component, ...]
    owner: tuple[int, ...]
    shares: Floats

    def log_ratios(self, u: Floats) -> Floats:
        """Logarithm of share times density over the population's, shape (n, components)."""
        return np.stack([c.log_ratio(u) for c in self.components], axis=1) + np.log(self.shares)


@dataclass(frozen=True)
class Sample:
    """Points of a mixture with what came out.

    Attributes
    ----------
    u : (n, d) array
    values : (n, k) array
        The limit state, NaN included.
    stratum : (n,) array of int
        Component that drew the point.
    weight : (n,) array
        Population density over the mixture's.
    responsibility : (n, components) array
        Share of each component in the mixture's density at the point.
    """

    u: Floats
    values: Floats
    stratum: Floats
    weight: Floats
    responsibility: Floats

    @property
    def fails(self) -> Floats:
        """1 where a cause is negative or unknown, shape (n,)."""
        return np.asarray(((self.values < 0.0) | np.isnan(self.values)).any(axis=1), dtype=np.float64)

    @property
    def certain(self) -> Floats:
        """1 where a cause is negative, shape (n,)."""
        return np.asarray((self.values < 0.0).any(axis=1), dtype=np.float64)

    def joined(self, other: Sample) -> Sample:
        """Both samples of the same mixture as one."""
        return Sample(
            np.concatenate([self.u, other.u]),
            np.concatenate([self.values, other.values]),
            np.concatenate([self.stratum, other.stratum]),
            np.concatenate([self.weight, other.weight]),
            np.concatenate([self.responsibility, other.responsibility]),
        )


#: How a region's effort is split at first among its fitted surface with three slacks, the same where failing points
#: were seen, its plane moved well inside, a normal density about the point, and one about the failing points seen.
SPLIT = np.array([0.28, 0.2, 0.1, 0.14, 0.1, 0.1, 0.08])


def mixture_over(regions: list[Region], shares: Floats) -> Mixture:
    """Build the defensive mixture over regions; `shares` (m, 7) are each region's for the seven of `SPLIT`.

    A fitted surface that is off by a little leaves failing points before it. A single slack would either waste
    points or leave those to the wide components, with weights that are too large; the slacks therefore go up in
    steps.
    """
    components: list[Component] = []
    owner: list[int] = []
    for i, region in enumerate(regions):
        beta = max(region.distance, 0.5)
        tight = float(np.clip(1.5 * region.spread, 0.03 / beta, 1.0 / beta))
        medium = float(np.clip(4.0 * region.spread, 0.7 / beta, 2.0 / beta))
        wide = float(np.clip(1.0 / beta + 2.0 * region.spread, 0.0, 1.0))
        components += [
            Beyond(region, tight),
            Beyond(region, medium, 1.1),
            Beyond(region, 2.0 * medium, 1.25),
            Beyond(region, tight, 1.0, True),
            Beyond(region.flat(), wide),
            Shifted(region.point),
            Shifted(region.point)
            if region.cloud_centre is None
            else Cloud(region.cloud_centre, region.cloud_axes, region.cloud_deviation),
        ]
        owner += [i] * SPLIT.size
    total = np.asarray(shares, dtype=np.float64).ravel()
    return Mixture(tuple(components), tuple(owner), total / total.sum())


def draw(limit_state: LimitState, mixture: Mixture, rng: np.random.Generator, n: int) -> Sample:
    """Draw about n points, a fixed number (at least 2) from each component, and compute the limit state there."""
    counts = np.maximum(2, np.round(mixture.shares * n).astype(int))
    u = np.concatenate([c.draw(rng, int(m)) for c, m in zip(mixture.components, counts, strict=True)])
    exact = Mixture(mixture.components, mixture.owner, counts / counts.sum())
    logs = exact.log_ratios(u)
    whole = logsumexp(logs, axis=1)
    return Sample(
        u,
        limit_state.values(u),
        np.repeat(np.arange(counts.size), counts),
        np.exp(-whole),
        np.exp(logs - whole[:, None]),
    )


#: Share of the effort that every component keeps whatever a sample says, and rounds of the search for the best.
_KEPT, _ROUNDS = 0.3, 60


def best_shares(mixture: Mixture, u: Floats, terms: Floats) -> Floats:
    """Shares for which the second moment of the estimate is least, as failing points (n, d) with weights (n,) tell.

    The second moment, the sum of terms / (a . r) with r the components' densities over the population's, is convex
    in the shares a (He and Owen 2014, Optimal mixture weights in multiple importance sampling). Each round takes
    the least point of a bound that touches it, which keeps the sum of the shares and never raises the moment. A
    part of the effort stays with every component whatever the points say.
    """
    if u.shape[0] < 10:
        return mixture.shares
    m = len(mixture.components) // SPLIT.size
    floor = _KEPT * np.tile(SPLIT, m) / m
    logs = mixture.log_ratios(u) - np.log(mixture.shares)
    most = logs.max(axis=1)
    ratio, part = np.exp(logs - most[:, None]), terms * np.exp(-most)
    a = mixture.shares.copy()
    for _ in range(_ROUNDS):
        a = a * np.sqrt((part / (ratio @ (floor + (1.0 - _KEPT) * a)) ** 2) @ ratio)
        a /= a.sum()
    return np.asarray(floor + (1.0 - _KEPT) * a)


@dataclass(frozen=True)
class Weighed:
    """Estimate from a sample of a mixture: probability, relative standard error, heaviest share, failing points."""

    probability: float
    error: float
    heaviest: float
    failing: int
    freedom: float


def weigh(sample: Sample, fails: Floats) -> Weighed:
    """Estimate the probability of `fails` (n,) and its relative standard error, stratum by stratum."""
    n = sample.weight.size
    terms = sample.weight * fails
    p = float(terms.sum()) / n
    strata = int(sample.stratum.max()) + 1
    counts = np.bincount(sample.stratum, minlength=strata)
    means = np.bincount(sample.stratum, terms, strata) / np.maximum(counts, 1)
    squares = np.bincount(sample.stratum, (terms - means[sample.stratum]) ** 2, strata)
    parts = counts * squares / np.maximum(counts - 1, 1) / n**2
    variance = float(parts.sum())
    if p <= 0.0:
        return Weighed(0.0, np.inf, 1.0, 0, 1.0)
    # Welch-Satterthwaite
    freedom = variance**2 / max(float((parts**2 / np.maximum(counts - 1, 1)).sum()), 1e-300) if variance > 0 else n
    return Weighed(
        p, float(np.sqrt(variance)) / p, float(terms.max() / terms.sum()), int(np.count_nonzero(fails)), freedom
    )


def interval(found: Weighed, level: float) -> tuple[float, float]:
    """Two-sided interval at `level` on the logarithm, which follows the skewness of weights.

    Widened by a twentieth: over the limit states of the benchmark the error of the logarithm was up to 1.04 times
    the standard error that the sample tells, because the shape of the mixture is learnt from few points.
    """
    if found.probability <= 0.0 or not np.isfinite(found.error):
        return 0.0, 1.0
    reach = float(np.exp(stdtrit(max(found.freedom, 1.0), 0.5 + 0.5 * level) * 1.05 * found.error))
    return found.probability / reach, min(1.0, found.probability * reach)

"""Plain Monte Carlo with exact bounds: the check wherever it can see."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv

from yieldsim.estimate.tails.limit_state import Floats, LimitState


@dataclass(frozen=True)
class Counted:
    """Counts of plain Monte Carlo.

    Attributes
    ----------
    trials, failing, unknown : int
        Points; failing ones; among the others those that are not a number.
    by_cause : (k,) array of int
        Failing points of each cause.
    u : (m, d) array
        Failing or unknown points, at most 2,000.
    """

    trials: int
    failing: int
    unknown: int
    by_cause: Floats
    u: Floats

    def interval(self, level: float) -> tuple[float, float]:
        """Exact two-sided interval at `level` (Clopper and Pearson 1934, Biometrika 26, 404-413).

        Points that are not a number count as failing in the upper bound, not in the lower one.
        """
        tail = 0.5 * (1.0 - level)
        top = self.failing + self.unknown
        low = float(betaincinv(self.failing, self.trials - self.failing + 1, tail)) if self.failing else 0.0
        high = float(betaincinv(top + 1, self.trials - top, 1.0 - tail)) if top < self.trials else 1.0
        return low, high


def count(u: Floats, values: Floats, most: int = 2000) -> Counted:
    """Count points (n, d) already computed, with their values (n, k)."""
    fails = (values < 0.0).any(axis=1)
    unknown = np.isnan(values).any(axis=1) & ~fails
    return Counted(
        u.shape[0],
        int(np.count_nonzero(fails)),
        int(np.count_nonzero(unknown)),
        (values < 0.0).sum(axis=0),
        u[fails | unknown][:most],
    )


def run_monte_carlo(limit_state: LimitState, rng: np.random.Generator, n: int, batch: int = 1 << 16) -> Counted:
    """Draw n points of the population and count, `batch` at a time."""
    parts = []
    while n > 0:
        size = min(n, batch)
        u = rng.standard_normal((size, limit_state.dimension))
        parts.append(count(u, limit_state.values(u)))
        n -= size
    return merged(parts)


def merged(parts: list[Counted]) -> Counted:
    """Add up counts of independent samples."""
    return Counted(
        sum(part.trials for part in parts),
        sum(part.failing for part in parts),
        sum(part.unknown for part in parts),
        np.sum([part.by_cause for part in parts], axis=0),
        np.concatenate([part.u for part in parts])[:2000],
    )

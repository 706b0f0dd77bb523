"""Synthetic completions whose mean is known: units that differ, in lots that differ.

Units fail with probabilities from a beta distribution of a given mean and sum a + b (1: nearly all or nothing; 1000:
much alike). In the cells with lots the lot's mean is beta distributed first, and its units about it. Each unit makes
32 actuations. The truth is the mean of the beta distribution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc, stdtrit
from scipy.stats import betabinom

from tests.benchmarks.resumable import Row
from yieldsim.estimate.dirichlet import weighted_exponential_tail
from yieldsim.estimate.intervals import mean_of_clusters

Floats = NDArray[np.float64]

ACTUATIONS = 32
#: Repeats in which the bounds themselves are worked out, for their width, and held against the shortcut.
SOLVED = 20


@dataclass(frozen=True)
class Cell:
    """A population: independent clusters of units, failing share, spread between units and between lots."""

    clusters: int
    units: int
    failing: float
    spread: float
    between_lots: float | None
    small: bool


def _cells() -> dict[str, Cell]:
    cells = {}
    for clusters in (100, 3072, 100_000):
        for failing in (0.5, 0.05, 1e-2, 1e-3, 1e-4, 1e-5):
            for spread in (1.0, 20.0, 1000.0):
                small = clusters == 3072 and spread in (1.0, 1000.0)
                name = f"{clusters} units, {failing:g} fail, a + b = {spread:g}"
                cells[name] = Cell(clusters, 1, failing, spread, None, small)
    for lots in (4, 20, 100):
        for failing in (0.5, 0.05, 1e-2, 1e-3, 1e-5):
            for between in (5.0, 100.0):
                name = f"{lots} lots of 32, {failing:g} fail, a + b = 20 in lots, {between:g} between"
                cells[name] = Cell(lots, 32, failing, 20.0, between, lots == 20 and between == 5.0)
    return cells


COMPLETION = _cells()


Samples = list[tuple[Floats, Floats]]


def draw_units(cell: Cell, repeats: int, rng: np.random.Generator) -> tuple[Samples, float]:
    """Distinct failing shares and their counts in each repeat, and failing units expected: independent units."""
    pmf = betabinom.pmf(
        np.arange(ACTUATIONS + 1), ACTUATIONS, cell.failing * cell.spread, (1.0 - cell.failing) * cell.spread
    )
    counts = rng.multinomial(cell.clusters, pmf / pmf.sum(), repeats)
    shares = np.arange(ACTUATIONS + 1) / ACTUATIONS
    samples = [(shares[row > 0], row[row > 0].astype(np.float64)) for row in counts]
    return samples, float(cell.clusters * (1.0 - pmf[0]))


def draw_lots(cell: Cell, repeats: int, rng: np.random.Generator) -> tuple[Samples, float]:
    """Distinct failing shares of lots and their counts in each repeat, and failing units in the mean."""
    assert cell.between_lots is not None
    a = cell.failing * cell.between_lots
    found, failing = [], 0
    for _ in range(repeats):
        # a share that rounds to 0 or 1 leaves no beta distribution; so near, units fail or hold as the lot does
        lots = np.clip(rng.beta(a, cell.between_lots - a, cell.clusters), 1e-12, 1.0 - 1e-12)[:, None]
        units = rng.beta(cell.spread * lots, cell.spread * (1.0 - lots), (cell.clusters, cell.units))
        failures = rng.binomial(ACTUATIONS, units)
        failing += int((failures > 0).sum())
        found.append(np.unique(failures.sum(axis=1) / (ACTUATIONS * cell.units), return_counts=True))
    return [(shares, counts.astype(np.float64)) for shares, counts in found], failing / repeats


def tails(shares: Floats, counts: Floats, truth: float) -> tuple[float, float]:
    """What the upper and the lower bound on the failing share are solved from, at the truth.

    A bound holds the truth exactly when its tail there is at least 1 - confidence.
    """
    counts = np.append(counts, 1.0)
    above = weighted_exponential_tail(np.append(shares, 1.0) - truth, counts)
    below = weighted_exponential_tail(truth - np.append(shares, 0.0), counts)
    return above, below


def solved(shares: Floats, counts: Floats, confidence: float) -> tuple[float, float]:
    """Bounds on the failing share as they are shipped."""
    found = mean_of_clusters(1.0 - np.repeat(shares, counts.astype(np.int64)), None, confidence)
    return 1.0 - found.high, 1.0 - found.low


def rivals_hold(shares: Floats, counts: Floats, cell: Cell) -> tuple[bool, bool]:
    """Whether two-sided 95 % intervals hold the truth: exact ones of pooled actuations, and Student's t."""
    clusters, each = counts.sum(), ACTUATIONS * cell.units
    failures, trials = round(float(counts @ shares) * each), int(clusters) * each
    rare = failures > 0 and bdtrc(failures - 1, trials, cell.failing) < 0.025
    pooled = bdtr(failures, trials, cell.failing) >= 0.025 and not rare
    mean = float(counts @ shares) / clusters
    error = np.sqrt(float(counts @ (shares - mean) ** 2) / (clusters - 1.0) / clusters)
    return bool(pooled), bool(abs(mean - cell.failing) <= stdtrit(clusters - 1.0, 0.975) * error)


def measure_completion(cell: Cell, repeats: int, seed: int) -> Row:
    """Coverage of one cell, the bounds on completion."""
    rng = np.random.default_rng([seed, *np.frombuffer(repr(cell).encode(), dtype=np.uint8).tolist()])
    samples, failing = (draw_units if cell.between_lots is None else draw_lots)(cell, repeats, rng)
    known: dict[bytes, tuple[float, float]] = {}
    found = np.empty((repeats, 2))
    for repeat, (shares, counts) in enumerate(samples):
        key = shares.tobytes() + counts.tobytes()
        if key not in known:
            known[key] = tails(shares, counts, cell.failing)
        found[repeat] = known[key]
    rivals = np.mean([rivals_hold(shares, counts, cell) for shares, counts in samples], axis=0)
    widths = []
    for repeat, (shares, counts) in enumerate(samples[:SOLVED]):
        low, high = solved(shares, counts, 0.975)
        widths.append(high - low)
        if abs(found[repeat] - 0.025).min() > 1e-6:
            assert tuple(found[repeat] >= 0.025) == (high >= cell.failing, low <= cell.failing)
    above, below = found.T
    return {
        "repeats": repeats,
        "truth": 1.0 - cell.failing,
        "failing": failing,
        "low": float(np.mean(above >= 0.05)),
        "high": float(np.mean(below >= 0.05)),
        "both": float(np.mean((above >= 0.025) & (below >= 0.025))),
        "width": float(np.mean(widths)),
        "pooled": float(rivals[0]),
        "t": float(rivals[1]),
    }

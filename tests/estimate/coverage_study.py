"""Measures coverage and width of bounds on a completion fraction, the table of `estimate/intervals.py`.

Run from the project's folder: ``python -m tests.estimate.coverage_study [repeats]``. Units fail with
probabilities from a beta distribution of a given mean and concentration a + b (small: units differ much),
each seen in 20 actuations; "lots" rows draw the failing probability once for a lot. Truth is the mean of the
beta distribution. Four bounds are compared:

- pooled: Clopper-Pearson on all actuations, as if they were independent;
- t: mean of units (or lots) plus Student's t times its standard error;
- betting: capital process with predictable plug-in bets for fixed n (Waudby-Smith and Ramdas 2024, Journal of
the Royal
  Statistical Society B 86, 1-27), rigorous for any distribution in [0, 1];
- Dirichlet: what `mean_of_clusters` does.

Coverage does not need a bound to be solved for: the bound holds the truth exactly when the truth is not
rejected.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, bdtrc, stdtrit

from yieldsim.estimate.dirichlet import condense, upper_mean_bound, weighted_exponential_tail

Floats = NDArray[np.float64]

ALPHA = 0.05
ACTUATIONS = 20
CELLS = [
    # clusters, units a cluster, mean failing share, concentration a + b
    (50, 1, 0.5, 1.0),
    (50, 1, 0.05, 5.0),
    (50, 1, 0.01, 100.0),
    (500, 1, 0.5, 1.0),
    (500, 1, 0.05, 5.0),
    (500, 1, 0.01, 1.0),
    (500, 1, 0.01, 100.0),
    (500, 1, 1e-3, 1.0),
    (500, 1, 1e-4, 5.0),
    (5000, 1, 0.05, 1.0),
    (5000, 1, 0.01, 5.0),
    (5000, 1, 0.01, 1000.0),
    (5000, 1, 1e-3, 1.0),
    (5000, 1, 1e-3, 100.0),
    (5000, 1, 1e-4, 1.0),
    (4, 50, 0.05, 20.0),
    (20, 50, 0.05, 20.0),
    (100, 50, 0.05, 20.0),
    (100, 50, 0.01, 5.0),
]


def draw(rng: np.random.Generator, clusters: int, units: int, mean: float, concentration: float) -> Floats:
    """Failing share of each unit in its actuations, shape (clusters, units)."""
    pi = rng.beta(mean * concentration, (1.0 - mean) * concentration, clusters)
    return rng.binomial(ACTUATIONS, np.broadcast_to(pi[:, None], (clusters, units))) / ACTUATIONS


def dirichlet_holds(x: Floats, truth: float) -> tuple[bool, bool]:
    """Whether the upper and the lower bound hold the truth."""
    groups, _, counts = condense(x)
    counts = np.append(counts, 1.0)
    above = weighted_exponential_tail(np.append(groups, 1.0) - truth, counts)
    below = weighted_exponential_tail(truth - np.append(groups, 0.0), counts)
    return above >= ALPHA, below >= ALPHA


def betting_log_capital(x: Floats, m: float) -> float:
    """Largest log capital against a mean of at least m; the upper bound holds m below log(1 / ALPHA)."""
    index = np.arange(1, x.size + 1)
    means = (0.5 + np.cumsum(x)) / (index + 1)
    variance = np.concatenate([[0.25], ((0.25 + np.cumsum((x - means) ** 2)) / (index + 1))[:-1]])
    bets = np.minimum(np.sqrt(2.0 * np.log(1.0 / ALPHA) / (x.size * variance)), 0.75 / (1.0 - m))
    return float(np.cumsum(np.log1p(bets * (m - x))).max())


def betting_upper(x: Floats) -> float:
    """The betting upper bound, by bisection."""
    low, high = 0.0, 1.0 - 1e-12
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if betting_log_capital(x, middle) >= np.log(1.0 / ALPHA) else (middle, high)
    return high


def measure(cell: tuple[int, int, float, float], repeats: int, seed: int) -> str:
    """One line of the table."""
    clusters, units, truth, _ = cell
    rng = np.random.default_rng([seed, clusters, units, int(1e7 * truth), int(cell[3])])
    t = stdtrit(clusters - 1, 1.0 - ALPHA) / np.sqrt(clusters)
    trials = clusters * units * ACTUATIONS
    held, width = np.zeros((repeats, 8)), []
    for repeat in range(repeats):
        table = draw(rng, *cell)
        x, failures = table.mean(axis=1), round(table.sum() * ACTUATIONS)
        half = t * x.std(ddof=1)
        limit = np.log(1.0 / ALPHA)
        held[repeat] = (
            bdtr(failures, trials, truth) >= ALPHA,
            failures == 0 or bdtrc(failures - 1, trials, truth) >= ALPHA,
            x.mean() + half >= truth,
            x.mean() - half <= truth,
            betting_log_capital(x, truth) < limit,
            betting_log_capital(1.0 - x, 1.0 - truth) < limit,
            *dirichlet_holds(x, truth),
        )
        if repeat < 20:
            excess = upper_mean_bound(x, 1.0 - ALPHA) - x.mean(), betting_upper(x) - x.mean(), half
            width.append(excess)
    shares = 100.0 * held.mean(axis=0)
    lots = "" if units == 1 else f" x{units}"
    widths = np.mean(width, axis=0)
    return (
        f"{clusters:5d}{lots:4s} {truth:7g} {cell[3]:6g}  "
        + "  ".join(f"{shares[i]:5.1f} {shares[i + 1]:5.1f}" for i in range(0, 8, 2))
        + f"  {widths[2]:8.2g} {widths[1]:8.2g} {widths[0]:8.2g}"
    )


def main() -> None:
    """Print the table."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("clusters   failing  a + b   pooled       t            betting      Dirichlet    t        betting  Dirichlet")
    for cell in CELLS:
        print(measure(cell, repeats, 20261125), flush=True)


if __name__ == "__main__":
    main()

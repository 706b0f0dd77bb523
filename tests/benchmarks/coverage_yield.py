"""Synthetic units whose yield is known, their completion averaged over draws as the engine does it.

A unit's completion has a part that is worked out exactly (the pivot) and a part that is drawn. Five kinds:

- pivot, quarter, half, most: a margin with unit means N(mu, 1) in units of the actuation noise, of which 0, 25, 50 or
  81 % of the variance is drawn and the rest is the pivot's: pi_u = Phi(mu_u).
- stratum: an outcome of the link with probability 0.006, in which the unit fails for a share of the draws that differs
  from unit to unit (normal in its normal score, s.d. 1).
- skewed: failing probabilities of the draws lognormal, s.d. 1.5 between units and 1.5 within, in the logarithm.

0.999 is required of a unit. The share of units that do not reach it is set by the mean over units; in every kind it is
a normal tail probability. With lots, 36 % of the variance between units is between lots.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from tests.benchmarks.resumable import Row
from yieldsim.estimate.dirichlet import weighted_exponential_tail
from yieldsim.estimate.unit_completion import STAGES, UnitCompletion, complete_units
from yieldsim.estimate.unit_yield import scores_of, unit_yield

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
#: Failing probability of units, given their deviations, in so many draws: (deviations, count, rng) -> (units, count).
Failing = Callable[[Floats, int, np.random.Generator], Floats]

REQUIRED = 0.999
LIMIT = 1.0 - REQUIRED
OF_LOTS = 0.36
#: Repeats in which the bounds themselves are worked out, for their width, and held against the shortcut.
SOLVED = 20


@dataclass(frozen=True)
class Cell:
    """Units of a kind, share of them that do not comply, lots (0: a lot of its own for each), stages of draws."""

    kind: str
    units: int
    short: float
    lots: int
    stages: tuple[int, ...]
    small: bool


def _margin(drawn: float) -> tuple[float, Failing]:
    """Edge of the mean margin, and the failing probability, with a share of the actuation variance drawn."""
    other, own = np.sqrt(drawn), np.sqrt(1.0 - drawn)

    def failing(mean: Floats, count: int, rng: np.random.Generator) -> Floats:
        return ndtr(-(mean[:, None] + other * rng.standard_normal((mean.size, count))) / own)

    return float(-ndtri(LIMIT)), failing


def _stratum(weight: float) -> tuple[float, Failing]:
    """The same for an outcome of the link of some weight in which draws fail altogether; 2e-4 fail in any case."""

    def failing(mean: Floats, count: int, rng: np.random.Generator) -> Floats:
        return 2e-4 + weight * (rng.random((mean.size, count)) < ndtr(-mean)[:, None])

    return float(-ndtri((LIMIT - 2e-4) / weight)), failing


def _skewed(within: float, between: float) -> tuple[float, Failing]:
    """The same for lognormal failing probabilities; deviations count in units of `between`."""

    def failing(mean: Floats, count: int, rng: np.random.Generator) -> Floats:
        logs = -between * mean[:, None] - 0.5 * within**2 + within * rng.standard_normal((mean.size, count))
        return np.minimum(np.exp(logs), 1.0)

    return float(-np.log(LIMIT) / between), failing


#: Kind -> mean deviation at which a unit just complies (more is better), and its failing probability.
KINDS: dict[str, tuple[float, Failing]] = {
    "pivot": _margin(0.0),
    "quarter": _margin(0.25),
    "half": _margin(0.5),
    "most": _margin(0.81),
    "stratum": _stratum(0.006),
    "skewed": _skewed(1.5, 1.5),
}


def _cells() -> dict[str, Cell]:
    cells = {}
    for kind in KINDS:
        for short in (0.5, 0.18, 0.03, 1e-3):
            for units, lots in ((1024, 0), (1000, 100)):
                small = lots == 0 and short in (0.18, 1e-3)
                where = f"in {lots} lots" if lots else "units"
                cells[f"{units} {where}, {kind}, {short:g} short"] = Cell(kind, units, short, lots, STAGES, small)
        name = f"1024 units, {kind}, 0.18 short, 16 draws each"
        cells[name] = Cell(kind, 1024, 0.18, 0, (16,), False)
    return cells


YIELD = _cells()


def measure_yield(cell: Cell, repeats: int, seed: int) -> Row:
    """Coverage of one cell, the bounds on unit yield."""
    rng = np.random.default_rng([seed, *np.frombuffer(repr(cell).encode(), dtype=np.uint8).tolist()])
    edge, failing = KINDS[cell.kind]
    mean, truth = edge - float(ndtri(cell.short)), 1.0 - cell.short
    clusters = np.arange(cell.units) % cell.lots if cell.lots else None
    found, widths, draws = np.empty((repeats, 2)), [], 0.0
    for repeat in range(repeats):
        deviations = mean + _spread(cell, clusters, rng)

        def draw(units: Indices, first: int, count: int, at: Floats = deviations) -> tuple[Floats, Floats]:
            completion = 1.0 - failing(at[units], count, rng)
            return completion, completion

        (unit,) = complete_units(draw, cell.units, REQUIRED, stages=cell.stages)
        found[repeat] = tails(unit, clusters, truth)
        draws += float(unit.sampling.counts.mean()) if unit.sampling else 1.0
        if repeat < SOLVED:
            estimate = unit_yield(unit.low, unit.high, REQUIRED, 0.975, clusters, sampling=unit.sampling)
            widths.append(estimate.high - estimate.low)
            if abs(found[repeat] - 0.025).min() > 1e-6:
                assert tuple(found[repeat] >= 0.025) == (estimate.low <= truth, estimate.high >= truth)
    below, above = found.T
    return {
        "repeats": repeats,
        "truth": truth,
        "failing": cell.units * cell.short,
        "low": float(np.mean(below >= 0.05)),
        "high": float(np.mean(above >= 0.05)),
        "both": float(np.mean((below >= 0.025) & (above >= 0.025))),
        "width": float(np.mean(widths)),
        "draws": draws / repeats,
    }


def tails(unit: UnitCompletion, clusters: NDArray[np.int64] | None, truth: float) -> tuple[float, float]:
    """What the lower and the upper bound on the unit yield are solved from, at the truth.

    A bound holds the truth exactly when its tail there is at least 1 - confidence.
    """
    assert unit.sampling is not None
    surely, _, perhaps = scores_of(unit, REQUIRED)
    return _tail(surely, clusters, truth, -1.0), _tail(perhaps, clusters, truth, 1.0)


def _tail(scores: Floats, clusters: NDArray[np.int64] | None, truth: float, sign: float) -> float:
    """Probability that reweighted scores, with an unseen one of 0 or 1, lie beyond the truth."""
    if clusters is not None:  # of equal size here
        scores = np.bincount(clusters, scores) / np.bincount(clusters)
    values, counts = np.unique(scores, return_counts=True)
    unseen = min(0.0, values[0]) if sign < 0.0 else max(1.0, values[-1])
    return weighted_exponential_tail(sign * (np.append(values, unseen) - truth), np.append(counts, 1.0))


def _spread(cell: Cell, clusters: NDArray[np.int64] | None, rng: np.random.Generator) -> Floats:
    """Deviations of units from their mean, standard normal."""
    if clusters is None:
        return rng.standard_normal(cell.units)
    of_lots = np.sqrt(OF_LOTS) * rng.standard_normal(cell.lots)
    return of_lots[clusters] + np.sqrt(1.0 - OF_LOTS) * rng.standard_normal(cell.units)

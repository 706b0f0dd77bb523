"""Synthetic units in several conditions at once, their completion worked out as a run does it.

A unit's margin in condition c is m_uc - offset_c, in units of the actuation noise, m_uc normal with standard deviation
1 over the units and correlation rho between conditions. An actuation has one of four outcomes of the link: got through
at the first or at the second attempt, which costs margin; not acknowledged; or a third attempt, which no stratum holds
(it is the rest that fails in the lower end of every bracket and completes in the upper one). A share of the actuation's
variance is drawn, the same draws in all conditions; the remainder is the pivot's.

All of it goes through what a run goes through: `weigh_strata`, `complete_units` for each block of 1,024 units with its
4, 16 or 64 draws and its two questions (completion, and energy alone), `join_blocks`, and then `stack_cells`, or the
mean over a life. Where the cell says so the pivot's crossing is searched by `pivot_probability` as in a run, which
takes most of the time, and a quarter of the repeats is made; elsewhere its probability is the closed form. 0.999 is
required, of every condition or of the life. The share of units that reach it everywhere is an integral over the common
part of the normal margins, done by Gauss-Hermite quadrature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from tests.benchmarks.coverage_yield import OF_LOTS, SOLVED, tails
from tests.benchmarks.resumable import Row
from yieldsim.analysis.mission import lifetime
from yieldsim.estimate.pivot import pivot_probability
from yieldsim.estimate.unit_completion import (
    STAGES,
    UnitCompletion,
    complete_units,
    join_blocks,
    stack_cells,
    weigh_strata,
)
from yieldsim.estimate.unit_yield import unit_yield

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]
Margin = Callable[[Indices, Floats], Floats]

REQUIRED = 0.999
BLOCK = 1024
GRID = ndtr(np.array([-5.0, 0.0, 5.0]))  # of a design with one stroke
TOLERANCE = (1.0 - REQUIRED) / 200.0
#: Probability of each stratum, what it costs of the margin, and whether the actuation can complete; then the rest.
WEIGHTS = np.array([0.97, 0.0297, 0.00024])
COSTS = np.array([0.0, 0.5, 0.5])
ACKNOWLEDGED = np.array([1.0, 1.0, 0.0])
REST, REST_COST = 6e-5, 1.0


@dataclass(frozen=True)
class Joint:
    """Conditions by their offsets, correlation of a unit's margins between them, share of variance drawn, units that
    do not reach the requirement somewhere, lots (0: a lot of its own for each), whether a life is asked for, and
    whether the pivot's crossing is searched."""

    offsets: tuple[float, ...]
    rho: float
    drawn: float
    short: float
    units: int
    lots: int
    life: bool
    searched: bool
    small: bool


def _cells() -> dict[str, Joint]:
    three = (0.0, 0.2, 1.0)
    nine = (0.0, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 1.6)
    cells = {}
    for short in (0.5, 0.18, 0.03, 1e-3):
        for drawn in (0.25, 0.5, 0.81):
            small = short == 0.03
            name = f"1536 units, 3 conditions, {drawn:g} drawn, {short:g} short"
            cells[name] = Joint(three, 0.9, drawn, short, 1536, 0, False, False, small)
        for name, cell in (
            ("1000 in 100 lots, 3 conditions", Joint(three, 0.9, 0.5, short, 1000, 100, False, False, False)),
            ("1024 units, 9 conditions", Joint(nine, 0.8, 0.5, short, 1024, 0, False, False, False)),
            ("1024 units, a life of 3 conditions", Joint(three, 1.0, 0.5, short, 1024, 0, True, False, False)),
        ):
            cells[f"{name}, 0.5 drawn, {short:g} short"] = cell
    for drawn, short in ((0.5, 0.18), (0.5, 0.03), (0.81, 0.03)):
        name = f"1024 units, 2 conditions, {drawn:g} drawn, {short:g} short, pivot searched"
        cells[name] = Joint((0.0, 0.2), 0.9, drawn, short, 1024, 0, False, True, False)
    return cells


JOINT = _cells()


def completion_of(margin: Floats) -> Floats:
    """Completion probability of a unit with this mean margin."""
    taken = ndtr(margin[..., None] - COSTS) @ (WEIGHTS * ACKNOWLEDGED)
    return np.asarray(taken + REST * ndtr(margin - REST_COST))


def edge_of(cell: Joint) -> float:
    """Margin from which a unit reaches the requirement: of one condition without offset, or over a life."""
    offsets = np.array(cell.offsets) if cell.life else np.zeros(1)
    return float(brentq(lambda m: float(np.mean(completion_of(m - offsets))) - REQUIRED, 0.0, 20.0, xtol=1e-13))


def level_of(cell: Joint) -> float:
    """Mean margin of all units, before the offsets, at which the wanted share does not reach the requirement."""
    edge = edge_of(cell)
    if cell.life:
        return edge - float(ndtri(cell.short))
    nodes, weights = np.polynomial.hermite_e.hermegauss(128)
    weights = weights / weights.sum()
    own = np.sqrt(1.0 - cell.rho)

    def short(level: float) -> float:
        above = level - np.array(cell.offsets) + np.sqrt(cell.rho) * nodes[:, None] - edge
        return float(weights @ (1.0 - np.prod(ndtr(above / own), axis=1)))

    return float(brentq(lambda level: short(level) - cell.short, edge - 5.0, edge + 10.0, xtol=1e-12))


def measure_joint(cell: Joint, repeats: int, seed: int) -> Row:
    """Coverage of one cell, the bounds on the share of units that comply in all conditions."""
    rng = np.random.default_rng([seed, *np.frombuffer(repr(cell).encode(), dtype=np.uint8).tolist()])
    level, truth = level_of(cell), 1.0 - cell.short
    clusters = np.arange(cell.units) % cell.lots if cell.lots else None
    repeats = repeats // 4 if cell.searched else repeats
    found, widths, draws = np.empty((repeats, 2)), [], 0.0
    for repeat in range(repeats):
        unit = one_run(cell, level, clusters, rng)
        assert unit.sampling is not None
        found[repeat] = tails(unit, clusters, truth)
        draws += float(unit.sampling.counts.mean())
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


def one_run(cell: Joint, level: float, clusters: Indices | None, rng: np.random.Generator) -> UnitCompletion:
    """Completion of all units in all conditions, or over a life, from draws of their own."""
    margins = _margins(cell, level, clusters, rng)
    noise = rng.standard_normal((cell.units, STAGES[-1]))
    conditions = []
    for offset, of_units in zip(cell.offsets, margins, strict=True):
        blocks = []
        for first in range(0, cell.units, BLOCK):
            some = slice(first, first + BLOCK)
            blocks.append(_block(of_units[some] - offset, noise[some], cell))
        conditions.append(join_blocks(blocks))
    if cell.life:
        return lifetime(conditions, np.full((len(conditions), cell.units), 1.0 / len(conditions)))
    return stack_cells(conditions)


def _margins(cell: Joint, level: float, clusters: Indices | None, rng: np.random.Generator) -> Floats:
    """Mean margin of each unit before the offsets, (conditions, units)."""
    shape = (len(cell.offsets), cell.units)
    if clusters is None:
        common, own = rng.standard_normal(cell.units), rng.standard_normal(shape)
    else:
        of_lots, left = np.sqrt(OF_LOTS), np.sqrt(1.0 - OF_LOTS)
        common = of_lots * rng.standard_normal(cell.lots)[clusters] + left * rng.standard_normal(cell.units)
        own = of_lots * rng.standard_normal((shape[0], cell.lots))[:, clusters] + left * rng.standard_normal(shape)
    return np.asarray(level + np.sqrt(cell.rho) * common + np.sqrt(1.0 - cell.rho) * own)


def _block(margin: Floats, noise: Floats, cell: Joint) -> UnitCompletion:
    """Completion of a block's units in one condition, by their margins (n,) and draws (n, 64)."""
    other, own = np.sqrt(cell.drawn), np.sqrt(1.0 - cell.drawn)
    ends = ACKNOWLEDGED[:, None]

    def draw(units: Indices, first: int, count: int) -> tuple[Floats, Floats]:
        held = (margin[units, None] + other * noise[units, first : first + count])[:, None, :] - COSTS[:, None]
        low, high = _over_the_pivot(held, own) if cell.searched else (ndtr(held / own),) * 2
        weights, rest = np.tile(WEIGHTS, (units.size, 1)), np.full(units.size, REST)
        energy = weigh_strata(low, high, weights, rest)
        completion = weigh_strata(low * ends, high * ends, weights, rest)
        return np.stack([completion[0], energy[0]]), np.stack([completion[1], energy[1]])

    return complete_units(draw, len(margin), REQUIRED)[0]


def _over_the_pivot(held: Floats, own: float) -> tuple[Floats, Floats]:
    """Bracketed probability that what is held and the pivot's part of the margin are not negative together."""
    flat = held.ravel()

    def margin_of(rows: Indices, v: Floats) -> Floats:
        return np.asarray(flat[rows] + own * ndtri(v))

    low, high = pivot_probability(margin_of, flat.size, grid=GRID, tolerance=TOLERANCE)
    return low.reshape(held.shape), high.reshape(held.shape)

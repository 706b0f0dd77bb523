"""Completion of a population with one direction of its inputs integrated out, on units from scrambled Sobol' sets.

A unit is a point whose coordinates are everything that differs from unit to unit and from actuation to actuation. The
outcomes of the link are strata with known probabilities (`yieldsim.engine.strata`). Within one, the continuous inputs
are moved, as independent normal scores z, along one direction a: z - (a . z) a + t a, with t standard normal and
independent of what is left. The set of t in which the actuation completes is found by `yieldsim.estimate.pivot`, and
its probability is exact. The mean over the points is then that of a smooth function of the rest, on which Sobol' sets
are at their best: pre-integration (Griewank, Kuo, Leövey and Sloan 2018, Journal of Computational and Applied
Mathematics 344, 259-274), along the direction that the margin depends on most (Liu and Owen 2023, SIAM Journal on
Numerical Analysis 61, 495-514), which is how line sampling takes a direction in the theory of structural reliability
(Koutsourelakis, Pradlwarter and Schuëller 2004, Probabilistic Engineering Mechanics 19, 409-417).

The direction is that of the least-squares plane through the voltage margins of pilot points, which are no part of the
estimate: any direction gives the same mean, a good one less spread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldsim.engine.cells import ROWS_AT_A_TIME
from yieldsim.engine.columns import Condition
from yieldsim.engine.limit_states import uniform_of
from yieldsim.engine.response import SITE, Response
from yieldsim.engine.strata import Stratum, chances_of, list_strata, probability
from yieldsim.estimate.pivot import pivot_probability
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.population.correlation import factor
from yieldsim.population.points import coordinate, point_set
from yieldsim.population.scrambled import SCRAMBLES, ScrambledPopulation, scramble_seed

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# what decides, by chance, what the link and the press do
_OF_OUTCOMES = ("link.", "harvester.partial")
_PILOT = 256  # points, more where there are more inputs
_NEGLIGIBLE = 1e-5  # probability of all outcomes of the link that are left out; it widens the bounds
# A rare outcome is asked in fewer points, in proportion to its probability to the power 0.6: between that of equal
# errors (1) and that of equal points (0). No fewer than four of a scramble.
_POWER, _FACTOR, _LEAST = 0.6, 2.0, 4
_TOLERANCE, _RELATIVE = 1e-6, 2e-3  # of the probability along a line
# Scores of the line that are scanned for a change of the margin's sign. With one stroke a margin falls below 0 towards
# one end of the line, or towards both where it is bounded by the start on one side and by running down on the other.
# Several strokes or starts may put false starts in between.
_SCAN = (-5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 5.0)
_FINE = tuple(x / 2.0 for x in range(-10, 11))
_AT_A_TIME = ROWS_AT_A_TIME // 4  # evaluations; a point has as many numbers as the design has inputs


@dataclass(frozen=True)
class Line:
    """How a cell's completion is asked for.

    Attributes
    ----------
    direction : (D,) unit vector over the axes of the response, 0 where an axis is not moved; all 0 where none is
    strata : outcomes of the link, the most probable first
    asked : points of each scramble in each stratum
    pilot : actuations that were run to find the direction
    """

    direction: FloatArray
    strata: tuple[Stratum, ...]
    asked: tuple[int, ...]
    pilot: int

    @property
    def integrated(self) -> bool:
        """Whether there is a direction."""
        return bool(self.direction.any())


@dataclass(frozen=True)
class LineBlock:
    """What the points of a block say.

    Attributes
    ----------
    weights : (n, K) probability of each stratum
    failing : (2, n, K) bracketed failing probability in each stratum; NaN where it was not asked
    short : (2, n, K) the same of too little energy
    evaluations : actuations that were run
    line : how they were asked
    """

    weights: FloatArray
    failing: FloatArray
    short: FloatArray
    evaluations: int
    line: Line


def join_lines(blocks: Sequence[LineBlock]) -> LineBlock:
    """Join blocks of one cell, one behind the other."""
    return LineBlock(
        np.concatenate([block.weights for block in blocks]),
        np.concatenate([block.failing for block in blocks], axis=1),
        np.concatenate([block.short for block in blocks], axis=1),
        sum(block.evaluations for block in blocks),
        blocks[0].line,
    )


def line_of(response: Response, condition: Condition) -> Line:
    """Return how to ask for a cell's completion, from pilot points.

    Parameters
    ----------
    response : Response
        With points ``sobol``; the number of units is that of its settings.
    condition : Condition
    """
    names = _coordinates(response)
    n = 1 << max(_PILOT.bit_length() - 1, (4 * len(names)).bit_length())
    points = point_set([*names, coordinate(SITE, "unit")], n, scramble_seed(response.settings.seed, "pilot"))
    place = _sites(response, points[:, -1])
    points = np.ascontiguousarray(points[:, :-1])
    base, scale = _unit_values(response, points, condition, place)
    strata, weights = list_strata(response, chances_of(response, base, scale), _NEGLIGIBLE)
    axes = _movable(response)
    direction = np.zeros(len(response.dimensions))
    if axes:
        plan = np.repeat(strata[0].plan(response.kernel.attempts)[None], n, axis=0)
        values, _ = run(
            response.kernel, base, scale, _rows(n), points=response.attempt_uniforms(points), plans=plan,
            accuracy=response.settings.accuracy,
        )  # fmt: skip
        direction[axes] = steepest(ndtri(points[:, axes]), values[:, at.VOLTAGE_MARGIN])
    each = response.settings.units // SCRAMBLES
    asked = tuple(_asked(float(w), each) for w in weights.mean(axis=0))
    return Line(direction, tuple(strata), asked, n if axes else 0)


def run_lines(response: Response, condition: Condition, units: IntArray, line: Line) -> LineBlock:
    """Ask a block of units in one cell.

    Parameters
    ----------
    response : Response
        With points ``sobol``.
    condition : Condition
    units : (n,) unit numbers
    line : of the cell
    """
    asked = _Asked(response, condition, units, line)
    shape = (len(units), len(line.strata))
    failing, short = np.full((2, 2, *shape), np.nan)
    low, high = asked.over_the_line(asked.margin)
    places = (asked.place, asked.stratum)
    short[0][places], short[1][places] = 1.0 - high, 1.0 - low
    if asked.late:
        low, high = asked.over_the_line(asked.margin_of_completion)
    ends = asked.acknowledged[asked.stratum]
    failing[0][places], failing[1][places] = 1.0 - high * ends, 1.0 - low * ends
    return LineBlock(asked.weights, failing, short, asked.evaluations, line)


def steepest(scores: FloatArray, margins: FloatArray) -> FloatArray:
    """Return the direction (d,) of the least-squares plane through margins (n,) at normal scores (n, d).

    A unit vector towards higher margins; 0 where no input moves the margin, or hardly any margin is a number.
    """
    known = np.isfinite(margins)
    if known.sum() <= 2 * scores.shape[1]:
        return np.zeros(scores.shape[1])
    plane = np.column_stack([np.ones(int(known.sum())), scores[known]])
    slope = np.linalg.lstsq(plane, margins[known], rcond=None)[0][1:]
    length = float(np.linalg.norm(slope))
    return np.asarray(slope / length if length > 1e-12 else np.zeros_like(slope))


class _Asked:
    """The margins of (point, stratum) rows as a function of the place on the line."""

    def __init__(self, response: Response, condition: Condition, units: IntArray, line: Line) -> None:
        self.response, self.condition, self.line = response, condition, line
        population = response.population
        if not isinstance(population, ScrambledPopulation):
            raise TypeError("lines need units from scrambled Sobol' sets")
        self.points = population.coordinates(_coordinates(response), units)
        self.site = response.site_of(units) if response.design.conditions.sites else None
        base, scale = _unit_values(response, self.points, condition, self.site)
        chances = chances_of(response, base, scale)
        self.weights = np.stack([probability(stratum, chances) for stratum in line.strata], axis=1)
        # stratum by stratum the first points of every scramble
        first = units[:, None] // SCRAMBLES < np.array(line.asked)[None, :]
        self.stratum, self.place = np.nonzero(first.T)
        self.plans = np.stack([stratum.plan(response.kernel.attempts) for stratum in line.strata])
        self.acknowledged = np.array([stratum.acknowledged for stratum in line.strata])
        self.axes = np.flatnonzero(line.direction)
        self.direction = line.direction[self.axes]
        scores = ndtri(self.points[:, self.axes])
        self.rest = scores - np.outer(scores @ self.direction, self.direction)
        self.late = False  # an acknowledgement came after its timeout in a stratum that expects it
        self.evaluations = 0

    def over_the_line(self, margin: Callable[[IntArray, FloatArray], FloatArray]) -> tuple[FloatArray, FloatArray]:
        """Return the bracketed probability of each row that the margin is not negative."""
        return pivot_probability(
            margin, len(self.place), grid=self._grid, tolerance=_TOLERANCE, relative=_RELATIVE, batch=_AT_A_TIME
        )

    @property
    def _grid(self) -> FloatArray:
        if not self.line.integrated:
            return np.array([0.5])
        design, harvester = self.response.design, self.response.design.harvester
        single = harvester is not None and len(harvester.strokes) <= 1 and not design.regulator.restart
        return uniform_of(np.array(_SCAN if single else _FINE))

    def margin(self, rows: IntArray, v: FloatArray) -> FloatArray:
        """Voltage margin [V] of the rows at the line's uniforms ``v``."""
        return self._ask(rows, v)[0]

    def margin_of_completion(self, rows: IntArray, v: FloatArray) -> FloatArray:
        """Voltage margin [V], -inf where the acknowledgement came too late however much energy there was."""
        g, late = self._ask(rows, v)
        return np.where(late, -np.inf, g)

    def _ask(self, rows: IntArray, v: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        parts = [self._ask_some(rows[k : k + _AT_A_TIME], v[k : k + _AT_A_TIME]) for k in range(0, len(v), _AT_A_TIME)]
        g, late = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
        self.late = self.late or bool(late.any())
        self.evaluations += len(rows)
        return g, late

    def _ask_some(self, rows: IntArray, v: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        response, place, stratum = self.response, self.place[rows], self.stratum[rows]
        points = self.points[place]
        if self.axes.size:
            points[:, self.axes] = uniform_of(self.rest[place] + ndtri(v)[:, None] * self.direction)
        site = None if self.site is None else self.site[place]
        base, scale = _unit_values(response, points, self.condition, site)
        values, codes = run(
            response.kernel, base, scale, _rows(len(rows)), points=response.attempt_uniforms(points),
            plans=self.plans[stratum], accuracy=response.settings.accuracy,
        )  # fmt: skip
        late = self.acknowledged[stratum] & (codes[:, at.OUTCOME] == at.UNACKNOWLEDGED)
        unfinished = codes[:, at.OUTCOME] == at.NOT_FINISHED
        return np.where(unfinished, -np.inf, values[:, at.VOLTAGE_MARGIN]), late


def _rows(n: int) -> IntArray:
    """Rows whose draws are points: one a unit."""
    rows = np.zeros((n, 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = np.arange(n)
    return rows


def _coordinates(response: Response) -> list[str]:
    """Return the coordinate of each axis of the response's unit cube."""
    return [coordinate(d.name, d.level, max(d.attempt, 0)) for d in response.dimensions]


def _unit_values(
    response: Response, points: FloatArray, condition: Condition, site: IntArray | None
) -> tuple[FloatArray, FloatArray]:
    """Return base and scale (n, K) at points (n, D) of the unit cube."""
    of_units = len(response.population.unit_variables)  # the first axes
    deviations = response.population.deviations_at(np.ascontiguousarray(points[:, :of_units]))
    return response.base_of(deviations, condition, site)


def _sites(response: Response, u: FloatArray) -> IntArray | None:
    return response.site_at(u) if response.design.conditions.sites else None


def _movable(response: Response) -> list[int]:
    """Return the axes that a line may move: not what decides the link's outcome, nor what is correlated with that."""
    fixed = {k for k, d in enumerate(response.dimensions) if d.level == "event" or d.name.startswith(_OF_OUTCOMES)}
    of_units = factor(response.design, response.population.unit_variables)
    if len(of_units):
        fixed |= {int(j) for k in fixed if k < len(of_units) for j in np.flatnonzero(of_units[k])}
    return [k for k in range(len(response.dimensions)) if k not in fixed]


def _asked(weight: float, points: int) -> int:
    """Return how many points of each scramble are asked in a stratum of this probability: a power of two."""
    wanted, asked = points * min(1.0, _FACTOR * weight**_POWER), points
    while asked // 2 >= max(wanted, _LEAST):
        asked //= 2
    return asked

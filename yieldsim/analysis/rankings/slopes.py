"""How a yield changes with each nominal and each tolerance, from samples that are there already.

For laws without limits that move, the derivative is the mean of failing times the score of the input
(`yieldsim.estimate.derivatives`). The density of a uniform law has no derivative at its limits: there the failing
share at both ends of the range is fitted by a polynomial of degree 4 to all of the sample.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.rankings.input_laws import Input, deviations_of, inputs_of
from yieldsim.engine.response import Response
from yieldsim.estimate.derivatives import TOO_FEW, Derivatives, yield_derivatives
from yieldsim.estimate.settled import sure_and_possible
from yieldsim.estimate.unit_completion import UnitCompletion

if TYPE_CHECKING:
    from yieldsim.analysis.rankings.failing import PlainSample

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

COMPLETION, UNIT_YIELD = "completion", "unit yield"
METHOD = (
    "change of the share for a nominal 1 % of itself higher (nominal), for a tolerance 10 % wider by its derivative "
    "(tolerance), for one 10 % narrower outright (narrowed); score function on the samples at hand, of a uniform law "
    "a polynomial of degree 4 to its ends, density ratio where narrowed; Student t over independent rows, two-sided"
)
_ROWS = {COMPLETION: "actuation", UNIT_YIELD: "unit"}  # what a row of the sample is
CUT = 0.1  # part by which a tolerance is narrowed
_UNTOLD: dict[str, Any] = {"nominal": math.nan, "nominal_low": math.nan, "nominal_high": math.nan, "nominal_few": False}


@dataclass(frozen=True)
class Slope:
    """How a yield changes with one input, as a change of the share that completes or complies [1].

    Attributes
    ----------
    of : ``completion`` or ``unit yield``
    name, level, basis : of the input
    nominal, nominal_low, nominal_high : change of the yield for 1 % of the nominal more, with its two-sided interval
        [share]; NaN where `problem` says why
    tolerance, tolerance_low, tolerance_high : change for a tolerance 10 % wider, by its derivative [share]
    narrowed, narrowed_low, narrowed_high : change for a tolerance 10 % narrower, outright [share]
    shown : whether a change is shown, all inputs together at the confidence of the intervals
    problem : why numbers are missing or not to be relied on, or None
    nominal_few, tolerance_few, narrowed_few : whether so few rows decide the number (fewer than 6) that it
        says next to nothing

    Of a parameter with several levels the row of the widest one has the change with the nominal: it is the same.
    """

    of: str
    name: str
    level: str
    basis: str
    nominal: float
    nominal_low: float
    nominal_high: float
    tolerance: float
    tolerance_low: float
    tolerance_high: float
    narrowed: float
    narrowed_low: float
    narrowed_high: float
    shown: bool = False
    problem: str | None = None
    nominal_few: bool = False
    tolerance_few: bool = False
    narrowed_few: bool = False

    @property
    def reach(self) -> float:
        """The larger of the changes [share]; 0 where none is known."""
        pairs = ((self.nominal, self.nominal_few), (self.narrowed, self.narrowed_few))
        return max((abs(x) for x, few in pairs if math.isfinite(x) and not few), default=0.0)


def completion_slopes(response: Response, sample: PlainSample, confidence: float) -> tuple[Slope, ...]:
    """Return how the share of actuations that complete changes with each input, the strongest first.

    Parameters
    ----------
    response : that the sample was drawn with
    sample : independent actuations at one condition, or over the mission
    confidence : of each two-sided interval
    """
    inputs = inputs_of(response.design, response.population)
    deviations = deviations_of(response, sample.points[:, : len(response.dimensions)])
    return _slopes(COMPLETION, inputs, deviations, sample.complete.astype(np.float64), None, confidence)


def unit_yield_slopes(
    response: Response, units: UnitCompletion, numbers: IntArray, required: float, confidence: float
) -> tuple[Slope, ...]:
    """Return how the share of units that reach a completion changes with each input of lot and unit.

    Parameters
    ----------
    response : that the units were run with
    units : completion of the units, in one condition, in several at once, or over their lives
    numbers : (n,) of these units, the addresses of their draws
    required : completion that a unit must reach
    confidence : of each two-sided interval
    """
    population = response.population
    inputs = [one for one in inputs_of(response.design, population) if one.variable.level != "actuation"]
    surely, possibly = sure_and_possible(units, required)
    values = 0.5 * (np.asarray(surely, dtype=np.float64) + np.asarray(possibly, dtype=np.float64))
    clusters = None if response.settings.lots is None else population.lot_of(numbers)
    return _slopes(UNIT_YIELD, inputs, population.unit_deviations(numbers), values, clusters, confidence)


def _slopes(
    of: str,
    inputs: Sequence[Input],
    deviations: FloatArray,
    values: FloatArray,
    clusters: IntArray | None,
    confidence: float,
) -> tuple[Slope, ...]:
    known = [k for k, one in enumerate(inputs) if one.law is not None]
    laws = [law for one in inputs if (law := one.law) is not None]
    rows = {k: _missing(of, one) for k, one in enumerate(inputs)}
    if known:
        x = np.stack([inputs[k].values(deviations[:, k]) for k in known], axis=1)

        def at(level: float) -> Derivatives:
            return yield_derivatives(values, x, laws, clusters=clusters, cut=CUT, confidence=level, edges=True)

        found, together = at(confidence), at(1.0 - (1.0 - confidence) / (2 * len(known)))
        widest = _widest([inputs[k] for k in known])
        for j, k in enumerate(known):
            row = replace(_row(of, inputs[k], found, j, laws[j].spread), shown=_shown(together, j, j in widest))
            rows[k] = row if j in widest else replace(row, **_UNTOLD)
    return tuple(sorted(rows.values(), key=lambda row: (-row.reach, row.name, row.level)))


def _widest(inputs: Sequence[Input]) -> set[int]:
    """The level of each parameter at which it spreads most: its score scatters least."""
    best: dict[str, tuple[float, int]] = {}
    for j, one in enumerate(inputs):
        width = 0.0 if one.law is None else one.law.spread / one.per_cent_of_nominal
        best[one.variable.name] = max(best.get(one.variable.name, (-1.0, -1)), (width, j))
    return {j for _, j in best.values()}


def _shown(found: Derivatives, j: int, nominal: bool) -> bool:
    """Whether the interval of a change that is told leaves 0 out."""
    told = [(found.narrowed_low[j], found.narrowed_high[j], found.narrowed_problem[j])]
    told += [(found.nominal_low[j], found.nominal_high[j], found.nominal_problem[j])] if nominal else []
    return any(low > 0.0 or high < 0.0 for low, high, problem in told if not _few(problem))


def _few(problem: str | None) -> bool:
    return problem is not None and problem.startswith(TOO_FEW)


def _row(of: str, one: Input, found: Derivatives, j: int, spread: float) -> Slope:
    step = one.per_cent_of_nominal
    wider = CUT * spread
    problems = (found.nominal_problem[j], found.spread_problem[j], found.narrowed_problem[j])
    few = [_few(problem) for problem in problems]
    told = dict.fromkeys(text.replace("row", _ROWS[of]) for text in problems if text)
    nominal = _three(found.nominal, found.nominal_low, found.nominal_high, j, step)
    tolerance = _three(found.spread, found.spread_low, found.spread_high, j, wider)
    narrowed = _three(found.narrowed, found.narrowed_low, found.narrowed_high, j, 1.0)
    names = (of, one.variable.name, one.variable.level, one.parameter.basis)
    return Slope(*names, *nominal, *tolerance, *narrowed, False, "; ".join(told) or None, *few)


def _three(value: FloatArray, low: FloatArray, high: FloatArray, j: int, factor: float) -> tuple[float, float, float]:
    return float(value[j]) * factor, float(low[j]) * factor, float(high[j]) * factor


def _missing(of: str, one: Input) -> Slope:
    names = (of, one.variable.name, one.variable.level, one.parameter.basis)
    unknown = (math.nan, math.nan, math.nan)
    return Slope(*names, *unknown, *unknown, *unknown, problem=one.problem)

"""What decides it: how much of the spread of a margin each parameter explains."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import hashlib
import math
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.conditions import condition_problems
from yieldsim.analysis.converging import ConvergenceCurve
from yieldsim.analysis.rankings.correlating import Correlation, Member, Shapley, correlations_of, members_of, shapley_of
from yieldsim.analysis.rankings.groups import Group, groups_in, groups_of
from yieldsim.analysis.rankings.measuring import CONVENTION, Influence, MeasureNext, measure_next
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.analysis.rankings.scene import MISSION, Scene
from yieldsim.analysis.result import Result, provenance
from yieldsim.design.parameter import LEVELS
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.indices import Indices, sobol_indices
from yieldsim.kernel import layout as at
from yieldsim.population.points import coordinate, point_set
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]

__all__ = ["RESPONSES", "RankResult", "RankedParameter", "groups_of", "rank", "worst_condition"]

#: response -> column of a result row, and its unit
RESPONSES = {
    "reserve": (at.RESERVE, "V"),
    "voltage margin": (at.VOLTAGE_MARGIN, "V"),
    "hold-up": (at.HOLD_UP, "s"),
}
REPLICATES = 8
LEAST_EFFORT = 2 * REPLICATES
CONFIDENCE = 0.95
_SCREEN = 512  # points a cell
_LOW = 0.01  # the quantile by which a cell is the worst
_FEW = 30  # events below which an index of theirs says little


@dataclass(frozen=True)
class RankedParameter:
    """One parameter at one level, or several that are drawn together.

    Attributes
    ----------
    name, level : as drawn; ``a + b`` where parameters are correlated, ``link losses`` for frames and
        acknowledgements lost; level ``mission`` for the temperature and the age that a mission draws
    basis : of its numbers
    first, total : first-order and total index [share of variance], with their two-sided intervals
    influence : whether the interval of the total index leaves 0 out
    keeps_place : probability that it would take the same place by total index, were the points scrambled anew
    rank_correlation, partial_rank_correlation : with the response, with their two-sided intervals, from the same
        points [-]; None for several variables together
    members : the correlated parameters one by one, where they are drawn together: the group's indices do not divide
        between them; their correlations overlap, and their Shapley effects share the variance out
    """

    name: str
    level: str
    basis: str
    first: float
    first_low: float
    first_high: float
    total: float
    total_low: float
    total_high: float
    influence: bool
    keeps_place: float
    rank_correlation: float | None = None
    rank_correlation_low: float | None = None
    rank_correlation_high: float | None = None
    partial_rank_correlation: float | None = None
    partial_rank_correlation_low: float | None = None
    partial_rank_correlation_high: float | None = None
    members: tuple[Member, ...] = ()


@dataclass(frozen=True)
class RankResult(Result):
    """The parameters, strongest first.

    Attributes
    ----------
    response : ``reserve``, ``voltage margin`` or ``hold-up``
    temperature_degC, age_yr : the cell; NaN over the mission
    model_calls : actuations computed for the indices
    mean, standard_deviation : of the response [V], of a hold-up [s]
    parameters : by total index, falling
    by_level : level -> first-order index of all its variables together [share of variance]
    by_level_interval : level -> its two-sided interval
    confidence : of each two-sided interval
    method : estimators and intervals
    over_mission : whether temperature and age were drawn as the mission has them
    measure_next : what is worth measuring, the most first
    convergence : how the strongest indices narrow with effort, where it was asked for
    """

    command: ClassVar[str] = "rank"
    response: str
    temperature_degC: float
    age_yr: float
    model_calls: int
    mean: float
    standard_deviation: float
    parameters: tuple[RankedParameter, ...]
    by_level: dict[str, float]
    by_level_interval: dict[str, tuple[float, float]]
    confidence: float
    method: str
    over_mission: bool = False
    measure_next: tuple[MeasureNext, ...] = ()
    convergence: tuple[ConvergenceCurve, ...] = ()

    @property
    def unit(self) -> str:
        """Unit of the response."""
        return RESPONSES[self.response][1]

    def payload(self) -> dict[str, Any]:
        """Return the ranking, strongest first."""
        return {
            "response": self.response,
            "over_mission": self.over_mission,
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
            "model_calls": self.model_calls,
            f"mean_{self.unit}": self.mean,
            f"standard_deviation_{self.unit}": self.standard_deviation,
            "confidence": self.confidence,
            "method": self.method,
            "parameters": [asdict(parameter) for parameter in self.parameters],
            "by_level": self.by_level,
            "by_level_interval": {level: list(ends) for level, ends in self.by_level_interval.items()},
            "measure_next": [asdict(row) for row in self.measure_next],
            "convergence": [curve.payload() for curve in self.convergence],
        }


def rank(
    design: Design,
    settings: Settings,
    condition: Condition | None = None,
    response: str = "reserve",
    progress: Progress | None = None,
    *,
    over_mission: bool = False,
    widths: PlausibleWidths = CONVENTION,
) -> RankResult:
    """Rank what is drawn by its share of the variance of a margin.

    ``settings.effort`` base points are one scrambled Sobol' set in eight parts; the cost is effort times
    the number of groups plus 2, as much again for the levels, and for correlated parameters the effort times their
    number plus 2.

    Parameters
    ----------
    design : Design
    settings : Settings
    condition : the cell; when None, the one whose 1 % quantile of the response is lowest in a small screen
        of all
    response : ``reserve``, ``voltage margin`` or ``hold-up``
    progress : called with model calls done and in all
    over_mission : draw temperature and age as well, as the mission has them, in place of one cell
    widths : how wide tolerances may truly be that nobody has measured, for what to measure next

    Raises
    ------
    InputError : an unknown response, too small an effort, a condition at which the laws do not hold, or one beside
        ``over_mission``
    WorkError : actuations whose response is not a finite number
    """
    problems = _problems(settings, response)
    problems += place_problems(design, condition, over_mission)
    if problems:
        raise InputError(*problems)
    door = Response(design, settings)
    confidence = settings.confidence or CONFIDENCE
    with mapper(settings.threads) as over:
        if condition is None and not over_mission:
            condition = worst_condition(door, response, over)
        scene = Scene(door, condition, over)
        groups = groups_in(scene)
        levels = [level for level in (*LEVELS, MISSION) if any(group.level == level for group in groups)]
        model = _Model(scene, response, progress, len(groups) + 2)
        model.expected = settings.effort * (len(groups) + len(levels) + 2)

        def indices(columns: list[tuple[int, ...]]) -> Indices:
            return sobol_indices(
                model,
                scene.dimension,
                columns,
                settings.effort // REPLICATES,
                REPLICATES,
                settings.seed,
                confidence,
            )

        found = indices([group.columns for group in groups])
        points, values = model.base()
        # A level is a union of groups, so it needs estimates of its own; the base points are remembered.
        united = [tuple(c for g in groups if g.level == level for c in g.columns) for level in levels]
        by_level = indices(united)
        effects = shapley_of(scene, groups, model, settings.effort, confidence)
    correlations = correlations_of(scene, points, values, confidence)
    rows = _ranked(scene, groups, found, correlations, effects)
    influences = [Influence(row.name, row.level, row.basis, row.total, row.influence) for row in rows]
    return RankResult(
        provenance=provenance(design, settings, *_warnings(design, found)),
        response=response,
        temperature_degC=math.nan if condition is None else condition.temperature,
        age_yr=math.nan if condition is None else condition.age,
        model_calls=model.calls,
        mean=found.mean,
        standard_deviation=float(np.sqrt(found.variance)),
        parameters=rows,
        by_level={level: float(by_level.first[k]) for k, level in enumerate(levels)},
        by_level_interval={
            level: (float(by_level.first_low[k]), float(by_level.first_high[k])) for k, level in enumerate(levels)
        },
        confidence=confidence,
        method=f"{found.method}; intervals two-sided",
        over_mission=over_mission,
        measure_next=measure_next(design, influences, widths),
    )


def place_problems(design: Design, condition: Condition | None, over_mission: bool) -> list[Problem]:
    """Return what is wrong with the place at which something is to be ranked."""
    if condition is None:
        return []
    if over_mission:
        place = f"{condition.temperature:g} degC, {condition.age:g} yr"
        reason = "a mission has temperatures and ages of its own"
        return [Problem(None, "condition", place, reason, "name a condition, or rank over the mission")]
    return list(condition_problems(design, condition))


def _problems(settings: Settings, response: str) -> list[Problem]:
    problems = []
    if response not in RESPONSES:
        *most, last = RESPONSES
        known = f"{', '.join(most)} or {last}"
        problems.append(Problem(None, "response", response, "no such response", f"use {known}"))
    if settings.effort < LEAST_EFFORT:
        reason = f"an interval needs {REPLICATES} parts of two points or more"
        problems.append(Problem(None, "effort", str(settings.effort), reason, f"use {LEAST_EFFORT} or more"))
    return problems


def _warnings(design: Design, found: Indices) -> tuple[str, ...]:
    warned = []
    link = design.link
    chance = link.frame_loss.nominal + link.acknowledgement_loss.nominal
    met = chance * found.replicates * found.base_points
    if link.signal_to_noise is None and 0.0 < met < _FEW:
        warned.append(
            f"about {met:.2g} of the base points lose a frame or its acknowledgement, "
            f"too few to rank the losses: use an effort of {_power_of_two(_FEW / chance)} or more, "
            "or read the shares by attempts of `yield`"
        )
    if found.constant:
        warned.append("the response does not vary: nothing can be ranked")
    if design.conditions.sites:
        warned.append("the ranking ages every unit by conditions.mission, not by that of its site")
    return tuple(warned)


def _power_of_two(least: float) -> int:
    return 1 << math.ceil(math.log2(least))


def _ranked(
    scene: Scene,
    groups: tuple[Group, ...],
    found: Indices,
    correlations: tuple[Correlation, ...] | None,
    effects: dict[int, Shapley],
) -> tuple[RankedParameter, ...]:
    order = sorted(range(len(groups)), key=lambda k: (-found.total[k], groups[k].name, groups[k].level))
    place = {k: j for j, k in enumerate(order)}
    rows = []
    for k, group in enumerate(groups):
        row = RankedParameter(
            name=group.name,
            level=group.level,
            basis=group.basis,
            first=float(found.first[k]),
            first_low=float(found.first_low[k]),
            first_high=float(found.first_high[k]),
            total=float(found.total[k]),
            total_low=float(found.total_low[k]),
            total_high=float(found.total_high[k]),
            influence=bool(found.influence[k]),
            keeps_place=float(found.places[k, place[k]]),
            members=members_of(scene.response.design, group, correlations, effects),
        )
        if correlations is not None and len(group.columns) == 1:
            own = asdict(correlations[group.columns[0]])
            row = replace(row, **own)
        rows.append(row)
    return tuple(rows[k] for k in order)


# --- the model ----------------------------------------------------------------------------------------------


class _Model:
    """The response at points of the unit cube; points seen before are not computed again.

    Of the first ``group_calls`` calls of a piece the first two are the base points, which are kept.
    """

    def __init__(self, scene: Scene, response: str, progress: Progress | None, group_calls: int) -> None:
        self.scene, self.progress, self.group_calls = scene, progress, group_calls
        self.name, self.column = response, RESPONSES[response][0]
        self.calls = 0
        self.expected = 0
        self._asked = 0
        self._base: list[tuple[FloatArray, FloatArray]] = []
        self._seen: dict[bytes, FloatArray] = {}

    def __call__(self, points: FloatArray) -> FloatArray:
        """Return the response (n,) [V] or [s] at points (n, d)."""
        key = hashlib.blake2b(np.ascontiguousarray(points).tobytes(), digest_size=16).digest()
        if key not in self._seen:
            self._seen[key] = self.scene.column(points, self.column, self.name)
            self.calls += len(points)
            if self.progress is not None:
                self.progress(min(self.calls, self.expected), self.expected)
        if self._asked % self.group_calls < 2:
            self._base.append((points.copy(), self._seen[key]))
        self._asked += 1
        return self._seen[key]

    def base(self) -> tuple[FloatArray, FloatArray]:
        """Return the base points (n, d) so far and the response (n,) there."""
        points, values = zip(*self._base, strict=True)
        return np.concatenate(points), np.concatenate(values)


def worst_condition(door: Response, response: str, over: Mapper) -> Condition:
    """Return the cell whose 1 % quantile of the response is lowest, by 512 Sobol' points in each."""
    names = [
        coordinate(axis.name if axis.attempt < 1 else f"{axis.name}.attempt_{axis.attempt + 1}", axis.level)
        for axis in door.dimensions
    ]
    points = point_set(names, _SCREEN, door.settings.seed)
    conditions = door.design.conditions
    cells = [Condition(t, a) for a in sorted(conditions.ages) for t in sorted(conditions.temperatures)]
    column = RESPONSES[response][0]

    def low(cell: Condition) -> float:
        return float(np.quantile(Scene(door, cell, over).column(points, column, response), _LOW))

    return min(cells, key=low)

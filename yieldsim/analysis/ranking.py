"""What decides it: how much of the spread of a margin each parameter explains."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import hashlib
import math
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.conditions import condition_problems
from yieldsim.analysis.result import Result, provenance
from yieldsim.design.parameter import LEVELS
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.response import MESSAGE, PRESS, Dimension, Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.indices import Indices, sobol_indices
from yieldsim.kernel import layout as at
from yieldsim.population.points import coordinate, point_set
from yieldsim.words.errors import InputError, Problem, WorkError

FloatArray = NDArray[np.float64]

RESPONSES = {"reserve": at.RESERVE, "voltage margin": at.VOLTAGE_MARGIN}
LINK_LOSSES = "link losses"
BACKOFF = "link.backoff"
ACTUATION = "actuation"
GIVEN = "given"  # basis of what the application brings with it, no number of a part
REPLICATES = 8
LEAST_EFFORT = 2 * REPLICATES
_CONFIDENCE = 0.95
_SCREEN = 512  # points a cell
_LOW = 0.01  # the quantile by which a cell is the worst
_ROWS = 256  # at a time
_FEW = 30  # events below which an index of theirs says little


@dataclass(frozen=True)
class RankedParameter:
    """One parameter at one level, or several that are drawn together.

    Attributes
    ----------
    name, level : as drawn; ``a + b`` where parameters are correlated, `LINK_LOSSES` for frames and
        acknowledgements lost
    basis : of its numbers
    first, total : first-order and total index [share of variance], with their two-sided intervals
    influence : whether the interval of the total index leaves 0 out
    keeps_place : probability that it would take the same place by total index, were the points scrambled anew
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


@dataclass(frozen=True)
class RankResult(Result):
    """The parameters, strongest first.

    Attributes
    ----------
    response : ``reserve`` or ``voltage margin``
    temperature_degC, age_yr : the cell
    model_calls : actuations computed for the indices
    mean, standard_deviation : of the response [V]
    parameters : by total index, falling
    by_level : level -> first-order index of all its variables together [share of variance]
    by_level_interval : level -> its two-sided interval
    confidence : of each two-sided interval
    method : estimators and intervals
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

    def payload(self) -> dict[str, Any]:
        """Return the ranking, strongest first."""
        return {
            "response": self.response,
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
            "model_calls": self.model_calls,
            "mean_V": self.mean,
            "standard_deviation_V": self.standard_deviation,
            "confidence": self.confidence,
            "method": self.method,
            "parameters": [asdict(parameter) for parameter in self.parameters],
            "by_level": self.by_level,
            "by_level_interval": {level: list(ends) for level, ends in self.by_level_interval.items()},
        }


@dataclass(frozen=True)
class Group:
    """Axes of the unit cube that are moved together."""

    name: str
    level: str
    basis: str
    columns: tuple[int, ...]


def rank(
    design: Design,
    settings: Settings,
    condition: Condition | None = None,
    response: str = "reserve",
    progress: Progress | None = None,
) -> RankResult:
    """Rank what is drawn by its share of the variance of a margin.

    ``settings.effort`` base points are one scrambled Sobol' set in eight parts; the cost is effort times
    the number of groups plus 2, and as much again for the three levels.

    Parameters
    ----------
    design : Design
    settings : Settings
    condition : the cell; when None, the one whose 1 % quantile of the response is lowest in a small screen
        of all
    response : ``reserve`` or ``voltage margin``
    progress : called with model calls done and in all

    Raises
    ------
    InputError : an unknown response, too small an effort, or a condition at which the laws do not hold
    WorkError : actuations whose response is not a finite number
    """
    problems = _problems(settings, response)
    if condition is not None:
        problems.extend(condition_problems(design, condition))
    if problems:
        raise InputError(*problems)
    door = Response(design, settings)
    confidence = settings.confidence or _CONFIDENCE
    with mapper(settings.threads) as over:
        if condition is None:
            condition = worst_condition(door, response, over)
        groups = groups_of(door)
        levels = [level for level in LEVELS if any(group.level == level for group in groups)]
        dimension = len(door.dimensions)
        model = _Model(door, condition, response, over, progress)
        model.expected = settings.effort * (len(groups) + len(levels) + 2)

        def indices(columns: list[tuple[int, ...]]) -> Indices:
            return sobol_indices(
                model,
                dimension,
                columns,
                settings.effort // REPLICATES,
                REPLICATES,
                settings.seed,
                confidence,
            )

        found = indices([group.columns for group in groups])
        # A level is a union of groups, so it needs estimates of its own; the base points are remembered.
        united = [tuple(c for g in groups if g.level == level for c in g.columns) for level in levels]
        by_level = indices(united)
    return RankResult(
        provenance=provenance(design, settings, *_warnings(design, found)),
        response=response,
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        model_calls=model.calls,
        mean=found.mean,
        standard_deviation=float(np.sqrt(found.variance)),
        parameters=_ranked(groups, found),
        by_level={level: float(by_level.first[k]) for k, level in enumerate(levels)},
        by_level_interval={
            level: (float(by_level.first_low[k]), float(by_level.first_high[k])) for k, level in enumerate(levels)
        },
        confidence=confidence,
        method=f"{found.method}; intervals two-sided",
    )


def _problems(settings: Settings, response: str) -> list[Problem]:
    problems = []
    if response not in RESPONSES:
        known = " or ".join(RESPONSES)
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


def _ranked(groups: tuple[Group, ...], found: Indices) -> tuple[RankedParameter, ...]:
    order = sorted(range(len(groups)), key=lambda k: (-found.total[k], groups[k].name, groups[k].level))
    place = {k: j for j, k in enumerate(order)}
    rows = [
        RankedParameter(
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
        )
        for k, group in enumerate(groups)
    ]
    return tuple(rows[k] for k in order)


# --- groups -------------------------------------------------------------------------------------------------


def groups_of(response: Response) -> tuple[Group, ...]:
    """Return the groups of axes: a variable with all its attempts, the link's draws, correlated variables."""
    design = response.design
    columns: dict[tuple[str, str], list[int]] = {}
    for k, axis in enumerate(response.dimensions):
        columns.setdefault(_place(design, axis), []).append(k)
    return tuple(Group(name, level, _basis(design, name), tuple(members)) for (name, level), members in columns.items())


def _place(design: Design, axis: Dimension) -> tuple[str, str]:
    """Name and level of the group that an axis belongs to."""
    if axis.level == "event":
        if axis.name in ("link.frame_loss", "link.acknowledgement_loss"):
            return LINK_LOSSES, ACTUATION
        return (BACKOFF if axis.name.startswith(f"{BACKOFF}.") else axis.name), ACTUATION
    joined = _joined(design, axis.name, axis.level)
    return " + ".join(name for name in design.parameters if name in joined), axis.level


def _joined(design: Design, name: str, level: str) -> set[str]:
    """Return the parameters correlated with one at a level, directly or through others, itself included."""
    found = {name}
    sets = [set(c.between) for c in design.correlations if c.level == level]
    while True:
        wider = found.union(*(members for members in sets if members & found))
        if wider == found:
            return found
        found = wider


def _basis(design: Design, name: str) -> str:
    """Bases of the parameters behind a group, each once."""
    link = design.link
    if name == MESSAGE:
        return GIVEN
    if name == PRESS and design.harvester is not None and design.harvester.partial is not None:
        return design.harvester.partial.share.basis
    if name == LINK_LOSSES:
        losses = (link.frame_loss, link.acknowledgement_loss)
        parameters = [link.signal_to_noise] if link.signal_to_noise is not None else list(losses)
    elif name == BACKOFF and link.backoff is not None:
        parameters = [link.backoff.busy, link.backoff.unit]
    elif name.endswith(".latency"):
        step = name.removesuffix(".latency")
        parameters = [design.parameters[f"{step}.spread"]]
    else:
        parameters = [design.parameters[part] for part in name.split(" + ")]
    return " + ".join(dict.fromkeys(p.basis for p in parameters))


# --- the model ----------------------------------------------------------------------------------------------


class _Model:
    """The response at points of the unit cube, over a mapper; points seen before are not computed again."""

    def __init__(
        self, door: Response, condition: Condition, response: str, over: Mapper, progress: Progress | None
    ) -> None:
        self.door, self.condition, self.over, self.progress = door, condition, over, progress
        self.name = response
        self.calls = 0
        self.expected = 0
        self._seen: dict[bytes, FloatArray] = {}

    def __call__(self, points: FloatArray) -> FloatArray:
        """Return the response (n,) [V] at points (n, d)."""
        key = hashlib.blake2b(np.ascontiguousarray(points).tobytes(), digest_size=16).digest()
        if key not in self._seen:
            self._seen[key] = evaluate(self.door, points, self.condition, self.name, self.over)
            self.calls += len(points)
            if self.progress is not None:
                self.progress(min(self.calls, self.expected), self.expected)
        return self._seen[key]


def evaluate(door: Response, points: FloatArray, condition: Condition, response: str, over: Mapper) -> FloatArray:
    """Return the response (n,) [V] at points (n, d) of the unit cube.

    Raises
    ------
    WorkError : it is not finite somewhere
    """
    column = RESPONSES[response]

    def work(some: FloatArray) -> FloatArray:
        answer: FloatArray = door.respond(some, condition)[0][:, column]
        return answer

    parts = [points[k : k + _ROWS] for k in range(0, len(points), _ROWS)]
    values = np.concatenate(list(over.map(work, parts)))
    lost = np.flatnonzero(~np.isfinite(values))
    if lost.size:
        place = f"{condition.temperature:g} degC and {condition.age:g} yr"
        raise WorkError(
            Problem(
                door.design.source.name if door.design.source is not None else None,
                response,
                None,
                f"not a finite number in {lost.size} of {len(values)} actuations at {place}",
                "look at the outcome `not finished` of `yieldsim yield`, and open one of its addresses",
            )
        )
    return values


def worst_condition(door: Response, response: str, over: Mapper) -> Condition:
    """Return the cell whose 1 % quantile of the response is lowest, by 512 Sobol' points in each."""
    names = [
        coordinate(axis.name if axis.attempt < 1 else f"{axis.name}.attempt_{axis.attempt + 1}", axis.level)
        for axis in door.dimensions
    ]
    points = point_set(names, _SCREEN, door.settings.seed)
    conditions = door.design.conditions
    cells = [Condition(t, a) for a in sorted(conditions.ages) for t in sorted(conditions.temperatures)]
    return min(cells, key=lambda cell: float(np.quantile(evaluate(door, points, cell, response, over), _LOW)))

"""Until when: completion and unit yield over the years, first falls, the laws that cost most, and a fleet's losses."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.lives.ages import DEFAULT_AGES, ages_until, horizon_of
from yieldsim.analysis.lives.curves import EVERY, MISSION, Asked, LifeCurve, curve_of
from yieldsim.analysis.lives.fleet import DEFAULT_NODES, FleetLosses, check_nodes, fleet_losses
from yieldsim.analysis.lives.laws import AgeingOff, LawCost, answering_for, cost_of, reserves, without_each_law
from yieldsim.analysis.lives.units import capped, lost_by_the_link, mixed_completion
from yieldsim.analysis.mission import age_weights, over_the_mission
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.verdict import Judged, Verdict, judged, more_units, overall, percent
from yieldsim.analysis.yields import confidence_of
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks, stack_cells

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Both = tuple[UnitCompletion, UnitCompletion]  # by completion, by energy alone
Task = Callable[[], Any]

DEFAULT_UNITS = 320  # 299 or more: fewer could not show a B1 life, were none of them ever to fall
# Without a requirement the brackets of a unit's completion are as narrow as for this one.
_RESOLVED = 0.999


@dataclass(frozen=True)
class LifeResult(Result):
    """The units of a design over their lives.

    Attributes
    ----------
    confidence : of each one-sided bound
    horizon_yr, service_life_yr : the last age, and the life that the design states
    actuations_per_day : None where the file does not say it
    ages_yr : the grid
    curves : every condition, over the mission, then by temperature
    laws : what each law of ageing costs at the horizon, dearest reserve first; empty where nothing ages
    worst_temperature_degC : where the completion is lowest at the horizon; the laws are told there
    fleet : what a fleet loses
    requirement, verdict, judged : what is required, and whether the units keep to it up to the horizon
    """

    command: ClassVar[str] = "life"
    confidence: float
    horizon_yr: float
    service_life_yr: float
    actuations_per_day: float | None
    ages_yr: tuple[float, ...]
    curves: tuple[LifeCurve, ...]
    laws: tuple[LawCost, ...]
    worst_temperature_degC: float
    fleet: FleetLosses
    requirement: Requirement | None
    verdict: Verdict
    judged: tuple[Judged, ...]

    @property
    def binding(self) -> LifeCurve:
        """The curve that the requirement applies to; that over the mission without a requirement."""
        return next((curve for curve in self.curves if curve.binding), self.curve(MISSION))

    def curve(self, place: str) -> LifeCurve:
        """Return the curve of a place by its name."""
        return next(curve for curve in self.curves if curve.place == place)

    @property
    def temperatures(self) -> tuple[LifeCurve, ...]:
        """The curves of single temperatures."""
        return tuple(curve for curve in self.curves if curve.temperature_degC is not None)

    def payload(self) -> dict[str, Any]:
        """Return curves, lives, laws, fleet and verdict."""
        return {
            "confidence": self.confidence,
            "horizon_yr": self.horizon_yr,
            "service_life_yr": self.service_life_yr,
            "actuations_per_day": self.actuations_per_day,
            "ages_yr": self.ages_yr,
            "curves": [curve.payload() for curve in self.curves],
            "laws": [law.payload() for law in self.laws],
            "worst_temperature_degC": self.worst_temperature_degC,
            "fleet": self.fleet.payload(),
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.verdict.word,
            "deciding_bound": self.verdict.deciding_bound,
            "reason": self.verdict.reason,
            "more_units": self.verdict.more_units,
        }


def life(
    design: Design,
    settings: Settings | None = None,
    until: float | None = None,
    ages: int = DEFAULT_AGES,
    nodes: int = DEFAULT_NODES,
    progress: Progress | None = None,
    over: Mapper | None = None,
) -> LifeResult:
    """Follow the same units through their lives, on the same draws at every age and temperature.

    Parameters
    ----------
    design : Design
    settings : effort and seed; `DEFAULT_UNITS` units when left out. Actuations serve the mean reserve alone:
        completions are worked out for each unit.
    until : last age [yr]; the service life when None
    ages : how many ages are looked at, 0 and the last one among them; more where the design states more
    nodes : in the fleet whose losses are told
    progress : called with pieces of work done and in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out. The result is the same.

    Returns
    -------
    LifeResult

    Raises
    ------
    InputError : an age, a number of ages, a fleet or a confidence out of range, or what `Response` refuses
    """
    settings = Settings(units=DEFAULT_UNITS) if settings is None else settings
    confidence = confidence_of(design, settings)
    horizon = horizon_of(design, until)
    grid = ages_until(design, horizon, ages)
    check_nodes(nodes)
    if over is None:
        with mapper(settings.threads) as threads:
            return _followed(design, settings, grid, nodes, confidence, _Work(threads, progress))
    return _followed(design, settings, grid, nodes, confidence, _Work(over, progress))


def _followed(
    design: Design, settings: Settings, grid: tuple[float, ...], nodes: int, confidence: float, work: _Work
) -> LifeResult:
    response = Response(design, settings)
    clusters = None if settings.lots is None else response.population.lot_of(np.arange(settings.units))
    places = _Places(design, response.site_of(np.arange(settings.units)) if design.conditions.sites else None)
    offs = list(without_each_law(design))
    work.expect(len(blocks(settings.units)) * (len(grid) + len(offs)) * len(places.temperatures))
    cells = _run(work, response, [Condition(t, a) for a in grid for t in places.temperatures])
    asked = Asked(grid, design.conditions.actuations_per_day, design.requirement, clusters, confidence)
    curves = _curves(places, cells, asked)
    worst = min(
        (curve for curve in curves if curve.temperature_degC in design.conditions.temperatures),
        key=lambda curve: 2.0 if (end := curve.points[-1].completion) is None else end.value,
    )
    worst_temperature = float(worst.temperature_degC or 0.0)
    laws = _laws(work, response, places, cells, offs, worst_temperature, asked)
    units = _judged(design, settings, curves, grid[-1])
    return LifeResult(
        provenance=provenance(design, settings, *_warned(design)),
        confidence=confidence,
        horizon_yr=grid[-1],
        service_life_yr=design.conditions.service_life,
        actuations_per_day=design.conditions.actuations_per_day,
        ages_yr=grid,
        curves=curves,
        laws=laws,
        worst_temperature_degC=worst_temperature,
        fleet=_fleet(places, cells, asked, nodes, settings.seed, curves),
        requirement=design.requirement,
        verdict=overall(units, (), (worst_temperature, grid[-1])),
        judged=() if units is None else (units,),
    )


def _warned(design: Design) -> tuple[str, ...]:
    if any(parameter.ageing for parameter in design.parameters.values()):
        return ()
    return ("no parameter has a law of ageing: every age is like the first",)


# --- where the units are -----------------------------------------------------------------------------------


class _Places:
    """Temperatures that are run, which of them bind, and what each weighs in a unit's mission."""

    def __init__(self, design: Design, site_of: IntArray | None) -> None:
        conditions = design.conditions
        missions = [site.mission for site in conditions.sites] or [conditions.mission]
        weighed = {t for mission in missions for t, share in mission if share > 0.0}
        self.binding = tuple(sorted(conditions.temperatures))
        self.temperatures = tuple(sorted({*self.binding, *weighed}))
        rows = []
        for mission in missions:
            shares = dict(mission)
            total = sum(shares.values())
            rows.append([shares.get(t, 0.0) / total for t in self.temperatures])
        self._shares = np.array(rows).T  # (T, sites)
        self._site_of = site_of

    def mission_weights(self, n: int) -> FloatArray:
        """Share of each temperature in each unit's mission, (T, n)."""
        if self._site_of is None:
            return np.repeat(self._shares, n, axis=1)
        return np.asarray(self._shares[:, self._site_of])

    def together(self, cells: Sequence[UnitCompletion]) -> UnitCompletion:
        """All binding temperatures at one age, from those of all temperatures: arrays (cells, n)."""
        return stack_cells([cell for t, cell in zip(self.temperatures, cells, strict=True) if t in self.binding])

    def mixed(self, cells: Sequence[UnitCompletion]) -> UnitCompletion:
        """The mission's mean at one age, from completions at all temperatures: arrays (n,)."""
        return mixed_completion(cells, self.mission_weights(cells[0].low.size))


# --- the run -----------------------------------------------------------------------------------------------


class _Work:
    """Runs pieces of work and counts them."""

    def __init__(self, over: Mapper, progress: Progress | None) -> None:
        self._over, self._progress = over, progress
        self._done, self._of = 0, 0

    def expect(self, pieces: int) -> None:
        """Say how many pieces there will be in all."""
        self._of = pieces

    def each(self, function: Callable[[Any], Any], tasks: Sequence[Any]) -> list[Any]:
        """Return the answers in the order of the tasks."""
        answers = []
        for answer in self._over.map(function, tasks):
            answers.append(answer)
            self._done += 1
            if self._progress is not None and self._of:
                self._progress(min(self._done, self._of), self._of)
        return answers


def _run(work: _Work, response: Response, conditions: Sequence[Condition]) -> dict[Condition, Both]:
    """Completion of every unit in every condition, by completion and by energy."""
    requirement = response.design.requirement
    required = None if requirement is None else requirement.completion
    steering = _RESOLVED if required is None else required
    parts = blocks(response.settings.units)

    def one(task: tuple[Condition, IntArray]) -> Both:
        answer = run_block(response, *task, 1, steering)
        if answer.completion is None or answer.energy is None:
            raise ValueError("a block without completions of its units")
        return capped(answer.completion, 1.0 - lost_by_the_link(response, *task)), answer.energy

    answers = work.each(one, [(condition, units) for condition in conditions for units in parts])
    found = {}
    for k, condition in enumerate(conditions):
        mine = answers[k * len(parts) : (k + 1) * len(parts)]
        found[condition] = (join_blocks([a[0] for a in mine]), join_blocks([a[1] for a in mine]))
    return found


def _curves(places: _Places, cells: dict[Condition, Both], asked: Asked) -> tuple[LifeCurve, ...]:
    def at(age: float, question: int) -> list[UnitCompletion]:
        return [cells[Condition(t, age)][question] for t in places.temperatures]

    both = [[at(age, question) for age in asked.ages] for question in (0, 1)]
    every = [[places.together(one) for one in by_age] for by_age in both]
    mission = [[places.mixed(one) for one in by_age] for by_age in both]
    curves = [curve_of(EVERY, None, every[0], every[1], asked), curve_of(MISSION, None, mission[0], mission[1], asked)]
    for k, t in enumerate(places.temperatures):
        alone = [[one[k] for one in by_age] for by_age in both]
        curves.append(curve_of(f"{t:g} degC", t, alone[0], alone[1], asked))
    return tuple(curves)


def _laws(
    work: _Work,
    response: Response,
    places: _Places,
    cells: dict[Condition, Both],
    offs: Sequence[AgeingOff],
    worst: float,
    asked: Asked,
) -> tuple[LawCost, ...]:
    """What each law costs at the last age, the dearest first."""
    if not offs:
        return ()
    age, settings = asked.ages[-1], response.settings
    mission = over_the_mission(response.design)
    here = Condition(worst, age)

    def binding(answers: dict[Condition, Both]) -> UnitCompletion:
        at_end = [answers[Condition(t, age)][0] for t in places.temperatures]
        return places.mixed(at_end) if mission else places.together(at_end)

    def reserve(other: Response) -> FloatArray:
        parts = blocks(settings.units)
        found = work.each(lambda units: reserves(other, here, units, settings.actuations), parts)
        return np.concatenate(found)

    with_all = binding(cells), reserve(response)
    costs = []
    for off in offs:
        other = answering_for(response, off.design)
        answers = _run(work, other, [Condition(t, age) for t in places.temperatures])
        costs.append(
            cost_of(
                off,
                (answers[here][0], cells[here][0]),
                (binding(answers), with_all[0]),
                (reserve(other), with_all[1]),
                asked.required,
                asked.clusters,
                asked.confidence,
            )
        )
    return tuple(sorted(costs, key=lambda cost: -np.inf if cost.reserve is None else -cost.reserve.value))


def _fleet(
    places: _Places,
    cells: dict[Condition, Both],
    asked: Asked,
    nodes: int,
    seed: int,
    curves: Sequence[LifeCurve],
) -> FleetLosses:
    """Losses over the mission and the years up to the last age."""
    years = age_weights(list(asked.ages))
    n = next(iter(cells.values()))[0].low.size
    mission = places.mission_weights(n)
    weights = np.concatenate([year * mission for year in years])
    ordered = [cells[Condition(t, age)] for age in asked.ages for t in places.temperatures]
    whole = (
        mixed_completion([both[0] for both in ordered], weights),
        mixed_completion([both[1] for both in ordered], weights),
    )
    over = next(curve for curve in curves if curve.place == MISSION)
    by_age = [(point.age_yr, point.completion) for point in over.points if point.completion is not None]
    return fleet_losses(nodes, asked.actuations_per_day, whole, by_age, asked.clusters, asked.confidence, seed)


# --- what is required --------------------------------------------------------------------------------------


def _judged(design: Design, settings: Settings, curves: Sequence[LifeCurve], horizon: float) -> Judged | None:
    requirement = design.requirement
    if requirement is None or requirement.unit_yield is None or requirement.completion is None:
        return None
    kept = next(curve for curve in curves if curve.binding).outliving
    if kept is None:
        return None
    where = MISSION if over_the_mission(design) else f"in {EVERY}"
    subject = f"of units keep to {percent(requirement.completion)} completion {where} up to {horizon:g} yr"
    more = None
    if settings.lots is None:  # with lots the bounds rest on their number, not on that of the units
        more = more_units(kept.value, settings.units, requirement.unit_yield, kept.confidence)
    return judged("unit yield", kept, requirement.unit_yield, subject, more)

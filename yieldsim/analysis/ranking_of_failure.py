"""What causes failures: a ranking of failure itself, from the actuations that fail.

Shares of the variance of pass or fail are not given: as failures become rare, every first-order share tends to 0 and
every total one to 1, which ranks nothing. What is told is how differently the failing actuations are drawn from all of
them (`yieldsim.estimate.failure_ranking`).
"""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

from yieldsim.analysis.ranking import CONFIDENCE, LEAST_EFFORT, place_problems, worst_condition
from yieldsim.analysis.rankings.failing import ENOUGH, FEW, PLAIN, FailingSample, from_plain, from_search, plain_sample
from yieldsim.analysis.rankings.groups import Group, groups_in
from yieldsim.analysis.rankings.measuring import CONVENTION, Influence, MeasureNext, measure_next
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.analysis.rankings.slopes import METHOD, Slope, completion_slopes
from yieldsim.analysis.rankings.unit_changes import UnitChanges, ranked_unit_changes
from yieldsim.analysis.result import Result, provenance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Progress, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.failure_ranking import FailureRanking, rank_failures
from yieldsim.words.errors import InputError, Problem

FAILURE = "failure"
LOW, HIGH, BOTH, NO_SIDE = "low", "high", "both ends", ""
_SHIFTED = 0.1  # of a standard deviation, from which failures lie at one side
_DIVIDED = 1.1  # spread from which they lie at both


@dataclass(frozen=True)
class FailureCause:
    """One parameter at one level, or several that are drawn together.

    Attributes
    ----------
    name, level, basis : as in a ranking of a margin
    influence_nat, influence_low_nat, influence_high_nat : what "it failed" tells about the draw at least, with its
        two-sided interval [nat]
    share : of the sum of all influences
    shift : mean of the normal score among failures [standard deviations of the population]
    spread : standard deviation of it among failures, 1 in the population [-]
    side : where failures lie: ``low``, ``high``, ``both ends``; empty for what is no number of a part
    influence : whether an influence is shown, all rows together at the confidence
    tied : whether it is not shown to be stronger than the row below
    keeps_place : probability that it would take the same place in another sample of the same size
    """

    name: str
    level: str
    basis: str
    influence_nat: float
    influence_low_nat: float
    influence_high_nat: float
    share: float
    shift: float
    spread: float
    side: str
    influence: bool
    tied: bool
    keeps_place: float


@dataclass(frozen=True)
class FailureRankResult(Result):
    """The causes of failure, strongest first.

    Attributes
    ----------
    temperature_degC, age_yr : the cell; NaN over the mission
    over_mission : whether temperature and age were drawn as the mission has them
    failure, failure_low, failure_high : probability that an actuation fails for want of energy, two-sided interval
    sample : ``plain sample``, or ``by outcomes of the link``, each with a sample or a tail search of its own
    failing : failing actuations behind the ranking
    effective : equally weighted, independent ones that tell as much
    model_calls : actuations computed
    parameters : by influence, falling
    confidence : of intervals, of ties, and of the claim of an influence
    method : how influence is measured
    flag : what keeps the ranking from being relied on, or None
    measure_next : what is worth measuring, the most first
    slopes : how the share of actuations that complete changes with each nominal and tolerance; empty where fewer than
        30 failures were met by a plain sample
    unit_changes : how the share of units that comply there changes with each of lots and units; None where nothing is
        required of a unit, or it was not asked for
    """

    command: ClassVar[str] = "rank"
    temperature_degC: float
    age_yr: float
    over_mission: bool
    failure: float
    failure_low: float
    failure_high: float
    sample: str
    failing: int
    effective: float
    model_calls: int
    parameters: tuple[FailureCause, ...]
    confidence: float
    method: str
    flag: str | None
    measure_next: tuple[MeasureNext, ...]
    slopes: tuple[Slope, ...] = ()
    unit_changes: UnitChanges | None = None
    response: str = FAILURE

    def payload(self) -> dict[str, Any]:
        """Return the ranking, strongest first."""
        place = ("response", "over_mission", "temperature_degC", "age_yr")
        of_sample = ("failure", "failure_low", "failure_high", "sample", "failing", "effective", "model_calls")
        names = (*place, *of_sample, "confidence", "method", "flag")
        return {
            **{name: getattr(self, name) for name in names},
            "parameters": [asdict(row) for row in self.parameters],
            "measure_next": [asdict(row) for row in self.measure_next],
            "slopes": [asdict(row) for row in self.slopes],
            "slopes_method": METHOD if self.slopes else None,
            "unit_changes": None if self.unit_changes is None else self.unit_changes.payload(),
        }


def rank_failure(
    design: Design,
    settings: Settings,
    condition: Condition | None = None,
    progress: Progress | None = None,
    *,
    over_mission: bool = False,
    search: bool = True,
    unit_yield: bool = True,
    widths: PlausibleWidths = CONVENTION,
) -> FailureRankResult:
    """Rank what is drawn by its influence on a failure for want of energy.

    Actuations are drawn until 500 have failed, at most 128 times the effort. Where fewer than 300 fail at one
    condition, failures are looked for outcome by outcome of the link, by tail searches where need be, and the few are
    kept where that leaves a doubt; over the mission the result says how many actuations would see enough.

    Parameters
    ----------
    design : Design
    settings : ``effort``, seed, accuracy, confidence and threads are used; units for the change of unit yield
    condition : the cell; when None, the one whose 1 % quantile of the voltage margin is lowest in a small screen of all
    progress : called with what is done and of how much
    over_mission : draw temperature and age as well, as the mission has them, in place of one cell
    search : whether the tail may be searched, which takes a minute or two where failures are rarer than 1e-6
    unit_yield : whether to run the units of the settings as well, for the change of the share of units that comply
    widths : how wide tolerances may truly be that nobody has measured, for what to measure next

    Raises
    ------
    InputError : too small an effort, a condition at which the laws do not hold, or one beside ``over_mission``
    """
    problems = place_problems(design, condition, over_mission)
    if settings.effort < LEAST_EFFORT:
        reason = "too few actuations to meet failures"
        problems.append(Problem(None, "effort", str(settings.effort), reason, f"use {LEAST_EFFORT} or more"))
    if problems:
        raise InputError(*problems)
    door = Response(design, settings)
    confidence = settings.confidence or CONFIDENCE
    with mapper(settings.threads) as over:
        if condition is None and not over_mission:
            condition = worst_condition(door, "voltage margin", over)
        scene = Scene(door, condition, over)
        plain = plain_sample(scene, settings.effort, progress)
        sample = from_plain(plain, confidence)
        enough = len(sample.scores) >= FEW
        if search and len(sample.scores) < ENOUGH and condition is not None:
            found = from_search(scene, settings.effort, confidence)
            # what a search leaves in doubt is no better than the few failures that were met
            sample = found if found.flag is None or not enough else sample
        changes = ranked_unit_changes(door, condition, over, confidence) if unit_yield else None
    slopes = completion_slopes(door, plain, confidence) if enough else ()
    return replace(failure_ranking(scene, sample, confidence, widths), slopes=slopes, unit_changes=changes)


def failure_ranking(
    scene: Scene, sample: FailingSample, confidence: float, widths: PlausibleWidths = CONVENTION
) -> FailureRankResult:
    """Rank what is drawn from failing actuations that are there already.

    Parameters
    ----------
    scene : where they come from
    sample : failing actuations
    confidence : of intervals, of ties, and of the claim of an influence
    widths : how wide tolerances may truly be that nobody has measured
    """
    design, settings = scene.response.design, scene.response.settings
    groups = groups_in(scene)
    found = rank_failures(
        sample.scores, sample.weights, sample.sources, [g.columns for g in groups], confidence, settings.seed
    )
    rows = tuple(_cause(groups[k], found, int(k), place) for place, k in enumerate(found.order))
    flags = [text for text in (found.flag, sample.flag, _needed(sample, found)) if text]
    warned = []
    if design.conditions.sites:
        warned.append("the ranking ages every unit by conditions.mission, not by that of its site")
    influences = [Influence(row.name, row.level, row.basis, row.share, row.influence) for row in rows]
    condition = scene.condition
    return FailureRankResult(
        provenance=provenance(design, settings, *warned),
        temperature_degC=math.nan if condition is None else condition.temperature,
        age_yr=math.nan if condition is None else condition.age,
        over_mission=condition is None,
        failure=sample.probability,
        failure_low=sample.low,
        failure_high=sample.high,
        sample=sample.kind,
        failing=found.failing,
        effective=found.effective,
        model_calls=sample.drawn,
        parameters=rows,
        confidence=confidence,
        method=f"{found.method}; influences claimed by Holm's procedure, intervals two-sided",
        flag="; ".join(flags) or None,
        measure_next=measure_next(design, influences, widths),
    )


def _cause(group: Group, found: FailureRanking, k: int, place: int) -> FailureCause:
    last = place == len(found.order) - 1
    return FailureCause(
        name=group.name,
        level=group.level,
        basis=group.basis,
        influence_nat=float(found.influence[k]),
        influence_low_nat=float(found.low[k]),
        influence_high_nat=float(found.high[k]),
        share=float(found.share[k]),
        shift=float(found.shift[k]),
        spread=float(found.spread[k]),
        side=_side(group, float(found.shift[k]), float(found.spread[k])) if found.influences[k] else NO_SIDE,
        influence=bool(found.influences[k]),
        tied=False if last else bool(found.tied[place]),
        keeps_place=float(found.places[k, place]),
    )


def _side(group: Group, shift: float, spread: float) -> str:
    """Where failures lie; nothing for what is no number of a part, or is several."""
    if not group.numeric or len(group.columns) > 1:
        return NO_SIDE
    if abs(shift) >= _SHIFTED:
        return HIGH if shift > 0.0 else LOW
    return BOTH if spread >= _DIVIDED else NO_SIDE


def _needed(sample: FailingSample, found: FailureRanking) -> str | None:
    """From which effort on a plain sample would see enough; None where it does."""
    if sample.kind != PLAIN or found.failing >= FEW:
        return None
    if not found.failing:
        return f"more than {3 * sample.drawn:,} actuations would be needed to see enough failures"
    wanted = sample.drawn * FEW / found.failing
    size = 10.0 ** math.floor(math.log10(wanted))
    return f"about {math.ceil(wanted / size) * size:,.0f} actuations would see the {FEW} failures that a ranking needs"

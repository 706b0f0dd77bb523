"""What one value of a sized number gives: a look at it, and a run that judges it.

A look takes few units in the conditions that are nominally hardest, and can only rule a value out: the units that
comply in every condition are no more than those that comply in one of them. A judging run takes every condition.
"""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import Plan, over_the_mission, plan_of
from yieldsim.analysis.running import CellAnswer, joint_completion, run_cells, unit_share
from yieldsim.analysis.stress import DeratingCheck, check_deratings, within_shares
from yieldsim.analysis.verdict import MET, Judged, Verdict, judged, more_units, overall, percent
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline, Mapper, Progress
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies
from yieldsim.estimate.intervals import Estimate, mean_of_clusters, success_run_trials
from yieldsim.estimate.quantiles import quantile_estimate
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

UNIT_YIELD = "unit yield"
_STRESSES = {
    "store.voltage": at.PEAK_VOLTAGE,
    "regulator.voltage": at.PEAK_VOLTAGE,
    "radio.voltage": at.PEAK_VOLTAGE,
    "rectifier.current": at.PEAK_CURRENT,
    "rectifier.reverse": at.PEAK_REVERSE,
}
MARGIN_AT = 0.01  # probability of the margin that is shown
_COUNTED = 4  # times the units of a look, those whose actuations are merely counted
_ROOM = 1.5  # times the units that would show a derating rule without any failure
_HARDEST = 8  # times these where the rule is nominally nearest to being broken


@dataclass(frozen=True)
class Kept:
    """A derating rule in the condition where its stress is nominally highest: share of actuations that keep it."""

    of: str
    required: float
    reached: Estimate
    temperature_degC: float
    age_yr: float


@dataclass(frozen=True)
class Look:
    """What a look saw of one value.

    Attributes
    ----------
    units : of which completion was worked out
    temperature_degC, age_yr : condition in which the nominal actuation has the least voltage margin
    completion : share of actuations there
    unit_yield : share of units that comply there, or over the mission; None without a requirement on units
    margin : 1 % point of the voltage margin there [V]
    deratings : every rule
    ruled_out : name of the requirement that it cannot meet, ``unit yield`` or the stress of a rule; None if it may
    score : least lead over a requirement, as a share of the failing share that it allows; 0 or more meets all
    """

    units: int
    temperature_degC: float
    age_yr: float
    completion: Estimate
    unit_yield: Estimate | None
    margin: Estimate
    deratings: tuple[Kept, ...]
    ruled_out: str | None
    score: float


@dataclass(frozen=True)
class Judgement:
    """What a run in every condition says of one value.

    Attributes
    ----------
    value : of the sized number, SI
    seed, confidence : of the run and of each bound
    units : in every condition; 0 where a derating rule was not met, so that units were not asked
    derating_units : in every condition, for the derating rules alone; the second number is that of the conditions
        where a rule is nominally nearest to being broken
    unit_yield : share of units that comply in every condition, or over the mission
    deratings : every rule, in its worst condition
    verdict : of the requirements together
    plain_units : about how many units a plain run needs to say the same if the observed shares hold; None where they
        would not
    """

    value: float
    seed: int
    confidence: float
    units: int
    derating_units: tuple[int, int]
    unit_yield: Estimate | None
    deratings: tuple[DeratingCheck, ...]
    verdict: Verdict
    plain_units: int | None

    @property
    def met(self) -> bool:
        """Whether all that is required is shown to be met."""
        return self.verdict.word == MET


# --- a look ---------------------------------------------------------------------------------------------------------


def look_at(design: Design, settings: Settings, confidence: float, family: float) -> Look:
    """Look at one design in the conditions that are nominally hardest for it.

    Parameters
    ----------
    design : Design
    settings : units of which completion is worked out, which is most of the work, actuations of each, seed
    confidence : of each bound that is shown, by itself
    family : confidence of each bound that may rule the value out
    """
    counting = replace(settings, units=_COUNTED * settings.units)
    response = Response(_without_units(design), counting)
    plan = plan_of(design)
    nominal = [response.respond_at({}, condition).values for condition in plan.conditions]
    hardest = plan.conditions[int(np.argmin([_number(v[at.VOLTAGE_MARGIN]) for v in nominal]))]
    stressed = [plan.conditions[_highest(design, k, nominal)] for k in range(len(design.deratings))]
    clusters = _lots(response, counting.units)
    counted = _only(plan, [hardest, *stressed])
    answers = dict(zip(counted.conditions, run_cells(response, counted, Inline()), strict=True))
    tally = answers[hardest].tally
    kept = tuple(
        _kept(design, k, place, answers[place], clusters, confidence, family) for k, place in enumerate(stressed)
    )
    ruled_out = next((rule.of for rule, out in kept if out), None)
    units, out = _units(design, settings, plan, hardest, (confidence, family))
    ruled_out = UNIT_YIELD if out else ruled_out
    return Look(
        units=settings.units,
        temperature_degC=hardest.temperature,
        age_yr=hardest.age,
        completion=mean_of_clusters(tally.completed / tally.actuations, clusters, confidence),
        unit_yield=units,
        margin=quantile_estimate(_margins(response, hardest), MARGIN_AT, confidence, clusters),
        deratings=tuple(rule for rule, _ in kept),
        ruled_out=ruled_out,
        score=_score(design, units, [rule for rule, _ in kept]),
    )


def _units(
    design: Design, settings: Settings, plan: Plan, hardest: Condition, levels: tuple[float, float]
) -> tuple[Estimate | None, bool]:
    """Return the share of units that comply in the hardest condition, or over the mission, and whether it rules out."""
    if design.requirement is None or design.requirement.unit_yield is None:
        return None, False
    response = Response(design, replace(settings, actuations=1))
    asked = plan if over_the_mission(design) else _only(plan, [hardest])
    completions = [cell.completion for cell in run_cells(response, asked, Inline())]
    joint = joint_completion(response, asked, completions, np.arange(settings.units))
    shown, tested = (unit_share(design, joint, _lots(response, settings.units), level) for level in levels)
    return shown, tested is not None and tested.high < design.requirement.unit_yield


def _number(value: float) -> float:
    return float(value) if math.isfinite(value) else -math.inf


def _highest(design: Design, rule: int, nominal: Sequence[FloatArray]) -> int:
    """Index of the condition where the stress of a rule is nominally highest."""
    column = _STRESSES[design.deratings[rule].of]
    return int(np.argmax([_number(values[column]) for values in nominal]))


def _only(plan: Plan, conditions: Sequence[Condition]) -> Plan:
    """Return a plan of some conditions of another, each once, all of them binding."""
    kept = tuple(dict.fromkeys(conditions))
    return Plan(kept, tuple(plan.excursions[plan.conditions.index(c)] for c in kept), tuple(range(len(kept))))


def _without_units(design: Design) -> Design:
    """Return the design without its requirement on units, which is most of the work of a run."""
    return replace(design, requirement=None)


def _lots(response: Response, units: int) -> IntArray | None:
    return None if response.settings.lots is None else response.population.lot_of(np.arange(units))


def _units_required(design: Design) -> bool:
    return design.requirement is not None and design.requirement.unit_yield is not None


def _kept(
    design: Design,
    k: int,
    place: Condition,
    answer: CellAnswer,
    clusters: IntArray | None,
    confidence: float,
    family: float,
) -> tuple[Kept, bool]:
    """Return how a rule is kept, and whether it cannot be."""
    rule = design.deratings[k]
    shares = within_shares(design, answer.tally, answer.supply)[k]
    reached = mean_of_clusters(shares, clusters, confidence)
    out = reached.value < rule.share and mean_of_clusters(shares, clusters, family).high < rule.share
    return Kept(rule.of, rule.share, reached, place.temperature, place.age), out


def _margins(response: Response, condition: Condition) -> FloatArray:
    """Voltage margins [V] of the first actuation of every unit, which are independent but for lots."""
    units = np.arange(response.settings.units, dtype=np.int64)
    base, scale = response.unit_base(units, condition)
    rows = np.stack([units, units, np.zeros_like(units)], axis=1)
    values, _ = run(response.kernel, base, scale, rows, accuracy=response.settings.accuracy)
    margins = values[:, at.VOLTAGE_MARGIN]
    return np.where(np.isnan(margins), -np.inf, margins)


def _score(design: Design, units: Estimate | None, kept: Sequence[Kept]) -> float:
    leads = [_lead(rule.reached.value, rule.required) for rule in kept]
    if units is not None and design.requirement is not None:
        leads.append(_lead(units.value, design.requirement.unit_yield or 0.0))
    return min(leads, default=0.0)


def _lead(reached: float, required: float) -> float:
    return (reached - required) / max(1.0 - required, 1e-9)


# --- a judging run --------------------------------------------------------------------------------------------------


def judge_design(
    design: Design,
    value: float,
    settings: Settings,
    confidence: float,
    over: Mapper,
    progress: Progress | None = None,
) -> Judgement:
    """Run one design in every condition and judge all that is required of it.

    Derating rules are judged first, from units of their own number: their shares of actuations need thousands of
    units but little work for each. Units are asked only where every rule is met.

    Parameters
    ----------
    design : Design
    value : of the sized number, for the answer
    settings : units, seed
    confidence : of each bound
    over : mapper of the blocks
    progress : called with blocks of units done and in all

    Raises
    ------
    InputError : what `Response` refuses
    """
    plan = plan_of(design)
    checks, rules, least, effort = _deratings(design, plan, settings, confidence, over)
    units = joint = None
    if _units_required(design) and all(rule.word == MET for rule in rules):
        response = Response(design, replace(settings, actuations=1))
        completions = [cell.completion for cell in run_cells(response, plan, over, progress)]
        together = joint_completion(response, plan, completions, np.arange(settings.units))
        joint = unit_share(design, together, _lots(response, settings.units), confidence)
        units = _judged_units(design, settings, joint)
    worst = checks[0].worst_cell if checks else None
    return Judgement(
        value=value,
        seed=settings.seed,
        confidence=confidence,
        units=0 if joint is None else settings.units,
        derating_units=effort,
        unit_yield=joint,
        deratings=checks,
        verdict=overall(units, rules, worst),
        plain_units=_plain_units(design, settings, joint, least, confidence),
    )


def _deratings(
    design: Design, plan: Plan, settings: Settings, confidence: float, over: Mapper
) -> tuple[tuple[DeratingCheck, ...], tuple[Judged, ...], tuple[float, ...], tuple[int, int]]:
    """Judge every rule in every condition: more units where it is nominally nearest to being broken.

    Beside checks and judgements stand the least share of any condition for each rule, and the two numbers of units.
    """
    if not design.deratings:
        return (), (), (), (0, 0)
    trials = max((success_run_trials(r.share, confidence) for r in design.deratings if r.share < 1.0), default=2)
    some = max(settings.units, math.ceil(_ROOM * trials))
    many = _HARDEST * some if settings.lots is None else some  # lots, not units, decide where there are lots
    bare = _without_units(design)
    probe = Response(bare, settings)
    nominal = [probe.respond_at({}, condition).values for condition in plan.conditions]
    hardest = {plan.conditions[_highest(design, k, nominal)] for k in range(len(design.deratings))}
    shares: dict[Condition, list[FloatArray]] = {}
    for units, chosen in ((some, [c for c in plan.conditions if c not in hardest]), (many, list(hardest))):
        if not chosen:
            continue
        part = _only(plan, [c for c in plan.conditions if c in chosen])
        answers = run_cells(Response(bare, replace(settings, units=units, actuations=1)), part, over)
        for condition, answer in zip(part.conditions, answers, strict=True):
            shares[condition] = within_shares(design, answer.tally, answer.supply)
    listed = [shares[condition] for condition in plan.conditions]
    lots = _lots(probe, some)
    tables = [[Frequencies.in_lots(shares_of_rule, lots) for shares_of_rule in cell] for cell in listed]
    checks, rules = check_deratings(design, plan.conditions, tables, confidence)
    least = tuple(min(float(cell[k].mean()) for cell in listed) for k in range(len(design.deratings)))
    return checks, rules, least, (some, many)


def _judged_units(design: Design, settings: Settings, joint: Estimate | None) -> Judged | None:
    requirement = design.requirement
    if joint is None or requirement is None or requirement.unit_yield is None:
        return None
    where = "over the mission" if over_the_mission(design) else "in every condition"
    subject = f"of units reach {percent(requirement.completion or 0.0)} completion {where}"
    more = None
    if settings.lots is None:
        more = more_units(joint.value, settings.units, requirement.unit_yield, joint.confidence)
    return judged(UNIT_YIELD, joint, requirement.unit_yield, subject, more)


def _plain_units(
    design: Design, settings: Settings, joint: Estimate | None, least: Sequence[float], confidence: float
) -> int | None:
    """Units that a run needs which judges everything from the same ones, if the observed shares hold."""
    if settings.lots is not None:
        return None
    parts = [(share, rule.share) for share, rule in zip(least, design.deratings, strict=True)]
    if joint is not None and design.requirement is not None:
        parts.append((joint.value, design.requirement.unit_yield or 0.0))
    needed = 2
    for share, required in parts:
        if share <= required:
            return None
        # beside the two units that are taken as run already
        more = more_units(share, 2, required, confidence)
        if more is None:
            return None
        needed = max(needed, 2 + more)
    return needed

"""How many actuations complete, how many units comply, and how the others fail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar

from yieldsim.analysis.addresses import Address, addresses_of
from yieldsim.analysis.cell import (
    AttemptShare,
    CellYield,
    bounds,
    cell_yield,
    methods,
    place,
    worst_cell,
)
from yieldsim.analysis.converging import ConvergenceCurve, looks_of, yield_curves
from yieldsim.analysis.ledger import CellLedger, cell_ledger, reference_of
from yieldsim.analysis.line_shares import DISAGREED
from yieldsim.analysis.mission import Plan, over_the_mission, plan_of
from yieldsim.analysis.point_sets import PointSet, point_set_of, whole_sets, with_points
from yieldsim.analysis.result import Provenance, Result, provenance
from yieldsim.analysis.stress import DeratingCheck, check_deratings, check_ratings
from yieldsim.analysis.sums import CellSum, Grouping, RunSum, run_sums
from yieldsim.analysis.until import Stopped, Until, Watching
from yieldsim.analysis.verdict import Judged, Verdict, judged, more_units, overall, percent
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.estimate.unit_yield import yield_of_units
from yieldsim.kernel import layout as at
from yieldsim.population.scrambled import RANDOM
from yieldsim.words.errors import InputError, Problem

if TYPE_CHECKING:
    from yieldsim.analysis.sureness import InputSureness

__all__ = ["AttemptShare", "CellYield", "YieldResult", "bounds", "confidence_of", "worst_cell", "yields"]

DEFAULT_CONFIDENCE = 0.95


@dataclass(frozen=True)
class YieldResult(Result):
    """All cells, the joint unit yield, and the verdict.

    Attributes
    ----------
    confidence : of each one-sided bound
    cells : by age, then temperature
    joint : share of units that reach the required completion in every condition, or over the mission; None
        without a requirement
    joint_energy : the same by energy alone
    method : how the bounds were made
    requirement, verdict, deratings : what is required and what came of it
    judged : the requirements one by one
    addresses : ``worst``, ``nearest the edge``, ``median failing``, ``not finished`` -> actuations worth
        opening
    ledgers : where the energy went in a sample of actuations, at the worst cell and at the one next to a bench
    stopped : how a watched run ended; None where the number of units was given
    convergence : how the estimates narrow with effort, where it was asked for
    sureness : how many plausible sets of input laws meet the requirement, where it was asked for
    points : where the units come from
    units : completion of each unit in every condition that binds, or over its life, where it was asked for
    """

    command: ClassVar[str] = "yield"
    confidence: float
    cells: tuple[CellYield, ...]
    joint: Estimate | None
    joint_energy: Estimate | None
    method: str
    requirement: Requirement | None
    verdict: Verdict
    deratings: tuple[DeratingCheck, ...]
    judged: tuple[Judged, ...]
    addresses: dict[str, tuple[Address, ...]]
    ledgers: tuple[CellLedger, ...] = ()
    stopped: Stopped | None = None
    convergence: tuple[ConvergenceCurve, ...] = ()
    sureness: InputSureness | None = None
    points: PointSet = field(default_factory=PointSet)
    units: UnitCompletion | None = field(default=None, repr=False, compare=False)

    @property
    def ledger_error(self) -> float:
        """The most that the ledger of any actuation of the samples leaves open, as a share of what came in."""
        return max((ledger.error for ledger in self.ledgers), default=0.0)

    @property
    def worst(self) -> CellYield:
        """The cell that complies least."""
        return worst_cell(self.cells)

    def _cell(self, cell: CellYield) -> dict[str, Any]:
        """Return a cell for machines; bounds from Sobol' sets are not made alike in all cells."""
        if self.points.scrambles is None:
            return cell.payload(self.confidence, self.method)
        drawn = f"{_drawn(self.points)}; shares of actuations that have no method of their own: {cell.delivered.method}"
        return {**cell.payload(self.confidence, drawn), **methods(cell)}

    def payload(self) -> dict[str, Any]:
        """Return cells, joint yield, requirement and verdict."""
        return {
            "confidence": self.confidence,
            "points": self.points.payload(),
            "cells": [self._cell(cell) for cell in self.cells],
            "joint": bounds("unit_yield", self.joint),
            "joint_energy": bounds("unit_yield", self.joint_energy),
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.verdict.word,
            "deciding_bound": self.verdict.deciding_bound,
            "reason": self.verdict.reason,
            "more_units": self.verdict.more_units,
            "worst_cell": place(self.verdict.worst_cell),
            "deratings": [
                {
                    "of": rule.of,
                    "at_most": rule.at_most,
                    "share": rule.share,
                    **bounds("reached", rule.reached),
                    "verdict": rule.verdict,
                    "worst_cell": place(rule.worst_cell),
                }
                for rule in self.deratings
            ],
            "addresses": {kind: [asdict(a) for a in found] for kind, found in self.addresses.items()},
            "ledger": [ledger.payload() for ledger in self.ledgers],
            "ledger_error": self.ledger_error,
            "stopped": None if self.stopped is None else asdict(self.stopped),
            "convergence": [curve.payload() for curve in self.convergence],
            "sureness": None if self.sureness is None else self.sureness.payload(),
        }


def confidence_of(design: Design, settings: Settings) -> float:
    """Return the confidence asked for, else the requirement's, else 95 %.

    Raises
    ------
    InputError : one at which bounds say nothing
    """
    stated = design.requirement.confidence if design.requirement is not None else DEFAULT_CONFIDENCE
    confidence = stated if settings.confidence is None else settings.confidence
    if not 0.5 < confidence < 1.0:
        raise InputError(
            Problem(None, "confidence", str(confidence), "a bound needs more than 0.5 and less than 1", "use 0.95")
        )
    return confidence


# --- the run ------------------------------------------------------------------------------------------------


def yields(
    design: Design,
    settings: Settings,
    progress: Progress | None = None,
    over: Mapper | None = None,
    *,
    until: Until | None = None,
    convergence: bool = False,
    points: str = RANDOM,
    keep_units: bool = False,
) -> YieldResult:
    """Run the same units in every cell and say which requirements they meet.

    Parameters
    ----------
    design : Design
    settings : Settings
    progress : called with blocks done and blocks in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out. The result is
        the same.
    until : what ends the run before the units of the settings are run, which are then the most
    convergence : whether to tell how the estimates narrow with effort
    points : ``random`` for units drawn independently of each other, ``sobol`` for units from 16 scrambled Sobol' sets,
        which narrows the bounds of completion a lot where at least some per mille fail, and those of the unit yield
        hardly; each unit then comes from a lot of its own, and the units are 16 times a power of two, 256 at least
    keep_units : whether the completion of each unit is kept, which takes memory for each; without it, and with random
        units, a run of any number of units holds as much

    Returns
    -------
    YieldResult

    Raises
    ------
    InputError : a derating rule without its rating, a confidence out of range, nothing to watch, what Sobol' sets do
        not go with, or what `Response` refuses
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return yields(
                design, settings, progress, threads,
                until=until, convergence=convergence, points=points, keep_units=keep_units,
            )  # fmt: skip
    point_set = point_set_of(points, settings, watched=until is not None)
    confidence = confidence_of(design, settings)
    check_ratings(design)
    watch = None if until is None else Watching(design, settings, until, confidence)
    response = Response(design, settings, points)
    plan = plan_of(design)
    looks = looks_of(settings, point_set, watch) if convergence else [settings.units]
    grouping = Grouping(response, point_set, looks)
    told = run_sums(response, plan, over, grouping, progress, watch, keep_units=keep_units)
    if watch is not None:
        # what the run came to: the same settings give the same draws again
        response = Response(design, replace(settings, units=watch.stopped.units))
    return _told(response, plan, told, confidence, over, watch, point_set, looks if convergence else [])


def _told(
    response: Response,
    plan: Plan,
    told: RunSum,
    confidence: float,
    over: Mapper,
    watch: Watching | None,
    points: PointSet,
    looks: Sequence[int],
) -> YieldResult:
    """Say what the sums of all cells mean."""
    design, settings = response.design, response.settings
    each = confidence if watch is None else watch.stopped.spent_confidence
    cells = tuple(
        cell_yield(response, condition, excursion, cell, each)
        for condition, excursion, cell in zip(plan.conditions, plan.excursions, told.cells, strict=True)
    )
    joint = watch.joint if watch else None if told.joint is None else yield_of_units(told.joint, confidence)
    deratings, kept = check_deratings(
        design, plan.conditions, [cell.derated for cell in told.cells], confidence, spent=each
    )
    units = _judged_units(design, settings.units, joint, points, lots=settings.lots is not None)
    worst = worst_cell(cells)
    return YieldResult(
        provenance=_provenance(response, told.cells, cells, points),
        confidence=confidence,
        cells=cells,
        joint=joint,
        joint_energy=None if told.joint_energy is None else yield_of_units(told.joint_energy, each),
        method=_method(cells[0], joint, watch, points),
        requirement=design.requirement,
        verdict=overall(units, kept, (worst.temperature_degC, worst.age_yr)),
        deratings=deratings,
        judged=(*(() if units is None else (units,)), *kept),
        addresses=addresses_of(response.outcome_names, plan.conditions, [cell.tally for cell in told.cells]),
        ledgers=_ledgers(response, plan, worst, over),
        stopped=None if watch is None else watch.stopped,
        convergence=yield_curves(design, told.cells[cells.index(worst)], told.joint, looks, confidence),
        points=points,
        units=told.units,
    )


def _provenance(
    response: Response, sums: Sequence[CellSum], cells: tuple[CellYield, ...], points: PointSet
) -> Provenance:
    """Say where the result comes from, with what is to be looked at."""
    warned = []
    unfinished = int(sum(told.tally.outcomes[at.NOT_FINISHED] for told in sums))
    if unfinished:
        warned.append(f"{unfinished} actuations were not finished; they count as failing")
    for cell in cells:
        if DISAGREED in cell.completion.method or DISAGREED in cell.energy_sufficed.method:
            where = f"{cell.temperature_degC:g} degC, {cell.age_yr:g} yr"
            warned.append(f"at {where} the integrated share contradicts the actuations that were run; theirs is given")
    return with_points(provenance(response.design, response.settings, *warned), points)


def _ledgers(response: Response, plan: Plan, worst: CellYield, over: Mapper) -> tuple[CellLedger, ...]:
    """Open samples at the worst cell and at the one next to a bench, once where they are the same."""
    places = (Condition(worst.temperature_degC, worst.age_yr), reference_of(plan.conditions))
    return tuple(cell_ledger(response, condition, over) for condition in dict.fromkeys(places))


def _method(cell: CellYield, joint: Estimate | None, watch: Watching | None, points: PointSet) -> str:
    shares = f"shares of actuations: {cell.completion.method}"
    if points.scrambles is not None:
        shares = f"{_drawn(points)}; completion: {cell.completion.method}"
    if watch is not None:
        looks = watch.stopped.looks
        shares += f", at {watch.stopped.spent_confidence:.4g} each so as to hold at all {looks} looks together"
    return shares if joint is None else f"{shares}; share of units: {joint.method}"


def _drawn(points: PointSet) -> str:
    return f"units from {points.scrambles} scrambled Sobol' sets of {points.points_each}"


# --- what all cells say together ----------------------------------------------------------------------------


def _judged_units(design: Design, units: int, joint: Estimate | None, points: PointSet, *, lots: bool) -> Judged | None:
    requirement = design.requirement
    if requirement is None or requirement.unit_yield is None or joint is None:
        return None
    where = "over the mission" if over_the_mission(design) else "in every condition"
    subject = f"of units reach {percent(requirement.completion or 0.0)} completion {where}"
    more = None
    if not lots:  # with lots the bounds rest on their number, not on that of the units
        more = more_units(joint.value, units, requirement.unit_yield, joint.confidence)
        if more is not None and points.scrambles is not None:
            more = whole_sets(units + more) - units
    return judged("unit yield", joint, requirement.unit_yield, subject, more)

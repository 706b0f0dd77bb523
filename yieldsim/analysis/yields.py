"""How many actuations complete, how many units comply, and how the others fail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.addresses import Address, addresses_of
from yieldsim.analysis.cell import (
    AttemptShare,
    CellAnswer,
    CellYield,
    bounds,
    cell_yield,
    place,
    unit_share,
    worst_cell,
)
from yieldsim.analysis.ledger import CellLedger, cell_ledger, reference_of
from yieldsim.analysis.mission import Plan, life_weights, lifetime, over_the_mission, plan_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.stress import (
    DeratingCheck,
    check_deratings,
    check_ratings,
    regulated_supply,
    rules_of,
    within_shares,
)
from yieldsim.analysis.verdict import Judged, Verdict, judged, more_units, overall, percent
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.cells import BlockAnswer, run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.tally import Tally
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks, stack_cells
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

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

    @property
    def ledger_error(self) -> float:
        """The most that the ledger of any actuation of the samples leaves open, as a share of what came in."""
        return max((ledger.error for ledger in self.ledgers), default=0.0)

    @property
    def worst(self) -> CellYield:
        """The cell that complies least."""
        return worst_cell(self.cells)

    def payload(self) -> dict[str, Any]:
        """Return cells, joint yield, requirement and verdict."""
        return {
            "confidence": self.confidence,
            "cells": [cell.payload(self.confidence, self.method) for cell in self.cells],
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
    design: Design, settings: Settings, progress: Progress | None = None, over: Mapper | None = None
) -> YieldResult:
    """Run the same units in every cell and say which requirements they meet.

    Parameters
    ----------
    design : Design
    settings : Settings
    progress : called with blocks done and blocks in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out. The result is
        the same.

    Returns
    -------
    YieldResult

    Raises
    ------
    InputError : a derating rule without its rating, a confidence out of range, or what `Response` refuses
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return yields(design, settings, progress, threads)
    confidence = confidence_of(design, settings)
    check_ratings(design)
    response = Response(design, settings)
    plan = plan_of(design)
    answers = _run(response, plan, over, progress)
    clusters = None if settings.lots is None else response.population.lot_of(np.arange(settings.units))
    cells = tuple(
        cell_yield(response, condition, excursion, answer, clusters, confidence)
        for condition, excursion, answer in zip(plan.conditions, plan.excursions, answers, strict=True)
    )
    joint = _joint(response, plan, [a.completion for a in answers], clusters, confidence)
    shares = [within_shares(design, a.tally, a.supply) for a in answers]
    deratings, kept = check_deratings(design, plan.conditions, shares, clusters, confidence)
    units = _judged_units(design, settings, joint)
    worst = worst_cell(cells)
    unfinished = int(sum(a.tally.outcomes[at.NOT_FINISHED] for a in answers))
    warned = (f"{unfinished} actuations were not finished; they count as failing",) if unfinished else ()
    return YieldResult(
        provenance=provenance(design, settings, *warned),
        confidence=confidence,
        cells=cells,
        joint=joint,
        joint_energy=_joint(response, plan, [a.energy for a in answers], clusters, confidence),
        method=_method(cells[0], joint),
        requirement=design.requirement,
        verdict=overall(units, kept, (worst.temperature_degC, worst.age_yr)),
        deratings=deratings,
        judged=(*(() if units is None else (units,)), *kept),
        addresses=addresses_of(response.outcome_names, plan.conditions, [a.tally for a in answers]),
        ledgers=_ledgers(response, plan, worst, over),
    )


def _ledgers(response: Response, plan: Plan, worst: CellYield, over: Mapper) -> tuple[CellLedger, ...]:
    """Open samples at the worst cell and at the one next to a bench, once where they are the same."""
    places = (Condition(worst.temperature_degC, worst.age_yr), reference_of(plan.conditions))
    return tuple(cell_ledger(response, condition, over) for condition in dict.fromkeys(places))


def _method(cell: CellYield, joint: Estimate | None) -> str:
    shares = f"shares of actuations: {cell.completion.method}"
    return shares if joint is None else f"{shares}; share of units: {joint.method}"


def _run(response: Response, plan: Plan, over: Mapper, progress: Progress | None) -> list[CellAnswer]:
    """Run all blocks of all cells; blocks are merged in their order, whoever ran them."""
    settings, design = response.settings, response.design
    required = design.requirement.completion if design.requirement is not None else None
    rules = rules_of(design)

    def work(task: tuple[Condition, IntArray]) -> tuple[BlockAnswer, FloatArray | None]:
        condition, units = task
        answer = run_block(response, condition, units, settings.actuations, required, rules)
        return answer, regulated_supply(response, condition, units)

    parts = blocks(settings.units)
    tasks = [(condition, units) for condition in plan.conditions for units in parts]
    answers = iter(over.map(work, tasks))
    done = _counted(answers, len(tasks), progress)
    return [_merged(done, len(parts)) for _ in plan.conditions]


def _counted(
    answers: Iterator[tuple[BlockAnswer, FloatArray | None]], of: int, progress: Progress | None
) -> Iterator[tuple[BlockAnswer, FloatArray | None]]:
    for k, answer in enumerate(answers, start=1):
        if progress is not None:
            progress(k, of)
        yield answer


def _merged(answers: Iterator[tuple[BlockAnswer, FloatArray | None]], count: int) -> CellAnswer:
    """Merge the next ``count`` blocks as they come, so that no more than their sum is held."""
    tally: Tally | None = None
    completion: list[UnitCompletion] = []
    energy: list[UnitCompletion] = []
    supply: list[FloatArray] = []
    for _ in range(count):
        answer, voltages = next(answers)
        tally = answer.tally if tally is None else tally.merged(answer.tally)
        if answer.completion is not None and answer.energy is not None:
            completion.append(answer.completion)
            energy.append(answer.energy)
        if voltages is not None:
            supply.append(voltages)
    if tally is None:
        raise ValueError("a cell without units")
    return CellAnswer(
        tally,
        join_blocks(completion) if completion else None,
        join_blocks(energy) if energy else None,
        np.concatenate(supply) if supply else None,
    )


# --- what all cells say together ----------------------------------------------------------------------------


def _joint(
    response: Response,
    plan: Plan,
    cells: Sequence[UnitCompletion | None],
    clusters: IntArray | None,
    confidence: float,
) -> Estimate | None:
    known = [cell for cell in cells if cell is not None]
    if not known:
        return None
    if over_the_mission(response.design):
        weights = life_weights(response, plan, np.arange(response.settings.units))
        units = lifetime(known, weights)
    else:
        units = stack_cells([known[k] for k in plan.binding])
    return unit_share(response.design, units, clusters, confidence)


def _judged_units(design: Design, settings: Settings, joint: Estimate | None) -> Judged | None:
    requirement = design.requirement
    if requirement is None or requirement.unit_yield is None or joint is None:
        return None
    where = "over the mission" if over_the_mission(design) else "in every condition"
    subject = f"of units reach {percent(requirement.completion or 0.0)} completion {where}"
    more = None
    if settings.lots is None:  # with lots the bounds rest on their number, not on that of the units
        more = more_units(joint.value, settings.units, requirement.unit_yield, joint.confidence)
    return judged("unit yield", joint, requirement.unit_yield, subject, more)

"""How many actuations complete, how many units comply, and how the others fail."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.addresses import Address, addresses_of
from yieldsim.analysis.histograms import Histogram, coarse, quantiles
from yieldsim.analysis.mission import Plan, life_weights, lifetime, over_the_mission, plan_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.stress import (
    DeratingCheck,
    RatingUse,
    check_deratings,
    check_ratings,
    ratings_used,
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
from yieldsim.engine.tally import COUNTED, Tally, histogram_quantile, outcome_place
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.estimate.unit_yield import Sampling, UnitCompletion, stack_cells, unit_yield
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DEFAULT_CONFIDENCE = 0.95


@dataclass(frozen=True)
class AttemptShare:
    """Actuations with so many transmissions: their share, that of these that complete, median reserve [V]."""

    attempts: int
    share: float
    completion: float
    reserve_median_V: float


@dataclass(frozen=True)
class CellYield:
    """One cell.

    Attributes
    ----------
    temperature_degC, age_yr : the condition
    excursion : outside the temperatures of the stated mission
    units, actuations : numbers of both, the latter of the whole cell
    completion, delivered, energy_sufficed : shares of actuations
    unit_yield : share of units whose own completion reaches the requirement; None without one
    unit_yield_energy : the same by energy alone, the link left aside
    outcomes : stable name -> share of actuations; they add up to 1
    reserve, margin, hold_up : histograms [V], [V], [s]
    quantiles : quantity -> probability -> value, over the actuations where it is finite
    by_attempts : by number of transmissions
    ratings : stress -> rating used
    """

    temperature_degC: float
    age_yr: float
    excursion: bool
    units: int
    actuations: int
    completion: Estimate
    delivered: Estimate
    energy_sufficed: Estimate
    unit_yield: Estimate | None
    unit_yield_energy: Estimate | None
    outcomes: dict[str, float]
    reserve: Histogram
    margin: Histogram
    hold_up: Histogram
    quantiles: dict[str, dict[float, float]]
    by_attempts: tuple[AttemptShare, ...]
    ratings: dict[str, RatingUse]


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

    @property
    def worst(self) -> CellYield:
        """The cell that complies least."""
        return worst_cell(self.cells)

    def payload(self) -> dict[str, Any]:
        """Return cells, joint yield, requirement and verdict."""
        return {
            "confidence": self.confidence,
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
        }

    def _cell(self, cell: CellYield) -> dict[str, Any]:
        return {
            "temperature_degC": cell.temperature_degC,
            "age_yr": cell.age_yr,
            "excursion": cell.excursion,
            "units": cell.units,
            "actuations": cell.actuations,
            **bounds("completion", cell.completion),
            **bounds("delivered", cell.delivered),
            **bounds("energy_sufficed", cell.energy_sufficed),
            **bounds("unit_yield", cell.unit_yield),
            **bounds("unit_yield_energy", cell.unit_yield_energy),
            "outcomes": cell.outcomes,
            "confidence": self.confidence,
            "method": self.method,
            "quantiles": cell.quantiles,
            "by_attempts": [asdict(a) for a in cell.by_attempts],
            "ratings": {name: asdict(use) for name, use in cell.ratings.items()},
        }


def bounds(name: str, estimate: Estimate | None) -> dict[str, float | None]:
    """Return an estimate as ``name``, ``name_low`` and ``name_high``, all None where it does not apply."""
    if estimate is None:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    return {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}


def place(cell: tuple[float, float] | None) -> dict[str, float] | None:
    """Return a condition as the machine-readable output names it."""
    return None if cell is None else {"temperature_degC": cell[0], "age_yr": cell[1]}


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


def worst_cell(cells: Sequence[CellYield]) -> CellYield:
    """Return the cell with the lowest unit yield; among equals the lowest completion, then margin."""

    def rank(cell: CellYield) -> tuple[float, float, float]:
        units = 1.0 if cell.unit_yield is None else cell.unit_yield.value
        return units, cell.completion.value, cell.quantiles["voltage_margin_V"][0.01]

    return min(cells, key=rank)


# --- the run ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _CellAnswer:
    """What all blocks of a cell gave together."""

    tally: Tally
    completion: UnitCompletion | None
    energy: UnitCompletion | None
    supply: FloatArray | None


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
    confidence = confidence_of(design, settings)
    check_ratings(design)
    response = Response(design, settings)
    plan = plan_of(design)
    if over is None:
        with mapper(settings.threads) as threads:
            answers = _run(response, plan, threads, progress)
    else:
        answers = _run(response, plan, over, progress)
    clusters = None if settings.lots is None else response.population.lot_of(np.arange(settings.units))
    cells = tuple(
        _cell(response, condition, excursion, answer, clusters, confidence)
        for condition, excursion, answer in zip(plan.conditions, plan.excursions, answers, strict=True)
    )
    joint = _joint(response, plan, [a.completion for a in answers], clusters, confidence)
    energy = _joint(response, plan, [a.energy for a in answers], clusters, confidence)
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
        joint_energy=energy,
        method=_method(cells[0], joint),
        requirement=design.requirement,
        verdict=overall(units, kept, (worst.temperature_degC, worst.age_yr)),
        deratings=deratings,
        judged=(*(() if units is None else (units,)), *kept),
        addresses=addresses_of(response.outcome_names, plan.conditions, [a.tally for a in answers]),
    )


def _method(cell: CellYield, joint: Estimate | None) -> str:
    shares = f"shares of actuations: {cell.completion.method}"
    return shares if joint is None else f"{shares}; share of units: {joint.method}"


def _run(response: Response, plan: Plan, over: Mapper, progress: Progress | None) -> list[_CellAnswer]:
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


def _merged(answers: Iterator[tuple[BlockAnswer, FloatArray | None]], count: int) -> _CellAnswer:
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
    return _CellAnswer(
        tally,
        _side_by_side(completion) if completion else None,
        _side_by_side(energy) if energy else None,
        np.concatenate(supply) if supply else None,
    )


def _side_by_side(parts: list[UnitCompletion]) -> UnitCompletion:
    """Join the completions of blocks of units."""
    samplings = [part.sampling for part in parts if part.sampling is not None]
    sampling = None
    if len(samplings) == len(parts):
        sampling = Sampling(
            np.concatenate([s.standard_error for s in samplings], axis=-1),
            np.concatenate([s.halves for s in samplings], axis=-1),
            samplings[0].draws,
        )
    return UnitCompletion(
        np.concatenate([part.low for part in parts]), np.concatenate([part.high for part in parts]), sampling
    )


# --- what a cell says ---------------------------------------------------------------------------------------


def _cell(
    response: Response,
    condition: Condition,
    excursion: bool,
    answer: _CellAnswer,
    clusters: IntArray | None,
    confidence: float,
) -> CellYield:
    tally = answer.tally
    each = tally.actuations

    def share(counts: IntArray) -> Estimate:
        return mean_of_clusters(counts / each, clusters, confidence)

    return CellYield(
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        excursion=excursion,
        units=len(tally.completed),
        actuations=len(tally.completed) * each,
        completion=share(tally.completed),
        delivered=share(tally.delivered),
        energy_sufficed=share(tally.sufficed),
        unit_yield=_unit_yield(response.design, answer.completion, clusters, confidence),
        unit_yield_energy=_unit_yield(response.design, answer.energy, clusters, confidence),
        outcomes=_outcomes(response, tally),
        reserve=coarse("reserve_V", tally.histograms["reserve_V"]),
        margin=coarse("voltage_margin_V", tally.histograms["voltage_margin_V"]),
        hold_up=coarse("hold_up_s", tally.histograms["hold_up_s"]),
        quantiles=quantiles(tally),
        by_attempts=_by_attempts(tally),
        ratings=ratings_used(response.design, tally, answer.supply),
    )


def _unit_yield(
    design: Design, units: UnitCompletion | None, clusters: IntArray | None, confidence: float
) -> Estimate | None:
    if units is None or design.requirement is None or design.requirement.completion is None:
        return None
    required = design.requirement.completion
    return unit_yield(units.low, units.high, required, confidence, clusters, sampling=units.sampling)


def _outcomes(response: Response, tally: Tally) -> dict[str, float]:
    """Share of each outcome by its stable name, those that did not occur too."""
    steps = len(response.design.radio.sequence)
    names = response.outcome_names
    places = outcome_place(np.array(list(names), dtype=np.int64), steps)
    total = int(tally.outcomes.sum())
    return {name: int(tally.outcomes[k]) / total for name, k in zip(names.values(), places, strict=True)}


def _by_attempts(tally: Tally) -> tuple[AttemptShare, ...]:
    total = int(tally.attempts[:, 0].sum())
    return tuple(
        AttemptShare(
            k,
            int(made) / total,
            int(completed) / int(made),
            histogram_quantile(COUNTED["reserve_V"], tally.reserve_by_attempts[k], 0.5),
        )
        for k, (made, completed) in enumerate(tally.attempts)
        if made > 0
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
    return _unit_yield(response.design, units, clusters, confidence)


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

"""Whether one configuration is better than another: the same units, the same draws, unit by unit."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds
from yieldsim.analysis.comparisons.difference import BETTER, NOT_SHOWN, SAME, WORSE, Difference, Judge, points
from yieldsim.analysis.comparisons.differing import Differing, differing
from yieldsim.analysis.comparisons.matching import Matched, matched
from yieldsim.analysis.comparisons.sides import ChangedSide, OutcomeChange, changed_sides, outcome_changes
from yieldsim.analysis.mission import life_weights, lifetime, over_the_mission
from yieldsim.analysis.result import Provenance, Result, provenance
from yieldsim.analysis.verdict import percent
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks, mapper, run_all
from yieldsim.engine.pairs import PairTally, merge_pairs, run_pair
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.quantiles import quantile_estimate
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks, stack_cells

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

UNIT_QUANTILES = (0.05, 0.5, 0.95)


@dataclass(frozen=True)
class UnitChanges:
    """What became of the completion of single units, each worked out, and of their standing to the requirement.

    Attributes
    ----------
    quantiles : probability -> difference of a unit's completion, B less A, with its one-sided bounds
    only_a, only_b : units simulated that reach the requirement in A alone, in B alone
    both, neither : in both, in neither
    """

    quantiles: dict[float, Estimate]
    only_a: int
    only_b: int
    both: int
    neither: int


@dataclass(frozen=True)
class CellComparison:
    """One cell, or all of them together.

    Attributes
    ----------
    temperature_degC, age_yr : of the cell
    completion, energy_sufficed : shares of actuations
    unit_yield : share of units; None without a requirement
    gained, lost : actuations simulated that complete in B alone, in A alone
    outcome_changes : from which outcome to which, most frequent first
    unit_changes : None without a requirement
    """

    temperature_degC: float
    age_yr: float
    completion: Difference
    energy_sufficed: Difference
    unit_yield: Difference | None
    gained: int
    lost: int
    outcome_changes: tuple[OutcomeChange, ...]
    unit_changes: UnitChanges | None


@dataclass(frozen=True)
class ComparisonResult(Result):
    """Two configurations side by side; ``provenance`` is that of A.

    Attributes
    ----------
    provenance_b : of B
    paths : of both files as they were given, for the commands that open an actuation
    confidence : of each one-sided bound
    requirement : the one that both have
    word, reason : the answer: of B against A
    decides : ``unit yield`` or ``completion``
    scope : what the joint shares are over
    completion, energy_sufficed, unit_yield : over all cells
    cells : by age, then temperature
    differing : in what the files differ
    independent : parameters that vary and are in one of the files alone: they are drawn by themselves
    gained, lost : some actuations that complete in B alone, in A alone
    units, actuations : simulated, the latter of each unit in each cell
    """

    command: ClassVar[str] = "compare"
    provenance_b: Provenance
    paths: tuple[str | None, str | None]
    confidence: float
    requirement: Requirement | None
    word: str
    reason: str
    decides: str
    scope: str
    completion: Difference
    energy_sufficed: Difference
    unit_yield: Difference | None
    cells: tuple[CellComparison, ...]
    differing: tuple[Differing, ...]
    independent: tuple[str, ...]
    gained: tuple[ChangedSide, ...]
    lost: tuple[ChangedSide, ...]
    units: int
    actuations: int

    def payload(self) -> dict[str, Any]:
        """Return verdict, joint differences, cells, what differs, and which actuations changed sides."""
        joint = {**self.completion.payload("completion"), **self.energy_sufficed.payload("energy_sufficed")}
        if self.unit_yield is not None:
            joint |= self.unit_yield.payload("unit_yield")
        return {
            "a": _identity(self.provenance),
            "b": _identity(self.provenance_b),
            "confidence": self.confidence,
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.word,
            "reason": self.reason,
            "decides": self.decides,
            "scope": self.scope,
            "joint": joint,
            "cells": [cell_payload(cell) for cell in self.cells],
            "differing": [asdict(row) for row in self.differing],
            "drawn_independently": list(self.independent),
            "gained": [asdict(row) for row in self.gained],
            "lost": [asdict(row) for row in self.lost],
            "difference_method": self.completion.difference.method,
            "apart_method": self.completion.apart.method,
        }


def _identity(made: Provenance) -> dict[str, Any]:
    return {
        "design": made.title,
        "file": made.file,
        "design_hash": made.design_hash,
        "conditions_hash": made.conditions_hash,
        "warnings": list(made.warnings),
    }


def cell_payload(cell: CellComparison) -> dict[str, Any]:
    """Return one cell for machines."""
    changes = cell.unit_changes
    return {
        "temperature_degC": cell.temperature_degC,
        "age_yr": cell.age_yr,
        **cell.completion.payload("completion"),
        **cell.energy_sufficed.payload("energy_sufficed"),
        **({} if cell.unit_yield is None else cell.unit_yield.payload("unit_yield")),
        "gained": cell.gained,
        "lost": cell.lost,
        "units_only_a": None if changes is None else changes.only_a,
        "units_only_b": None if changes is None else changes.only_b,
        "outcome_changes": [asdict(change) for change in cell.outcome_changes],
        "unit_completion_difference": {}
        if changes is None
        else {p: bounds("difference", found) for p, found in changes.quantiles.items()},
    }


# --- the run ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Cell:
    """What all blocks of a cell gave together: the pairs, and the completions of units in A and in B."""

    pairs: PairTally
    completion: tuple[UnitCompletion, UnitCompletion] | None


def compare(
    a: Design, b: Design, settings: Settings, progress: Progress | None = None, over: Mapper | None = None
) -> ComparisonResult:
    """Run the same units of both configurations and say whether B is better than A.

    Parameters
    ----------
    a, b : Design
    settings : Settings
    progress : called with pieces of work done and in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out

    Returns
    -------
    ComparisonResult

    Raises
    ------
    InputError : requirements that differ, no condition in common, missions that differ where the requirement applies
        over the mission, a confidence out of range, or what `Response` refuses
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return compare(a, b, settings, progress, threads)
    found = matched(a, b, settings)
    responses = Response(a, settings), Response(b, settings)
    cells = _run(responses, found, over, progress)
    clusters = None if settings.lots is None else responses[0].population.lot_of(np.arange(settings.units))
    judge = Judge(found, clusters)
    told = tuple(_cell(responses, judge, *pair) for pair in zip(found.conditions, cells, strict=True))
    joint = _joint(responses[0], judge, cells)
    word, reason = _verdict(found, joint, told)
    tallies = [cell.pairs for cell in cells]
    gained, lost = (changed_sides(responses, found.conditions, tallies, side) for side in ("gained", "lost"))
    return ComparisonResult(
        provenance=provenance(a, settings, *found.notes),
        provenance_b=provenance(b, settings),
        paths=(_path(a), _path(b)),
        confidence=found.confidence,
        requirement=a.requirement,
        word=word,
        reason=reason,
        decides="completion" if joint.unit_yield is None else "unit yield",
        scope=found.scope,
        completion=joint.completion,
        energy_sufficed=joint.energy_sufficed,
        unit_yield=joint.unit_yield,
        cells=told,
        differing=differing(a, b),
        independent=_independent(responses),
        gained=gained,
        lost=lost,
        units=settings.units,
        actuations=settings.actuations,
    )


def _path(design: Design) -> str | None:
    return None if design.source is None else str(design.source)


def _independent(responses: tuple[Response, Response]) -> tuple[str, ...]:
    """Parameters that are drawn in one of the two alone, or at another level."""
    keys = [dict.fromkeys((v.name, v.level) for v in response.population.variables) for response in responses]
    alone = [pair for pair in (*keys[0], *keys[1]) if (pair in keys[0]) != (pair in keys[1])]
    return tuple(f"{name} ({level})" for name, level in alone)


def _run(responses: tuple[Response, Response], found: Matched, over: Mapper, progress: Progress | None) -> list[_Cell]:
    """Run all blocks of all cells: the pairs of actuations, and the completion of each unit in A and in B."""
    settings = responses[0].settings
    parts = blocks(settings.units)
    kinds: tuple[int | None, ...] = (None,)
    if found.completion is not None:
        kinds = (None, 0) if found.same else (None, 0, 1)

    def work(task: tuple[Condition, IntArray, int | None]) -> PairTally | UnitCompletion | None:
        condition, units, which = task
        if which is None:
            return run_pair(*responses, condition, units, settings.actuations)
        return run_block(responses[which], condition, units, 1, found.completion).completion

    tasks = [(condition, units, kind) for condition in found.conditions for units in parts for kind in kinds]
    answers = iter(run_all(work, tasks, over, progress))
    cells = []
    for _ in found.conditions:
        own = [next(answers) for _ in range(len(parts) * len(kinds))]
        pairs = merge_pairs([answer for answer in own if isinstance(answer, PairTally)])
        completions = [answer for answer in own if isinstance(answer, UnitCompletion)]
        of = len(kinds) - 1
        both = (join_blocks(completions[::of]), join_blocks(completions[of - 1 :: of])) if completions else None
        cells.append(_Cell(pairs, both))
    return cells


# --- what it says -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Joint:
    completion: Difference
    energy_sufficed: Difference
    unit_yield: Difference | None


def _shares(counts: IntArray, actuations: int) -> tuple[FloatArray, FloatArray]:
    return counts[0] / actuations, counts[1] / actuations


def _cell(responses: tuple[Response, Response], judge: Judge, condition: Condition, cell: _Cell) -> CellComparison:
    pairs, together = cell.pairs, len(judge.found.conditions)
    return CellComparison(
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        completion=judge.of_shares(*_shares(pairs.completed, pairs.actuations), together=together),
        energy_sufficed=judge.of_shares(*_shares(pairs.sufficed, pairs.actuations), together=together),
        unit_yield=None if cell.completion is None else judge.of_units(*cell.completion, together=together),
        gained=sum(n for (_, to), n in pairs.changes.items() if responses[1].outcome_names[to] == "complete"),
        lost=sum(n for (start, _), n in pairs.changes.items() if responses[0].outcome_names[start] == "complete"),
        outcome_changes=outcome_changes(responses, pairs),
        unit_changes=None if cell.completion is None else _unit_changes(judge, *cell.completion),
    )


def _unit_changes(judge: Judge, a: UnitCompletion, b: UnitCompletion) -> UnitChanges:
    middle = [0.5 * (x.low + x.high) for x in (a, b)]
    required = (judge.found.completion or 0.0) - 1e-12
    comply = [m >= required for m in middle]
    difference, gamma = middle[1] - middle[0], judge.found.confidence
    return UnitChanges(
        {p: quantile_estimate(difference, p, gamma, judge.clusters) for p in UNIT_QUANTILES},
        int((comply[0] & ~comply[1]).sum()),
        int((~comply[0] & comply[1]).sum()),
        int((comply[0] & comply[1]).sum()),
        int((~comply[0] & ~comply[1]).sum()),
    )


def _joint(response: Response, judge: Judge, cells: Sequence[_Cell]) -> _Joint:
    """Every unit over all cells: weighted as in its life where the requirement applies to it, else evenly."""
    found, units = judge.found, response.settings.units
    mission = over_the_mission(response.design)
    if mission:
        weights = life_weights(response, found.plan, np.arange(units))
    else:
        weights = np.full((len(cells), units), 1.0 / len(cells))

    def over(counts: Sequence[IntArray]) -> tuple[FloatArray, FloatArray]:
        shares = np.einsum("cu,csu->su", weights, np.stack(counts)) / cells[0].pairs.actuations
        shares = np.clip(shares, 0.0, 1.0)  # sums of weights carry rounding
        return shares[0], shares[1]

    both = [cell.completion for cell in cells if cell.completion is not None]
    units_of = [[pair[which] for pair in both] for which in range(2)]
    joined = [lifetime(x, weights) if mission else stack_cells(x) for x in units_of] if both else []
    return _Joint(
        judge.of_shares(*over([cell.pairs.completed for cell in cells])),
        judge.of_shares(*over([cell.pairs.sufficed for cell in cells])),
        judge.of_units(joined[0], joined[1]) if joined else None,
    )


def _verdict(found: Matched, joint: _Joint, cells: Sequence[CellComparison]) -> tuple[str, str]:
    """Return the word and one sentence or two: what decides, then conditions that say otherwise."""
    decides = joint.completion if joint.unit_yield is None else joint.unit_yield
    what = "of the actuations complete" if joint.unit_yield is None else "of the units comply"
    if found.same:
        return SAME, "Both files describe the same design: there is nothing between them, whatever is drawn."
    low, high = 100.0 * decides.difference.low, 100.0 * decides.difference.high
    sure = f"at {percent(found.confidence)} confidence"
    told = {
        BETTER: f"With B at least {points(low, down=True)} percentage points more {what} {found.scope} ({sure}).",
        WORSE: f"With B at least {points(-high, down=True)} percentage points fewer {what} {found.scope} ({sure}).",
        NOT_SHOWN: f"With B between {points(low, down=True)} and {points(high, down=False)} percentage points more "
        f"{what} {found.scope} (each bound {sure}): that leaves the sign open.",
    }[decides.word]
    opposite = {BETTER: WORSE, WORSE: BETTER}.get(decides.word)
    if opposite is not None:
        of = [c.completion if c.unit_yield is None else c.unit_yield for c in cells]
        count = sum(one.word == opposite for one in of)
        if count:
            told += f" In {count} of {len(cells)} conditions it is {opposite}."
    return decides.word, told

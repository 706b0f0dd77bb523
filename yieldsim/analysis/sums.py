"""All units in all cells, block by block, added up: of what each unit did its frequency is kept, so that a run of any
number of units holds as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.analysis.mission import Plan
from yieldsim.analysis.point_sets import PointSet
from yieldsim.analysis.running import joint_completion
from yieldsim.analysis.stress import regulated_supply, rules_of, with_supply, within_shares
from yieldsim.analysis.until import Watching
from yieldsim.engine.cells import BlockAnswer, run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import BLOCK, Mapper, Progress, blocks
from yieldsim.engine.lines import Line, LineBlock, line_of, run_lines
from yieldsim.engine.response import Response
from yieldsim.engine.tally import Tally
from yieldsim.estimate.frequencies import ALONE, LOTS, SCRAMBLES, Frequencies
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks
from yieldsim.estimate.unit_yield import score_rows
from yieldsim.population.scrambled import ScrambledPopulation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_Units = tuple[UnitCompletion | None, UnitCompletion | None]  # completion of each, and that by energy alone
_ROUND = 64 * BLOCK  # units whose answers may wait to be added up


class Grouping:
    """Which units are told apart in tables: those of different lots, scrambled sets, or parts of the run.

    Parameters
    ----------
    response : Response
        Of the run; its settings say whether there are lots.
    points : where the units come from
    ends : units up to the end of each part of the run that is asked for by itself, increasing
    """

    def __init__(self, response: Response, points: PointSet, ends: Sequence[int]) -> None:
        self._response, self._scrambles, self._ends = response, points.scrambles, np.array(ends)
        self.groups = SCRAMBLES if points.scrambles else ALONE if response.settings.lots is None else LOTS

    def table(self, values: ArrayLike, units: IntArray) -> Frequencies:
        """Return the frequencies of what units (n,) did, (n,) or (n, m)."""
        group = None
        if self._scrambles is not None:
            group = units % self._scrambles
        elif self.groups == LOTS:
            group = self._response.population.lot_of(units)
        return Frequencies.of(values, self.groups, group, np.searchsorted(self._ends, units, side="right"))


@dataclass(frozen=True)
class CellSum:
    """What blocks of a cell gave together.

    Attributes
    ----------
    tally : of all actuations, what it counts of each unit left out
    completed, delivered, sufficed : frequencies of the shares of a unit's actuations
    derated : the same of those within each derating rule
    messages : one a message, frequencies of (actuations that send it, those that complete); none where there is one
    presses : the same of full presses, of partial ones, and of (actuations that fail, those whose press was partial)
    completion, energy : frequencies of `yieldsim.estimate.unit_yield.score_rows`; None without a requirement
    asked : lines through units of scrambled Sobol' sets, one a block; none where units are drawn at random
    """

    tally: Tally
    completed: Frequencies
    delivered: Frequencies
    sufficed: Frequencies
    derated: tuple[Frequencies, ...]
    messages: tuple[Frequencies, ...]
    presses: tuple[Frequencies, ...]
    completion: Frequencies | None
    energy: Frequencies | None
    asked: tuple[LineBlock, ...]

    def merged(self, other: CellSum) -> CellSum:
        """Return the sum of these blocks followed by the other's."""
        return CellSum(
            tally=self.tally.merged(other.tally),
            completed=self.completed.merged(other.completed),
            delivered=self.delivered.merged(other.delivered),
            sufficed=self.sufficed.merged(other.sufficed),
            derated=_each_merged(self.derated, other.derated),
            messages=_each_merged(self.messages, other.messages),
            presses=_each_merged(self.presses, other.presses),
            completion=_merged(self.completion, other.completion),
            energy=_merged(self.energy, other.energy),
            asked=(*self.asked, *other.asked),
        )

    @property
    def units(self) -> int:
        """How many units ran."""
        return self.completed.total


@dataclass(frozen=True)
class RunSum:
    """What a run gave.

    Attributes
    ----------
    cells : in the order of the plan
    joint, joint_energy : frequencies of `score_rows` over all cells that bind, or over the mission; None without a
        requirement
    units : completion of each unit there; None where it was not to be kept
    """

    cells: tuple[CellSum, ...]
    joint: Frequencies | None
    joint_energy: Frequencies | None
    units: UnitCompletion | None


def run_sums(
    response: Response,
    plan: Plan,
    over: Mapper,
    grouping: Grouping,
    progress: Progress | None = None,
    watch: Watching | None = None,
    *,
    keep_units: bool = False,
) -> RunSum:
    """Run the units of the settings in all cells of a plan, or as many of them as a watch asks for.

    Parameters
    ----------
    response : Response
    plan : of the cells
    over : anything with an executor's ``map``
    grouping : of the units
    progress : called with blocks done and blocks in all
    watch : looked at between rounds of blocks; all units are run when None
    keep_units : whether the completion of each unit is kept, which takes memory for each
    """
    settings, design = response.settings, response.design
    required = design.requirement.completion if design.requirement is not None else None
    rules = rules_of(design)
    lines = _lines(response, plan, over)

    def work(task: tuple[Condition, IntArray]) -> tuple[CellSum, _Units]:
        condition, units = task
        answer = run_block(response, condition, units, settings.actuations, required, rules)
        asked = (run_lines(response, condition, units, lines[condition]),) if condition in lines else ()
        return _sum_of(response, condition, units, answer, grouping, asked), (answer.completion, answer.energy)

    told = _Told(response, plan, grouping, keep_units=keep_units)
    ends = [*range(_ROUND, settings.units, _ROUND), settings.units] if watch is None else watch.rounds()
    all_blocks, begin, done = len(blocks(settings.units)) * len(plan.conditions), 0, 0
    for end in ends:
        parts = [units for units in blocks(end) if units[0] >= begin]
        answers = iter(over.map(work, [(condition, units) for units in parts for condition in plan.conditions]))
        for units in parts:
            block = []
            for place in range(len(plan.conditions)):
                cell, completions = next(answers)
                told.add_cell(place, cell)
                block.append(completions)
                done += 1
                if progress is not None:
                    progress(done, all_blocks)
            completion = told.add_units(units, block)
            if watch is not None and completion is not None:
                watch.count(completion)
        if watch is not None and watch.look(plan.conditions, [cell.derated for cell in told.cells]):
            break
        begin = end
    return told.all()


def _lines(response: Response, plan: Plan, over: Mapper) -> dict[Condition, Line]:
    """Return how completion is asked for in each cell; empty where the units are drawn at random."""
    if not isinstance(response.population, ScrambledPopulation):
        return {}
    return dict(zip(plan.conditions, over.map(lambda c: line_of(response, c), plan.conditions), strict=True))


class _Told:
    """What the blocks so far gave."""

    def __init__(self, response: Response, plan: Plan, grouping: Grouping, *, keep_units: bool) -> None:
        self._response, self._plan, self._grouping, self._keep = response, plan, grouping, keep_units
        self.cells: list[CellSum] = []
        self._joint: Frequencies | None = None
        self._joint_energy: Frequencies | None = None
        self._units: list[UnitCompletion] = []

    def add_cell(self, place: int, fresh: CellSum) -> None:
        """Add what a block did in one cell, in the order of the plan."""
        if place == len(self.cells):
            self.cells.append(fresh)
        else:
            self.cells[place] = self.cells[place].merged(fresh)

    def add_units(self, units: IntArray, block: Sequence[_Units]) -> UnitCompletion | None:
        """Add a block of units, which ran in all cells, and return their completion in all that bind."""
        completion, energy = (
            joint_completion(self._response, self._plan, [answers[k] for answers in block], units) for k in (0, 1)
        )
        self._joint = _merged(self._joint, self._scores(completion, units))
        self._joint_energy = _merged(self._joint_energy, self._scores(energy, units))
        if self._keep and completion is not None:
            self._units.append(completion)
        return completion

    def _scores(self, completion: UnitCompletion | None, units: IntArray) -> Frequencies | None:
        return _scores(self._response, self._grouping, completion, units)

    def all(self) -> RunSum:
        kept = join_blocks(self._units) if self._units else None
        return RunSum(tuple(self.cells), self._joint, self._joint_energy, kept)


def _sum_of(
    response: Response,
    condition: Condition,
    units: IntArray,
    answer: BlockAnswer,
    grouping: Grouping,
    asked: tuple[LineBlock, ...],
) -> CellSum:
    """Add up one block of a cell."""
    design, tally = response.design, answer.tally
    supply = regulated_supply(response, condition, units)
    partial = design.harvester is not None and design.harvester.partial is not None
    failing = tally.presses[:, :, 0] - tally.presses[:, :, 1]  # (n, 2), of full and of partial presses
    pairs = (tally.presses[:, 0], tally.presses[:, 1], np.stack([failing.sum(axis=1), failing[:, 1]], axis=1))

    def share(counts: IntArray) -> Frequencies:
        return grouping.table(counts / tally.actuations, units)

    return CellSum(
        tally=with_supply(tally.without_units(), supply),
        completed=share(tally.completed),
        delivered=share(tally.delivered),
        sufficed=share(tally.sufficed),
        derated=tuple(grouping.table(kept, units) for kept in within_shares(design, tally, supply)),
        messages=tuple(grouping.table(tally.messages[:, k], units) for k in range(len(design.radio.messages))),
        presses=tuple(grouping.table(counts, units) for counts in pairs) if partial else (),
        completion=_scores(response, grouping, answer.completion, units),
        energy=_scores(response, grouping, answer.energy, units),
        asked=asked,
    )


def _scores(
    response: Response, grouping: Grouping, completion: UnitCompletion | None, units: IntArray
) -> Frequencies | None:
    requirement = response.design.requirement
    if completion is None or requirement is None or requirement.completion is None:
        return None
    rows = score_rows(completion.low, completion.high, requirement.completion, completion.sampling)
    return grouping.table(rows, units)


def _merged(a: Frequencies | None, b: Frequencies | None) -> Frequencies | None:
    return b if a is None else a if b is None else a.merged(b)


def _each_merged(a: tuple[Frequencies, ...], b: tuple[Frequencies, ...]) -> tuple[Frequencies, ...]:
    return tuple(one.merged(other) for one, other in zip(a, b, strict=True))

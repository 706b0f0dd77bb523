"""All units in all cells: block by block, merged in their order, whoever ran them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import CellAnswer
from yieldsim.analysis.mission import Plan, life_weights, lifetime, over_the_mission
from yieldsim.analysis.stress import regulated_supply, rules_of
from yieldsim.analysis.until import Watching
from yieldsim.engine.cells import BlockAnswer, run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks
from yieldsim.engine.lines import Line, LineBlock, join_lines, line_of, run_lines
from yieldsim.engine.response import Response
from yieldsim.engine.tally import Tally
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks, stack_cells
from yieldsim.population.scrambled import ScrambledPopulation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def run_cells(
    response: Response, plan: Plan, over: Mapper, progress: Progress | None = None, watch: Watching | None = None
) -> list[CellAnswer]:
    """Run the units of the settings in all cells of a plan, or as many of them as a watch asks for.

    Parameters
    ----------
    response : Response
    plan : of the cells
    over : anything with an executor's ``map``
    progress : called with blocks done and blocks in all
    watch : looked at between rounds of blocks; all units are run when None

    Returns
    -------
    list of CellAnswer : in the order of the plan
    """
    settings, design = response.settings, response.design
    required = design.requirement.completion if design.requirement is not None else None
    rules = rules_of(design)

    lines = cell_lines(response, plan, over)

    def work(task: tuple[Condition, IntArray]) -> tuple[BlockAnswer, FloatArray | None, LineBlock | None]:
        condition, units = task
        answer = run_block(response, condition, units, settings.actuations, required, rules)
        line = lines.get(condition)
        asked = None if line is None else run_lines(response, condition, units, line)
        return answer, regulated_supply(response, condition, units), asked

    gathered = [_Gathered() for _ in plan.conditions]
    ends = [settings.units] if watch is None else watch.rounds()
    all_blocks, begin, done = len(blocks(settings.units)) * len(gathered), 0, 0
    for end in ends:
        parts = [units for units in blocks(end) if units[0] >= begin]
        fresh = [_Gathered() for _ in plan.conditions]
        answers = iter(over.map(work, [(condition, units) for condition in plan.conditions for units in parts]))
        for cell, new in zip(gathered, fresh, strict=True):
            for _ in parts:
                answer, voltages, asked = next(answers)
                cell.add(answer, voltages, asked)
                new.keep(answer)
                done += 1
                if progress is not None:
                    progress(done, all_blocks)
        if watch is not None:
            units = np.arange(begin, end, dtype=np.int64)
            joint = joint_completion(response, plan, [new.joined(new.completion) for new in fresh], units)
            so_far = [cell.answer() for cell in gathered]
            if joint is not None and watch.look(joint, plan.conditions, so_far):
                break
        begin = end
    return [cell.answer() for cell in gathered]


def cell_lines(response: Response, plan: Plan, over: Mapper) -> dict[Condition, Line]:
    """Return how completion is asked for in each cell; empty where the units are drawn at random."""
    if not isinstance(response.population, ScrambledPopulation):
        return {}
    return dict(zip(plan.conditions, over.map(lambda c: line_of(response, c), plan.conditions), strict=True))


def joint_completion(
    response: Response, plan: Plan, cells: Sequence[UnitCompletion | None], units: IntArray
) -> UnitCompletion | None:
    """Completion of the units in all cells that bind, or over their lives; None without a requirement.

    Parameters
    ----------
    response : Response
    plan : of the cells
    cells : completions of the same units, in the order of the plan
    units : (n,) numbers of these units
    """
    known = [cell for cell in cells if cell is not None]
    if not known:
        return None
    if over_the_mission(response.design):
        return lifetime(known, life_weights(response, plan, units))
    return stack_cells([known[k] for k in plan.binding])


@dataclass
class _Gathered:
    """What the blocks of one cell gave so far; no more than their sum is held."""

    tally: Tally | None = None
    completion: list[UnitCompletion] = field(default_factory=list)
    energy: list[UnitCompletion] = field(default_factory=list)
    supply: list[FloatArray] = field(default_factory=list)
    asked: list[LineBlock] = field(default_factory=list)

    def add(self, answer: BlockAnswer, voltages: FloatArray | None, asked: LineBlock | None) -> None:
        self.tally = answer.tally if self.tally is None else self.tally.merged(answer.tally)
        self.keep(answer)
        if voltages is not None:
            self.supply.append(voltages)
        if asked is not None:
            self.asked.append(asked)

    def keep(self, answer: BlockAnswer) -> None:
        if answer.completion is not None and answer.energy is not None:
            self.completion.append(answer.completion)
            self.energy.append(answer.energy)

    @staticmethod
    def joined(parts: list[UnitCompletion]) -> UnitCompletion | None:
        return join_blocks(parts) if parts else None

    def answer(self) -> CellAnswer:
        if self.tally is None:
            raise ValueError("a cell without units")
        supply = np.concatenate(self.supply) if self.supply else None
        asked = join_lines(self.asked) if self.asked else None
        return CellAnswer(self.tally, self.joined(self.completion), self.joined(self.energy), supply, asked)

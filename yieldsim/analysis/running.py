"""All units in all cells, one by one: block by block, joined in their order, whoever ran them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import Plan, life_weights, lifetime, over_the_mission
from yieldsim.analysis.stress import regulated_supply, rules_of
from yieldsim.design.schema import Design
from yieldsim.engine.cells import BlockAnswer, run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, Progress, blocks
from yieldsim.engine.response import Response
from yieldsim.engine.tally import Tally, merge
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks, stack_cells
from yieldsim.estimate.unit_yield import unit_yield

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class CellAnswer:
    """What all blocks of a cell gave, unit by unit; completion is None where none is required."""

    tally: Tally
    completion: UnitCompletion | None
    supply: FloatArray | None


def run_cells(response: Response, plan: Plan, over: Mapper, progress: Progress | None = None) -> list[CellAnswer]:
    """Run the units of the settings in all cells of a plan.

    What is kept of each unit grows with their number: `yieldsim.analysis.sums` is for many.

    Parameters
    ----------
    response : Response
    plan : of the cells
    over : anything with an executor's ``map``
    progress : called with blocks done and blocks in all

    Returns
    -------
    list of CellAnswer : in the order of the plan
    """
    settings, design = response.settings, response.design
    required = design.requirement.completion if design.requirement is not None else None
    rules = rules_of(design)

    def work(task: tuple[Condition, IntArray]) -> tuple[BlockAnswer, FloatArray | None]:
        condition, units = task
        answer = run_block(response, condition, units, settings.actuations, required, rules)
        return answer, regulated_supply(response, condition, units)

    parts = blocks(settings.units)
    answers = iter(over.map(work, [(condition, units) for condition in plan.conditions for units in parts]))
    cells, done = [], 0
    for _ in plan.conditions:
        gathered = []
        for _ in parts:
            gathered.append(next(answers))
            done += 1
            if progress is not None:
                progress(done, len(parts) * len(plan.conditions))
        cells.append(_joined(gathered))
    return cells


def _joined(blocks_of_cell: Sequence[tuple[BlockAnswer, FloatArray | None]]) -> CellAnswer:
    completions = [answer.completion for answer, _ in blocks_of_cell if answer.completion is not None]
    supplies = [supply for _, supply in blocks_of_cell if supply is not None]
    return CellAnswer(
        merge([answer.tally for answer, _ in blocks_of_cell]),
        join_blocks(completions) if completions else None,
        np.concatenate(supplies) if supplies else None,
    )


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


def unit_share(
    design: Design,
    units: UnitCompletion | None,
    clusters: IntArray | None,
    confidence: float,
    scrambles: int | None = None,
) -> Estimate | None:
    """Return the share of units whose completion reaches the requirement; None where there is none."""
    if units is None or design.requirement is None or design.requirement.completion is None:
        return None
    required = design.requirement.completion
    return unit_yield(
        units.low, units.high, required, confidence, clusters, sampling=units.sampling, scrambles=scrambles
    )

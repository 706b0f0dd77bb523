"""How the share of units that comply changes with what lots and units are made of, from the units of one run."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import OVER_THE_MISSION, over_the_mission, plan_of
from yieldsim.analysis.rankings.slopes import METHOD, Slope, unit_yield_slopes
from yieldsim.analysis.running import joint_completion
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, blocks
from yieldsim.engine.response import Response
from yieldsim.estimate.unit_completion import UnitCompletion, join_blocks
from yieldsim.estimate.unit_yield import unit_yield

IntArray = NDArray[np.int64]

EVERYWHERE = "in every condition"


@dataclass(frozen=True)
class UnitChanges:
    """Change of the share of units that comply with each input of lot and unit.

    What differs from actuation to actuation is not among the inputs: a unit's own completion moves with it, of which
    the units of a run say nothing.

    Attributes
    ----------
    where : ``in every condition``, ``over the mission``, or empty for the one condition that is ranked
    units : run
    required : completion that a unit must reach
    unit_yield, unit_yield_low, unit_yield_high : share of the units that reach it, with its two-sided interval
    confidence : of each interval
    slopes : one a drawn input, the strongest first
    method : of the share of the units
    slopes_method : of its changes, and what they are for
    """

    where: str
    units: int
    required: float
    unit_yield: float
    unit_yield_low: float
    unit_yield_high: float
    confidence: float
    slopes: tuple[Slope, ...]
    method: str
    slopes_method: str = METHOD

    def payload(self) -> dict[str, Any]:
        """Return all of it for machines."""
        return asdict(self)


def unit_changes(
    response: Response, units: UnitCompletion, where: str, confidence: float, scrambles: int | None = None
) -> UnitChanges | None:
    """Return how the share of units that comply changes; None where nothing is required of a unit.

    Parameters
    ----------
    response : that the units were run with
    units : completion of all units of the settings, in one condition, in several at once, or over their lives
    where : that is, in words
    confidence : of each two-sided interval
    scrambles : Sobol' sets that the units come from; None for units drawn at random
    """
    design, settings = response.design, response.settings
    if design.requirement is None or design.requirement.completion is None:
        return None
    required, numbers = design.requirement.completion, np.arange(settings.units, dtype=np.int64)
    clusters = None if settings.lots is None else response.population.lot_of(numbers)
    each = 0.5 + 0.5 * confidence
    share = unit_yield(units.low, units.high, required, each, clusters, sampling=units.sampling, scrambles=scrambles)
    slopes = unit_yield_slopes(response, units, numbers, required, confidence)
    three = (share.value, share.low, share.high)
    return UnitChanges(where, settings.units, required, *three, confidence, slopes, share.method)


def ranked_unit_changes(
    response: Response, condition: Condition | None, over: Mapper, confidence: float
) -> UnitChanges | None:
    """Run the units of the settings in one condition, or over the mission where it is None, and return the same.

    The cost is that of a `yield` run of one actuation a unit in these conditions.
    """
    requirement = response.design.requirement
    if requirement is None or requirement.completion is None:
        return None
    if condition is not None:
        return unit_changes(response, units_at(response, condition, requirement.completion, over), "", confidence)
    response = Response(
        replace(response.design, requirement=replace(requirement, applies_to=OVER_THE_MISSION)), response.settings
    )
    plan = plan_of(response.design)
    cells = [units_at(response, place, requirement.completion, over) for place in plan.conditions]
    units = joint_completion(response, plan, cells, np.arange(response.settings.units, dtype=np.int64))
    return None if units is None else unit_changes(response, units, OVER_THE_MISSION, confidence)


def where_required(response: Response) -> str:
    """Return where a requirement asks for completion: ``in every condition`` or ``over the mission``."""
    return OVER_THE_MISSION if over_the_mission(response.design) else EVERYWHERE


def units_at(response: Response, condition: Condition, required: float, over: Mapper) -> UnitCompletion:
    """Return the completion of the units of the settings in one condition."""

    def work(units: IntArray) -> UnitCompletion | None:
        return run_block(response, condition, units, 1, required).completion

    return join_blocks([found for found in over.map(work, blocks(response.settings.units)) if found is not None])

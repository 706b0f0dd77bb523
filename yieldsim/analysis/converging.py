"""How an estimate and its interval narrow with effort.

What is shown at each effort is what a run planned to end there gives, from the first part of the same draws. To stop a
run by it would spoil the confidence: `yieldsim.analysis.until` does that with bounds that hold at every look.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import CellAnswer
from yieldsim.analysis.line_shares import line_share, line_shares_at
from yieldsim.design.schema import Design
from yieldsim.engine.execution import BLOCK
from yieldsim.estimate.convergence import (
    Convergence,
    completion_convergence,
    convergence_of,
    first_units,
    unit_yield_convergence,
)
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.estimate.unit_yield import unit_yield

IntArray = NDArray[np.int64]

_COMPLETION, _UNIT_YIELD = "completion at the worst condition", "share of units that comply"
_PARTS = 8  # of a block: a run of one block is looked at in its parts


@dataclass(frozen=True)
class ConvergenceCurve:
    """One estimate against effort.

    Attributes
    ----------
    of, unit : what is estimated, and its unit
    effort : what is counted as effort
    efforts : increasing
    value, low, high : estimate and bounds at each effort
    confidence : of each bound, for a run planned to end there
    two_sided : whether low and high are an interval of that confidence, not one-sided bounds each of it
    required : what is required of it; None for nothing
    method : of the last bounds
    """

    of: str
    unit: str
    effort: str
    efforts: tuple[int, ...]
    value: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    confidence: float
    two_sided: bool
    required: float | None
    method: str

    def payload(self) -> dict[str, Any]:
        """Return the curve for machines."""
        return asdict(self)


def yield_curves(
    design: Design,
    worst: CellAnswer,
    joint: UnitCompletion | None,
    clusters: IntArray | None,
    confidence: float,
    scrambles: int | None = None,
) -> tuple[ConvergenceCurve, ...]:
    """Return completion at the worst condition, and the share of complying units where one is required.

    Parameters
    ----------
    design : Design
    worst : answer of the condition that complies least
    joint : completion of the units in all binding conditions, or over the mission
    clusters : (n,) lot of each unit, or None
    confidence : of each one-sided bound
    scrambles : number of scrambled Sobol' sets that the units come from in turn; None for units drawn at random
    """
    if scrambles is not None:
        return _of_scrambles(design, worst, joint, confidence, scrambles)
    shares = worst.tally.completed / worst.tally.actuations
    units = len(shares)
    part = min(BLOCK, max(units // _PARTS, 1))
    blocks = [shares[k : k + part] for k in range(0, units, part)]
    found = [_curve(_COMPLETION, completion_convergence(blocks, confidence, clusters), None)]
    requirement = design.requirement
    if joint is not None and requirement is not None and requirement.completion is not None:
        seen = unit_yield_convergence(joint, requirement.completion, part, confidence, clusters)
        found.append(_curve(_UNIT_YIELD, seen, requirement.unit_yield))
    return tuple(found)


def _of_scrambles(
    design: Design, worst: CellAnswer, joint: UnitCompletion | None, confidence: float, scrambles: int
) -> tuple[ConvergenceCurve, ...]:
    """Return the curves from the first points of every scramble, twice as many each time."""
    shares = worst.tally.completed / worst.tally.actuations
    looks = [scrambles << k for k in range((len(shares) // scrambles).bit_length())]
    found, asked = [], worst.asked
    if asked is not None:

        def completion(n: int) -> Estimate:
            some = line_shares_at(asked, n, scrambles)
            return line_share(some, shares[:n], scrambles, confidence)

        found.append(_curve(_COMPLETION, convergence_of(completion, looks), None))
    requirement = design.requirement
    if joint is not None and requirement is not None and requirement.completion is not None:
        required = requirement.completion

        def complying(n: int) -> Estimate:
            some = first_units(joint, n)
            return unit_yield(some.low, some.high, required, confidence, sampling=some.sampling, scrambles=scrambles)

        found.append(_curve(_UNIT_YIELD, convergence_of(complying, looks), requirement.unit_yield))
    return tuple(found)


def _curve(of: str, seen: Convergence, required: float | None) -> ConvergenceCurve:
    return ConvergenceCurve(
        of=of,
        unit="1",
        effort="units",
        efforts=tuple(seen.units.tolist()),
        value=tuple(seen.value.tolist()),
        low=tuple(seen.low.tolist()),
        high=tuple(seen.high.tolist()),
        confidence=seen.confidence,
        two_sided=False,
        required=required,
        method=seen.method,
    )

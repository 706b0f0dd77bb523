"""How an estimate and its interval narrow with effort.

What is shown at each effort is what a run planned to end there gives, from the first part of the same draws. To stop a
run by it would spoil the confidence: `yieldsim.analysis.until` does that with bounds that hold at every look.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from yieldsim.analysis.line_shares import line_share, line_shares_at
from yieldsim.analysis.point_sets import PointSet
from yieldsim.analysis.sums import CellSum
from yieldsim.analysis.until import Watching
from yieldsim.design.schema import Design
from yieldsim.engine.execution import BLOCK
from yieldsim.engine.lines import join_lines
from yieldsim.engine.settings import Settings
from yieldsim.estimate.convergence import Convergence, convergence_of, efforts
from yieldsim.estimate.frequencies import Frequencies, share_of_units
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_yield import yield_of_units

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


def looks_of(settings: Settings, points: PointSet, watch: Watching | None) -> list[int]:
    """Return after how many units a run is looked at: increasing, the last all of them.

    A run of one block is looked at in its parts, a watched one where it may end. Of scrambled Sobol' sets the first
    points of each are looked at, twice as many each time.
    """
    if points.scrambles is not None:
        return [points.scrambles << k for k in range((settings.units // points.scrambles).bit_length())]
    part = min(BLOCK, max(settings.units // _PARTS, 1))
    if watch is None:
        return efforts(settings.units, part)
    first, *more = watch.rounds()
    return [*efforts(first, min(part, max(first // _PARTS, 1))), *more]


def yield_curves(
    design: Design, worst: CellSum, joint: Frequencies | None, looks: Sequence[int], confidence: float
) -> tuple[ConvergenceCurve, ...]:
    """Return completion at the worst condition, and the share of complying units where one is required.

    Parameters
    ----------
    design : Design
    worst : of the condition that complies least
    joint : frequencies of the scores of units in all binding conditions, or over the mission
    looks : units up to the end of each part of the run; a part that was not run is left out, and none gives no curve
    confidence : of each one-sided bound
    """
    ran = [n for n in looks if n <= worst.units]
    if not ran:
        return ()
    asked = join_lines(list(worst.asked)) if worst.asked else None
    parts = {n: k for k, n in enumerate(ran, start=1)}

    def completion(n: int) -> Estimate:
        counted = worst.completed.first(parts[n])
        if asked is None:
            return share_of_units(counted, confidence)
        return line_share(line_shares_at(asked, n, counted.group_count), counted, confidence)

    found = [_curve(_COMPLETION, convergence_of(completion, ran), None)]
    requirement = design.requirement
    if joint is not None and requirement is not None:

        def complying(n: int) -> Estimate:
            return yield_of_units(joint.first(parts[n]), confidence)

        found.append(_curve(_UNIT_YIELD, convergence_of(complying, ran), requirement.unit_yield))
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

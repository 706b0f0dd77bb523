"""One actuation that stands for a unit: the one that the required share of its actuations leaves just inside.

Of what the link, the press and the message can make of an actuation, the worst that together are more probable than
what may fail decide whether a unit complies. Outcomes are put in the order of the margin that they leave; where their
summed probability passes what may fail lies the *critical* one, and how far it passes gives the share of its presses
that may fail. A unit whose margin at that press is above 0 mostly complies, one below 0 mostly does not: 200 times less
work than its completion (`yieldsim.engine.cells`), and no proof. How far around 0 it errs is for the caller to measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.strata import Stratum, chances_of, list_strata, pivot_slot
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_NEGLIGIBLE = 1e-4  # of what is required, left out when outcomes are listed
_MIDDLE = 0.5


@dataclass(frozen=True)
class CriticalActuation:
    """What is forced: the outcome of the link, and uniforms of the press.

    Attributes
    ----------
    stratum : outcome of the link, the press and the message
    presses : uniforms of the pivot at which the margin is asked, the least of which counts; empty where no press
        differs from another
    """

    stratum: Stratum
    presses: tuple[float, ...]

    def margins(self, response: Response, condition: Condition, units: IntArray) -> FloatArray:
        """Return the voltage margin [V] (n,) of each unit, everything else that an actuation draws at its median.

        It is 0, which says nothing, where an actuation was not finished.
        """
        return _margins(response, condition, units, self.stratum, self.presses)


def critical_actuation(
    response: Response, conditions: Sequence[Condition], units: IntArray, required: float
) -> CriticalActuation | None:
    """Find the actuation that decides whether units comply.

    Parameters
    ----------
    response : Response
    conditions : where the units work; that of the least margin sets the order of the outcomes
    units : (n,) unit numbers to look at, some tens
    required : completion required of a unit [share]

    Returns
    -------
    CriticalActuation or None : None where the link alone fails more than may fail
    """
    base, scale = response.unit_base(units, conditions[0])
    strata, weights = list_strata(response, chances_of(response, base, scale), _NEGLIGIBLE * max(1.0 - required, 1e-2))
    kept = [(stratum, float(weight)) for stratum, weight in zip(strata, weights.mean(axis=0), strict=True)]
    kept = [(stratum, weight) for stratum, weight in kept if stratum.acknowledged]
    may_fail = sum(weight for _, weight in kept) - required
    if may_fail <= 0.0:
        return None
    slot = pivot_slot(response)
    middle = () if slot is None else (_MIDDLE,)
    first = [_margins(response, c, units, kept[0][0], middle).mean() for c in conditions]
    worst = conditions[int(np.argmin(first))]
    left = {stratum: float(_margins(response, worst, units, stratum, middle).mean()) for stratum, _ in kept}
    for stratum, weight in sorted(kept, key=lambda pair: left[pair[0]]):
        if weight > may_fail:
            share = may_fail / weight
            return CriticalActuation(
                stratum, () if slot is None else _sides(response, conditions, units, stratum, share)
            )
        may_fail -= weight
    return None


def _sides(
    response: Response, conditions: Sequence[Condition], units: IntArray, stratum: Stratum, share: float
) -> tuple[float, ...]:
    """Return the tail of the press in which margins are less, or both where that differs between units."""
    low = [_margins(response, c, units, stratum, (share,)) for c in conditions]
    high = [_margins(response, c, units, stratum, (1.0 - share,)) for c in conditions]
    less = np.asarray(low) <= np.asarray(high)
    if less.all():
        return (share,)
    return (1.0 - share,) if not less.any() else (share, 1.0 - share)


def _margins(
    response: Response, condition: Condition, units: IntArray, stratum: Stratum, presses: tuple[float, ...]
) -> FloatArray:
    base, scale = response.unit_base(units, condition)
    slot = pivot_slot(response)
    rows = np.zeros((len(units), 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = np.arange(len(units))
    plan = stratum.plan(response.kernel.attempts)
    plans = np.broadcast_to(plan, (len(units), len(plan)))
    points = np.full((len(units), response.kernel.attempts, len(response.slots)), _MIDDLE)
    least = np.full(len(units), np.inf)
    for press in presses or (_MIDDLE,):
        if slot is not None:
            points[:, 0, slot] = press
        values, codes = run(
            response.kernel, base, scale, rows, points=points, plans=plans, accuracy=response.settings.accuracy
        )
        known = codes[:, at.OUTCOME] != at.NOT_FINISHED
        least = np.minimum(least, np.where(known, values[:, at.VOLTAGE_MARGIN], 0.0))
    return least

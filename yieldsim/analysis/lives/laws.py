"""What each law of ageing costs at the end of a life: the same units, the same draws, with and without it."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds
from yieldsim.design.schema import Design
from yieldsim.design.tree import with_replaced
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.lifetimes import with_deciding_draws
from yieldsim.estimate.matched_pairs import mean_pair_difference
from yieldsim.estimate.paired import mean_difference, unit_yield_difference
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ALL = "all ageing"


@dataclass(frozen=True)
class AgeingOff:
    """A design without one of its laws of ageing, or without any.

    Attributes
    ----------
    parameter : that ages; ``all ageing`` for all of them
    law : its kind, empty for all of them
    design : without it
    """

    parameter: str
    law: str
    design: Design


@dataclass(frozen=True)
class LawCost:
    """What a law of ageing costs at the end of the life: without it, less with it; negative where it helps.

    Attributes
    ----------
    parameter, law : see `AgeingOff`
    completion : difference of the mean completion at the worst temperature [share]
    unit_yield : difference of the share of units that comply in every condition, or over the mission [share]; None
        without a requirement
    reserve : difference of the mean reserve at the worst temperature [V], over actuations that start with and without
    reserve_share : share of the sampled actuations that the mean reserve rests on
    """

    parameter: str
    law: str
    completion: Estimate
    unit_yield: Estimate | None
    reserve: Estimate | None
    reserve_share: float

    def payload(self) -> dict[str, Any]:
        """Return the costs for machines."""
        reserve = bounds("reserve_cost", self.reserve)
        return {
            "parameter": self.parameter,
            "law": self.law,
            **bounds("completion_cost", self.completion),
            **bounds("unit_yield_cost", self.unit_yield),
            **{f"{name}_V": value for name, value in reserve.items()},
            "reserve_share": self.reserve_share,
            "completion_cost_method": self.completion.method,
            "unit_yield_cost_method": None if self.unit_yield is None else self.unit_yield.method,
            "reserve_cost_method": None if self.reserve is None else self.reserve.method,
        }


def without_each_law(design: Design) -> Iterator[AgeingOff]:
    """Yield the design without each of its laws of ageing, then without any where there are several."""
    ageing = [parameter for parameter in design.parameters.values() if parameter.ageing]
    for parameter in ageing:
        for k, law in enumerate(parameter.ageing):
            others = parameter.ageing[:k] + parameter.ageing[k + 1 :]
            yield AgeingOff(parameter.name, law.law, with_replaced(design, replace(parameter, ageing=others)))
    if sum(len(parameter.ageing) for parameter in ageing) > 1:
        bare = design
        for parameter in ageing:
            bare = with_replaced(bare, replace(parameter, ageing=()))
        yield AgeingOff(ALL, "", bare)


def answering_for(response: Response, design: Design) -> Response:
    """Return a response of another design with the population of this one: every draw is the same to the bit.

    The other design may lack laws of ageing, and with them their coefficients, whose draws are then not used: a
    coefficient that is correlated with others is still drawn with them.
    """
    other = copy.copy(response)
    other.design = design
    return other


def reserves(response: Response, condition: Condition, units: IntArray, actuations: int) -> FloatArray:
    """Return the reserve [V] of actuations of some units, (n, actuations); NaN where none is known."""
    base, scale = response.unit_base(units, condition)
    rows = np.empty((len(units) * actuations, 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = np.repeat(np.arange(len(units)), actuations)
    rows[:, at.ROW_UNIT_ID] = np.repeat(units, actuations)
    rows[:, at.ROW_ACTUATION] = np.tile(np.arange(actuations), len(units))
    values, _ = run(response.kernel, base, scale, rows, accuracy=response.settings.accuracy)
    found = values[:, at.RESERVE].reshape(len(units), actuations)
    return np.where(np.isfinite(found), found, np.nan)


def cost_of(
    off: AgeingOff,
    completion: tuple[UnitCompletion, UnitCompletion],
    binding: tuple[UnitCompletion, UnitCompletion],
    reserve: tuple[FloatArray, FloatArray],
    required: float | None,
    clusters: IntArray | None,
    confidence: float,
) -> LawCost:
    """Return what a law costs, from answers without it and with it.

    Parameters
    ----------
    off : what is off
    completion : of the units at the worst temperature, without and with
    binding : of the units in all cells that bind at the end of the life, without and with
    reserve : (n, A) [V] at the worst temperature, without and with
    required : completion required of a unit
    clusters : (n,) lot of each unit, or None
    confidence : of each bound
    """
    without, with_it = completion
    units = None
    if required is not None:
        there, here = (with_deciding_draws(one, required) for one in binding)
        units = unit_yield_difference(here, there, required, confidence, clusters)
    both = np.isfinite(reserve[0]) & np.isfinite(reserve[1])
    return LawCost(
        off.parameter,
        off.law,
        mean_difference(
            0.5 * (without.low + without.high) - 0.5 * (with_it.low + with_it.high),
            clusters,
            confidence,
            surely=without.low - with_it.high,
            perhaps=without.high - with_it.low,
        ),
        units,
        _reserve_difference(*reserve, both, clusters, confidence),
        float(both.mean()),
    )


def _reserve_difference(
    without: FloatArray, with_it: FloatArray, both: NDArray[np.bool_], clusters: IntArray | None, confidence: float
) -> Estimate | None:
    counts = both.sum(axis=1)
    seen = counts > 0
    if not seen.any():
        return None
    means = [np.where(both, x, 0.0).sum(axis=1)[seen] / counts[seen] for x in (without, with_it)]
    lots = None if clusters is None else clusters[seen]
    return mean_pair_difference(means[0], means[1], confidence, lots)


def dearest(laws: Sequence[LawCost]) -> LawCost | None:
    """Return the single law that costs the most reserve; None where nothing ages."""
    single = [law for law in laws if law.parameter != ALL]
    return max(single, key=lambda law: -np.inf if law.reserve is None else law.reserve.value, default=None)

"""Estimate and interval against effort, from what blocks of units gave one after the other.

The bounds at each effort are those of a run that had been planned to end there. They show how a run narrows; to stop
a run by what they show would spoil their confidence (`yieldsim.estimate.stopping` has bounds for that).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from yieldsim.estimate.intervals import Estimate

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Convergence:
    """An estimate against effort.

    Attributes
    ----------
    units : (k,) array
        Units so far, increasing; the last is all of them.
    value, low, high : (k,) arrays
        Estimate and its one-sided bounds [share, or the estimate's own unit].
    confidence : float
        Confidence of each bound, for a run that had been planned to end there.
    method : str
        What the bounds at the end rest on.
    """

    units: NDArray[np.int64]
    value: Floats
    low: Floats
    high: Floats
    confidence: float
    method: str


def convergence_of(estimate: Callable[[int], Estimate], units: Sequence[int]) -> Convergence:
    """Any estimate against effort.

    Parameters
    ----------
    estimate : callable
        ``estimate(n)``: the estimate from the first n units.
    units : sequence of int
        Where to look, increasing, 1 or more.

    Raises
    ------
    ValueError
        For efforts that do not increase, or none.
    """
    looks = [int(n) for n in units]
    if not looks or looks[0] < 1 or any(a >= b for a, b in pairwise(looks)):
        raise ValueError(f"units = {looks}: increasing numbers of units, from 1 on, are needed")
    found = [estimate(n) for n in looks]
    return Convergence(
        np.array(looks, dtype=np.int64),
        np.array([e.value for e in found]),
        np.array([e.low for e in found]),
        np.array([e.high for e in found]),
        found[-1].confidence,
        found[-1].method,
    )


def efforts(units: int, block: int, looks: int = 24) -> list[int]:
    """Whole blocks at which to look: at most so many, about evenly in the logarithm, the last all units.

    Parameters
    ----------
    units : int
        All units, 1 or more.
    block : int
        Units of a block; the last may be shorter.
    looks : int
        Most looks, 1 or more.
    """
    if units < 1 or block < 1 or looks < 1:
        raise ValueError(f"units = {units}, block = {block}, looks = {looks}: each must be 1 or more")
    blocks = -(-units // block)
    chosen = np.arange(1, blocks + 1)
    if looks == 1:
        chosen = chosen[-1:]
    elif blocks > looks:
        chosen = np.unique(np.round(np.geomspace(1.0, blocks, looks)).astype(np.int64))
    return [min(int(k) * block, units) for k in chosen]

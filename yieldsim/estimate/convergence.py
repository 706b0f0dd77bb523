"""Estimate and interval against effort, from what blocks of units gave one after the other.

The bounds at each effort are those of a run that had been planned to end there. They show how a run narrows; to stop
a run by what they show would spoil their confidence (`yieldsim.estimate.stopping` has bounds for that).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.intervals import Estimate, check_confidence, mean_of_clusters
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion
from yieldsim.estimate.unit_yield import unit_yield

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


def completion_convergence(
    blocks: Sequence[ArrayLike],
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
    *,
    looks: int = 24,
) -> Convergence:
    """Completion against effort.

    Parameters
    ----------
    blocks : sequence of (n,) array_like
        Completing share of each unit, block by block in the order they were run, all but the last of one length.
    confidence : float
        Confidence of each bound.
    clusters : (units,) array_like, optional
        Lot of each unit, over all blocks.
    looks : int
        Most efforts looked at.

    Raises
    ------
    ValueError
        For no blocks, and as `yieldsim.estimate.intervals.mean_of_clusters`.
    """
    check_confidence(confidence)
    if not blocks:
        raise ValueError("no blocks: one at least is needed")
    arrays = [np.asarray(block, dtype=np.float64).reshape(-1) for block in blocks]
    values = np.concatenate(arrays)
    labels = None if clusters is None else np.asarray(clusters)

    def first(n: int) -> Estimate:
        return mean_of_clusters(values[:n], None if labels is None else labels[:n], confidence)

    return convergence_of(first, efforts(values.size, max(arrays[0].size, 1), looks))


def unit_yield_convergence(
    completion: UnitCompletion,
    required: float,
    block: int,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
    *,
    looks: int = 24,
) -> Convergence:
    """Unit yield against effort.

    Parameters
    ----------
    completion : UnitCompletion
        Of all units in the order they were run, arrays of shape (n_units,) or (n_cells, n_units).
    required : float
        Completion required of a unit [share].
    block : int
        Units of a block.
    confidence, clusters, looks
        As in `completion_convergence`.

    Raises
    ------
    ValueError
        As `yieldsim.estimate.unit_yield.unit_yield`.
    """
    labels = None if clusters is None else np.asarray(clusters)

    def first(n: int) -> Estimate:
        some = first_units(completion, n)
        own = None if labels is None else labels[:n]
        return unit_yield(some.low, some.high, required, confidence, own, sampling=some.sampling)

    return convergence_of(first, efforts(completion.low.shape[-1], block, looks))


def first_units(completion: UnitCompletion, n: int) -> UnitCompletion:
    """Completion of the first n units, with what is known of its errors."""
    sampling = completion.sampling
    if sampling is not None:
        sampling = Sampling(
            sampling.standard_error[..., :n],
            sampling.halves[..., :n],
            sampling.draws,
            None if sampling.draws_each is None else sampling.draws_each[..., :n],
        )
    return UnitCompletion(completion.low[..., :n], completion.high[..., :n], sampling)

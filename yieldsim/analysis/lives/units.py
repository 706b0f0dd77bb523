"""Completion of units over a mission, and no higher than what the link lets through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import lifetime
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.strata import chances_of, list_strata
from yieldsim.estimate.unit_completion import UnitCompletion

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_NEGLIGIBLE = 1e-9  # probability of the link's outcomes that are not listed


def lost_by_the_link(response: Response, condition: Condition, units: IntArray) -> FloatArray:
    """Return the least share of its actuations that each unit loses to the link, whatever its supply does, (n,).

    What is lost to the link is far below what a requirement on units turns on, and is left within their brackets
    there; of a fleet's losses it can be the most.
    """
    base, scale = response.unit_base(units, condition)
    strata, weights = list_strata(response, chances_of(response, base, scale), _NEGLIGIBLE)
    lost = np.array([not stratum.acknowledged for stratum in strata])
    return np.asarray(weights[:, lost].sum(axis=1))


def capped(units: UnitCompletion, most: FloatArray) -> UnitCompletion:
    """Return completions (n,) whose upper ends are no higher than ``most`` (n,); halves follow the middles."""
    high = np.clip(most, units.low, units.high)
    if units.sampling is None:
        return replace(units, high=high)
    halves = np.clip(units.sampling.halves - 0.5 * (units.high - high), 0.0, 1.0)
    return replace(units, high=high, sampling=replace(units.sampling, halves=halves))


def mixed_completion(cells: Sequence[UnitCompletion], weights: FloatArray) -> UnitCompletion:
    """Return each unit's completion over cells that weigh so much in its life.

    Parameters
    ----------
    cells : C completions of the same n units, arrays (n,)
    weights : (C, n), adding up to 1 for each unit

    Returns
    -------
    UnitCompletion : arrays (n,); the number of draws is that of the cell whose draws leave the most error
    """
    mixed = lifetime(list(cells), weights)
    known = [cell.sampling for cell in cells if cell.sampling is not None]
    if mixed.sampling is None or len(known) != len(cells):
        return mixed
    errors = weights * np.stack([s.standard_error for s in known])
    counts = np.take_along_axis(np.stack([s.counts for s in known]), errors.argmax(axis=0)[None], axis=0)[0]
    return replace(mixed, sampling=replace(mixed.sampling, draws_each=counts))

"""Which units surely comply, and which perhaps: what a stop rule counts block by block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.estimate.unit_completion import UnitCompletion

Flags = NDArray[np.bool_]

#: Standard errors that part a unit from the requirement before it is sure.
_APART = 2.0
_ROUNDING = 1e-12


def sure_and_possible(completion: UnitCompletion, required: float) -> tuple[Flags, Flags]:
    """Units that surely comply in every cell, and those that surely or perhaps do.

    Where completions were averaged over draws, a unit is sure when all draws and either half of them say so, by two
    standard errors of all: fewer units are sure, and more possible, than comply, since a unit that is counted wrongly
    is outweighed by units as near to the requirement that are left in doubt. This was measured to hold with up to 64
    draws for margins of which up to half of the variance is drawn, strata that fail in a share of the draws and skewed
    failing probabilities; with 81 % of the variance drawn 0.4 % of the units too many are sure.

    Parameters
    ----------
    completion : UnitCompletion
        Arrays of shape (n_units,) or (n_cells, n_units).
    required : float
        Completion required of a unit [share].

    Returns
    -------
    surely, possibly : (n_units,) arrays
        Their sums are what `yieldsim.estimate.stopping.PassFailWatch.look` asks for.
    """
    limit = required - _ROUNDING
    low, high = np.atleast_2d(completion.low), np.atleast_2d(completion.high)
    if completion.sampling is None:
        return np.all(low >= limit, axis=0), np.all(high >= limit, axis=0)
    middle, reach = 0.5 * (low + high), _APART * np.atleast_2d(completion.sampling.standard_error)
    halves = completion.sampling.halves.reshape(2, *low.shape)
    worst, best = halves.min(axis=0), halves.max(axis=0)
    surely = np.minimum(low - reach, worst + (low - middle)) >= limit
    possibly = np.maximum(high + reach, best + (high - middle)) >= limit
    return np.all(surely, axis=0), np.all(possibly, axis=0)

"""What the sample of one condition teaches about the regions, for the conditions after it."""

from __future__ import annotations

import numpy as np

from yieldsim.estimate.tails.adaptation import Sampled, spread_of_sample
from yieldsim.estimate.tails.curvature import refit
from yieldsim.estimate.tails.limit_state import Floats, LimitState
from yieldsim.estimate.tails.mixture import best_shares, mixture_over
from yieldsim.estimate.tails.region import Region

#: Points for each coefficient of a surface: as many as are there are worth it, because every condition after gains.
_EACH = 10


def handed_on(limit_state: LimitState, result: Sampled) -> tuple[tuple[Region, ...], Floats]:
    """Return the regions and the shares of the effort (m, 7) from which a neighbouring condition starts.

    A region takes the shape that this sample shows unless it was learnt from more points before.
    """
    shares = result.mixture.shares.reshape(len(result.regions), -1)
    learnt = spread_of_sample(result.regions, result.sample, again=False)
    if all(one is before for one, before in zip(learnt, result.regions, strict=True)):
        return tuple(result.regions), shares
    learnt = refit(learnt, *limit_state.history(), each=_EACH)
    terms = result.sample.weight * result.sample.fails
    rows = np.flatnonzero(terms > 0.0)
    best = best_shares(mixture_over(learnt, shares), result.sample.u[rows], terms[rows])
    return tuple(learnt), best.reshape(shares.shape)

"""How often each place of a ranking would change if the sample were drawn anew."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_DRAWS = 2000


def place_probabilities(
    values: Floats, residuals: Floats, seed: int | Sequence[int] = 0, draws: int = _DRAWS
) -> Floats:
    """Probability of each place, from the spread of independent (or balanced) parts of a sample.

    Values are drawn about the estimates from a multivariate t distribution with R - 1 degrees of freedom and the
    covariance of the parts, which keeps what the estimates have in common (a large error of one is often an
    opposite error of its neighbour); each draw is ranked.

    Parameters
    ----------
    values : (k,) array
        Estimates, the largest first in rank.
    residuals : (R, k) array
        Of each part about the estimates; R is 2 or more.
    seed : int or sequence of int
        Address of the draws.
    draws : int
        Rankings drawn; a probability is sure to 0.5 / sqrt(draws).

    Returns
    -------
    (k, k) array
        ``[i, j]`` the probability that i takes place j, 0 the strongest. Rows and columns add up to 1.
    """
    parts, _ = residuals.shape
    rng = np.random.default_rng(seed)
    steps = rng.standard_normal((draws, parts)) @ (residuals - residuals.mean(axis=0)) / np.sqrt(parts * (parts - 1))
    steps *= np.sqrt((parts - 1) / rng.chisquare(parts - 1, draws))[:, None]
    return places_of(values + steps, rng)


def places_of(drawn: Floats, rng: np.random.Generator) -> Floats:
    """Share of the rows of `drawn` (draws, k) in which each takes each place (k, k); equal values take turns."""
    draws, size = drawn.shape
    order = np.lexsort((rng.random(drawn.shape), -drawn), axis=1)
    found = np.zeros((size, size))
    for place in range(size):
        found[:, place] = np.bincount(order[:, place], minlength=size)
    return np.asarray(found / draws)

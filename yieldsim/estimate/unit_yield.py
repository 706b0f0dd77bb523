r"""Unit yield: the share of units whose own completion probability reaches a required value.

A unit's completion probability pi_u is worked out from its margins (`yieldsim.estimate.unit_completion`), not read
off a count of its actuations. The count is biased: it mixes the spread between units with the luck of few presses.
Units with means N(4, 1) in units of the actuation noise reach 0.999 in 81.9 % of cases; 20 actuations a unit read
96.9 %, 200 read 87.7 %, and no interval on those counts holds the truth.

Where pi_u had to be averaged over J draws, comparing the average with the requirement is biased as well, by a term
that falls like 1 / J (Gordy and Juneja 2010). It is removed to first order unit by unit: with F the comparison of
all draws and H_1, H_2 those of the two halves, the score D = 2 F - (H_1 + H_2) / 2 of a unit (a jackknife) has an
expectation free of the term. The comparisons are softened by a quarter of the unit's standard error, lest draws of
few distinct values (a stratum that fails or holds) make the number of draws that may fail jump from J / 2 to J. D is
0 or 1 for all units but the few near the requirement. Scores of different units are independent, so that their mean
is bounded like any mean over units or lots, and the luck of the draws is part of the bounds.

What is left of the bias mostly has the sign of the correction D - F. Each bound is therefore made from scores
D + k (D - F), with k = `_REMAINING` / sqrt(J) on the side where the correction points, and `_BACK` times that the
other way on the other. Measured over margins with 0 to 81 % of the actuation's variance drawn, strata that fail in a
share of the draws, and lognormal failing probabilities: from 4 draws on, k times the correction is more than what is
left, but for 81 % drawn, where 16 are needed. `complete_units` starts with 4 and gives such units more by itself. No
allowance can see what the draws never met. Coverage: `tests/benchmarks/coverage.py`, its table in
`tests/benchmarks/results/coverage.md`.

References
----------
Gordy, M. B. and Juneja, S. (2010). Nested simulation in portfolio risk measurement. Management Science 56,
    1833-1848.
Quenouille, M. H. (1956). Notes on bias in estimation. Biometrika 43, 353-360.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from yieldsim.estimate.dirichlet import lower_mean_bound, upper_mean_bound
from yieldsim.estimate.intervals import (
    Estimate,
    binomial_estimate,
    check_confidence,
    cluster_means,
    mean_of_clusters,
)
from yieldsim.estimate.replicates import FEW, mean_of_replicates
from yieldsim.estimate.scrambled import means_of_scrambles, share_of_points
from yieldsim.estimate.unit_completion import (
    Sampling,
    UnitCompletion,
    combine_strata,
    complete_units,
    stack_cells,
)

__all__ = ["Sampling", "UnitCompletion", "combine_strata", "complete_units", "stack_cells", "unit_yield"]

FEW_UNITS = "bounds of as many independent units, as few of them fail or comply, and Student's t over scrambles"
SCORES = "bounds on the mean of independent scores (Dirichlet reweighting with one unseen worst case)"

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: The bias left after correction is at most the first over sqrt(J) times the correction and of its sign, or the second
#: times that the other way (measured, see above).
_REMAINING, _BACK = 16.0, 0.25
#: Scale of the softened comparison in standard errors, and levels between failing and complying.
_SOFTNESS, _LEVELS = 0.25, 32.0
_ROUNDING = 1e-12


def unit_yield(
    completion_low: ArrayLike,
    completion_high: ArrayLike,
    required: float,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
    *,
    sampling: Sampling | None = None,
    scrambles: int | None = None,
) -> Estimate:
    """Share of units whose completion reaches the requirement, in every cell, with one-sided bounds.

    Parameters
    ----------
    completion_low, completion_high : (n_units,) or (n_cells, n_units) array_like
        Bracketed completion of each unit [share]. The lower bound counts units whose low value reaches the
        requirement in every cell, the upper bound those whose high value does.
    required : float
        Completion required of a unit [share], above 0 and at most 1.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    clusters : (n_units,) array_like, optional
        Lot of each unit; the bounds then rest on the spread between lots.
    sampling : Sampling, optional
        What the draws say of their own error; left out where nothing was averaged.
    scrambles : int, optional
        R, where the units are points of R scrambled sets in turn (`yieldsim.estimate.scrambled`): the bounds then rest
        on the spread between the sets. Clusters are not looked at.

    Returns
    -------
    Estimate
        Unit yield [share].

    Raises
    ------
    ValueError
        For shapes that do not fit, shares outside their range, or values that are not finite.
    """
    check_confidence(confidence)
    low, high = _cells(completion_low), _cells(completion_high)
    if low.shape != high.shape or low.size == 0:
        raise ValueError(
            f"completion_low {low.shape}, completion_high {high.shape}: two equal shapes with units are needed"
        )
    if not np.all((low >= 0.0) & (low <= high + _ROUNDING) & (high <= 1.0)):
        raise ValueError("completions must be finite, with 0 <= low <= high <= 1")
    if not 0.0 < required <= 1.0:
        raise ValueError(f"required = {required}: a share above 0 and at most 1 is needed")
    # a unit that reaches the requirement exactly complies: sums of weights carry rounding of some 1e-16
    limit = required - _ROUNDING
    if sampling is None:
        lower, upper = (_bounds(_all_reach(p, limit), confidence, clusters, scrambles) for p in (low, high))
        value = float(_all_reach(0.5 * (low + high), limit).mean())
        value = min(max(value, lower.low), upper.high)
        how = "each unit's completion worked out"
        return Estimate(value, lower.low, upper.high, confidence, f"{lower.method}; {how}")
    return _averaged(low, high, limit, confidence, clusters, sampling, scrambles)


def _cells(values: ArrayLike) -> Floats:
    """Values as (n_cells, n_units)."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim not in (1, 2):
        raise ValueError(f"completions have {array.ndim} dimensions: (units,) or (cells, units) is needed")
    return np.atleast_2d(array)


def _all_reach(completion: Floats, limit: float) -> Flags:
    """Whether each unit reaches the limit in every cell, from (..., n_cells, n_units)."""
    return np.asarray(completion.min(axis=-2) >= limit)


def _bounds(complies: Flags, confidence: float, clusters: ArrayLike | None, scrambles: int | None) -> Estimate:
    """One-sided bounds on the share of complying units."""
    if scrambles is not None:
        return share_of_points(complies, scrambles, confidence)
    if clusters is None:
        return binomial_estimate(int(complies.sum()), complies.size, confidence)
    return mean_of_clusters(complies.astype(np.float64), clusters, confidence)


def _averaged(
    low: Floats,
    high: Floats,
    limit: float,
    confidence: float,
    clusters: ArrayLike | None,
    sampling: Sampling,
    scrambles: int | None,
) -> Estimate:
    """Unit yield from completions that were averaged over draws."""
    error, halves = np.atleast_2d(sampling.standard_error), sampling.halves
    if error.shape != low.shape or halves.size != 2 * low.size or sampling.draws < 2:
        raise ValueError(
            f"sampling has shape {error.shape} for completions {low.shape}: the same units and cells are needed"
        )
    halves = halves.reshape(2, *low.shape)
    draws = binding_draws(0.5 * (low + high), halves, error, np.broadcast_to(sampling.counts, low.shape), limit)
    surely, likely, perhaps = yield_scores(low, high, halves, error, draws, limit)
    lower, method = _mean_bound(surely, confidence, clusters, scrambles, upper=False)
    upper, _ = _mean_bound(perhaps, confidence, clusters, scrambles, upper=True)
    value = min(max(float(likely.mean()), lower), upper)
    how = f"each unit's completion averaged over {_spoken(draws)} draws, their bias removed and its rest allowed for"
    return Estimate(value, lower, upper, confidence, f"{method}; {how}")


def yield_scores(
    low: Floats, high: Floats, halves: Floats, error: Floats, draws: NDArray[np.int64], limit: float
) -> tuple[Floats, Floats, Floats]:
    """Scores of units whose mean is the lower bound's, the value, and the upper bound's, three arrays (n_units,).

    Parameters
    ----------
    low, high, error : (n_cells, n_units) arrays
        Bracketed completion and its standard error [share].
    halves : (2, n_cells, n_units) array
        Completion from either half of the draws [share].
    draws : (n_units,) array
        Number of draws.
    limit : float
        Completion to be reached [share].
    """
    middle = 0.5 * (low + high)
    likely, _ = _scores(middle, halves, error, limit)
    surely, below = _scores(low, halves + (low - middle), error, limit)
    perhaps, above = _scores(high, halves + (high - middle), error, limit)
    return surely + _left(-below, draws) * below, likely, perhaps + _left(above, draws) * above


def binding_draws(
    middle: Floats, halves: Floats, error: Floats, counts: NDArray[np.int64], limit: float
) -> NDArray[np.int64]:
    """Draws (n,) of the cell that decides each unit's comparison, of all its draws or of a half of them.

    A cell with few draws is one in which the unit was soon clear of the limit; it has no part in what the comparison
    leaves of its bias while another cell decides. Arrays (cells, n), halves (2, cells, n).
    """
    least = []
    for completion in (middle, halves[0], halves[1]):
        with np.errstate(divide="ignore", invalid="ignore"):
            z = (completion - limit) / error
        z = np.where(error > 0.0, z, np.where(completion >= limit, np.inf, -np.inf))
        least.append(np.take_along_axis(counts, z.argmin(axis=0)[None], axis=0)[0])
    return np.asarray(np.min(least, axis=0))


def _left(correction: Floats, draws: NDArray[np.int64]) -> Floats:
    """How many more corrections may be left, of which sign; the bound looks where a positive one makes for."""
    return (_REMAINING if correction.sum() > 0.0 else -_BACK * _REMAINING) / np.sqrt(draws)


def _spoken(draws: NDArray[np.int64]) -> str:
    """Spell the range of the numbers of draws."""
    least, most = int(draws.min()), int(draws.max())
    return str(least) if least == most else f"{least} to {most}"


def _scores(completion: Floats, halves: Floats, error: Floats, limit: float) -> tuple[Floats, Floats]:
    """Jackknifed score of each unit, and the correction that it holds."""
    full = _softly_reach(completion, error, limit)
    scores = 2.0 * full - _softly_reach(halves, np.sqrt(2.0) * error, limit).mean(axis=0)
    return scores, scores - full


def _softly_reach(completion: Floats, error: Floats, limit: float) -> Floats:
    """Comparison of each unit with the limit in every cell, from (..., n_cells, n_units), softened by its error."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (completion - limit) / (_SOFTNESS * error)
    least = np.where(error > 0.0, z, np.where(completion >= limit, np.inf, -np.inf)).min(axis=-2)
    # exactly 0 or 1 where nothing is in doubt, and few values in all
    return np.asarray(np.round(_LEVELS * ndtr(least)) / _LEVELS)


def _mean_bound(
    scores: Floats, confidence: float, clusters: ArrayLike | None, scrambles: int | None, *, upper: bool
) -> tuple[float, str]:
    """One-sided bound on the expectation of the scores, and how it was made."""
    if scrambles is not None:
        return _bound_of_scrambles(scores, confidence, scrambles, upper=upper)
    if np.all((scores == 0.0) | (scores == 1.0)):
        plain = _bounds(scores == 1.0, confidence, clusters, None)
        return (plain.high if upper else plain.low), plain.method
    least, largest = min(float(scores.min()), 0.0), max(float(scores.max()), 1.0)
    span = largest - least
    x, w = (scores - least) / span, np.ones_like(scores)
    if clusters is not None:
        x, w = cluster_means(x, w, np.asarray(clusters))
    weights = None if np.all(w == w[0]) else w / w.max()
    # an unseen unit scores 0 or 1: such as score more or less are near the requirement, where units were seen
    if upper:
        bound = upper_mean_bound(x, confidence, weights, unseen=max((1.0 - least) / span, float(x.max())))
    else:
        bound = lower_mean_bound(x, confidence, weights, unseen=min(-least / span, float(x.min())))
    return min(max(bound * span + least, 0.0), 1.0), SCORES


def _bound_of_scrambles(scores: Floats, confidence: float, scrambles: int, *, upper: bool) -> tuple[float, str]:
    """The same from the spread of scrambles; where few units fail or comply, no better than of independent units."""
    spread = mean_of_replicates(means_of_scrambles(scores, scrambles), confidence)
    bound = spread.high if upper else spread.low
    complying = float(scores.sum())
    method = spread.method
    if min(complying, scores.size - complying) < FEW * scrambles:
        plain, _ = _mean_bound(scores, confidence, None, None, upper=upper)
        bound = max(bound, plain) if upper else min(bound, plain)
        method = FEW_UNITS
    return min(max(bound, 0.0), 1.0), method

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

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from yieldsim.estimate.dirichlet import lower_mean_bound, upper_mean_bound
from yieldsim.estimate.frequencies import ALONE, SCRAMBLES, Frequencies
from yieldsim.estimate.intervals import (
    Estimate,
    binomial_estimate,
    check_confidence,
    cluster_means,
    mean_of_clusters,
)
from yieldsim.estimate.replicates import FEW, mean_of_replicates, share_of_replicates
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

#: Columns of `score_rows`.
SURELY, BELOW, LIKELY, PERHAPS, ABOVE, DRAWS = range(6)

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
    rows = score_rows(completion_low, completion_high, required, sampling)
    if scrambles is not None:
        return yield_of_units(Frequencies.of(rows, SCRAMBLES, np.arange(len(rows)) % scrambles), confidence)
    labels = None if clusters is None else np.asarray(clusters)
    if labels is not None and labels.shape != (len(rows),):
        raise ValueError(f"clusters has shape {labels.shape} for {len(rows)} units: one label a unit is needed")
    lots = None if labels is None else np.unique(labels, return_inverse=True)[1]
    return yield_of_units(Frequencies.in_lots(rows, lots), confidence)


def score_rows(
    completion_low: ArrayLike, completion_high: ArrayLike, required: float, sampling: Sampling | None
) -> Floats:
    """Scores of units whose means are the unit yield and its bounds, fit for a table of frequencies.

    Parameters
    ----------
    completion_low, completion_high, required, sampling : as in `unit_yield`

    Returns
    -------
    (n_units, 6) array
        The columns `SURELY`, `LIKELY` and `PERHAPS`: whether a unit complies; `BELOW` and `ABOVE`: the correction that
        the first and the last hold; `DRAWS`: over how many draws, 0 where nothing was averaged.

    Raises
    ------
    ValueError
        For shapes that do not fit, shares outside their range, or values that are not finite.
    """
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
    rows = np.zeros((low.shape[1], 6))
    if sampling is None:
        for column, completion in ((SURELY, low), (LIKELY, 0.5 * (low + high)), (PERHAPS, high)):
            rows[:, column] = completion.min(axis=0) >= limit
        return rows
    error, halves = np.atleast_2d(sampling.standard_error), sampling.halves
    if error.shape != low.shape or halves.size != 2 * low.size or sampling.draws < 2:
        raise ValueError(
            f"sampling has shape {error.shape} for completions {low.shape}: the same units and cells are needed"
        )
    halves, middle = halves.reshape(2, *low.shape), 0.5 * (low + high)
    rows[:, LIKELY], _ = _scores(middle, halves, error, limit)
    rows[:, SURELY], rows[:, BELOW] = _scores(low, halves + (low - middle), error, limit)
    rows[:, PERHAPS], rows[:, ABOVE] = _scores(high, halves + (high - middle), error, limit)
    rows[:, DRAWS] = binding_draws(middle, halves, error, np.broadcast_to(sampling.counts, low.shape), limit)
    return rows


def scores_of(units: UnitCompletion, required: float) -> tuple[Floats, Floats, Floats]:
    """Scores of units against a requirement: surely, likely and perhaps complying, three arrays (n,).

    Their means are the lower bound's, the value, and the upper bound's. Errors as in `score_rows`.
    """
    rows = score_rows(units.low, units.high, required, units.sampling)
    each = np.ones(len(rows), dtype=np.int64)
    return allowed(rows, each, upper=False), rows[:, LIKELY], allowed(rows, each, upper=True)


def yield_of_units(table: Frequencies, confidence: float = 0.95) -> Estimate:
    """Share of units that comply, with one-sided bounds, from the frequencies of their `score_rows`.

    Parameters
    ----------
    table : Frequencies
        Bounds rest on the spread between lots, or between scrambled sets, where units come from such.
    confidence : float
        Confidence of each bound, between 0.5 and 1.
    """
    check_confidence(confidence)
    likely, draws = table.values[:, LIKELY], table.values[:, DRAWS]
    lower, method = _mean_bound(table, allowed(table.values, table.units, upper=False), confidence, upper=False)
    upper, _ = _mean_bound(table, allowed(table.values, table.units, upper=True), confidence, upper=True)
    value = min(max(float(np.average(likely, weights=table.units)), lower), upper)
    how = "each unit's completion worked out"
    if draws.any():
        how = (
            f"each unit's completion averaged over {_spoken(draws)} draws, their bias removed and its rest allowed for"
        )
    return Estimate(value, lower, upper, confidence, f"{method}; {how}")


def allowed(rows: Floats, units: NDArray[np.int64], *, upper: bool) -> Floats:
    """Scores (k,) whose mean a bound is on: what may be left of their bias stands on the side of the bound."""
    score, correction = (rows[:, PERHAPS], rows[:, ABOVE]) if upper else (rows[:, SURELY], -rows[:, BELOW])
    if not correction.any():
        return score
    left = (_REMAINING if float(units @ correction) > 0.0 else -_BACK * _REMAINING) / np.sqrt(rows[:, DRAWS])
    return np.asarray(score + left * correction if upper else score - left * correction)


def _cells(values: ArrayLike) -> Floats:
    """Values as (n_cells, n_units)."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim not in (1, 2):
        raise ValueError(f"completions have {array.ndim} dimensions: (units,) or (cells, units) is needed")
    return np.atleast_2d(array)


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


def _spoken(draws: Floats) -> str:
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


def _mean_bound(table: Frequencies, scores: Floats, confidence: float, *, upper: bool) -> tuple[float, str]:
    """One-sided bound on the expectation of the scores (k,) of the table's rows, and how it was made."""
    if table.groups == SCRAMBLES:
        return _bound_of_scrambles(table, scores, confidence, upper=upper)
    if np.all((scores == 0.0) | (scores == 1.0)):
        plain = _bounds(table, scores, confidence)
        return (plain.high if upper else plain.low), plain.method
    least, largest = min(float(scores.min()), 0.0), max(float(scores.max()), 1.0)
    span = largest - least
    x, w, units = (scores - least) / span, np.ones_like(scores), table.units.astype(np.float64)
    if table.lots is not None:
        x, w = cluster_means(x, units, table.lots)
        units = np.ones_like(x)
    weights = None if np.all(w == w[0]) else w / w.max()
    # an unseen unit scores 0 or 1: such as score more or less are near the requirement, where units were seen
    if upper:
        unseen = max((1.0 - least) / span, float(x.max()))
        bound = upper_mean_bound(x, confidence, weights, unseen=unseen, repeats=units)
    else:
        unseen = min(-least / span, float(x.min()))
        bound = lower_mean_bound(x, confidence, weights, unseen=unseen, repeats=units)
    return min(max(bound * span + least, 0.0), 1.0), SCORES


def _bounds(table: Frequencies, complies: Floats, confidence: float) -> Estimate:
    """One-sided bounds on the share of units of which each complies or not."""
    if table.lots is None:
        return binomial_estimate(int(table.units @ complies), table.total, confidence)
    return mean_of_clusters(complies, table.lots, confidence, repeats=table.units)


def _bound_of_scrambles(table: Frequencies, scores: Floats, confidence: float, *, upper: bool) -> tuple[float, str]:
    """The same from the spread of scrambles; where few units fail or comply, no better than of independent units."""
    means = table.means(scores)
    if not table.values[:, DRAWS].any():
        found = share_of_replicates(np.clip(means, 0.0, 1.0), table.total // len(means), confidence)
        return (found.high if upper else found.low), found.method
    spread = mean_of_replicates(means, confidence)
    bound, method = spread.high if upper else spread.low, spread.method
    complying = float(table.units @ scores)
    if min(complying, table.total - complying) < FEW * len(means):
        plain, _ = _mean_bound(replace(table, groups=ALONE), scores, confidence, upper=upper)
        bound, method = (max(bound, plain) if upper else min(bound, plain)), FEW_UNITS
    return min(max(bound, 0.0), 1.0), method

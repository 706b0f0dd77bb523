r"""Unit yield: the share of units whose own completion probability reaches a required value.

A unit's completion probability pi_u is worked out from its margins, not read off a count of its actuations.
The count is biased: it mixes the spread between units with the luck of few presses. Units with means N(4, 1)
in units of the actuation noise reach 0.999 in 81.9 % of cases; 20 actuations a unit read 96.9 %, 200 read
87.7 %, and no interval on those counts holds the truth. Here

    pi_u = sum_k w_uk P(complete | u, k),

over the outcomes k of the link (strata) with known probabilities w_uk, where P(complete | u, k) is the mean
over J draws of the actuation's other variables of a probability over the pivot (`yieldsim.estimate.pivot`).

What J draws can and cannot do
------------------------------
Where the pivot is the only variable drawn for each actuation, one row is exact. Otherwise pi_u is a mean of J
draws, and counting means against a threshold is biased by a term that falls like 1 / J (Gordy and Juneja
2010); the value is corrected for its first order by the jackknife over two halves of the draws. The bounds
are guarded twice: a unit is counted only when its mean is clear of the requirement by Student's t times its
standard error, and the bound moves on by `_DRIFT` times the change of the share from half the draws to all of
them. No guard can see what the draws never met: a variable that is not the pivot must not be the main cause
of rare failures.

Measured in 200 repeats of 2,000 units with means N(4, 1) in units of the actuation noise, r = 0.999, truth
0.8185, 95 % bounds; "drawn" is the share of the actuation's variance that is not in the pivot:

::

    drawn  draws    counted  value    low     high      holds truth [%]: low, high
      0 %      5    0.819    0.819    0.804   0.833      96.0   96.5
     25 %      5    0.843    0.824    0.749   0.979     100.0  100.0
     25 %     20    0.826    0.820    0.765   0.914     100.0  100.0
     25 %    200    0.818    0.817    0.779   0.859     100.0  100.0
     50 %      5    0.879    0.850    0.745   0.999     100.0  100.0
     50 %     20    0.846    0.831    0.767   0.964     100.0  100.0
     50 %    200    0.821    0.817    0.763   0.890     100.0  100.0
     64 %      5    0.905    0.876    0.775   1.000      99.5  100.0
     64 %     20    0.864    0.844    0.768   0.981     100.0  100.0
     64 %    200    0.824    0.817    0.760   0.911     100.0  100.0
     81 %      5    0.939    0.916    0.832   1.000      22.5  100.0
     81 %     20    0.896    0.873    0.789   0.995      97.5  100.0
     81 %    200    0.829    0.814    0.750   0.937     100.0  100.0

The bounds hold while the pivot carries a third of the variance or more, from 5 draws (the least coverage,
95.0 %, was seen at 64 % with 8 draws). At 81 % they fail with 5 and with 8 draws and hold with 20.

References
----------
Gordy, M. B. and Juneja, S. (2010). Nested simulation in portfolio risk measurement. Management Science 56,
    1833-1848.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from yieldsim.estimate.intervals import Estimate, binomial_estimate, check_confidence, mean_of_clusters

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: How many times the last halving's change of the share the bound allows for the change still to come (see
#: the table above).
_DRIFT = 4.0
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Sampling:
    """How sure unit completions are that were averaged over J draws.

    Attributes
    ----------
    standard_error : (n_units,) or (n_cells, n_units) array
        Standard error of each unit's completion over its draws [share].
    halves : (2, ...) array
        The completions from the first and from the last half of the draws [share].
    draws : int
        J, at least 2.
    """

    standard_error: Floats
    halves: Floats
    draws: int


@dataclass(frozen=True)
class UnitCompletion:
    """Completion probability of each unit, bracketed.

    Attributes
    ----------
    low, high : (n_units,) or (n_cells, n_units) arrays
        Completion [share] with everything unresolved and unseen counted as failing, and as completing.
    sampling : Sampling or None
        What is known of the error of averaging over draws; None where nothing was averaged.
    """

    low: Floats
    high: Floats
    sampling: Sampling | None


def combine_strata(
    p_low: ArrayLike, p_high: ArrayLike, weights: ArrayLike, rest: ArrayLike, *, drawn: bool = True
) -> UnitCompletion:
    """Completion probability of each unit from its strata and draws.

    Parameters
    ----------
    p_low, p_high : (n_units, n_strata, J) array_like
        Bracketed probability over the pivot [share]. Draws must be independent between units and over J;
        within a draw the strata may share their variables.
    weights : (n_units, n_strata) array_like
        Probability of each stratum [share].
    rest : (n_units,) array_like
        Probability of all that the strata leave out [share]: failing in `low`, completing in `high`.
    drawn : bool
        Whether variables other than the pivot were drawn. False with J = 1 says that each row is exact.

    Returns
    -------
    UnitCompletion
        Arrays of shape (n_units,).

    Raises
    ------
    ValueError
        For shapes that do not fit, weights that with the rest do not add up to 1, or a single draw of drawn
        variables.
    """
    low, high = np.asarray(p_low, dtype=np.float64), np.asarray(p_high, dtype=np.float64)
    w, left_over = np.asarray(weights, dtype=np.float64), np.asarray(rest, dtype=np.float64)
    if low.ndim != 3 or high.shape != low.shape or w.shape != low.shape[:2] or left_over.shape != low.shape[:1]:
        raise ValueError(
            f"p_low {low.shape}, p_high {high.shape}, weights {w.shape}, rest {left_over.shape}: "
            "(units, strata, draws) twice, (units, strata) and (units,) are needed"
        )
    if np.any(w < 0.0) or np.any(left_over < -1e-9) or np.any(np.abs(w.sum(axis=1) + left_over - 1.0) > 1e-9):
        raise ValueError("weights and rest of a unit must not be negative and must add up to 1")
    draws = low.shape[2]
    if drawn and draws < 2:
        raise ValueError(
            "one draw gives no standard error: two or more are needed, or drawn=False where each row is exact"
        )
    by_draw_low, by_draw_high = np.einsum("uk,ukj->uj", w, low), np.einsum("uk,ukj->uj", w, high)
    left_over = np.maximum(left_over, 0.0)
    sampling = None
    if drawn:
        middle = 0.5 * (by_draw_low + by_draw_high)
        half = draws // 2
        halves = np.stack([middle[:, :half].mean(axis=1), middle[:, -half:].mean(axis=1)]) + 0.5 * left_over
        sampling = Sampling(middle.std(axis=1, ddof=1) / np.sqrt(draws), halves, draws)
    return UnitCompletion(
        np.clip(by_draw_low.mean(axis=1), 0.0, 1.0),
        np.clip(by_draw_high.mean(axis=1) + left_over, 0.0, 1.0),
        sampling,
    )


def stack_cells(cells: Sequence[UnitCompletion]) -> UnitCompletion:
    """Join the same units in several cells as one UnitCompletion with arrays of shape (n_cells, n_units).

    Raises ValueError for no cells, for differing numbers of units or of draws, or where only some cells were
    averaged.
    """
    if not cells:
        raise ValueError("no cells to stack: at least one is needed")
    if len({(cell.low.shape, cell.sampling.draws if cell.sampling else 0) for cell in cells}) > 1:
        raise ValueError("cells differ in their number of units or draws: the same units and draws are needed in each")
    samplings = [cell.sampling for cell in cells if cell.sampling is not None]
    sampling = None
    if samplings:
        sampling = Sampling(
            np.stack([s.standard_error for s in samplings]),
            np.stack([s.halves for s in samplings], axis=1),
            samplings[0].draws,
        )
    return UnitCompletion(np.stack([c.low for c in cells]), np.stack([c.high for c in cells]), sampling)


def unit_yield(
    completion_low: ArrayLike,
    completion_high: ArrayLike,
    required: float,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
    *,
    sampling: Sampling | None = None,
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
        Error of averaging over draws, which guards both bounds; left out where nothing was averaged.

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
    middle = (0.5 * (low + high)).min(axis=0)
    value = float((middle >= limit).mean())
    if sampling is None:
        surely, perhaps = low.min(axis=0) >= limit, high.min(axis=0) >= limit
        how = "each unit's completion worked out"
    else:
        surely, perhaps, value = _guarded(low, high, limit, confidence, sampling)
        how = f"each unit's completion averaged over {sampling.draws} draws, guarded for their error"
    lower, upper = _bounds(surely, confidence, clusters), _bounds(perhaps, confidence, clusters)
    value = min(max(value, lower.low), upper.high)
    return Estimate(value, lower.low, upper.high, confidence, f"{lower.method}; {how}")


def _cells(values: ArrayLike) -> Floats:
    """Values as (n_cells, n_units)."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim not in (1, 2):
        raise ValueError(f"completions have {array.ndim} dimensions: (units,) or (cells, units) is needed")
    return np.atleast_2d(array)


def _bounds(complies: Flags, confidence: float, clusters: ArrayLike | None) -> Estimate:
    """One-sided bounds on the share of complying units."""
    if clusters is None:
        return binomial_estimate(int(complies.sum()), complies.size, confidence)
    return mean_of_clusters(complies.astype(np.float64), clusters, confidence)


def _guarded(
    low: Floats, high: Floats, limit: float, confidence: float, sampling: Sampling
) -> tuple[Flags, Flags, float]:
    """Units that surely and that perhaps comply, and the corrected share, for averaged completions."""
    error = np.atleast_2d(sampling.standard_error)
    halves = sampling.halves.reshape(2, *low.shape) if sampling.halves.size == 2 * low.size else np.empty(0)
    if error.shape != low.shape or halves.size == 0 or sampling.draws < 2:
        raise ValueError(
            f"sampling has shape {error.shape} for completions {low.shape}: the same units and cells are needed"
        )
    # one error among several cells is enough to miss a unit that complies in all of them
    guard = float(stdtrit(sampling.draws - 1, 1.0 - (1.0 - confidence) / low.shape[0])) * error
    least, most = (low - guard).min(axis=0), (high + guard).min(axis=0)
    full = float(((0.5 * (low + high)).min(axis=0) >= limit).mean())
    half = float((halves.min(axis=1) >= limit).mean())
    drift = full - half
    surely = _at_most(least, least >= limit, full - _DRIFT * abs(drift))
    perhaps = ~_at_most(-most, most < limit, 1.0 - full - _DRIFT * abs(drift))
    return surely, perhaps, full + drift


def _at_most(rank: Floats, chosen: Flags, share: float) -> Flags:
    """Return the chosen units, thinned from the lowest rank until they are no more than a share of all."""
    allowed = max(0, int(np.floor(share * chosen.size + 1e-9)))
    excess = int(chosen.sum()) - allowed
    if excess <= 0:
        return chosen
    kept = chosen.copy()
    members = np.flatnonzero(chosen)
    kept[members[np.argsort(rank[members], kind="stable")[:excess]]] = False
    return kept

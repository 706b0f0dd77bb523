r"""Ages at which units first fall below what is required of them, from bounds on each unit at a grid of ages.

A unit is looked at when new and at some later ages a_0 < a_1 < ... < a_m. It survives a_k where it reached the
requirement at every age up to a_k: a fall counts once, whether or not the unit recovers. All that is known of the age
of a fall is the pair of ages between which it was seen (interval censoring), and of a unit that never fell, that it
outlives the last age (right censoring at one common age). With every unit looked at at the same ages, the share that
survives a_k is a plain share of units: no model of the distribution and no product limit is needed, and its bounds are
those of `yieldsim.estimate.unit_yield` over all ages so far, which allow for completions that are bracketed or
averaged over draws, and for lots.

The B-p life is the age by which the share p has fallen. Its bounds invert those of the share, age by age: it is more
than a_k where at most p is shown to have fallen by a_k, and at most a_k where at least p is. The share that has
fallen does not decrease, hence one bound that holds at the first age at or behind the true B-p life is enough, and
looking at all ages costs no confidence (Woodruff 1952). With completions known exactly and independent units these
are the order-statistic bounds of a quantile, rounded outwards to the grid (Hahn and Meeker 1991, chapter 5).

References
----------
Hahn, G. J. and Meeker, W. Q. (1991). Statistical Intervals: A Guide for Practitioners, chapter 5.
Meeker, W. Q. and Escobar, L. A. (1998). Statistical Methods for Reliability Data, chapter 3 (interval and right
    censoring; the fraction failing by an age and its binomial bounds).
Woodruff, R. S. (1952). Confidence intervals for medians and other position measures. Journal of the American
    Statistical Association 47, 635-646.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.intervals import Estimate, binomial_estimate, check_confidence, mean_of_clusters
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion
from yieldsim.estimate.unit_yield import unit_yield

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Places = NDArray[np.intp]

INVERTED = "bounds on the share that has fallen, inverted on the grid of ages; any distribution"
#: Standard errors of a unit's completion within which it is not taken as known to be above or below.
_SURE = 3.0
_ROUNDING = 1e-12


@dataclass(frozen=True)
class FirstFalls:
    """Place in the grid of ages of the first age at which each unit is below, three (n_units,) arrays.

    The number of ages stands for a unit that outlives them all.

    Attributes
    ----------
    earliest : from the lower ends of the brackets
    likely : from their middles
    latest : from their upper ends
    """

    earliest: Places
    likely: Places
    latest: Places


@dataclass(frozen=True)
class ShareLife:
    """Age by which a share of the units has fallen.

    Attributes
    ----------
    share : of the units that has fallen
    value : linear between the two ages of the grid that it lies between; inf beyond the last age, 0 when new
    low, high : one-sided bounds, ages of the grid; `high` is inf where no age shows that so many have fallen
    after, before : ages of the grid between which the share is first reached; both 0 when new, the last age and inf
        beyond it
    horizon : the last age that was looked at
    confidence : of each bound
    method : what the bounds rest on
    """

    share: float
    value: float
    low: float
    high: float
    after: float
    before: float
    horizon: float
    confidence: float
    method: str

    @property
    def beyond(self) -> bool:
        """Whether the share is not reached within the horizon, by the estimate."""
        return math.isinf(self.value)

    @property
    def surely_beyond(self) -> bool:
        """Whether the lower bound is the horizon itself."""
        return self.low >= self.horizon


def first_falls(by_age: Sequence[UnitCompletion], required: float) -> FirstFalls:
    """First age at which each unit is below the requirement in any of its cells.

    Parameters
    ----------
    by_age : m completions, in the order of ascending ages
        Of the same units, arrays (n_units,) or (n_cells, n_units).
    required : float
        Completion required of a unit [share].

    Raises
    ------
    ValueError
        For no ages, or different units.
    """
    low, high, _ = _lowest(by_age)
    limit = required - _ROUNDING
    return FirstFalls(*(_first(values < limit) for values in (low, 0.5 * (low + high), high)))


def _lowest(by_age: Sequence[UnitCompletion]) -> tuple[Floats, Floats, Floats]:
    """Lowest low, high and standard error of that cell, (m, n_units) each."""
    _check(by_age)
    low = np.stack([np.atleast_2d(one.low).min(axis=0) for one in by_age])
    high = np.stack([np.atleast_2d(one.high).min(axis=0) for one in by_age])
    error = np.zeros_like(low)
    for k, one in enumerate(by_age):
        if one.sampling is not None:
            place = np.atleast_2d(one.low).argmin(axis=0)
            error[k] = np.take_along_axis(np.atleast_2d(one.sampling.standard_error), place[None], axis=0)[0]
    return low, high, error


def _check(by_age: Sequence[UnitCompletion]) -> None:
    shapes = {np.atleast_2d(one.low).shape[1] for one in by_age}
    if len(shapes) != 1 or 0 in shapes:
        raise ValueError(f"units at {len(by_age)} ages: the same units, at one age or more, are needed")


def _first(flags: Flags) -> Places:
    """Place of the first flag along the first axis, its length where there is none."""
    return np.where(flags.any(axis=0), flags.argmax(axis=0), len(flags)).astype(np.intp)


def surviving(
    by_age: Sequence[UnitCompletion],
    required: float,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
) -> tuple[Estimate, ...]:
    """Share of the units that reach the requirement at every age so far, one estimate an age.

    Parameters
    ----------
    by_age : m completions, in the order of ascending ages
        Of the same units with the same draws, arrays (n_units,) or (n_cells, n_units).
    required : float
        Completion required of a unit [share].
    confidence : float
        Of each one-sided bound, between 0.5 and 1; each holds by itself.
    clusters : (n_units,) array_like, optional
        Lot of each unit.

    Returns
    -------
    tuple of m Estimate
        Neither values nor bounds rise with age.

    Raises
    ------
    ValueError
        For no ages or different units, and as `unit_yield`.
    """
    _check(by_age)
    found = [complying(so_far, required, confidence, clusters) for so_far in _so_far(by_age)]
    return _falling(found)


def _so_far(by_age: Sequence[UnitCompletion]) -> Iterator[UnitCompletion]:
    """All cells up to each age in turn; where nothing was averaged their lowest completion says as much."""
    if any(one.sampling is not None for one in by_age):
        yield from (_joined(by_age[: k + 1]) for k in range(len(by_age)))
        return
    low, high = np.inf, np.inf
    for one in by_age:
        low = np.minimum(low, np.atleast_2d(one.low).min(axis=0))
        high = np.minimum(high, np.atleast_2d(one.high).min(axis=0))
        yield UnitCompletion(low, high, None)


def _joined(by_age: Sequence[UnitCompletion]) -> UnitCompletion:
    """All cells of some ages as cells of one completion, arrays (cells, n_units)."""
    low = np.concatenate([np.atleast_2d(one.low) for one in by_age])
    high = np.concatenate([np.atleast_2d(one.high) for one in by_age])
    known = [one.sampling for one in by_age if one.sampling is not None]
    if len(known) != len(by_age):
        return UnitCompletion(low, high, None)
    error = np.concatenate([np.atleast_2d(s.standard_error) for s in known])
    halves = np.concatenate([np.reshape(s.halves, (2, -1, low.shape[1])) for s in known], axis=1)
    counts = np.concatenate([np.atleast_2d(s.counts) for s in known])
    return UnitCompletion(low, high, Sampling(error, halves, min(s.draws for s in known), counts))


def with_deciding_draws(units: UnitCompletion, required: float) -> UnitCompletion:
    """Return the same completions with the number of draws of the cell that decides on each unit.

    A unit has few draws where it is settled, and more where it is not: the bias that draws leave behind, for which
    `yieldsim.estimate.unit_yield` allows by their number, is that of the comparison in the cell that is lowest in
    standard errors.

    Parameters
    ----------
    units : UnitCompletion
        Arrays (n_units,) or (n_cells, n_units).
    required : float
        Completion required of a unit [share].
    """
    s = units.sampling
    if s is None or units.low.ndim == 1:
        return units
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (0.5 * (units.low + units.high) - (required - _ROUNDING)) / s.standard_error
    z = np.where(np.isnan(z), 0.0, z)
    counts = np.take_along_axis(s.counts, z.argmin(axis=0)[None], axis=0)
    return replace(units, sampling=replace(s, draws_each=np.broadcast_to(counts, units.low.shape)))


def complying(
    units: UnitCompletion, required: float, confidence: float = 0.95, clusters: ArrayLike | None = None
) -> Estimate:
    """Share of the units that reach the requirement in all of their cells, at one age.

    `unit_yield` with the draws of each unit counted where it is decided; parameters and errors as there.
    """
    one = with_deciding_draws(_joined([units]), required)
    return unit_yield(one.low, one.high, required, confidence, clusters, sampling=one.sampling)


def _falling(found: Sequence[Estimate]) -> tuple[Estimate, ...]:
    """Make shares that cannot rise not rise, each bound moved outwards alone so that it stays one."""
    low = np.minimum.accumulate([e.low for e in found])
    high = np.maximum.accumulate([e.high for e in found][::-1])[::-1]
    value = np.clip(np.minimum.accumulate([e.value for e in found]), low, high)
    return tuple(
        replace(e, value=float(v), low=float(a), high=float(b))
        for e, v, a, b in zip(found, value, low, high, strict=True)
    )


def share_life(ages: ArrayLike, survivors: Sequence[Estimate], share: float) -> ShareLife:
    """Age by which a share of the units has fallen (B10 life: 0.1), with bounds that assume no distribution.

    Parameters
    ----------
    ages : (m,) array_like
        Ascending ages, any unit.
    survivors : m Estimate
        Share of the units that survive each age, as from `surviving`.
    share : float
        Share of the units that has fallen, above 0 and below 1.

    Returns
    -------
    ShareLife

    Raises
    ------
    ValueError
        For ages that do not ascend or fit, survivors that increase, or a share out of range.
    """
    at = np.asarray(ages, dtype=np.float64).reshape(-1)
    if at.size == 0 or at.size != len(survivors) or np.any(np.diff(at) <= 0.0) or not np.all(np.isfinite(at)):
        raise ValueError(f"{at.size} ages for {len(survivors)} shares: one ascending, finite age a share is needed")
    if not 0.0 < share < 1.0:
        raise ValueError(f"share = {share}: above 0 and below 1 is needed")
    if any(b.value > a.value or b.low > a.low or b.high > a.high for a, b in pairwise(survivors)):
        raise ValueError("survivors increase with age: a unit that has fallen has fallen")
    # rounding of 1 - (1 - p) must not decide
    fallen = np.array([1.0 - e.value for e in survivors])
    at_least = np.array([1.0 - e.high for e in survivors])
    at_most = np.array([1.0 - e.low for e in survivors])
    reached = _first_place(fallen >= share - _ROUNDING)
    shown = _first_place(at_least >= share - _ROUNDING)
    open_still = _first_place(at_most >= share - _ROUNDING)  # ages before it: fewer than the share, surely
    edges = np.append(at, np.inf)
    return ShareLife(
        share=share,
        value=_between(at, fallen, reached, share),
        low=float(at[open_still - 1]) if open_still > 0 else 0.0,
        high=float(at[shown]) if shown < at.size else np.inf,
        after=float(edges[max(reached - 1, 0)]),
        before=float(edges[reached]),
        horizon=float(at[-1]),
        confidence=survivors[0].confidence,
        method=INVERTED,
    )


def _first_place(flags: Flags) -> int:
    return int(flags.argmax()) if flags.any() else flags.size


def _between(at: Floats, fallen: Floats, reached: int, share: float) -> float:
    """Age at which the share is reached, linear between the ages of the grid."""
    if reached == at.size:
        return math.inf
    if reached == 0:
        return float(at[0])
    left, right = fallen[reached - 1], fallen[reached]
    weight = min(max((share - left) / (right - left), 0.0), 1.0)
    return float(at[reached - 1] + weight * (at[reached] - at[reached - 1]))


def recovered(
    by_age: Sequence[UnitCompletion],
    required: float,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
) -> Estimate:
    """Share of the units that fell at some age and reach the requirement again at the last one.

    The bounds count a unit as known to be above or below only where its bracket, and three standard errors of what
    was averaged, leave no doubt. Parameters and errors as in `surviving`.
    """
    check_confidence(confidence)
    low, high, error = _lowest(by_age)
    limit = required - _ROUNDING
    middle, doubt = 0.5 * (low + high), _SURE * error
    surely = (high + doubt < limit).any(axis=0) & (low[-1] - doubt[-1] >= limit)
    possibly = (low - doubt < limit)[:-1].any(axis=0) & (high[-1] + doubt[-1] >= limit)
    likely = (middle < limit).any(axis=0) & (middle[-1] >= limit)
    lower, value, upper = (_share(flags, confidence, clusters) for flags in (surely, likely, possibly))
    low_bound, high_bound = min(lower.low, value.value), max(upper.high, value.value)
    return Estimate(value.value, low_bound, high_bound, confidence, f"{lower.method}; doubt left open")


def _share(flags: Flags, confidence: float, clusters: ArrayLike | None) -> Estimate:
    if clusters is None:
        return binomial_estimate(int(flags.sum()), flags.size, confidence)
    return mean_of_clusters(flags.astype(np.float64), clusters, confidence)

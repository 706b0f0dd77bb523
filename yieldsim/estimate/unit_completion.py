"""Completion probability of each unit, bracketed, from draws of what differs between its actuations.

pi_u = sum_k w_uk P(complete | u, k) over the outcomes k of the link (strata) with known probabilities w_uk, where
P(complete | u, k) is the mean over J draws of the actuation's other variables of a probability over the pivot
(`yieldsim.estimate.pivot`). `complete_units` gives most of the draws to units that could lie on either side of the
requirement: there a few draws decide nothing, elsewhere more of them change nothing (nested simulation with unequal
inner samples; Gordy and Juneja 2010, Management Science 56, 1833-1848; Broadie, Du and Moallemi 2011, Management
Science 57, 1172-1194).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]
#: ``draw(units, first, count) -> low, high``, see `complete_units`.
Draw = Callable[[Indices, int, int], tuple[Floats, Floats]]

#: Draws of a unit in the first stage, and in all where it stays unsettled.
STAGES = (4, 16, 64)
#: A unit is settled when this many standard errors part it from the requirement.
_SURE = 3.0
_POOL = 32
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
        J, at least 2; where it differs between units, none has fewer.
    draws_each : (n_units,) or (n_cells, n_units) array, optional
        J of each unit; `draws` for all when left out.
    """

    standard_error: Floats
    halves: Floats
    draws: int
    draws_each: NDArray[np.int64] | None = None

    @property
    def counts(self) -> NDArray[np.int64]:
        """J of each unit, in the shape of `standard_error`."""
        if self.draws_each is not None:
            return self.draws_each
        return np.full(np.shape(self.standard_error), self.draws, dtype=np.int64)


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
    by_draw_low, by_draw_high = weigh_strata(p_low, p_high, weights, rest)
    if drawn:
        return _averaged(by_draw_low, by_draw_high)
    return UnitCompletion(by_draw_low.mean(axis=1), by_draw_high.mean(axis=1), None)


def weigh_strata(p_low: ArrayLike, p_high: ArrayLike, weights: ArrayLike, rest: ArrayLike) -> tuple[Floats, Floats]:
    """Completion of each unit in each draw, bracketed: two arrays (n_units, J), fit for `complete_units`.

    Parameters and errors as in `combine_strata`.
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
    by_draw_low, by_draw_high = np.einsum("uk,ukj->uj", w, low), np.einsum("uk,ukj->uj", w, high)
    by_draw_high += np.maximum(left_over, 0.0)[:, None]
    return np.clip(by_draw_low, 0.0, 1.0), np.clip(by_draw_high, 0.0, 1.0)


def complete_units(
    draw: Draw, n_units: int, required: float, *, stages: Sequence[int] = STAGES
) -> tuple[UnitCompletion, ...]:
    """Completion of units, with more draws for those that could lie on either side of the requirement.

    After each stage a unit is settled when 3 standard errors part its mean from the requirement, and when both halves
    of its draws are clearer than any half was that all draws of its unit contradicted. The standard error is the larger
    of its own and of that pooled over units whose other half of the draws gave a like mean: four draws that agree
    prove nothing where like units had draws that did not. Units should come in blocks of some hundreds.

    Parameters
    ----------
    draw : callable
        ``draw(units, first, count) -> low, high``: bracketed completion [share] of some units (indices into 0 ...
        n_units - 1) in their draws first ... first + count - 1, arrays of shape (questions, units, count), or
        (units, count) for one question. Draws are independent between units and over their numbers; the questions
        (completion, enough energy, ...) share them. What no stratum holds fails in `low` and completes in `high`.
    n_units : int
        Number of units.
    required : float
        Completion required of a unit [share].
    stages : sequence of int
        Draws in all after each stage: increasing even numbers.

    Returns
    -------
    tuple of UnitCompletion
        One for each question.

    Raises
    ------
    ValueError
        For stages that do not increase or are not even, or draws of the wrong shape.
    """
    if not stages or any(j % 2 or j < 2 for j in stages) or any(a >= b for a, b in pairwise(stages)):
        raise ValueError(f"stages = {tuple(stages)}: increasing even numbers of draws are needed")
    active = np.arange(n_units, dtype=np.intp)
    parts: list[tuple[Indices, Floats, Floats]] = []
    low = high = np.empty((0, n_units, 0))
    for stage in stages:
        more_low, more_high = _drawn(draw, active, low.shape[2], stage - low.shape[2])
        low = np.concatenate([low, more_low], axis=2) if low.size else more_low
        high = np.concatenate([high, more_high], axis=2) if high.size else more_high
        again = _unsettled(low, high, required) if stage != stages[-1] else np.zeros(active.size, dtype=np.bool_)
        parts.append((active[~again], low[:, ~again], high[:, ~again]))
        active, low, high = active[again], low[:, again], high[:, again]
        if active.size == 0:
            break
    return tuple(_gathered(parts, question, n_units) for question in range(parts[0][1].shape[0]))


def _drawn(draw: Draw, units: Indices, first: int, count: int) -> tuple[Floats, Floats]:
    """Draws as (questions, units, count), or ValueError."""
    arrays = [np.asarray(array, dtype=np.float64) for array in draw(units, first, count)]
    low, high = (array[None] if array.ndim == 2 else array for array in arrays)
    if low.shape != high.shape or low.shape[1:] != (units.size, count):
        raise ValueError(
            f"draws of shapes {low.shape} and {high.shape} for {units.size} units: (questions, {units.size}, {count}) "
            "is needed twice"
        )
    return low, high


def _unsettled(low: Floats, high: Floats, required: float) -> Flags:
    """Units (n,) that one of the questions leaves open, from draws (questions, n, J)."""
    found = np.zeros(low.shape[1], dtype=np.bool_)
    for one_low, one_high in zip(low, high, strict=True):
        middle = 0.5 * (one_low + one_high)
        own = middle.std(axis=1, ddof=1) / np.sqrt(middle.shape[1])
        reach = _SURE * np.maximum(own, pooled_error(middle))
        found |= (one_low.mean(axis=1) - reach < required - _ROUNDING) & (one_high.mean(axis=1) + reach >= required)
        found |= _like_contradicted(middle, required - _ROUNDING)
    return found


def _like_contradicted(by_draw: Floats, limit: float) -> Flags:
    """Units (n,) no clearer, by half of their draws, than some unit whose half was contradicted by all its draws."""
    half = by_draw.shape[1] // 2
    passes = by_draw.mean(axis=1) >= limit
    found = np.zeros(len(by_draw), dtype=np.bool_)
    for part in (by_draw[:, :half].mean(axis=1), by_draw[:, -half:].mean(axis=1)):
        above = part >= limit
        highest = np.max(part, where=above & ~passes, initial=-np.inf)
        lowest = np.min(part, where=~above & passes, initial=np.inf)
        found |= np.where(above, part <= highest, part >= lowest)
    return found


def pooled_error(by_draw: Floats) -> Floats:
    """Standard error of each unit's mean over its draws, pooled over like units.

    Units are ordered by the mean of one half of their draws, and the squared differences between the halves are
    averaged over some 32 neighbours: what the other half of the draws does to units that look like this one. Both
    halves take their turn as the one that orders; the larger result is given.

    Parameters
    ----------
    by_draw : (n_units, J) array
        Completion in each draw [share], J at least 2.

    Returns
    -------
    (n_units,) array
        Standard error [share].
    """
    half = by_draw.shape[1] // 2
    a, b = by_draw[:, :half].mean(axis=1), by_draw[:, -half:].mean(axis=1)
    squared = (a - b) ** 2
    error = np.zeros(len(a))
    pools = max(1, len(a) // _POOL)
    for key in (a, b):
        order = np.argsort(key, kind="stable")
        for pool in np.array_split(order, pools):
            error[pool] = np.maximum(error[pool], 0.5 * np.sqrt(squared[pool].mean()))
    return error


def _averaged(by_draw_low: Floats, by_draw_high: Floats) -> UnitCompletion:
    """Mean over draws (n_units, J) with its error."""
    draws = by_draw_low.shape[1]
    if draws < 2:
        raise ValueError(
            "one draw gives no standard error: two or more are needed, or drawn=False where each row is exact"
        )
    middle = 0.5 * (by_draw_low + by_draw_high)
    half = draws // 2
    halves = np.stack([middle[:, :half].mean(axis=1), middle[:, -half:].mean(axis=1)])
    sampling = Sampling(middle.std(axis=1, ddof=1) / np.sqrt(draws), halves, draws)
    return UnitCompletion(
        np.clip(by_draw_low.mean(axis=1), 0.0, 1.0), np.clip(by_draw_high.mean(axis=1), 0.0, 1.0), sampling
    )


def _gathered(parts: Sequence[tuple[Indices, Floats, Floats]], question: int, n_units: int) -> UnitCompletion:
    """One question's answer for all units, from groups of units with their draws."""
    low, high, error = np.empty(n_units), np.empty(n_units), np.empty(n_units)
    halves, draws = np.empty((2, n_units)), np.empty(n_units, dtype=np.int64)
    for units, by_draw_low, by_draw_high in parts:
        if units.size == 0:
            continue
        one = _averaged(by_draw_low[question], by_draw_high[question])
        low[units], high[units] = one.low, one.high
        if one.sampling is not None:
            error[units], halves[:, units], draws[units] = (
                one.sampling.standard_error,
                one.sampling.halves,
                one.sampling.draws,
            )
    return UnitCompletion(low, high, Sampling(error, halves, parts[0][1].shape[2], draws))


def stack_cells(cells: Sequence[UnitCompletion]) -> UnitCompletion:
    """Join the same units in several cells as one UnitCompletion with arrays of shape (n_cells, n_units).

    Raises ValueError for no cells, for differing numbers of units or of fewest draws, or where only some cells were
    averaged.
    """
    if not cells:
        raise ValueError("no cells to stack: at least one is needed")
    if len({(cell.low.shape, cell.sampling.draws if cell.sampling else 0) for cell in cells}) > 1:
        raise ValueError("cells differ in their number of units or draws: the same units and draws are needed in each")
    return UnitCompletion(
        np.stack([c.low for c in cells]), np.stack([c.high for c in cells]), _joined(cells, lambda a: np.stack(a), 1)
    )


def join_blocks(blocks: Sequence[UnitCompletion]) -> UnitCompletion:
    """Join the completions of blocks of units, of shape (n_units,) or (n_cells, n_units), one behind the other.

    Raises ValueError for no blocks, or where only some were averaged.
    """
    if not blocks or len({block.sampling is None for block in blocks}) > 1:
        raise ValueError(f"{len(blocks)} blocks: at least one, and draws averaged in all or in none, are needed")
    return UnitCompletion(
        np.concatenate([b.low for b in blocks], axis=-1),
        np.concatenate([b.high for b in blocks], axis=-1),
        _joined(blocks, lambda a: np.concatenate(a, axis=-1), -1),
    )


def _joined(
    parts: Sequence[UnitCompletion], join: Callable[[list[Floats]], Floats], axis_of_halves: int
) -> Sampling | None:
    """Join what is known of the errors; None where nothing was averaged."""
    known = [part.sampling for part in parts if part.sampling is not None]
    if not known:
        return None
    halves = [s.halves for s in known]
    return Sampling(
        join([s.standard_error for s in known]),
        np.stack(halves, axis=1) if axis_of_halves == 1 else np.concatenate(halves, axis=-1),
        min(s.draws for s in known),
        np.asarray(join([s.counts.astype(np.float64) for s in known]), dtype=np.int64),
    )

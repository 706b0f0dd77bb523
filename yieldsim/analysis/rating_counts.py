"""What each unit's actuations take of one rating: how many stay below each of a row of values, and the largest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.analysis.stress import regulated_supply
from yieldsim.analysis.worst_cases.answers import REGULATED, Asked
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.rows import rows_of
from yieldsim.estimate.intervals import Estimate, low_bound_of_clusters

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

_EDGES = 384
_PILOT = 64  # units that say where the values lie
_WIDER = 0.25  # of the pilot's range, added at either end
METHOD = "distribution function bounded over units or lots and inverted, any distribution"


@dataclass(frozen=True)
class StressCounts:
    """One stress of n units in one cell.

    Attributes
    ----------
    edges : (K,) ascending [unit]
    each : observations of a unit
    below : (n, K) share of each unit's observations at or below each edge; single precision
    within : (n, L) share at or below each limit asked for
    largest : the greatest value [unit], of unit ``unit`` in actuation ``actuation``; -1 where all of its are alike
    unknown : observations that gave no number; they count as above everything
    """

    edges: FloatArray
    each: int
    below: NDArray[np.float32]
    within: FloatArray
    largest: float
    unit: int
    actuation: int
    unknown: int

    def above(self, k: int) -> FloatArray:
        """Return the share of each unit's observations above edge ``k``, (n,)."""
        return np.asarray(1.0 - self.below[:, k], dtype=np.float64)

    @property
    def exceedance(self) -> FloatArray:
        """Share of all observations above each edge (K,)."""
        return np.asarray(1.0 - self.below.mean(axis=0, dtype=np.float64))

    def merged(self, other: StressCounts) -> StressCounts:
        """Return those of these units followed by the other's."""
        first = self if not other.largest > self.largest else other
        return StressCounts(
            self.edges,
            self.each,
            np.concatenate([self.below, other.below]),
            np.concatenate([self.within, other.within]),
            first.largest,
            first.unit,
            first.actuation,
            self.unknown + other.unknown,
        )


def merge_counts(parts: Sequence[Sequence[StressCounts]]) -> list[StressCounts]:
    """Merge blocks in their order, stress by stress."""
    totals = list(parts[0])
    for part in parts[1:]:
        totals = [total.merged(own) for total, own in zip(totals, part, strict=True)]
    return totals


def values_of(
    response: Response, asked: Sequence[Asked], condition: Condition, units: IntArray, actuations: int
) -> list[FloatArray]:
    """Return each stress of the units: (n, actuations), or (n, 1) and (n, 256) of a regulated supply; [unit]."""
    columns = sorted({a.column for a in asked if a.column != REGULATED})
    parts = []
    for rows in rows_of(response, condition, units, actuations) if columns else ():
        parts.append(rows.values[:, columns].reshape(len(rows.units), actuations, len(columns)))
    run = np.concatenate(parts) if parts else np.empty((len(units), actuations, 0))
    supply = regulated_supply(response, condition, units) if any(a.column == REGULATED for a in asked) else None
    found = []
    for a in asked:
        own = supply if a.column == REGULATED and supply is not None else run[:, :, columns.index(a.column)]
        found.append(np.asarray(own, dtype=np.float64))
    return found


def edges_of(response: Response, asked: Sequence[Asked], condition: Condition) -> list[FloatArray]:
    """Return where to count each stress, from a pilot of a few units; what lies outside is counted as that."""
    units = np.arange(min(_PILOT, response.settings.units), dtype=np.int64)
    edges = []
    for values in values_of(response, asked, condition, units, min(response.settings.actuations, 8)):
        known = values[np.isfinite(values)]
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
        reach = max(_WIDER * (high - low), 1e-6 * max(abs(high), 1e-6))
        edges.append(np.linspace(low - reach, high + 2.0 * reach, _EDGES))
    return edges


def count_stresses(
    response: Response,
    asked: Sequence[Asked],
    limits: Sequence[Sequence[float]],
    edges: Sequence[FloatArray],
    condition: Condition,
    units: IntArray,
) -> list[StressCounts]:
    """Run all actuations of the units and count their stresses.

    Parameters
    ----------
    response : Response
    asked : ratings
    limits : of each rating, what is asked for exactly [unit]
    edges : of each rating, ascending [unit]
    condition : Condition
    units : (n,) unit numbers
    """
    values = values_of(response, asked, condition, units, response.settings.actuations)
    return [_counted(x, own, at, units) for x, own, at in zip(values, limits, edges, strict=True)]


def _counted(x: FloatArray, limits: Sequence[float], edges: FloatArray, units: IntArray) -> StressCounts:
    n, each = x.shape
    known = np.isfinite(x)
    place = np.searchsorted(edges, np.where(known, x, np.inf), side="left")  # first edge at or above the value
    place += np.arange(n)[:, None] * (len(edges) + 1)
    counts = np.bincount(place.reshape(-1), minlength=n * (len(edges) + 1)).reshape(n, -1)
    below = np.cumsum(counts[:, :-1], axis=1) / each
    within = np.stack([(known & (x <= limit)).mean(axis=1) for limit in limits], axis=1)
    top = int(np.argmax(np.where(known, x, -np.inf)))
    return StressCounts(
        edges,
        each,
        below.astype(np.float32),
        within,
        float(x.reshape(-1)[top]) if known.any() else float("-inf"),
        int(units[top // each]),
        top % each if each > 1 else -1,
        int((~known).sum()),
    )


# --- quantiles --------------------------------------------------------------------------------------------------------


def quantile_of(counts: StressCounts, probability: float, clusters: ArrayLike | None, confidence: float) -> Estimate:
    """Quantile over actuations, with one-sided bounds that assume no distribution.

    The distribution function is bounded at the edges, over units or lots
    (`yieldsim.estimate.intervals.mean_of_clusters`), and the bounds are inverted (Woodruff 1952): each bound is an
    edge, the value linear between edges.

    Parameters
    ----------
    counts : of one stress
    probability : which quantile
    clusters : (n,) lot of each unit, or None
    confidence : of each one-sided bound

    Returns
    -------
    Estimate
        In the unit of the stress; a bound is -inf or inf where the units are too few for it.
    """
    function = 1.0 - counts.exceedance

    def below(k: int) -> float:
        return low_bound_of_clusters(counts.below[:, k].astype(np.float64), clusters, confidence)

    def above(k: int) -> float:
        return low_bound_of_clusters(np.clip(counts.above(k), 0.0, 1.0), clusters, confidence)

    # P(X > t) shown to be at least 1 - p makes t a lower bound; P(X <= t) at least p an upper one
    last = _last(len(function), lambda k: above(k) >= 1.0 - probability)
    first = len(function) - 1 - _last(len(function), lambda k: below(len(function) - 1 - k) >= probability)
    low = float(counts.edges[last]) if last >= 0 else -np.inf
    high = float(counts.edges[first]) if first < len(function) else np.inf
    value = _interpolated(counts, function, probability)
    return Estimate(value, min(low, value), max(high, value), confidence, METHOD)


def _last(size: int, holds: Callable[[int], bool]) -> int:
    """Find the last place at which a condition holds that holds up to some place; -1 for none."""
    low, high = -1, size
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _interpolated(counts: StressCounts, function: FloatArray, probability: float) -> float:
    k = int(np.searchsorted(function, probability, side="left"))
    if k >= len(function):  # beyond the last edge: only the largest value is known of it
        return counts.largest
    if k == 0:
        return float(counts.edges[0])
    share = (probability - function[k - 1]) / (function[k] - function[k - 1])
    return min(float(counts.edges[k - 1] + share * (counts.edges[k] - counts.edges[k - 1])), counts.largest)

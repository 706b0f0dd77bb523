r"""How much of the spread, or of failing, is lots, units and single actuations: variance shares of a nested sample.

    y = mean + lot + unit within lot + actuation within unit

The variance components are the analysis-of-variance estimates for unbalanced nested data (Searle, Casella and
McCulloch 1992, section 5.3): sums of squares between lots, between units within lots and within units are set equal to
their expectations. y may be any quantity, or 0 and 1 for pass and fail; then the share of the actuations is what a
unit's own quality leaves to chance. Nothing is assumed of normality: the interval is a jackknife over whole lots
(whole units where each unit is a lot of its own), in at most 64 batches.

A component is not told apart from the next where the sample has nothing to tell it by: units that are lots of their
own give one component `unit` for both, a single actuation a unit gives one for unit and actuation.

Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components. Wiley.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit, stdtrit

Floats = NDArray[np.float64]
Integers = NDArray[np.intp]

_BATCHES = 64


@dataclass(frozen=True)
class LevelShares:
    """Shares of a variance by level, adding up to 1.

    Attributes
    ----------
    levels : tuple of str
        Some of ``lot``, ``unit``, ``actuation``; ``lot + unit`` and ``unit + actuation`` where the sample cannot tell
        the two apart.
    share, low, high : (k,) arrays
        Share of each level and its two-sided interval, cut at 0 and 1.
    variance : float
        Sum of the components, in the unit of y squared.
    confidence : float
    """

    levels: tuple[str, ...]
    share: Floats
    low: Floats
    high: Floats
    variance: float
    confidence: float
    method: str = "nested analysis of variance, jackknife over independent clusters"


def level_shares(
    values: ArrayLike, units: ArrayLike, lots: ArrayLike | None = None, confidence: float = 0.95
) -> LevelShares:
    """Variance shares of lots, units within lots, and actuations within units.

    Parameters
    ----------
    values : (n,) array_like
        Of each actuation, any unit.
    units : (n,) array_like
        Label of the unit of each actuation; a unit belongs to one lot.
    lots : (n,) array_like, optional
        Label of its lot; every unit a lot of its own when left out.
    confidence : float
        Of the intervals, strictly between 0 and 1.

    Returns
    -------
    LevelShares
        A constant output has shares of 0.

    Raises
    ------
    ValueError
        For lengths that differ, values that are not finite, a unit in two lots, or fewer than three independent lots
        (units).
    """
    table = _Table.of(values, units, lots, confidence)
    components = table.components(table.all_units)
    whole = components.sum()
    if whole <= 0.0:
        zeros = np.zeros(len(table.levels))
        return LevelShares(table.levels, zeros, zeros, zeros, 0.0, confidence)
    share = _shares(components)
    batches = min(_BATCHES, table.clusters)
    # labels are in the order of their names: dealt out in turn, so that batches are alike
    batch = table.cluster_of % batches
    left = np.array([_shares(table.components(batch != k)) for k in range(batches)])
    low, high = _jackknife(share, left, confidence)
    return LevelShares(
        levels=table.levels,
        share=share,
        low=low,
        high=high,
        variance=float(whole),
        confidence=confidence,
    )


def _jackknife(share: Floats, left: Floats, confidence: float) -> tuple[Floats, Floats]:
    """Interval from the shares with each batch left out (batches, k): the wider of the plain and the log-odds one.

    The variance of few lots is skewed, which the log odds follow; they have no value at 0, where the plain scale
    serves.
    """
    batches = len(left)
    t = float(stdtrit(batches - 1, 0.5 + 0.5 * confidence)) * np.sqrt((batches - 1) / batches)

    def reach(values: Floats) -> Floats:
        return np.asarray(t * np.sqrt(np.sum((values - values.mean(axis=0)) ** 2, axis=0)))

    low, high = np.maximum(share - reach(left), 0.0), np.minimum(share + reach(left), 1.0)
    inside = np.all((left > 0.0) & (left < 1.0), axis=0) & (share > 0.0) & (share < 1.0)
    if inside.any():
        width = reach(logit(left[:, inside]))
        low[inside] = np.minimum(low[inside], expit(logit(share[inside]) - width))
        high[inside] = np.maximum(high[inside], expit(logit(share[inside]) + width))
    return low, high


def _shares(components: Floats) -> Floats:
    total = float(components.sum())
    return components / total if total > 0.0 else np.zeros_like(components)


@dataclass(frozen=True)
class _Table:
    """Number, sum and sum of squares of each unit, and the lot of each."""

    count: Floats
    total: Floats
    square: Floats
    cluster_of: Integers
    clusters: int
    levels: tuple[str, ...]

    @classmethod
    def of(cls, values: ArrayLike, units: ArrayLike, lots: ArrayLike | None, confidence: float) -> _Table:
        """Checked table, or ValueError."""
        y, unit = np.asarray(values, dtype=np.float64), np.asarray(units)
        lot = unit if lots is None else np.asarray(lots)
        if y.ndim != 1 or unit.shape != y.shape or lot.shape != y.shape or not np.all(np.isfinite(y)):
            raise ValueError(
                f"values, units, lots have shapes {y.shape}, {unit.shape}, {lot.shape}: finite values, each "
                "with its labels, are needed"
            )
        if not 0.0 < confidence < 1.0:
            raise ValueError(f"confidence = {confidence}: a confidence strictly between 0 and 1 is needed")
        _, first, label = np.unique(unit, return_index=True, return_inverse=True)
        names, of_row = np.unique(lot, return_inverse=True)
        cluster_of = of_row[first]
        if np.any(cluster_of[label] != of_row):
            raise ValueError("lots: a unit belongs to two of them")
        if names.size < 3:
            raise ValueError(f"{names.size} independent lots or units: three or more are needed for a spread")
        y = y - y.mean()
        count = np.bincount(label).astype(np.float64)
        levels = ["lot", "unit", "actuation"]
        if names.size == first.size:
            levels = ["unit" if lots is None else "lot + unit", "actuation"]
        if count.max() == 1.0:
            levels = [*levels[:-2], f"{levels[-2]} + actuation"]
        total, square = np.bincount(label, y), np.bincount(label, y * y)
        return cls(count, np.asarray(total), np.asarray(square), cluster_of, names.size, tuple(levels))

    @property
    def all_units(self) -> NDArray[np.bool_]:
        return np.ones(self.count.size, dtype=bool)

    def components(self, kept: NDArray[np.bool_]) -> Floats:
        """Variance components of the kept units, none below 0, shape (levels,)."""
        n, total, square = self.count[kept], self.total[kept], self.square[kept]
        _, lot = np.unique(self.cluster_of[kept], return_inverse=True)
        in_lot, lot_total = np.bincount(lot, n), np.bincount(lot, total)
        size, mean = n.sum(), total.sum() / n.sum()
        units, lots = n.size, in_lot.size
        within = square.sum() - np.sum(total**2 / n)
        between_units = np.sum(total**2 / n) - np.sum(lot_total**2 / in_lot)
        between_lots = np.sum(lot_total**2 / in_lot) - size * mean**2
        actuation = within / (size - units) if size > units else 0.0
        unit = 0.0
        shared = np.sum(np.bincount(lot, n**2) / in_lot)
        if units > lots:
            unit = (between_units - (units - lots) * actuation) / (size - shared)
        unit = max(unit, 0.0)
        lot_part = between_lots - (lots - 1) * actuation - unit * (shared - np.sum(n**2) / size)
        top = max(lot_part / (size - np.sum(in_lot**2) / size), 0.0)
        found = [top] if units == lots else [top, unit]
        return np.array([*found, actuation] if size > units else found)

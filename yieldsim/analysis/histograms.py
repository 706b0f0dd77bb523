"""From the fine counts of a tally to what a result carries: coarse histograms and quantiles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.tally import COUNTED, Counted, Tally, histogram_quantile

IntArray = NDArray[np.int64]

PROBABILITIES = (0.001, 0.01, 0.05, 0.5, 0.95, 0.99, 0.999)
QUANTITIES = (
    "reserve_V",
    "voltage_margin_V",
    "hold_up_s",
    "run_time_s",
    "peak_voltage_V",
    "peak_current_A",
    "peak_reverse_V",
)
OF_DIODES = ("peak_current_A", "peak_reverse_V")
_BINS = 70
_ENDS = (1e-4, 1.0 - 1e-4)


@dataclass(frozen=True)
class Histogram:
    """Counts of a quantity.

    Attributes
    ----------
    edges : (B + 1) ascending, in the unit of the quantity
    counts : (B)
    below, above : how many lie outside the edges
    """

    edges: tuple[float, ...]
    counts: tuple[int, ...]
    below: int
    above: int

    @property
    def total(self) -> int:
        """How many were counted."""
        return self.below + sum(self.counts) + self.above


def coarse(name: str, counts: IntArray) -> Histogram:
    """Return about 70 bins between the 0.01 % and the 99.99 % point, each made of whole fine ones.

    Parameters
    ----------
    name : key of `COUNTED`
    counts : (bins + 2,) as `Tally.histograms` holds them
    """
    counted = COUNTED[name]
    edges = counted.edges
    first, last = (_bin_of(counted, counts, p) for p in _ENDS)
    width = max(1, math.ceil((last + 1 - first) / _BINS))
    bins = math.ceil((last + 1 - first) / width)
    last = min(first + bins * width, counted.bins)
    starts = np.arange(first, last, width)
    inside = np.add.reduceat(counts[1 : last + 1], starts)
    return Histogram(
        edges=tuple(round(float(edges[k]), 9) for k in (*starts, last)),
        counts=tuple(int(n) for n in inside),
        below=int(counts[: first + 1].sum()),
        above=int(counts[last + 1 :].sum()),
    )


def _bin_of(counted: Counted, counts: IntArray, probability: float) -> int:
    """Index of the fine bin that holds a quantile; the outermost one where it lies outside."""
    total = int(counts.sum())
    k = int(np.searchsorted(np.cumsum(counts), probability * total, side="left")) if total else 1
    return min(max(k - 1, 0), counted.bins - 1)


def quantiles(tally: Tally) -> dict[str, dict[float, float]]:
    """Return the quantiles of every quantity over the actuations where it is finite; NaN where it never is.

    They are read from fine bins and so are exact to a bin: 2 mV for the margins, 0.1 ms for times.
    """
    return {name: {p: _inside(name, tally, p) for p in PROBABILITIES} for name in QUANTITIES}


def _inside(name: str, tally: Tally, probability: float) -> float:
    """Return a quantile, kept between the least and the greatest value seen."""
    value = histogram_quantile(COUNTED[name], tally.histograms[name], probability)
    low, high = tally.extremes[name]
    return float(min(max(value, low), high)) if math.isfinite(value) else math.nan

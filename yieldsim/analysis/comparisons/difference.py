"""The difference of one share between two configurations: by itself, beside both shares, and what it shows."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.cell import bounds
from yieldsim.analysis.comparisons.matching import Matched
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.estimate.paired import independent_difference, mean_difference, no_difference, unit_yield_difference
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.estimate.unit_yield import unit_yield

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BETTER, WORSE, NOT_SHOWN, SAME = "better", "worse", "no difference shown", "the same"


@dataclass(frozen=True)
class Difference:
    """A share in A, in B, and B less A.

    Attributes
    ----------
    a, b : by themselves
    difference : of the pairs, with its own bounds
    apart : what two independent runs of as many units would say of the difference
    word : ``better``, ``worse``, ``no difference shown`` or ``the same``; of a cell from bounds that hold for all cells
        together
    """

    a: Estimate
    b: Estimate
    difference: Estimate
    apart: Estimate
    word: str

    def payload(self, name: str) -> dict[str, Any]:
        """Return all of it for machines, shares."""
        parts = {"_a": self.a, "_b": self.b, "_difference": self.difference, "_apart": self.apart}
        row: dict[str, Any] = {}
        for suffix, estimate in parts.items():
            row |= bounds(f"{name}{suffix}", estimate)
        return {**row, f"{name}_word": self.word}


class Judge:
    """Makes differences out of paired shares, and says whether B is better.

    Parameters
    ----------
    found : what is compared
    clusters : (n,) lot of each unit, or None
    """

    def __init__(self, found: Matched, clusters: IntArray | None) -> None:
        self.found, self.clusters = found, clusters

    def of_shares(self, a: FloatArray, b: FloatArray, *, together: int = 1) -> Difference:
        """Judge shares of each unit's actuations (n,); ``together`` is how many such answers are to hold at once."""
        gamma = self.found.confidence
        apart = [mean_of_clusters(x, self.clusters, gamma) for x in (a, b)]
        return self._told(apart[0], apart[1], lambda c: mean_difference(b - a, self.clusters, c), together)

    def of_units(self, a: UnitCompletion, b: UnitCompletion, *, together: int = 1) -> Difference:
        """Judge whether units reach the requirement."""
        gamma, required = self.found.confidence, self.found.completion or 0.0
        apart = [unit_yield(x.low, x.high, required, gamma, self.clusters, sampling=x.sampling) for x in (a, b)]
        return self._told(
            apart[0], apart[1], lambda c: unit_yield_difference(a, b, required, c, self.clusters), together
        )

    def _told(self, a: Estimate, b: Estimate, paired: Callable[[float], Estimate], together: int) -> Difference:
        gamma, apart = self.found.confidence, independent_difference(a, b)
        if self.found.same:
            return Difference(a, b, no_difference(gamma), apart, SAME)
        difference = paired(gamma)
        sure = difference if together == 1 else paired(1.0 - (1.0 - gamma) / together)
        word = BETTER if sure.low > 0.0 else WORSE if sure.high < 0.0 else NOT_SHOWN
        return Difference(a, b, difference, apart, word)


def points(value: float, *, down: bool) -> str:
    """Percentage points to three significant digits, rounded so that a bound remains one."""
    if value == 0.0:
        return "0"
    decimals = min(max(2 - math.floor(math.log10(abs(value))), 0), 6)
    scale = 10.0**decimals
    number = (math.floor(value * scale) if down else math.ceil(value * scale)) / scale
    return f"{number:.{decimals}f}".replace("-", "\u2212")

r"""Derivative of a yield to the nominal and to the spread of each input, from the samples already there.

With y the share of a row that complies and s the score of its input (`yieldsim.estimate.laws`), the derivative of the
mean of y is E[y s], estimated as the covariance of y and s: both means are known or estimated with the same rows, and
taking them off lowers the scatter where failures are common. Weighted samples, drawn where failures are, use
-E[(1 - y) s] with their weights as they are. The interval is Student's t with as many degrees of freedom as rows make
up the scatter, (sum r**2)**2 / sum r**4, which widens it where few failures decide.

Where a law is bounded the derivative may not exist as a mean over samples: the range of a uniform law moves with its
nominal and its spread, and samples inside say nothing of what lies just outside. The answer is then NaN with the
reason. What the same samples do tell, for every law, is the change of the yield when the spread is *cut*: `narrowed`,
by reweighting (the density ratio to the narrower law is bounded, except for correlated inputs, which do not belong
here).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from yieldsim.estimate.laws import Law

Floats = NDArray[np.float64]

NONE_FAILED = "no row fails (or none complies): the yield's change is not seen"
TOO_FEW = "too few rows decide it"
#: Degrees of freedom below which Student's t is told not to be relied on.
_FEW = 5.0


@dataclass(frozen=True)
class Derivatives:
    """Change of a yield with each of d inputs.

    Attributes
    ----------
    nominal, nominal_low, nominal_high : (d,) arrays
        Derivative to the centre of each law [share per unit of the input], and its two-sided interval; NaN where
        `nominal_problem` says why.
    spread, spread_low, spread_high : (d,) arrays
        Derivative to the spread of each law, likewise.
    narrowed, narrowed_low, narrowed_high : (d,) arrays
        Change of the yield when the spread is multiplied by 1 - `cut` [share].
    nominal_problem, spread_problem, narrowed_problem : d-tuples of str or None
        Why a number is not given, or that it begins with `TOO_FEW`: fewer than 6 rows make up its scatter. Its interval
        is still one, and wide, but the number by itself says next to nothing.
    cut : float
        Part by which spreads are narrowed.
    confidence : float
        Of each interval.
    """

    nominal: Floats
    nominal_low: Floats
    nominal_high: Floats
    spread: Floats
    spread_low: Floats
    spread_high: Floats
    narrowed: Floats
    narrowed_low: Floats
    narrowed_high: Floats
    nominal_problem: tuple[str | None, ...]
    spread_problem: tuple[str | None, ...]
    narrowed_problem: tuple[str | None, ...]
    cut: float
    confidence: float
    method: str = "score function on the samples at hand, Student t over independent rows"


def yield_derivatives(
    values: ArrayLike,
    inputs: ArrayLike,
    laws: Sequence[Law],
    weights: ArrayLike | None = None,
    clusters: ArrayLike | None = None,
    cut: float = 0.1,
    confidence: float = 0.95,
    edges: bool = False,
) -> Derivatives:
    """Derivatives of the mean of `values` to centre and spread of each input's law.

    Parameters
    ----------
    values : (n,) array_like
        Share of each row that complies, in [0, 1]: 0 or 1, or a completion worked out.
    inputs : (n, d) array_like
        Inputs of each row, drawn independently of one another, each in the unit of its law.
    laws : sequence of Law, d
    weights : (n,) array_like, optional
        Population density over the density that drew the row; their mean is 1 but for sampling.
    clusters : (n,) array_like, optional
        Label of what was drawn independently; each row when left out.
    cut : float
        Part by which each spread is narrowed, strictly between 0 and 1.
    confidence : float
        Of the two-sided intervals, strictly between 0 and 1.
    edges : bool
        Read the derivatives to a uniform law off the sample as if E[y | input] were a polynomial of degree 4
        (`Law.edge_scores`); the interval is then of sampling alone. None is given otherwise.

    Returns
    -------
    Derivatives

    Raises
    ------
    ValueError
        For values outside [0, 1], lengths that differ, weights that are negative, or inputs outside the range of their
        law.
    """
    rows = _Rows.checked(values, inputs, laws, weights, clusters, cut, confidence)
    found = np.full((9, len(laws)), math.nan)
    problems: list[list[str | None]] = [[], [], []]
    for j, law in enumerate(laws):
        x = rows.inputs[:, j]
        base = law.log_density(x)
        if not np.all(np.isfinite(base)):
            raise ValueError(f"inputs: column {j} has a value outside the range of its {law.shape} law")
        scored, told = _scored(law, x, edges)
        ratio = np.exp(law.moved(law.centre, (1.0 - cut) * law.spread).log_density(x) - base)
        for k, (derivative, problem) in enumerate(zip((*scored, ratio - 1.0), (*told, None), strict=True)):
            if problem is None and derivative is not None:
                *found[3 * k : 3 * k + 3, j], problem = rows.mean_change(derivative)
            problems[k].append(problem)
    return Derivatives(
        nominal=found[0],
        nominal_low=found[1],
        nominal_high=found[2],
        spread=found[3],
        spread_low=found[4],
        spread_high=found[5],
        narrowed=found[6],
        narrowed_low=found[7],
        narrowed_high=found[8],
        nominal_problem=tuple(problems[0]),
        spread_problem=tuple(problems[1]),
        narrowed_problem=tuple(problems[2]),
        cut=cut,
        confidence=confidence,
    )


def _scored(
    law: Law, x: Floats, edges: bool
) -> tuple[tuple[Floats | None, Floats | None], tuple[str | None, str | None]]:
    """Weights of the derivatives to centre and spread, and why there are none."""
    if edges and law.shape == "uniform":
        return law.edge_scores(x), (None, None)
    told = (law.score_problem("centre"), law.score_problem("spread"))
    return (law.scores(x) if told[1] is None else (None, None)), told


@dataclass(frozen=True)
class _Rows:
    """Checked rows: failing shares, inputs, weights (None when equal) and clusters (None when each row is one)."""

    failing: Floats
    inputs: Floats
    weights: Floats | None
    labels: NDArray[np.intp] | None
    confidence: float

    @classmethod
    def checked(
        cls,
        values: ArrayLike,
        inputs: ArrayLike,
        laws: Sequence[Law],
        weights: ArrayLike | None,
        clusters: ArrayLike | None,
        cut: float,
        confidence: float,
    ) -> _Rows:
        y, x = np.asarray(values, dtype=np.float64), np.asarray(inputs, dtype=np.float64)
        if y.ndim != 1 or y.size < 2 or not np.all((y >= 0.0) & (y <= 1.0)):
            raise ValueError(f"values has shape {y.shape}: at least two, all in [0, 1], are needed")
        if x.shape != (y.size, len(laws)):
            raise ValueError(f"inputs has shape {x.shape}: ({y.size}, {len(laws)}), a law a column, is needed")
        if not 0.0 < cut < 1.0 or not 0.0 < confidence < 1.0:
            raise ValueError(f"cut = {cut}, confidence = {confidence}: both strictly between 0 and 1 are needed")
        w = None if weights is None else np.asarray(weights, dtype=np.float64)
        if w is not None and (w.shape != y.shape or not np.all(np.isfinite(w) & (w >= 0.0))):
            raise ValueError(f"weights has shape {w.shape}: {y.size} finite weights, none negative, are needed")
        labels = None if clusters is None else np.asarray(clusters)
        if labels is not None and labels.shape != y.shape:
            raise ValueError(f"clusters has shape {labels.shape} for {y.size} values: one label a value is needed")
        numbered = None if labels is None else np.unique(labels, return_inverse=True)[1].astype(np.intp)
        return cls(1.0 - y, x, w, numbered, confidence)

    def mean_change(self, derivative: Floats) -> tuple[float, float, float, str | None]:
        """Mean of y times the derivative of the density over the density, its interval, and what is wrong."""
        if np.ptp(self.failing) == 0.0:
            return math.nan, -math.inf, math.inf, NONE_FAILED
        if self.weights is None:
            terms = (self.failing - self.failing.mean()) * (derivative - derivative.mean())
        else:
            terms = self.weights * self.failing * derivative
        value = -float(terms.mean())
        rest = (-terms - value) / terms.size
        if self.labels is not None:
            rest = np.bincount(self.labels, rest)
        square, fourth = float(rest @ rest), float((rest**2) @ (rest**2))
        if fourth == 0.0:
            return value, value, value, None
        size = rest.size
        freedom = max(1.0, square**2 / fourth - 1.0)
        reach = float(stdtrit(freedom, 0.5 + 0.5 * self.confidence)) * math.sqrt(square * size / (size - 1.0))
        few = f"{TOO_FEW} (as many as {freedom + 1.0:.2g} make up the scatter)" if freedom < _FEW else None
        return value, value - reach, value + reach, few

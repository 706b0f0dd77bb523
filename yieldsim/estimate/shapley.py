r"""Shapley effects: shares of the variance that add up to 1, for correlated inputs as well.

The effect of input i is the mean, over all orders in which inputs may become known, of the variance that is explained
once i is known beyond what was explained before it (Owen 2014; Song, Nelson and Staum 2016). It is never negative and
the effects add up to 1. For independent inputs it lies between first-order and total index. For correlated ones it
counts what an input explains *through* its neighbours, too: an input that the model does not use has an effect if it
tells something about one that it does. First-order and total indices of single correlated inputs have no such
reading; of groups that are independent of each other they have.

Estimation. With normal scores z = L e in the order of a permutation, L the Cholesky factor of their correlation in
that order, the point whose first j inputs are those of z and whose others are drawn anew given them is L (e_1 ... e_j,
e'_{j+1} ... e'_d). Walking from z' (j = 0) to z (j = d) gives outputs f_0 ... f_d, and

    effect of the j-th input = E[(f_d - (f_j + f_{j-1}) / 2) (f_j - f_{j-1})]

(Goda 2021, here with dependence): d + 1 outputs a point for all effects together. Points are one scrambled Sobol' set,
permutations change from piece to piece and come in pairs of an order and its reverse; intervals are Student's t over
independent scrambles.

References
----------
Goda, T. (2021). A simple algorithm for global sensitivity analysis with Shapley effects. Reliability Engineering and
    System Safety 213, 107702.
Owen, A. B. (2014). Sobol' indices and Shapley value. SIAM/ASA Journal on Uncertainty Quantification 2, 245-251.
Song, E., Nelson, B. L. and Staum, J. (2016). Shapley effects for global sensitivity analysis: theory and computation.
    SIAM/ASA Journal on Uncertainty Quantification 4, 1060-1083.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, stdtrit

from yieldsim.estimate.indices import check_groups
from yieldsim.estimate.owen import OwenSobol

Floats = NDArray[np.float64]
Model = Callable[[Floats], Floats]

#: Points that share an order of the inputs.
_PIECE = 16


@dataclass(frozen=True)
class ShapleyEffects:
    """Shares of the variance of k groups of inputs.

    Attributes
    ----------
    effect, low, high : (k,) arrays
        Effect and its two-sided interval [share of variance]; effects add up to 1. A small negative value is sampling
        error.
    variance : float
        Of the output, in its unit squared.
    confidence : float
    model_calls : int
        Rows the model was evaluated for.
    constant : bool
        True where the output never varied; all effects are then 0.
    """

    effect: Floats
    low: Floats
    high: Floats
    variance: float
    confidence: float
    model_calls: int
    constant: bool
    method: str = "random orders on scrambled Sobol' points (Goda 2021), Student t over scrambles"


def shapley_effects(
    model: Model,
    dimension: int,
    base_points: int,
    *,
    correlation: ArrayLike | None = None,
    groups: Sequence[Sequence[int]] | None = None,
    replicates: int = 8,
    seed: int = 0,
    confidence: float = 0.95,
) -> ShapleyEffects:
    """Shapley effects of inputs, or of groups of them, with intervals.

    Parameters
    ----------
    model : callable
        ``model(u) -> y``: u of shape (m, d) strictly inside the unit cube, each column uniform, y of shape (m,).
    dimension : int
        d.
    base_points : int
        Points of a replicate, a power of two and at least 16.
    correlation : (d, d) array_like, optional
        Correlation of the inputs' normal scores (Gaussian copula), positive definite; independent when left out.
    groups : sequence of sequences of int, optional
        Columns that become known together, every column in exactly one; each column alone when left out.
    replicates : int
        Independent scrambles, at least 2.
    seed : int
        Address of scrambles and orders.
    confidence : float
        Of the intervals, strictly between 0 and 1.

    Returns
    -------
    ShapleyEffects

    Raises
    ------
    ValueError
        For arguments out of their range, a correlation that is not one, or an output that is not finite.
    """
    factor, columns = _check(dimension, base_points, correlation, groups, replicates, confidence)
    sums = np.zeros((replicates, len(columns)))
    squares = np.zeros(replicates)
    for r in range(replicates):
        points = ndtri(OwenSobol(2 * dimension, [seed, r]).next(base_points))
        rng = np.random.default_rng([seed, r, 1])
        order = np.arange(len(columns))
        for k, begin in enumerate(range(0, base_points, _PIECE)):
            order = order[::-1] if k % 2 else rng.permutation(len(columns))
            piece = points[begin : begin + _PIECE]
            walked = _walk(model, piece[:, 0::2], piece[:, 1::2], factor, [columns[i] for i in order])
            steps = np.diff(walked, axis=0)
            middle = walked[-1] - 0.5 * (walked[1:] + walked[:-1])
            sums[r, order] += (middle * steps).sum(axis=1)
            squares[r] += 0.5 * float(np.sum((walked[-1] - walked[0]) ** 2))
    sums, squares = sums / base_points, squares / base_points
    variance = float(squares.mean())
    constant = variance <= 1e-300
    effect = np.zeros(len(columns)) if constant else sums.mean(axis=0) / variance
    rest = np.zeros_like(sums) if constant else (sums - effect * squares[:, None]) / variance
    reach = float(stdtrit(replicates - 1, 0.5 + 0.5 * confidence)) / np.sqrt(replicates) * rest.std(axis=0, ddof=1)
    calls = replicates * base_points * (len(columns) + 1)
    return ShapleyEffects(effect, effect - reach, effect + reach, variance, confidence, calls, constant)


def _walk(model: Model, old: Floats, new: Floats, factor: Floats | None, order: list[NDArray[np.intp]]) -> Floats:
    """Outputs (k + 1, m) as the groups of `order` become known, from none to all; noise of shape (m, d) each."""
    whole = np.concatenate(order)
    lower = None if factor is None else np.linalg.cholesky(factor[np.ix_(whole, whole)])
    noise = np.repeat(new[None, :, :], len(order) + 1, axis=0)
    for j, members in enumerate(order):
        noise[j + 1 :, :, members] = old[:, members]
    if lower is not None:
        noise[:, :, whole] = noise[:, :, whole] @ lower.T
    u = ndtr(noise).reshape(-1, old.shape[1])
    y = np.asarray(model(u), dtype=np.float64)
    if y.shape != (len(u),) or not np.all(np.isfinite(y)):
        raise ValueError(f"the model returned shape {y.shape} for {len(u)} points: one finite value a point is needed")
    return y.reshape(len(order) + 1, -1)


def _check(
    dimension: int,
    base_points: int,
    correlation: ArrayLike | None,
    groups: Sequence[Sequence[int]] | None,
    replicates: int,
    confidence: float,
) -> tuple[Floats | None, list[NDArray[np.intp]]]:
    if dimension < 1:
        raise ValueError(f"dimension = {dimension}: at least one input is needed")
    if base_points < _PIECE or base_points & (base_points - 1):
        raise ValueError(f"base_points = {base_points}: a power of two of at least {_PIECE} is needed")
    if replicates < 2:
        raise ValueError(f"replicates = {replicates}: an interval needs two or more independent scrambles")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a confidence strictly between 0 and 1 is needed")
    columns = check_groups([[j] for j in range(dimension)] if groups is None else groups, dimension)
    if sum(members.size for members in columns) != dimension:
        raise ValueError("groups: every column must belong to one, as effects share out the whole variance")
    if correlation is None:
        return None, columns
    matrix = np.asarray(correlation, dtype=np.float64)
    good = matrix.shape == (dimension, dimension) and np.allclose(matrix, matrix.T)
    if not good or not np.allclose(np.diag(matrix), 1.0) or np.linalg.eigvalsh(matrix)[0] <= 0.0:
        raise ValueError(f"correlation: a positive definite correlation matrix of {dimension} inputs is needed")
    return matrix, columns

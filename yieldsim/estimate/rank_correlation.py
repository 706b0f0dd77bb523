r"""Rank correlation and partial rank correlation of each input with an output, with intervals.

Rank correlation (Spearman) of input i is the correlation of its ranks with the output's: +1 for a strictly
increasing, -1 for a strictly decreasing dependence, whatever its shape. Partial rank correlation is the correlation
of what is left of both ranks when a linear fit on the ranks of all other inputs is taken out: how steadily the output
follows the input with the others held (Iman and Conover 1979). Both overlook an input that acts at both ends alike;
the total index of `yieldsim.estimate.indices` does not.

Intervals rest on the influence function of the rank correlations of all pairs, the ranks' own scatter included,

    psi_ab = 12 (U - 1/2)(V - 1/2) + 12 E'[1(X' >= X)(V' - 1/2)] + 12 E'[(U' - 1/2) 1(Y' >= Y)] - 3 rho

(less its mean), U and V the ranks as shares, carried through the matrix inverse to partial correlations. Nothing is
assumed of normality or of equal scatter. The interval is Student's t on the scale of Fisher's arctanh, which keeps it
within -1 and 1. Samples that share a unit enter as clusters.

References
----------
Iman, R. L. and Conover, W. J. (1979). The use of the rank transform in regression. Technometrics 21, 499-509.
Borkowf, C. B. (2002). Computing the nonnull asymptotic variance and the asymptotic relative efficiency of Spearman's
    rank correlation. Computational Statistics & Data Analysis 39, 271-286.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import rankdata, t

Floats = NDArray[np.float64]

_SINGULAR, _TRACE = 1e10, 1e-6


@dataclass(frozen=True)
class RankCorrelations:
    """Rank correlations of d inputs with one output.

    Attributes
    ----------
    rank, rank_low, rank_high : (d,) arrays
        Rank correlation and its two-sided interval, in [-1, 1]. An input that never varies has 0, and a flag.
    partial, partial_low, partial_high : (d,) arrays
        Partial rank correlation likewise.
    constant : (d,) array of bool
        Inputs that never vary.
    samples : int
        Independent samples, or clusters of them.
    confidence : float
    """

    rank: Floats
    rank_low: Floats
    rank_high: Floats
    partial: Floats
    partial_low: Floats
    partial_high: Floats
    constant: NDArray[np.bool_]
    samples: int
    confidence: float
    method: str = "Spearman and partial rank correlation, Student t over influence functions on Fisher's scale"


def rank_correlations(
    inputs: ArrayLike, output: ArrayLike, clusters: ArrayLike | None = None, confidence: float = 0.95
) -> RankCorrelations:
    """Rank and partial rank correlation of each input with the output.

    Parameters
    ----------
    inputs : (n, d) array_like
        Any units; ties share the mean rank.
    output : (n,) array_like
        Any unit.
    clusters : (n,) array_like, optional
        Label of what was drawn independently; each sample when left out.
    confidence : float
        Of the two-sided intervals, strictly between 0 and 1.

    Returns
    -------
    RankCorrelations

    Raises
    ------
    ValueError
        For lengths that differ, values that are not finite, fewer samples (clusters) than inputs + 3, an output that
        never varies, or inputs whose ranks determine one another.
    """
    x, labels = _check(inputs, output, clusters, confidence)
    size = x.shape[1] - 1
    constant = np.ptp(x[:, :-1], axis=0) == 0.0
    used = np.concatenate([~constant, [True]])
    ranks, correlation = _ranks(x[:, used])
    samples = int(labels.max()) + 1
    inverse = _inverse(correlation)
    raw, left = _influence(ranks, inverse)
    scale = np.sqrt(np.diag(inverse))
    partial = -inverse[:-1, -1] / (scale[:-1] * scale[-1])
    # r = -P_iy / sqrt(P_ii P_yy) with dP = -P dR P
    on_partial = left[0] / (scale[:-1] * scale[-1]) - 0.5 * partial * -(
        left[1] / scale[:-1] ** 2 + left[2] / scale[-1] ** 2
    )
    rank = correlation[:-1, -1]
    error, on_error = _spread(raw, labels, samples), _spread(on_partial, labels, samples)
    low, high = _interval(rank, error, samples - 1, confidence)
    partial_low, partial_high = _interval(partial, on_error, samples - size - 1, confidence)

    def placed(value: Floats) -> Floats:
        whole = np.zeros(size)
        whole[~constant] = value
        return whole

    return RankCorrelations(
        rank=placed(rank),
        rank_low=placed(low),
        rank_high=placed(high),
        partial=placed(partial),
        partial_low=placed(partial_low),
        partial_high=placed(partial_high),
        constant=constant,
        samples=samples,
        confidence=confidence,
    )


def _check(
    inputs: ArrayLike, output: ArrayLike, clusters: ArrayLike | None, confidence: float
) -> tuple[Floats, NDArray[np.intp]]:
    """Inputs with the output as the last column, and cluster numbers, or ValueError."""
    x, y = np.asarray(inputs, dtype=np.float64), np.asarray(output, dtype=np.float64)
    if x.ndim != 2 or y.shape != (x.shape[0],):
        raise ValueError(f"inputs has shape {x.shape} and output {y.shape}: (n, d) and (n,) are needed")
    whole = np.column_stack([x, y])
    if not np.all(np.isfinite(whole)):
        row, column = np.argwhere(~np.isfinite(whole))[0]
        raise ValueError(f"sample {row}, column {column} is {whole[row, column]}: finite values are needed")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a confidence strictly between 0 and 1 is needed")
    labels = np.arange(len(y)) if clusters is None else np.asarray(clusters)
    if labels.shape != y.shape:
        raise ValueError(f"clusters has shape {labels.shape} for {y.size} samples: one label a sample is needed")
    labels = np.unique(labels, return_inverse=True)[1]
    if y.size == 0 or int(labels.max()) + 1 < x.shape[1] + 3:
        raise ValueError(
            f"{y.size} samples of {x.shape[1]} inputs: at least {x.shape[1] + 3} independent ones are needed"
        )
    if np.ptp(y) == 0.0:
        raise ValueError(f"output is {y[0]:g} in every sample: it correlates with nothing")
    return whole, labels.astype(np.intp)


def _ranks(x: Floats) -> tuple[Floats, Floats]:
    """Centred ranks as shares, (n, m), and their correlation (m, m)."""
    n = len(x)
    ranks = (rankdata(x, axis=0) - 0.5) / n - 0.5
    correlation = np.corrcoef(ranks, rowvar=False)
    return ranks, np.asarray(correlation)


def _inverse(correlation: Floats) -> Floats:
    """Inverse of the rank correlations, the output's in the last row, or ValueError."""
    if np.linalg.cond(correlation[:-1, :-1]) > _SINGULAR:
        raise ValueError("inputs: the ranks of some are determined by those of others: leave one of them out")
    if np.linalg.cond(correlation) > _SINGULAR:
        # the inputs' ranks determine the output's: the limit of a trace of noise in it
        correlation = correlation.copy()
        correlation[-1, :-1] *= 1.0 - _TRACE
        correlation[:-1, -1] *= 1.0 - _TRACE
    return np.asarray(np.linalg.inv(correlation), dtype=np.float64)


def _influence(ranks: Floats, inverse: Floats) -> tuple[Floats, tuple[Floats, Floats, Floats]]:
    """Influence of each sample on the rank correlations with the output, and on quadratic forms of all of them.

    The forms are (P dR P)_iy, (P dR P)_ii and (P dR P)_yy for each input i, shape (n, d) each; P dR P needs no more
    memory than that, because psi is a sum of a product and two terms that each depend on one rank alone.
    """
    m = ranks.shape[1]
    # variance of the ranks is 1 / 12 without ties, less with them
    norm = ranks / ranks.std(axis=0)
    seen = norm @ inverse
    target = inverse[:, -1]
    raw = norm[:, :-1] * norm[:, -1:]
    forms = [seen[:, :-1] * seen[:, -1:], seen[:, :-1] ** 2, np.repeat(seen[:, -1:] ** 2, m - 1, axis=1)]
    for a in range(m):
        above = _mean_above(ranks[:, a], norm) / ranks[:, a].std()  # E'[1(X_a' >= X_a) of each other rank]
        weighted = above @ inverse
        forms[0] += inverse[a, :-1] * weighted[:, -1:] + target[a] * weighted[:, :-1]
        forms[1] += 2.0 * inverse[a, :-1] * weighted[:, :-1]
        forms[2] += 2.0 * target[a] * weighted[:, -1:]
        if a < m - 1:
            raw[:, a] += above[:, -1]
        else:
            raw += above[:, :-1]
    return raw - raw.mean(axis=0), (
        forms[0] - forms[0].mean(axis=0),
        forms[1] - forms[1].mean(axis=0),
        forms[2] - forms[2].mean(axis=0),
    )


def _mean_above(x: Floats, others: Floats) -> Floats:
    """Mean over all samples of each column of `others` where x is at least (half where equal) as large, (n, m)."""
    order = np.argsort(x, kind="stable")
    ordered = x[order]
    tail = np.concatenate([np.cumsum(others[order][::-1], axis=0)[::-1], np.zeros((1, others.shape[1]))])
    first, after = np.searchsorted(ordered, x, "left"), np.searchsorted(ordered, x, "right")
    return np.asarray(0.5 * (tail[first] + tail[after]) / len(x))


def _spread(influence: Floats, labels: NDArray[np.intp], samples: int) -> Floats:
    """Standard error of the mean influence, whole clusters at a time."""
    n = len(influence)
    if samples < n:
        sums = np.zeros((samples, influence.shape[1]))
        np.add.at(sums, labels, influence)
        influence = sums
    return np.asarray(np.sqrt(samples / (samples - 1.0) * np.sum(influence**2, axis=0)) / n)


def _interval(value: Floats, error: Floats, freedom: int, confidence: float) -> tuple[Floats, Floats]:
    """Interval on Fisher's scale; a value of exactly 1 or -1 has no width."""
    inner = np.clip(value, -1.0 + 1e-12, 1.0 - 1e-12)
    reach = t.ppf(0.5 + 0.5 * confidence, max(freedom, 1)) * error / (1.0 - inner**2)
    centre = np.arctanh(inner)
    exact = np.abs(value) >= 1.0 - 1e-12
    low, high = np.tanh(centre - reach), np.tanh(centre + reach)
    return np.where(exact, value, low), np.where(exact, value, high)

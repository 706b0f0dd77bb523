r"""What causes failures: a ranking from the failing samples that are already there, without further calls.

The measure
-----------
Let z be an input's normal score (its quantile in the population, put through the standard normal quantile), standard
normal in the population whatever the input's own law, bounded laws included. Let m and s**2 be mean and variance of
z among the failures. The influence of the input on failure is

    J = (m**2 + s**2 - 1 - ln s**2) / 2    [nat],

the relative entropy of the normal law N(m, s**2) to the population's N(0, 1). Of all laws with that mean and
variance the normal one has the least relative entropy to N(0, 1) (maximum entropy), so J is the least information
about the input that "it failed" can carry, given m and s: 0 exactly where failures have the population's mean and
variance. J is the same for every strictly increasing scale of the input. It grows for an input that fails at one end
(m) and for one that fails at both ends or in the middle (s). For a group of inputs J is the sum over its inputs.

Failing when ``sum a_i x_i > b``, x standard normal, J rises with abs(a_i), as the importance factors of first-order
reliability do, and as the first-order Sobol' index of failure does; that index itself vanishes for every input as
failures become rare, which is why variance shares of pass or fail are not used (Li, Papaioannou and Straub 2019).

Scores of correlated inputs tell what failures look like, an input that is moved by its neighbour alone included;
scores of the independent axes behind them tell what is behind it. Give the one or the other.

Intervals
---------
With y = sign(s - 1) sqrt(s**2 - 1 - ln s**2), J is half the squared length of x = (m, y), and the scatter of x comes
from the samples, or from whole clusters of them where samples share a unit. The squared length of the estimate over
its variance is taken as noncentral chi-squared, whose inversion gives an interval that may begin at 0. A group has
no influence shown unless x = 0 is refused (Hotelling's test, corrected for the number of groups by Holm's procedure).
Two neighbours in rank are tied unless the first is the stronger at the same confidence, one-sided.

Weighted samples (importance sampling, subset simulation) are taken as they are, self-normalised; `effective` is the
number of equally weighted samples that would tell as much (Kong 1992).

References
----------
Li, L., Papaioannou, I. and Straub, D. (2019). Global reliability sensitivity estimation based on failure samples.
    Structural Safety 81, 101871.
Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics 6,
    65-70.
Kong, A. (1992). A note on importance sampling using standardized weights. University of Chicago, Technical Report
    348.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chndtrinc, fdtrc, ndtri, stdtrit

from yieldsim.estimate.indices import check_groups
from yieldsim.estimate.rank_stability import places_of

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

METHOD = "relative entropy of the failing samples' mean and variance of normal scores"

#: Effective samples below which a ranking is flagged: the scatter of a variance is then hardly known.
_FEW = 30.0
_DRAWS = 2000
#: Beyond so many variances the noncentral law is normal to all digits shown, and its inversion slow.
_FAR = 1e3


@dataclass(frozen=True)
class FailureRanking:
    """Influence of k groups of inputs on failure.

    Attributes
    ----------
    influence, low, high : (k,) arrays
        J and its two-sided interval at `confidence` [nat]; the sampling bias is taken off.
    share : (k,) array
        Of the sum of all influences; zeros where all are 0.
    shift : (k,) array
        Mean of the normal score among failures [standard deviations], negative where failures lie low; for a group
        of several inputs the length of the vector of means.
    spread : (k,) array
        Standard deviation of the normal score among failures, 1 in the population; for a group the root mean square.
    p_value : (k,) array
        Probability of a scatter at least as large were there no influence, before Holm's correction.
    influences : (k,) array of bool
        Whether an influence is shown, all groups together at `confidence`.
    order : (k,) array of int
        Groups, the strongest first.
    tied : (k - 1,) array of bool
        Whether the group at place j is not shown to be stronger than the one at place j + 1.
    places : (k, k) array
        ``places[i, j]``: probability that group i takes place j in another sample of the same size.
    failing : int
        Failing samples.
    effective : float
        Equally weighted, independent ones (clusters) that tell as much.
    confidence : float
    flag : str or None
        What keeps the ranking from being relied on.
    """

    influence: Floats
    low: Floats
    high: Floats
    share: Floats
    shift: Floats
    spread: Floats
    p_value: Floats
    influences: Bools
    order: NDArray[np.intp]
    tied: Bools
    places: Floats = field(repr=False)
    failing: int
    effective: float
    confidence: float
    flag: str | None
    method: str = METHOD


def rank_failures(
    failing: ArrayLike,
    weights: ArrayLike | None = None,
    clusters: ArrayLike | None = None,
    groups: Sequence[Sequence[int]] | None = None,
    confidence: float = 0.95,
    seed: int = 0,
) -> FailureRanking:
    """Rank inputs by their influence on failure, from failing samples.

    Parameters
    ----------
    failing : (n, d) array_like
        Normal scores of the inputs in the failing samples: ``ndtri(u)`` for points u of the unit cube.
    weights : (n,) array_like, optional
        Population density over the density that drew the sample, not negative, to any common factor; equal when left
        out.
    clusters : (n,) array_like, optional
        Label of what is drawn independently, the unit of each actuation for example; each sample when left out.
    groups : sequence of sequences of int, optional
        Columns taken together; each column alone when left out.
    confidence : float
        Of intervals, ties and of the claim of an influence, strictly between 0 and 1.
    seed : int
        Address of the draws behind `places`.

    Returns
    -------
    FailureRanking
        Without failing samples all influences are 0 with intervals up to infinity, all places tied, and `flag` says
        so.

    Raises
    ------
    ValueError
        For scores that are not finite, weights that are negative or all 0, lengths that differ, or groups that
        overlap.
    """
    z = np.asarray(failing, dtype=np.float64)
    if z.ndim != 2 or z.shape[1] < 1 or not np.all(np.isfinite(z)):
        raise ValueError(f"failing has shape {z.shape}: finite normal scores (samples, inputs) are needed")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a confidence strictly between 0 and 1 is needed")
    columns = check_groups([[j] for j in range(z.shape[1])] if groups is None else groups, z.shape[1])
    if not len(z):
        return _nothing(len(columns), confidence)
    w, labels = _weights(z, weights, clusters)
    scores = _score_moments(z, w, labels)
    return _rank(scores, columns, len(z), confidence, seed)


def _weights(z: Floats, weights: ArrayLike | None, clusters: ArrayLike | None) -> tuple[Floats, NDArray[np.intp]]:
    """Weights that add up to 1 and the number of each sample's cluster, or ValueError."""
    n = len(z)
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (n,) or not np.all(np.isfinite(w) & (w >= 0.0)) or not w.sum() > 0.0:
        raise ValueError(f"weights has shape {w.shape}: {n} finite weights, none negative and not all 0, are needed")
    if clusters is None:
        return w / w.sum(), np.arange(n)
    labels = np.asarray(clusters)
    if labels.shape != (n,):
        raise ValueError(f"clusters has shape {labels.shape} for {n} samples: one label a sample is needed")
    return w / w.sum(), np.unique(labels, return_inverse=True)[1].astype(np.intp)


@dataclass(frozen=True)
class _Moments:
    """Mean, standard deviation and y of each column, covariance of (m, y), and effective clusters."""

    mean: Floats
    deviation: Floats
    y: Floats
    covariance: Floats  # (2 d, 2 d), means first
    effective: float


def _score_moments(z: Floats, w: Floats, labels: NDArray[np.intp]) -> _Moments:
    totals: Floats = np.asarray(np.bincount(labels, w), dtype=np.float64)
    effective = float(1.0 / np.sum(totals**2))
    mean = w @ z
    c = z - mean
    # unbiased for independent samples of these weights
    variance = np.maximum(w @ c**2 / max(1.0 - float(w @ w), 1e-9), 1e-12)
    logs = np.log(variance)
    y = np.sign(logs) * np.sqrt(np.maximum(variance - 1.0 - logs, 0.0))
    # dy / d(ln s**2) = (s**2 - 1) / (2 y), which tends to 1 / sqrt(2) at s = 1
    near = np.abs(logs) < 1e-4
    slope = np.where(near, np.sqrt(0.5), 0.5 * (variance - 1.0) / np.where(near, 1.0, y))
    moved = np.concatenate([c, slope * (c**2 / variance - 1.0)], axis=1) * w[:, None]
    if len(totals) < len(z):
        moved = _by_cluster(moved, labels, len(totals))
    else:
        totals = w
    # as the jackknife does, which keeps a heavy sample from hiding its own scatter
    left = 1.0 - totals
    if effective - 1.0 < 1e-9:
        return _Moments(mean, np.sqrt(variance), y, np.full((2 * mean.size,) * 2, np.inf), 1.0)
    moved = moved / np.maximum(left, 1e-9)[:, None]
    covariance = moved.T @ moved
    return _Moments(mean, np.sqrt(variance), y, covariance, effective)


def _by_cluster(rows: Floats, labels: NDArray[np.intp], size: int) -> Floats:
    found = np.zeros((size, rows.shape[1]))
    np.add.at(found, labels, rows)
    return found


def _nothing(size: int, confidence: float) -> FailureRanking:
    zeros = np.zeros(size)
    return FailureRanking(
        influence=zeros,
        low=zeros,
        high=np.full(size, np.inf),
        share=zeros,
        shift=zeros,
        spread=np.ones(size),
        p_value=np.ones(size),
        influences=np.zeros(size, dtype=bool),
        order=np.arange(size),
        tied=np.ones(size - 1, dtype=bool),
        places=np.full((size, size), 1.0 / size),
        failing=0,
        effective=0.0,
        confidence=confidence,
        flag="no failure was seen: nothing can be said about its causes",
    )


def _rank(
    found: _Moments, columns: list[NDArray[np.intp]], failing: int, confidence: float, seed: int
) -> FailureRanking:
    d = found.mean.size
    if not np.all(np.isfinite(found.covariance)):
        told = "one independent failure alone was seen: its causes cannot be ranked"
        return replace(_nothing(len(columns), confidence), failing=failing, effective=found.effective, flag=told)
    x = np.concatenate([found.mean, found.y])
    places = [np.concatenate([members, d + members]) for members in columns]
    member = np.zeros((2 * d, len(columns)))
    for i, own in enumerate(places):
        member[own, i] = 1.0
    trace = np.diag(found.covariance) @ member
    length = x**2 @ member
    influence = 0.5 * np.maximum(length - trace, 0.0)
    gradient = member * x[:, None]
    between = gradient.T @ found.covariance @ gradient  # covariance of the influences, to first order
    second = np.array([0.5 * np.sum(found.covariance[np.ix_(own, own)] ** 2) for own in places])
    order = np.lexsort((-length, -influence))
    low, high = _intervals(length, np.diag(between), trace, [own.size for own in places], found.effective, confidence)
    p_value = np.array([_no_influence(x[own], found.covariance[np.ix_(own, own)], found.effective) for own in places])
    few = found.effective < _FEW
    total = influence.sum()
    return FailureRanking(
        influence=influence,
        low=np.minimum(low, influence),
        high=np.maximum(high, influence),
        share=influence / total if total > 0.0 else np.zeros_like(influence),
        shift=np.array([_signed_length(found.mean[members]) for members in columns]),
        spread=np.array([np.sqrt(np.mean(found.deviation[members] ** 2)) for members in columns]),
        p_value=p_value,
        influences=_holm(p_value, 1.0 - confidence),
        order=order,
        tied=_ties(influence, between, second, order, found.effective, confidence),
        places=_places(x, found, member, trace, seed),
        failing=failing,
        effective=found.effective,
        confidence=confidence,
        flag=f"{found.effective:.3g} effective failing samples: too few to rely on the ranking" if few else None,
    )


def _signed_length(mean: Floats) -> float:
    return float(mean[0]) if mean.size == 1 else float(np.linalg.norm(mean))


def _intervals(
    length: Floats, along: Floats, trace: Floats, sizes: list[int], effective: float, confidence: float
) -> tuple[Floats, Floats]:
    """Bounds on J = length / 2 of the true vector, by inversion of the noncentral chi-squared law."""
    freedom = np.asarray(sizes, dtype=np.float64)
    # the wider of the scatter along the estimate and of its mean over all directions
    variance = np.maximum(along / np.maximum(length, 1e-300), trace / freedom)
    level = 0.5 * (1.0 + confidence)
    # variances are estimated themselves
    z = float(ndtri(level))
    variance = variance * (float(stdtrit(max(effective - 1.0, 1.0), level)) / z) ** 2
    ratio = length / np.maximum(variance, 1e-300)
    root = np.sqrt(np.maximum(length, 0.0))
    reach = z * np.sqrt(variance)
    near = ratio < _FAR
    safe = np.where(near, ratio, 1.0)
    low = np.where(near, _noncentrality(safe, freedom, level) * variance, np.maximum(root - reach, 0.0) ** 2)
    high = np.where(near, _noncentrality(safe, freedom, 1.0 - level) * variance, (root + reach) ** 2)
    return 0.5 * low, 0.5 * high


def _noncentrality(value: Floats, freedom: Floats, level: float) -> Floats:
    """Noncentrality at which P(X <= value) = level; 0 where even the central law has less."""
    from scipy.special import chndtr

    reached = chndtr(value, freedom, 0.0) > level
    return np.where(reached, chndtrinc(np.where(reached, value, freedom + 100.0), freedom, level), 0.0)


def _no_influence(x: Floats, covariance: Floats, effective: float) -> float:
    """P-value of x = 0: the larger of Hotelling's test and of the scatter that holds if there is none.

    Without influence scores are standard normal and know nothing of the weights, so that each coordinate of x has
    variance 1 / effective; weights that are few and heavy hide that from the sample's own scatter. 1 where the
    samples are too few.
    """
    size = x.size
    rest = effective - size
    if rest <= 0.0:
        return 1.0
    square = float(x @ np.linalg.pinv(covariance, hermitian=True) @ x)
    own = fdtrc(size, rest, square * rest / (size * (effective - 1.0)))
    return float(max(own, chdtrc(size, effective * float(x @ x))))


def _holm(p_value: Floats, alpha: float) -> Bools:
    """Hypotheses refused by Holm's procedure."""
    order = np.argsort(p_value, kind="stable")
    passed = p_value[order] <= alpha / np.arange(p_value.size, 0, -1)
    refused = np.zeros(p_value.size, dtype=bool)
    refused[order] = np.logical_and.accumulate(passed)
    return refused


def _ties(
    influence: Floats, between: Floats, second: Floats, order: NDArray[np.intp], effective: float, confidence: float
) -> Bools:
    """Whether neighbours in rank differ by less than the scatter of their difference."""
    a, b = order[:-1], order[1:]
    variance = between[a, a] + between[b, b] - 2.0 * between[a, b] + second[a] + second[b]
    # one-sided: what is claimed is that the one before is the stronger
    reach = float(stdtrit(max(effective - 1.0, 1.0), confidence)) * np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(influence[a] - influence[b] <= reach)


def _places(x: Floats, found: _Moments, member: Floats, trace: Floats, seed: int) -> Floats:
    """Probability of each place, from draws about the estimate."""
    rng = np.random.default_rng(seed)
    values, vectors = np.linalg.eigh(found.covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = x + rng.standard_normal((_DRAWS, x.size)) @ root.T
    # the bias of the estimate and that of the draw about it
    return places_of(drawn**2 @ member - 2.0 * trace, rng)

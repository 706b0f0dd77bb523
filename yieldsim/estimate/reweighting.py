r"""What a sample tells of other input laws than it was drawn from, and how sure a requirement is of its inputs.

A sample of the laws f is one of the laws f' with weights prod f'(x) / f(x); the mean is self-normalised, its scatter
that of the ratio (Hesterberg 1995). Two guards keep it honest:

- *effective samples*, (sum w)**2 / sum w**2 (Kong 1992): below `LEAST_EFFECTIVE` nothing is said but that the share
  lies between 0 and 1;
- *range*: the part of f' where f has nothing (a bounded law made wider, or moved) has not been seen. Its probability
  e is stated, and the bounds allow for anything there: from (1 - e) low to (1 - e) high + e.

Bounds are Student's t on the ratio, widened to the exact binomial ones of as many effective samples, so that none
failing is never a share of exactly 1.

Sureness of the inputs: laws are stated, but their centres and spreads are known from so many measured parts, or
assumed within a range. `plausible_sets` draws them, `sureness` reweights the one sample to each set and counts those
that meet the requirement. Sets that the sample cannot decide count as not met in the lower and as met in the upper
end, and the finite number of sets adds exact binomial bounds. Both steps share the error probability equally.

References
----------
Hesterberg, T. (1995). Weighted average importance sampling and defensive mixture distributions. Technometrics 37,
    185-194.
Kong, A. (1992). A note on importance sampling using standardized weights. University of Chicago, Technical Report
    348.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, stdtrit

from yieldsim.estimate.intervals import check_confidence, clopper_pearson_bounds
from yieldsim.estimate.laws import Law

Floats = NDArray[np.float64]

#: Below so many effective samples a reweighted share is not told.
LEAST_EFFECTIVE = 100.0
#: A set of laws of which more lies outside the sampled range is called unsupported.
MOST_UNSEEN = 0.01


@dataclass(frozen=True)
class Reweighted:
    """A share under other laws.

    Attributes
    ----------
    value : float
        The estimate; NaN where it is not told.
    low, high : float
        One-sided bounds, each at the confidence asked for.
    effective : float
        Effective samples (clusters) behind it.
    unseen : float
        Probability, under the other laws, of what the sample cannot hold.
    problem : str or None
        Why the sample does not support it.
    """

    value: float
    low: float
    high: float
    effective: float
    unseen: float
    problem: str | None


def reweighted_share(
    values: ArrayLike,
    log_ratio: ArrayLike,
    unseen: float = 0.0,
    clusters: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Reweighted:
    """Mean of shares under other input laws, from a sample of the present ones.

    Parameters
    ----------
    values : (n,) array_like
        In [0, 1]: whether a row complies, or its share of completions.
    log_ratio : (n,) array_like
        Logarithm of the other density over the one sampled from, to any common constant; -inf where the other law
        has nothing.
    unseen : float
        Probability under the other laws of what lies outside the range of the present ones.
    clusters : (n,) array_like, optional
        Label of what was drawn independently; each row when left out.
    confidence : float
        Of each bound, between 0.5 and 1.

    Returns
    -------
    Reweighted

    Raises
    ------
    ValueError
        For values outside [0, 1], lengths that differ, or ratios that are NaN or +inf.
    """
    check_confidence(confidence)
    x, logs = np.asarray(values, dtype=np.float64), np.asarray(log_ratio, dtype=np.float64)
    labels = _labels(x, clusters)
    if logs.shape != x.shape or np.any(np.isnan(logs) | (logs == np.inf)):
        raise ValueError(f"log_ratio has shape {logs.shape}: {x.size} numbers, none NaN or infinite, are needed")
    return _reweighted(x, logs, unseen, labels, confidence)


def _labels(x: Floats, clusters: ArrayLike | None) -> NDArray[np.intp] | None:
    """Cluster numbers, or ValueError for values that are not shares."""
    if x.ndim != 1 or x.size == 0 or not np.all((x >= 0.0) & (x <= 1.0)):
        raise ValueError(f"values has shape {x.shape}: at least one, all in [0, 1], are needed")
    if clusters is None:
        return None
    labels = np.asarray(clusters)
    if labels.shape != x.shape:
        raise ValueError(f"clusters has shape {labels.shape} for {x.size} values: one label a value is needed")
    return np.unique(labels, return_inverse=True)[1].astype(np.intp)


def _reweighted(
    x: Floats, logs: Floats, unseen: float, labels: NDArray[np.intp] | None, confidence: float
) -> Reweighted:
    top = float(logs.max())
    if not math.isfinite(top):
        return Reweighted(math.nan, 0.0, 1.0, 0.0, unseen, "no sample lies in the range of the other laws")
    w = np.exp(logs - top)
    total = float(w.sum())
    failing = w * (1.0 - x)
    if labels is not None:
        w = np.asarray(np.bincount(labels, w), dtype=np.float64)
        failing = np.asarray(np.bincount(labels, failing), dtype=np.float64)
    effective = total**2 / float(w @ w)
    if effective < LEAST_EFFECTIVE:
        told = f"{effective:.3g} effective samples, {LEAST_EFFECTIVE:g} are needed: the other laws lie too far away"
        return Reweighted(math.nan, 0.0, 1.0, effective, unseen, told)
    share = float(failing.sum()) / total
    rest = (failing - share * w) / total
    error = math.sqrt(float(rest @ rest) * effective / (effective - 1.0))
    # weights make the scatter less known: as many degrees of freedom as rows that make it up
    fourth = float((rest**2) @ (rest**2))
    freedom = max(1.0, float(rest @ rest) ** 2 / fourth - 1.0) if fourth > 0.0 else effective
    reach = float(stdtrit(freedom, confidence)) * error
    k = effective * share
    low_failing = 0.0 if k <= 0.0 else float(betaincinv(k, effective - k + 1.0, 1.0 - confidence))
    high_failing = 1.0 if k >= effective else float(betaincinv(k + 1.0, effective - k, confidence))
    low = 1.0 - max(high_failing, share + reach)
    high = 1.0 - min(low_failing, share - reach)
    seen = 1.0 - unseen
    problem = None
    if unseen > MOST_UNSEEN:
        problem = f"{unseen:.2g} of the other laws lies outside the range that was sampled"
    return Reweighted(
        seen * (1.0 - share) + 0.5 * unseen if problem is None else math.nan,
        max(0.0, seen * low),
        min(1.0, seen * high + unseen),
        effective,
        unseen,
        problem,
    )


# --- sureness of the inputs -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Basis:
    """What an input's centre and spread are known from.

    Attributes
    ----------
    sample_size : int or None
        Parts measured, at least 2: centre and spread are then drawn from their normal-theory distribution given the
        sample (shapes normal, lognormal and truncated normal).
    shift : (float, float)
        Range of the centre [spreads], assumed.
    factor : (float, float)
        Range of the spread over the stated one, assumed, above 0.
    """

    sample_size: int | None = None
    shift: tuple[float, float] = (0.0, 0.0)
    factor: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class Sureness:
    """How many plausible sets of input laws meet a requirement.

    Attributes
    ----------
    share : float
        Of the sets that the sample supports, those whose estimate meets it; NaN if it supports none.
    low, high : float
        Two-sided interval of the share of all plausible sets, at `confidence`, unsupported ones counted either way.
    met, not_met, undecided, unsupported : int
        Sets by what their bounds say; unsupported ones are those the sample says nothing reliable of.
    values : (M,) array
        Estimate of each set, NaN where unsupported.
    confidence : float
    """

    share: float
    low: float
    high: float
    met: int
    not_met: int
    undecided: int
    unsupported: int
    values: Floats
    confidence: float


def plausible_sets(laws: Sequence[Law], bases: Sequence[Basis], draws: int, seed: int) -> list[list[Law]]:
    """Draw sets of input laws from what their centres and spreads are known from.

    With n measured parts the squared spread is drawn as spread**2 (n - 1) / chi-squared(n - 1), the centre about the
    stated one with standard deviation spread' / sqrt(n) (the distribution given the sample under the reference prior,
    Box and Tiao 1973, section 2.4); assumed ranges are drawn uniformly.

    Parameters
    ----------
    laws, bases : sequences
        One of each an input.
    draws : int
        Sets, at least 1.
    seed : int
        Address of the draws.

    Raises
    ------
    ValueError
        For lengths that differ, ranges out of order, or a sample of a shape that has no normal theory.
    """
    if len(laws) != len(bases) or draws < 1:
        raise ValueError(f"{len(laws)} laws, {len(bases)} bases, {draws} draws: one basis a law and a draw are needed")
    rng = np.random.default_rng(seed)
    columns = [_plausible(law, basis, draws, rng) for law, basis in zip(laws, bases, strict=True)]
    return [list(row) for row in zip(*columns, strict=True)]


def _plausible(law: Law, basis: Basis, draws: int, rng: np.random.Generator) -> list[Law]:
    a, b = rng.random(draws), rng.standard_normal(draws)
    if basis.sample_size is not None:
        n = basis.sample_size
        if n < 2 or law.shape in ("uniform", "triangular"):
            raise ValueError(f"sample_size = {n} of a {law.shape} law: 2 or more of a normal shape are needed")
        spread = law.spread * np.sqrt((n - 1) / rng.chisquare(n - 1, draws))
        centre = law.centre + spread * b / math.sqrt(n)
    else:
        (shift_low, shift_high), (low, high) = basis.shift, basis.factor
        if not shift_low <= shift_high or not 0.0 < low <= high:
            raise ValueError(
                f"shift = {basis.shift}, factor = {basis.factor}: ranges in order, factors above 0, needed"
            )
        spread = law.spread * (low + (high - low) * a)
        centre = law.centre + law.spread * (shift_low + (shift_high - shift_low) * rng.random(draws))
    return [law.moved(float(c), float(s)) for c, s in zip(centre, spread, strict=True)]


def sureness(
    values: ArrayLike,
    inputs: ArrayLike,
    laws: Sequence[Law],
    sets: Sequence[Sequence[Law]],
    required: float,
    clusters: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Sureness:
    """Share of plausible sets of input laws that meet a required share, from one sample.

    Parameters
    ----------
    values : (n,) array_like
        In [0, 1], as in `reweighted_share`.
    inputs : (n, d) array_like
        The inputs of each row, drawn independently of one another from `laws`, each in the unit of its law.
    laws : sequence of Law, d
        Which the sample was drawn from.
    sets : sequence of sequences of Law, M times d
        Plausible laws, of the same shapes.
    required : float
        Share to be reached, in [0, 1].
    clusters, confidence
        As in `reweighted_share`; the interval is two-sided at `confidence`.

    Returns
    -------
    Sureness

    Raises
    ------
    ValueError
        As `reweighted_share`, for no sets, or inputs outside the range of their law.
    """
    check_confidence(confidence)
    x, drawn = np.asarray(values, dtype=np.float64), np.asarray(inputs, dtype=np.float64)
    labels = _labels(x, clusters)
    if drawn.shape != (x.size, len(laws)) or not sets or any(len(chosen) != len(laws) for chosen in sets):
        raise ValueError(f"inputs has shape {drawn.shape} for {x.size} values and {len(laws)} laws: all must agree")
    base = [law.log_density(drawn[:, j]) for j, law in enumerate(laws)]
    if not all(np.all(np.isfinite(part)) for part in base):
        raise ValueError("inputs: a row lies outside the range of the law that it is said to be drawn from")
    each = 1.0 - 0.25 * (1.0 - confidence)  # two steps, two sides
    found = [_under(x, drawn, laws, base, chosen, labels, each) for chosen in sets]
    supported = [answer for answer in found if answer.problem is None]
    met, no = (sum(test) for test in ([a.low >= required for a in found], [a.high < required for a in found]))
    reached = sum(answer.value >= required for answer in supported)
    return Sureness(
        share=reached / len(supported) if supported else math.nan,
        low=clopper_pearson_bounds(met, len(found), each)[0],
        high=clopper_pearson_bounds(len(found) - no, len(found), each)[1],
        met=met,
        not_met=no,
        undecided=sum(a.problem is None and a.low < required <= a.high for a in found),
        unsupported=sum(a.problem is not None and a.low < required <= a.high for a in found),
        values=np.array([answer.value for answer in found]),
        confidence=confidence,
    )


def _under(
    x: Floats,
    drawn: Floats,
    laws: Sequence[Law],
    base: list[Floats],
    chosen: Sequence[Law],
    labels: NDArray[np.intp] | None,
    confidence: float,
) -> Reweighted:
    """The share under one set of laws; inputs whose law is unchanged cost nothing."""
    logs, seen = np.zeros(x.size), 1.0
    for j, (law, other) in enumerate(zip(laws, chosen, strict=True)):
        if other != law:
            logs += other.log_density(drawn[:, j]) - base[j]
            seen *= law.covers(other)
    return _reweighted(x, logs, 1.0 - seen, labels, confidence)

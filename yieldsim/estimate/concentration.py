r"""Which share of the units produces most of the losses: a point of the Lorenz curve, and what errors of the units do.

Units are put in descending order of their loss; the smallest share of them that holds the share s of all losses tells
how concentrated the losses are (Lorenz 1905; Gastwirth 1971). Where the loss of a unit is an average over a few draws,
its own luck puts it further up or down, and the curve looks more concentrated than it is: the fewest units that hold s
of *noisy* losses are fewer, in expectation, than those that hold s of the true ones (the share held by the top x is a
convex function of the losses; Jensen). Counts of a few actuations each are the extreme of it: with one loss among
them all, one unit holds everything.

The draws of a unit come in two halves that are independent given the unit. Ordering units by one half and adding up
the losses of the other half is free of that luck: those units hold, in expectation, what they truly lose, which is at
most what the best choice of as many units holds. Hence the plain curve is too concentrated and the crossed one not
concentrated enough, and the truth lies between. The estimate is the middle of the two; the lower bound is that of the
plain share, the upper one that of the crossed share, each a percentile of resampled units or lots (the bootstrap:
Efron and Tibshirani 1993, chapter 13). Resampling knows nothing of units that lose more and are rarer than those that
were seen: where fewer than `_ENOUGH` units or lots hold the share, the lower bound is 0.

References
----------
Efron, B. and Tibshirani, R. J. (1993). An Introduction to the Bootstrap, chapter 13.
Gastwirth, J. L. (1971). A general definition of the Lorenz curve. Econometrica 39, 1037-1039.
Lorenz, M. O. (1905). Methods of measuring the concentration of wealth. Publications of the American Statistical
    Association 9, 209-219.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.intervals import Estimate, check_confidence

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

RESAMPLES = 1000
POINTS = 101
_ENOUGH = 10
METHOD = (
    "units in the order of their losses: plain order for the lower bound, order by the other half of the draws for the "
    f"upper one; percentiles of {RESAMPLES} resamples"
)


@dataclass(frozen=True)
class Concentration:
    """How the losses gather in few units.

    Attributes
    ----------
    of_losses : share of all losses
    units : least share of the units that produce it
    curve : ((share of the units, share of the losses they produce), ...), the worst units first, as plainly observed
    crossed : the same with the order from the other half of the draws
    """

    of_losses: float
    units: Estimate
    curve: tuple[tuple[float, float], ...]
    crossed: tuple[tuple[float, float], ...]


def concentration(
    losses: ArrayLike,
    halves: ArrayLike | None = None,
    of_losses: float = 0.8,
    confidence: float = 0.95,
    clusters: ArrayLike | None = None,
    seed: int = 0,
) -> Concentration | None:
    """Least share of the units that produces a share of all losses.

    Parameters
    ----------
    losses : (n_units,) array_like
        Loss of each unit, not negative, any unit of measure.
    halves : (2, n_units) array_like, optional
        The losses from either half of the draws of each unit; left out where the losses are exact.
    of_losses : float
        Share of all losses, above 0 and below 1.
    confidence : float
        Of each one-sided bound.
    clusters : (n_units,) array_like, optional
        Lot of each unit; whole lots are resampled then.
    seed : int
        Of the resampling.

    Returns
    -------
    Concentration or None
        None where nothing is lost, or nothing in one of the halves.

    Raises
    ------
    ValueError
        For shapes that do not fit, losses that are negative or not finite, or a share out of range.
    """
    check_confidence(confidence)
    x = np.asarray(losses, dtype=np.float64).reshape(-1)
    parts = np.stack([x, x]) if halves is None else np.asarray(halves, dtype=np.float64)
    if x.size == 0 or parts.shape != (2, x.size) or not np.all(np.isfinite(parts)) or not np.all(np.isfinite(x)):
        raise ValueError(f"losses {x.shape}, halves {parts.shape}: finite (units,) and (2, units) are needed")
    if np.any(x < 0.0) or np.any(parts < 0.0):
        raise ValueError("losses must not be negative")
    if not 0.0 < of_losses < 1.0:
        raise ValueError(f"of_losses = {of_losses}: above 0 and below 1 is needed")
    if x.sum() <= 0.0 or np.any(parts.sum(axis=1) <= 0.0):
        return None
    weights = _resampled(x.size, clusters, seed)
    plain = _shares(x, x, weights, of_losses)
    crossed = 0.5 * (_shares(parts[0], parts[1], weights, of_losses) + _shares(parts[1], parts[0], weights, of_losses))
    value = 0.5 * (plain[0] + crossed[0])
    few = float(plain[0]) * _groups(x.size, clusters) < _ENOUGH
    low = 0.0 if few else float(np.quantile(plain[1:], 1.0 - confidence))
    high = float(np.quantile(crossed[1:], confidence))
    units = Estimate(float(value), min(low, value), max(high, value), confidence, METHOD)
    both = np.mean([_curve(parts[0], parts[1]), _curve(parts[1], parts[0])], axis=0)
    return Concentration(of_losses, units, _pairs(_curve(x, x)), _pairs(both))


def _resampled(size: int, clusters: ArrayLike | None, seed: int) -> Floats:
    """Weights (1 + RESAMPLES, n): all ones first, then how often each unit is drawn."""
    _, label = np.unique(np.arange(size) if clusters is None else np.asarray(clusters), return_inverse=True)
    if label.size != size:
        raise ValueError(f"{label.size} labels for {size} units: one a unit is needed")
    groups = int(label.max()) + 1
    rng = np.random.Generator(np.random.Philox(key=[seed, 0x4C6F72656E7A]))
    drawn = rng.multinomial(groups, np.full(groups, 1.0 / groups), size=RESAMPLES)
    return np.concatenate([np.ones((1, size)), drawn[:, label].astype(np.float64)])


def _groups(size: int, clusters: ArrayLike | None) -> int:
    """Number of independent observations."""
    return size if clusters is None else int(np.unique(np.asarray(clusters)).size)


def _order(by: Floats) -> Places:
    """Worst unit first; equals keep their places."""
    return np.argsort(-by, kind="stable")


def _shares(by: Floats, loss: Floats, weights: Floats, of_losses: float) -> Floats:
    """Share of the weighted units, in descending order of ``by``, whose ``loss`` first holds the share of all."""
    order = _order(by)
    w = weights[:, order]
    held = np.cumsum(w * loss[order], axis=1)
    target = of_losses * held[:, -1]
    place = np.minimum((held < target[:, None]).sum(axis=1), loss.size - 1)
    row = np.arange(len(w))
    counted = np.cumsum(w, axis=1)
    last = w[row, place] * loss[order][place]
    over = held[row, place] - target
    # of the unit that crosses the share only the part that is needed
    part = np.where(last > 0.0, np.clip(over / np.where(last > 0.0, last, 1.0), 0.0, 1.0), 0.0)
    needed = counted[row, place] - part * w[row, place]
    return np.asarray(np.where(held[:, -1] > 0.0, needed / counted[:, -1], 1.0))


def _curve(by: Floats, loss: Floats) -> Floats:
    """Share of the losses held by the worst share of the units, (POINTS,), at equal steps of the latter."""
    held = np.concatenate([[0.0], np.cumsum(loss[_order(by)])])
    return np.asarray(np.interp(np.linspace(0.0, loss.size, POINTS), np.arange(held.size), held / held[-1]))


def _pairs(held: Floats) -> tuple[tuple[float, float], ...]:
    return tuple(zip(np.linspace(0.0, 1.0, POINTS).tolist(), held.tolist(), strict=True))

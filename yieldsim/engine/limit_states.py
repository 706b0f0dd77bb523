"""Limit states of one design at one condition, on independent standard normal numbers.

What the link, the press and the message do by chance is forced to one outcome (a stratum); what is left is continuous.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper
from yieldsim.engine.response import MESSAGE, PRESS, Dimension, Response
from yieldsim.engine.strata import Stratum
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]

CAUSES = ("never starts", "runs down", "fails on entering a step")
_CAUSE_COLUMNS = (at.START_MARGIN, at.RESERVE, at.RUN_MARGIN)
_ROWS = 1024  # at a time
_MOST_SCORE = 8.2  # beyond which a probability rounds to 1
# Points of the press over which a unit's actuations are spread [standard scores]: far into both tails, so that a
# requirement of parts in a million is still between two of them.
PRESS_SCORES = np.linspace(-5.5, 5.5, 23)


def uniform_of(u: FloatArray) -> FloatArray:
    """Return the probability of standard normal scores, strictly inside (0, 1)."""
    p: FloatArray = ndtr(np.clip(u, -_MOST_SCORE, _MOST_SCORE))
    return p


def decided_by_plan(name: str) -> bool:
    """Whether a draw of the link decides nothing once its outcome is forced."""
    losses = name in ("link.frame_loss", "link.acknowledgement_loss")
    return losses or name in (PRESS, MESSAGE) or name.startswith("link.backoff.busy")


@dataclass(frozen=True)
class ActuationLimit:
    """Margins of one actuation: ``g(u)`` (n, 3) [V], one column a cause of `CAUSES`, for u (n, d).

    Attributes
    ----------
    response, condition : what is run
    stratum : what happens by chance alone
    over : where blocks are run
    """

    response: Response
    condition: Condition
    stratum: Stratum
    over: Mapper

    @property
    def axes(self) -> tuple[int, ...]:
        """Axes of the response's unit cube that u moves; the others stay at their middle."""
        used = len(self.stratum.tries)
        return tuple(
            k
            for k, axis in enumerate(self.response.dimensions)
            if axis.attempt < used and not decided_by_plan(axis.name)
        )

    def points(self, u: FloatArray) -> FloatArray:
        """Return the points (n, D) of the unit cube of u (n, d)."""
        points = np.full((len(u), len(self.response.dimensions)), 0.5)
        points[:, list(self.axes)] = uniform_of(u)
        return points

    def __call__(self, u: FloatArray) -> FloatArray:
        """Return the margins (n, 3) [V]; NaN where an actuation was not finished."""
        plan = self.stratum.plan(self.response.kernel.attempts)

        def work(points: FloatArray) -> FloatArray:
            values = self.response.respond(points, self.condition, plan=plan, full=True)[0]
            found: FloatArray = values[:, _CAUSE_COLUMNS]
            return found

        points = self.points(u)
        parts = [points[k : k + _ROWS] for k in range(0, len(points), _ROWS)]
        return np.concatenate(list(self.over.map(work, parts)))

    def values_at(self, u: FloatArray) -> FloatArray:
        """Return the value vector (K,) of one point u (d,)."""
        x = np.zeros(len(self.response.nominal_base(self.condition)))
        plan = self.stratum.plan(self.response.kernel.attempts)
        self.response.respond(self.points(u[None]), self.condition, plan=plan, x=x)
        return x

    def axis(self, k: int) -> Dimension:
        """Return what the k-th number of u moves."""
        return self.response.dimensions[self.axes[k]]


@dataclass(frozen=True)
class UnitLimit:
    """Margin that the required share of a unit's actuations keeps: ``g(u)`` (n,) [V] for u (n, d) of lot and unit.

    Attributes
    ----------
    response, condition : what is run
    strata, weights : what happens by chance alone, (K,) probabilities; what is left of 1 fails
    required : share of a unit's actuations that must complete
    count_link : whether an outcome without acknowledgement fails, whatever the margin
    rest : (J, D) points of the unit cube for what else differs between actuations
    press : axis of the cube over which the press is spread; None where a unit's actuations differ by chance alone
    over : where blocks are run

    Notes
    -----
    Of the margins at the nodes of the press, straight lines between them in its probability, the weighted share at or
    above c falls with c; g is the c at which it is the share required. Where outcomes of the link that fail outweigh
    what may fail, no c does, and g is -inf.
    """

    response: Response
    condition: Condition
    strata: tuple[Stratum, ...]
    weights: FloatArray
    required: float
    count_link: bool
    rest: FloatArray
    press: int | None
    over: Mapper

    @property
    def axes(self) -> tuple[int, ...]:
        """Axes of the response's unit cube that u moves."""
        return tuple(k for k, axis in enumerate(self.response.dimensions) if axis.attempt < 0)

    def axis(self, k: int) -> Dimension:
        """Return what the k-th number of u moves."""
        return self.response.dimensions[self.axes[k]]

    def values_at(self, u: FloatArray) -> FloatArray:
        """Return the value vector (K,) of one point u (d,), everything that differs by actuation at its middle."""
        x = np.zeros(len(self.response.nominal_base(self.condition)))
        points = np.full((1, len(self.response.dimensions)), 0.5)
        points[:, list(self.axes)] = uniform_of(u[None])
        plan = self.strata[0].plan(self.response.kernel.attempts)
        self.response.respond(points, self.condition, plan=plan, x=x)
        return x

    def __call__(self, u: FloatArray) -> FloatArray:
        """Return the margin (n,) [V]."""
        parts = [u[k : k + 16] for k in range(0, len(u), 16)]
        return np.concatenate(list(self.over.map(self._block, parts)))

    def _block(self, u: FloatArray) -> FloatArray:
        margins, shares = [], []
        for stratum, weight in zip(self.strata, self.weights, strict=True):
            if self.count_link and not stratum.acknowledged:
                continue
            margins.append(self._margins(u, stratum))
            shares.append(weight)
        return _kept_margin(np.stack(margins, axis=1), np.array(shares), self.required, self._probabilities())

    def _probabilities(self) -> FloatArray:
        """Probabilities of the nodes of the press; two for one flat piece where there is none."""
        return uniform_of(PRESS_SCORES) if self.press is not None else np.array([0.0, 1.0])

    def _margins(self, u: FloatArray, stratum: Stratum) -> FloatArray:
        """Least margins (n, J, nodes) [V] of units u under one outcome."""
        nodes = self._probabilities() if self.press is not None else np.array([0.5])
        n, draws = len(u), len(self.rest)
        points = np.empty((n, draws, len(nodes), len(self.response.dimensions)))
        points[:] = self.rest[None, :, None, :]
        points[..., list(self.axes)] = uniform_of(u)[:, None, None, :]
        if self.press is not None:
            points[..., self.press] = nodes
        plan = stratum.plan(self.response.kernel.attempts)
        flat = points.reshape(-1, points.shape[-1])
        values = self.response.respond(flat, self.condition, plan=plan)[0]
        margins = values[:, at.VOLTAGE_MARGIN].reshape(n, draws, len(nodes))
        return margins if self.press is not None else np.repeat(margins, 2, axis=2)


def _kept_margin(margins: FloatArray, weights: FloatArray, required: float, nodes: FloatArray) -> FloatArray:
    """Return the margin (n,) kept by the share ``required`` of margins (n, K, J, nodes), weights (K,): by bisection."""
    n, draws = len(margins), margins.shape[2]
    if weights.sum() < required:
        return np.full(n, -np.inf)
    low: FloatArray = margins.reshape(n, -1).min(axis=1)
    high = margins.reshape(n, -1).max(axis=1)
    left, right = margins[..., :-1], margins[..., 1:]
    bottom, top = np.minimum(left, right), np.maximum(left, right)
    width = np.diff(nodes) / (nodes[-1] - nodes[0])
    span = np.where(top > bottom, top - bottom, 1.0)
    for _ in range(50):
        c = 0.5 * (low + high)
        here = c[:, None, None, None]
        share = np.where(top > bottom, np.clip((top - here) / span, 0.0, 1.0), bottom >= here)
        kept = np.einsum("nkjp,k,p->n", share, weights, width) / draws
        low, high = np.where(kept >= required, c, low), np.where(kept >= required, high, c)
    return low

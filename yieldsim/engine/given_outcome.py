"""Draws of the link, the press and the message given what came of them: the other way round than `strata`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.response import MESSAGE, PRESS, Response
from yieldsim.engine.strata import Chances, Stratum
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def draws_given(
    response: Response, chances: Chances, stratum: Stratum, n: int, rng: np.random.Generator
) -> dict[int, FloatArray]:
    """Return draws of what an outcome decides, such that the outcome follows from them.

    Chances are those of the mean unit. A lost attempt has lost its frame or its acknowledgement, each as often as it
    happens; where losses follow from a signal-to-noise ratio, its frame.

    Parameters
    ----------
    response : Response
    chances : of units at the condition
    stratum : the outcome
    n : draws
    rng : where they come from

    Returns
    -------
    axis of the response's unit cube -> (n,) draws, strictly inside (0, 1); axes that the outcome leaves free are left
    out
    """
    found: dict[int, FloatArray] = {}
    losses = [_Losses.of(response, chances, stratum.message, attempt, n, rng) for attempt in range(len(stratum.tries))]
    busy = float(chances.busy.mean())
    for k, axis in enumerate(response.dimensions):
        if axis.level != "event" or axis.attempt >= len(stratum.tries):
            continue
        number = stratum.tries[axis.attempt]
        lost = at.PLAN_LOST <= number < at.PLAN_SPENT
        listens = chances.listens[stratum.message]
        if axis.name == PRESS:
            found[k] = _side(stratum.partial, float(chances.partial.mean()), n, rng)
        elif axis.name == MESSAGE:
            edges = np.concatenate([[0.0], response.kernel.message_shares])
            low, high = edges[stratum.message], edges[stratum.message + 1]
            found[k] = low + (high - low) * _inside(n, rng)
        elif axis.name in ("link.frame_loss", "link.acknowledgement_loss") and listens and number < at.PLAN_SPENT:
            found[k] = losses[axis.attempt].draw(axis.name == "link.frame_loss", lost, rng)
        elif axis.name.startswith("link.backoff.busy_"):
            made, place = number % at.PLAN_LOST, int(axis.name.rsplit("_", 1)[1])
            if place <= made:
                found[k] = _side(place < made or number >= at.PLAN_SPENT, busy, n, rng)
    return found


class _Losses:
    """Loss of the frame and of the acknowledgement of one attempt, and which of them a lost attempt had."""

    def __init__(self, frame: float, back: float, n: int, rng: np.random.Generator) -> None:
        self.frame, self.back, self.n = frame, back, n
        whole = frame + (1.0 - frame) * back
        self.of_frame = rng.random(n) < (frame / whole if whole > 0.0 else 1.0)

    @classmethod
    def of(
        cls, response: Response, chances: Chances, message: int, attempt: int, n: int, rng: np.random.Generator
    ) -> _Losses:
        whole = float(chances.lost[:, message, min(attempt, 1)].mean())
        if response.kernel.use_signal_to_noise:
            return cls(whole, 0.0, n, rng)
        frame = min(max(response.design.link.frame_loss.nominal, 0.0), whole)
        return cls(frame, (whole - frame) / (1.0 - frame) if frame < 1.0 else 0.0, n, rng)

    def draw(self, frame: bool, lost: bool, rng: np.random.Generator) -> FloatArray:
        """Draws of one of the two losses."""
        chance = self.frame if frame else self.back
        u = _inside(self.n, rng)
        through = chance + (1.0 - chance) * u
        if not lost:
            return through
        # the acknowledgement of a frame that is lost is not looked at
        return np.where(self.of_frame, chance * u if frame else u, through if frame else chance * u)


def _side(below: bool, chance: float, n: int, rng: np.random.Generator) -> FloatArray:
    """Draws below the chance of something, or above it."""
    u = _inside(n, rng)
    return chance * u if below else chance + (1.0 - chance) * u


def _inside(n: int, rng: np.random.Generator) -> FloatArray:
    """Uniform draws strictly inside (0, 1)."""
    return np.asarray(np.clip(rng.random(n), 1e-12, 1.0 - 1e-12))

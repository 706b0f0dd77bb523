"""The outcomes of the link as strata: what each costs in steps, and how probable it is for each unit.

A retry is rare and decides much: waiting for it in a random sample would need thousands of presses a unit. The link
does not
know the supply, so its outcomes can be listed with their probabilities, and the energy asked of each in turn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from yieldsim.engine.response import Response
from yieldsim.kernel import layout as at
from yieldsim.kernel.link import packet_error
from yieldsim.kernel.shapes import deviation

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_STRATA = 48
# Points and weights of a mean over one variable: the trapezoidal rule in its normal score, which converges
# exponentially (Trefethen and Weideman 2014, SIAM Review 56, 385-458). Its points reach far into the tails, where the
# losses of a good link come from.
_SCORES = np.linspace(-7.0, 7.0, 113)
_GRID = ndtr(_SCORES)
_SHARES = np.exp(-0.5 * _SCORES**2) / np.exp(-0.5 * _SCORES**2).sum()


@dataclass(frozen=True)
class Stratum:
    """One outcome of the link.

    ``tries`` holds one entry an attempt made: assessments, plus PLAN_LOST or PLAN_SPENT; ``acknowledged`` tells whether
    the actuation can complete.
    """

    tries: tuple[int, ...]
    acknowledged: bool

    def plan(self, attempts: int) -> IntArray:
        """Return the row of plans (A,) that forces it."""
        row = np.zeros(attempts, dtype=np.int64)
        row[: len(self.tries)] = self.tries
        return row


@dataclass(frozen=True)
class LinkChances:
    """Chances of one attempt for n units: loss of frame or acknowledgement (n,), busy assessment (n,)."""

    lost: FloatArray
    busy: FloatArray


def link_chances(response: Response, base: FloatArray, scale: FloatArray) -> LinkChances:
    """Return the chances of one attempt of each unit from its values (n, K), actuation-level spread averaged out."""
    kernel = response.kernel
    if kernel.use_signal_to_noise:
        through = np.zeros(len(base))
        for d, share in zip(*_deviations(response, at.SIGNAL_TO_NOISE), strict=True):
            decibels = base[:, at.SIGNAL_TO_NOISE] + scale[:, at.SIGNAL_TO_NOISE] * d
            for n, value in enumerate(decibels):
                frame, ack = packet_error(value, kernel.octets[0]), packet_error(value, kernel.octets[1])
                through[n] += share * (1.0 - frame) * (1.0 - ack if _listens(response) else 1.0)
    else:
        through = 1.0 - _mean(response, base, scale, at.FRAME_LOSS)
        if _listens(response):
            through = through * (1.0 - _mean(response, base, scale, at.ACKNOWLEDGEMENT_LOSS))
    busy = _mean(response, base, scale, at.BACKOFF_BUSY) if kernel.use_backoff else np.zeros(len(base))
    return LinkChances(np.clip(1.0 - through, 0.0, 1.0), np.clip(busy, 0.0, 1.0))


def _deviations(response: Response, column: int) -> tuple[FloatArray, FloatArray]:
    """Deviations (k,) of the actuation-level variable of a column, and their shares (k,); zero without one."""
    kernel = response.kernel
    for v, target in enumerate(kernel.variable_column):
        if target == column:
            shape, params = kernel.variable_shape[v], kernel.variable_params[v]
            return np.array([deviation(shape, params, kernel.variable_table, u) for u in _GRID]), _SHARES
    return np.zeros(1), np.ones(1)


def _mean(response: Response, base: FloatArray, scale: FloatArray, column: int) -> FloatArray:
    deviations, shares = _deviations(response, column)
    mean: FloatArray = base[:, column] + scale[:, column] * float(deviations @ shares)
    return mean


def _listens(response: Response) -> bool:
    return any(step.acknowledgement is not None for step in response.design.radio.sequence)


def probability(stratum: Stratum, chances: LinkChances, assessments: int, listens: bool) -> FloatArray:
    """Return the probability (n,) of a stratum for units with these chances; ``assessments`` is the most an attempt
    makes.
    """
    total = np.ones_like(chances.lost)
    for number in stratum.tries:
        n = number % at.PLAN_LOST
        if number >= at.PLAN_SPENT:
            total = total * chances.busy**assessments
            continue
        clear = chances.busy ** (n - 1) * (1.0 - chances.busy)
        if not listens:
            total = total * clear
        elif number >= at.PLAN_LOST:
            total = total * clear * chances.lost
        else:
            total = total * clear * (1.0 - chances.lost)
    return total


def list_strata(response: Response, chances: LinkChances, negligible: float) -> tuple[list[Stratum], FloatArray]:
    """Return the strata worth asking, most probable first, and their probabilities (n, K) for each unit.

    They are listed until what is left out has a probability of at most ``negligible`` for every unit, or until there
    are
    MOST_STRATA of them.
    """
    kernel = response.kernel
    most = int(kernel.exponents[2]) + 1 if kernel.use_backoff else 1
    listens = _listens(response)
    typical = LinkChances(np.array([chances.lost.mean()]), np.array([chances.busy.mean()]))
    found: list[tuple[float, Stratum]] = []
    floor = negligible / 1000.0

    def grow(tries: tuple[int, ...]) -> None:
        share = float(probability(Stratum(tries, False), typical, most, listens)[0])
        if share < floor:
            return
        if len(tries) == kernel.attempts:
            sent = any(number < at.PLAN_SPENT for number in tries)
            found.append((share, Stratum(tries, not listens and sent)))
            return
        for n in range(1, most + 1):
            if listens:
                ended = Stratum((*tries, n), True)
                found.append((float(probability(ended, typical, most, listens)[0]), ended))
                grow((*tries, n + at.PLAN_LOST))
            else:
                grow((*tries, n))
        if kernel.use_backoff:
            grow((*tries, most + at.PLAN_SPENT))

    grow(())
    found.sort(key=lambda pair: (-pair[0], pair[1].tries))
    kept: list[Stratum] = []
    weights: list[FloatArray] = []
    left = np.ones_like(chances.lost)
    for share, stratum in found:
        if left.max() <= negligible or len(kept) == MOST_STRATA or share <= 0.0:
            break
        kept.append(stratum)
        weights.append(probability(stratum, chances, most, listens))
        left = left - weights[-1]
    return kept, np.stack(weights, axis=1)


def pivot_slot(response: Response) -> int | None:
    """Return the slot of the variable to integrate out: the press's speed, else the first drawn once an actuation.

    None where nothing but the link differs from actuation to actuation, or only within attempts.
    """
    drawn = response.population.actuation_variables
    once = [k for k, each in enumerate(drawn.each_attempt) if not each]
    for k in once:
        if drawn.names[k].startswith("harvester.") and drawn.names[k].endswith("speed"):
            return k
    return once[0] if once else None

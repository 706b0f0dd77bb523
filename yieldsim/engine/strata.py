"""The outcomes of the link as strata: what each costs in steps, and how probable it is for each unit.

A retry is rare and decides much: waiting for it in a random sample would need thousands of presses a unit. The link
does not
know the supply, so its outcomes can be listed with their probabilities, and the energy asked of each in turn.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

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
    """One outcome of what happens by chance alone: the press, the message, the link.

    ``tries`` holds one entry an attempt made: assessments, plus PLAN_LOST or PLAN_SPENT; ``acknowledged`` tells whether
    the actuation can complete. ``message`` is an index.
    """

    tries: tuple[int, ...]
    acknowledged: bool
    partial: bool = False
    message: int = 0

    def plan(self, attempts: int) -> IntArray:
        """Return the row of plans (A + 2,) that forces it."""
        row = np.zeros(attempts + at.PLAN_MORE, dtype=np.int64)
        row[: len(self.tries)] = self.tries
        row[attempts] = at.PRESS_PARTIAL if self.partial else at.PRESS_FULL
        row[attempts + 1] = self.message + 1
        return row


@dataclass(frozen=True)
class Chances:
    """Chances of n units in one actuation.

    Attributes
    ----------
    lost : (n, M, 2) loss of frame or acknowledgement of each message, in the first attempt and in a later one
    busy : (n,) busy assessment
    partial : (n,) press that stops short
    messages : (M,) shares of the messages
    listens : (M,) whether the message is acknowledged
    assessments : the most that an attempt makes
    """

    lost: FloatArray
    busy: FloatArray
    partial: FloatArray
    messages: FloatArray
    listens: tuple[bool, ...]
    assessments: int


def chances_of(response: Response, base: FloatArray, scale: FloatArray) -> Chances:
    """Return the chances of each unit from its values (n, K), actuation-level spread averaged out."""
    kernel, n = response.kernel, len(base)
    listens = _listens(response)
    lost = np.empty((n, len(listens), 2))
    if kernel.use_signal_to_noise:
        through = np.zeros_like(lost)
        for d, share in zip(*_deviations(response, at.SIGNAL_TO_NOISE), strict=True):
            for unit, value in enumerate(base[:, at.SIGNAL_TO_NOISE] + scale[:, at.SIGNAL_TO_NOISE] * d):
                through[unit] += share * _through(value, kernel.octets, listens)
        lost[:] = 1.0 - through
    else:
        frame = 1.0 - _mean(response, base, scale, at.FRAME_LOSS)
        back = 1.0 - _mean(response, base, scale, at.ACKNOWLEDGEMENT_LOSS)
        for message, heard in enumerate(listens):
            lost[:, message, :] = 1.0 - (frame * back if heard else frame)[:, None]
    busy = _mean(response, base, scale, at.BACKOFF_BUSY) if kernel.use_backoff else np.zeros(n)
    return Chances(
        lost=np.clip(lost, 0.0, 1.0),
        busy=np.clip(busy, 0.0, 1.0),
        partial=np.clip(_mean(response, base, scale, at.PARTIAL_SHARE), 0.0, 1.0),
        messages=np.diff(kernel.message_shares, prepend=0.0),
        listens=listens,
        assessments=int(kernel.exponents[2]) + 1 if kernel.use_backoff else 1,
    )


def _through(signal_to_noise: float, octets: IntArray, listens: tuple[bool, ...]) -> FloatArray:
    """Chance (M, 2) that frame and acknowledgement of each message get through, first and later attempts."""
    chance = np.empty((len(listens), 2))
    for message, heard in enumerate(listens):
        back = 1.0 - packet_error(signal_to_noise, octets[message, 2]) if heard else 1.0
        for retry in (0, 1):
            chance[message, retry] = (1.0 - packet_error(signal_to_noise, octets[message, retry])) * back
    return chance


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


def _listens(response: Response) -> tuple[bool, ...]:
    runs = response.kernel.step_runs
    heard = [k for k, step in enumerate(response.design.radio.sequence) if step.acknowledgement is not None]
    return tuple(bool(runs[heard, message].any()) for message in range(runs.shape[1]))


def probability(stratum: Stratum, chances: Chances) -> FloatArray:
    """Return the probability (n,) of a stratum for units with these chances."""
    total = chances.messages[stratum.message] * (chances.partial if stratum.partial else 1.0 - chances.partial)
    for attempt, number in enumerate(stratum.tries):
        lost = chances.lost[:, stratum.message, min(attempt, 1)]
        n = number % at.PLAN_LOST
        if number >= at.PLAN_SPENT:
            total = total * chances.busy**chances.assessments
            continue
        total = total * chances.busy ** (n - 1) * (1.0 - chances.busy)
        if chances.listens[stratum.message]:
            total = total * (lost if number >= at.PLAN_LOST else 1.0 - lost)
    return np.asarray(total)


def list_strata(response: Response, chances: Chances, negligible: float) -> tuple[list[Stratum], FloatArray]:
    """Return the strata worth asking, most probable first, and their probabilities (n, K) for each unit.

    They are listed until what is left out has a probability of at most ``negligible`` for every unit, or until there
    are MOST_STRATA of them.
    """
    typical = replace(
        chances,
        lost=chances.lost.mean(axis=0, keepdims=True),
        busy=np.array([chances.busy.mean()]),
        partial=np.array([chances.partial.mean()]),
    )
    floor = negligible / 1000.0
    found: list[tuple[float, Stratum]] = []
    presses = (False, True) if chances.partial.max() > 0.0 else (False,)
    for partial, message in product(presses, range(len(chances.messages))):
        for stratum in _link_outcomes(response, typical, floor, Stratum((), False, partial, message)):
            found.append((float(probability(stratum, typical)[0]), stratum))
    found.sort(key=lambda pair: (-pair[0], pair[1].partial, pair[1].message, pair[1].tries))
    kept: list[Stratum] = []
    weights: list[FloatArray] = []
    left = np.ones_like(chances.busy)
    for share, stratum in found:
        if left.max() <= negligible or len(kept) == MOST_STRATA or share <= 0.0:
            break
        kept.append(stratum)
        weights.append(probability(stratum, chances))
        left = left - weights[-1]
    return kept, np.stack(weights, axis=1)


def _link_outcomes(response: Response, typical: Chances, floor: float, so_far: Stratum) -> Iterator[Stratum]:
    """Yield what the link can make of an actuation from here on, as long as its probability is above ``floor``."""
    if float(probability(so_far, typical)[0]) < floor:
        return
    kernel, listens = response.kernel, typical.listens[so_far.message]
    tries = so_far.tries
    if len(tries) == kernel.attempts:
        sent = any(number < at.PLAN_SPENT for number in tries)
        yield replace(so_far, acknowledged=not listens and sent)
        return
    for n in range(1, typical.assessments + 1):
        if listens:
            yield replace(so_far, tries=(*tries, n), acknowledged=True)
            yield from _link_outcomes(response, typical, floor, replace(so_far, tries=(*tries, n + at.PLAN_LOST)))
        else:
            yield from _link_outcomes(response, typical, floor, replace(so_far, tries=(*tries, n)))
    if kernel.use_backoff:
        spent = typical.assessments + at.PLAN_SPENT
        yield from _link_outcomes(response, typical, floor, replace(so_far, tries=(*tries, spent)))


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

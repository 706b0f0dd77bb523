"""One block of units in one cell: its tally, and the completion of each unit conditioned on the unit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.strata import chances_of, list_strata, pivot_slot
from yieldsim.engine.tally import Tally, merge, tally_rows
from yieldsim.estimate.pivot import pivot_probability
from yieldsim.estimate.unit_completion import UnitCompletion, complete_units, weigh_strata
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Places = NDArray[np.intp]
Rule = Callable[[FloatArray], NDArray[np.bool_]]

ROWS_AT_A_TIME = 1 << 15
# Presses of the conditioned estimate stand apart from those of the sample: their actuation numbers begin here.
CONDITIONED = 1 << 30
# Scan of the pivot's normal score. With one stroke a margin rises with the press, or (a coil of much inductance) rises
# and falls again: three points see it. A retry that is begun only with enough energy for it asks for more from there
# on, which may take the margin below 0 once more. With several strokes, or several starts, a false start adds a sign
# change where it begins and one where it ends, and the scan is finest.
_COARSE = (-5.0, 0.0, 5.0)
_GATED = (-5.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 5.0)
_FINE = tuple(x / 2.0 for x in range(-10, 11))


@dataclass(frozen=True)
class BlockAnswer:
    """What one block of units did in one cell.

    ``completion`` and ``energy`` are the completion probability and the probability that the energy suffices, of each
    unit.
    """

    tally: Tally
    completion: UnitCompletion | None
    energy: UnitCompletion | None


def run_block(
    response: Response,
    condition: Condition,
    units: IntArray,
    actuations: int,
    required: float | None,
    rules: Sequence[Rule] = (),
) -> BlockAnswer:
    """Run one block in one cell.

    Parameters
    ----------
    response : Response
    condition : Condition
    units : (n,) unit numbers
    actuations : of each unit, for the tally
    required : completion required of a unit; None leaves the conditioned estimate out
    rules : derating rules, values -> whether each row keeps it
    """
    base, scale = response.unit_base(units, condition)
    tally = _tally(response, base, scale, units, actuations, rules)
    if required is None:
        return BlockAnswer(tally, None, None)
    completion, energy = _conditioned(response, base, scale, units, required)
    return BlockAnswer(tally, completion, energy)


def _tally(
    response: Response,
    base: FloatArray,
    scale: FloatArray,
    units: IntArray,
    actuations: int,
    rules: Sequence[Rule],
) -> Tally:
    """Tally all actuations of the units, some units at a time."""
    chunk = max(1, ROWS_AT_A_TIME // actuations)
    parts = []
    for first in range(0, len(units), chunk):
        some = np.arange(first, min(first + chunk, len(units)))
        rows = np.empty((len(some) * actuations, 3), dtype=np.int64)
        rows[:, at.ROW_UNIT] = np.repeat(some, actuations)
        rows[:, at.ROW_UNIT_ID] = np.repeat(units[some], actuations)
        rows[:, at.ROW_ACTUATION] = np.tile(np.arange(actuations), len(some))
        values, codes = run(response.kernel, base, scale, rows, accuracy=response.settings.accuracy)
        parts.append(
            tally_rows(
                rows, values, codes, units=len(some), actuations=actuations,
                steps=len(response.design.radio.sequence), attempts=response.kernel.attempts,
                messages=len(response.kernel.message_shares), derated=rules,
            )
        )  # fmt: skip
    return merge(parts)


def _conditioned(
    response: Response, base: FloatArray, scale: FloatArray, units: IntArray, required: float
) -> tuple[UnitCompletion, UnitCompletion]:
    """Completion of each unit, and its probability of enough energy, given the unit."""
    slot = pivot_slot(response)
    asked = _Asked(response, base, scale, units, slot, required)
    if _others_drawn(response, slot):
        completion, energy = complete_units(asked.draw, len(units), required)
        return completion, energy
    low, high = asked.draw(np.arange(len(units)), 0, 1)
    exact = [UnitCompletion(low[k, :, 0], high[k, :, 0], None) for k in range(2)]
    return exact[0], exact[1]


def _others_drawn(response: Response, slot: int | None) -> bool:
    """Whether anything but the pivot and the planned outcome of the link differs from actuation to actuation."""
    if any(d.level == "actuation" and d.place != slot for d in response.dimensions):
        return True
    names = {d.name for d in response.dimensions if d.level == "event"}
    return any(name.startswith("link.backoff.slot") or name.endswith(".latency") for name in names)


def _grid(response: Response, slot: int | None) -> FloatArray:
    from scipy.special import ndtr

    if slot is None:
        return np.array([0.5])
    design, harvester = response.design, response.design.harvester
    single = harvester is not None and len(harvester.strokes) <= 1 and not design.regulator.restart
    scores = _FINE if not single else _COARSE if design.link.retry_above is None else _GATED
    return np.asarray(ndtr(np.array(scores)), dtype=np.float64)


class _Asked:
    """What the actuations of a block's units do, given the link's outcome, as a function of the pivot's uniform."""

    def __init__(
        self,
        response: Response,
        base: FloatArray,
        scale: FloatArray,
        units: IntArray,
        slot: int | None,
        required: float,
    ) -> None:
        self.response, self.base, self.scale, self.units, self.slot = response, base, scale, units, slot
        self.tolerance = (1.0 - required) / 200.0 if required < 1.0 else 1e-6
        strata, self.weights = list_strata(response, chances_of(response, base, scale), 20.0 * self.tolerance)
        self.rest = np.maximum(1.0 - self.weights.sum(axis=1), 0.0)
        self.plans = np.stack([stratum.plan(response.kernel.attempts) for stratum in strata])
        self.acknowledged = np.array([stratum.acknowledged for stratum in strata])
        self.grid = _grid(response, slot)

    def draw(self, some: Places, first: int, count: int) -> tuple[FloatArray, FloatArray]:
        """Bracketed shares (2, n, count) that complete, and that have enough energy, of some of the units (n,) in
        their draws ``first`` to ``first + count - 1`` of everything but pivot and link.
        """
        shape = (len(some), len(self.plans), count)
        rows = _Rows(self, some, first, count)
        low, high = self._over_the_pivot(rows.margin, shape)
        weights, rest = self.weights[some], self.rest[some]
        energy = weigh_strata(low, high, weights, rest)
        if rows.late:
            low, high = self._over_the_pivot(rows.margin_of_completion, shape)
        ends = self.acknowledged[None, :, None]
        completion = weigh_strata(low * ends, high * ends, weights, rest)
        return np.stack([completion[0], energy[0]]), np.stack([completion[1], energy[1]])

    def _over_the_pivot(
        self, margin: Callable[[IntArray, FloatArray], FloatArray], shape: tuple[int, int, int]
    ) -> tuple[FloatArray, FloatArray]:
        low, high = pivot_probability(margin, math.prod(shape), grid=self.grid, tolerance=self.tolerance)
        return low.reshape(shape), high.reshape(shape)


class _Rows:
    """The margin of (unit, stratum, draw) rows as a function of the pivot's uniform."""

    def __init__(self, asked: _Asked, some: Places, first: int, count: int) -> None:
        self.asked, self.some, self.first, self.count = asked, some, first, count
        self.late = False  # an acknowledgement came after its timeout in a stratum that expects it

    def margin(self, rows: IntArray, v: FloatArray) -> FloatArray:
        """Voltage margin [V] of the rows at the pivot's uniforms ``v``."""
        return self._ask(rows, v)[0]

    def margin_of_completion(self, rows: IntArray, v: FloatArray) -> FloatArray:
        """Voltage margin [V], -inf where the acknowledgement came too late however much energy there was."""
        g, late = self._ask(rows, v)
        return np.where(late, -np.inf, g)

    def _ask(self, rows: IntArray, v: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        g = np.empty(len(rows))
        late = np.empty(len(rows), dtype=bool)
        for first in range(0, len(rows), ROWS_AT_A_TIME):
            some = slice(first, first + ROWS_AT_A_TIME)
            g[some], late[some] = self._ask_some(rows[some], v[some])
        self.late = self.late or bool(late.any())
        return g, late

    def _ask_some(self, rows: IntArray, v: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        asked = self.asked
        pair, draw = np.divmod(rows, self.count)
        place, stratum = np.divmod(pair, len(asked.plans))
        unit = self.some[place]
        addresses = np.stack([unit, asked.units[unit], CONDITIONED + self.first + draw], axis=1)
        values, codes = run(
            asked.response.kernel, asked.base, asked.scale, addresses, plans=asked.plans[stratum],
            pivot_slot=asked.slot or 0, pivots=None if asked.slot is None else v,
            accuracy=asked.response.settings.accuracy,
        )  # fmt: skip
        late = asked.acknowledged[stratum] & (codes[:, at.OUTCOME] == at.UNACKNOWLEDGED)
        unfinished = codes[:, at.OUTCOME] == at.NOT_FINISHED
        return np.where(unfinished, -np.inf, values[:, at.VOLTAGE_MARGIN]), late

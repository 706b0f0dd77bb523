"""A plain sample of actuations, each of a unit of its own, with the link by chance or so many attempts forced."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.stress import regulated_supply
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper, blocks
from yieldsim.engine.response import Response
from yieldsim.engine.strata import Chances, chances_of
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


def sample(response: Response, condition: Condition, units: int, used: int | None, over: Mapper) -> FloatArray:
    """Return the kernel's values (units, VALUES + 1), the regulated voltage [V] behind them.

    Unit u contributes the actuation of its address (u, 0): the units of every condition are the same ones, and those of
    a yield's run. Observations are independent where every unit has a lot of its own.

    Parameters
    ----------
    response : Response
    condition : Condition
    units : how many
    used : attempts, all but the last one lost; None leaves the link to chance
    over : where blocks are run
    """
    middle = response.nominal_base(condition)[None]
    chances = chances_of(response, middle, np.zeros_like(middle))

    def work(numbers: IntArray) -> FloatArray:
        base, scale = response.unit_base(numbers, condition)
        rows = np.column_stack([np.arange(len(numbers)), numbers, np.zeros_like(numbers)]).astype(np.int64)
        rng = np.random.default_rng([response.settings.seed, 0 if used is None else used, int(numbers[0])])
        plans = None if used is None else forced(chances, used, response.kernel.attempts, len(numbers), rng)
        accuracy = response.settings.accuracy
        values = run(response.kernel, base, scale, rows, plans=plans, full=True, accuracy=accuracy)[0]
        supply = regulated_supply(response, condition, numbers)
        if supply is None:
            column = base[:, at.OUTPUT]
        else:
            column = supply[np.arange(len(numbers)), rng.integers(0, supply.shape[1], len(numbers))]
        return np.column_stack([values, column])

    return np.concatenate(list(over.map(work, blocks(units))))


def forced(chances: Chances, used: int, attempts: int, n: int, rng: np.random.Generator) -> IntArray:
    """Draw plans (n, A + 2) of ``used`` attempts, all but the last one in vain; the rest by chance.

    An attempt is in vain because every assessment was busy or because frame or acknowledgement was lost, in the
    proportion of their chances; where neither can happen it is lost all the same.

    Parameters
    ----------
    chances : of the nominal unit
    used, attempts : attempts made, and allowed
    n : how many
    rng : what is drawn from
    """
    busy = float(chances.busy[0])
    plans = np.zeros((n, attempts + at.PLAN_MORE), dtype=np.int64)
    listens = np.array(chances.listens)
    shares = np.where(listens | (used == attempts), chances.messages, 0.0)
    message = np.searchsorted(np.cumsum(shares) / shares.sum(), rng.random(n), side="right")
    message = np.minimum(message, len(shares) - 1)
    plans[:, attempts] = np.where(rng.random(n) < chances.partial[0], at.PRESS_PARTIAL, at.PRESS_FULL)
    plans[:, attempts + 1] = message + 1
    all_busy = busy**chances.assessments
    for k in range(used):
        loss = np.where(listens[message], chances.lost[0, message, min(k, 1)], 0.0)
        assessed = _assessments(busy, chances.assessments, rng.random(n))
        lost = (1.0 - all_busy) * loss
        whole = all_busy + lost
        spent = rng.random(n) * np.where(whole > 0.0, whole, 1.0) < np.where(loss > 0.0, all_busy, 0.0)
        vain = np.where(spent, chances.assessments + at.PLAN_SPENT, assessed + at.PLAN_LOST)
        if not listens.all():  # a repetition is never answered
            quiet = np.where(rng.random(n) < all_busy, chances.assessments + at.PLAN_SPENT, assessed)
            vain = np.where(listens[message], vain, quiet)
        failing = np.ones(n, dtype=bool)
        if k == used - 1:
            failing = ~listens[message] | ((used == attempts) & (rng.random(n) < whole))
        plans[:, k] = np.where(failing, vain, assessed)
    return plans


def _assessments(busy: float, most: int, u: FloatArray) -> IntArray:
    """Return how many assessments an attempt makes that finds the channel clear: a geometric law, cut off."""
    if busy <= 0.0 or most == 1:
        return np.ones(len(u), dtype=np.int64)
    made = np.floor(np.log1p(-u * (1.0 - busy**most)) / np.log(busy)) if busy < 1.0 else np.full(len(u), most - 1.0)
    found: IntArray = np.minimum(made.astype(np.int64) + 1, most)
    return found

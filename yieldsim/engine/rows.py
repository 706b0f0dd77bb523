"""Every actuation of some units in one cell, some units at a time, for questions that a tally does not answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ROWS_AT_A_TIME = 1 << 16


@dataclass(frozen=True)
class Rows:
    """Actuations in address order, all those of a unit together.

    Attributes
    ----------
    first : place of the first unit among those that were asked for
    units : (n,) their numbers
    addresses : (n * actuations, 3) place of the unit, its number, number of the actuation
    values, codes : (n * actuations, ...) as `yieldsim.kernel.loop.run` returns them
    """

    first: int
    units: IntArray
    addresses: IntArray
    values: FloatArray
    codes: IntArray


def rows_of(response: Response, condition: Condition, units: IntArray, actuations: int) -> Iterator[Rows]:
    """Run all actuations of the units; the same addresses give the same bits as any other run of them.

    Parameters
    ----------
    response : Response
    condition : Condition
    units : (n,) unit numbers
    actuations : of each unit
    """
    base, scale = response.unit_base(units, condition)
    chunk = max(1, ROWS_AT_A_TIME // actuations)
    for first in range(0, len(units), chunk):
        some = np.arange(first, min(first + chunk, len(units)))
        addresses = np.empty((len(some) * actuations, 3), dtype=np.int64)
        addresses[:, at.ROW_UNIT] = np.repeat(some, actuations)
        addresses[:, at.ROW_UNIT_ID] = np.repeat(units[some], actuations)
        addresses[:, at.ROW_ACTUATION] = np.tile(np.arange(actuations), len(some))
        values, codes = run(response.kernel, base, scale, addresses, accuracy=response.settings.accuracy)
        yield Rows(first, units[some], addresses, values, codes)

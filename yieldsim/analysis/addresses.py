"""Which actuations are worth opening: worst, nearest to the edge, typical failures, not finished."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.columns import Condition
from yieldsim.engine.tally import LONGEST_LIST, Tally

FloatArray = NDArray[np.float64]

_LISTED = 10  # of a kind
_CELL, _RANK, _UNIT, _ACTUATION, _OUTCOME, _MARGIN = range(6)


@dataclass(frozen=True)
class Address:
    """One actuation that is worth opening: where it is, how it ended, its voltage margin [V]."""

    temperature_degC: float
    age_yr: float
    unit: int
    actuation: int
    outcome: str
    voltage_margin_V: float


def addresses_of(
    names: Mapping[int, str], conditions: Sequence[Condition], tallies: Sequence[Tally]
) -> dict[str, tuple[Address, ...]]:
    """Return actuations worth opening, over all cells.

    The failing ones of each cell are those with the lowest hashed ranks, and so are those with the lowest of
    all cells: a random sample of every failing actuation, from whose middle by margin the typical ones are
    taken.

    Parameters
    ----------
    names : outcome code -> name
    conditions, tallies : of the C cells
    """

    def listed(rows: FloatArray) -> tuple[Address, ...]:
        return tuple(
            Address(
                conditions[int(row[_CELL])].temperature,
                conditions[int(row[_CELL])].age,
                int(row[_UNIT]),
                int(row[_ACTUATION]),
                names[int(row[_OUTCOME])],
                float(row[_MARGIN]),
            )
            for row in rows
        )

    failing = _ranked([tally.failing for tally in tallies])
    failing = failing[np.argsort(failing[:, _MARGIN], kind="stable")]
    middle = max(0, (len(failing) - _LISTED) // 2)
    return {
        "worst": listed(_ranked([tally.worst for tally in tallies])[:_LISTED]),
        "nearest the edge": listed(_ranked([tally.nearest for tally in tallies])[:_LISTED]),
        "median failing": listed(failing[middle : middle + _LISTED]),
        "not finished": listed(_ranked([tally.unfinished for tally in tallies])[:_LISTED]),
    }


def _ranked(lists: Sequence[FloatArray]) -> FloatArray:
    """Return the lists of all cells as one, (n, 6), the cell in front; the first by rank, address, cell."""
    rows = np.concatenate([np.column_stack([np.full(len(part), c), part]) for c, part in enumerate(lists)])
    order = np.lexsort((rows[:, _CELL], rows[:, _ACTUATION], rows[:, _UNIT], rows[:, _RANK]))
    return rows[order][:LONGEST_LIST]

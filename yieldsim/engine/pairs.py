"""The same actuations of two designs, side by side: what each unit did in both, and which actuations changed sides.

Draws are functions of an address (seed, parameter name, level, lot, unit, actuation), so that a parameter of the same
name takes the same place in its distribution in both: common random numbers, without anything being passed on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.rows import Rows, rows_of
from yieldsim.engine.tally import scrambled, shortest
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Columns of `PairTally.gained` and `PairTally.lost`.
RANK, UNIT, ACTUATION, OUTCOME_A, OUTCOME_B, MARGIN_A, MARGIN_B = range(7)


@dataclass(frozen=True)
class PairTally:
    """Counts of one cell over n units, of A in the first place and of B in the second.

    Attributes
    ----------
    actuations : of each unit
    completed, sufficed : (2, n) actuations of each unit
    changes : (outcome code in A, outcome code in B) -> actuations, those that complete in one of both alone
    gained, lost : rows (rank, unit, actuation, outcome codes in A and B, voltage margins in A and B [V]) of actuations
        that complete in B alone, and in A alone; ranked by a hash of the address, and so a random sample of at most
        `yieldsim.engine.tally.LONGEST_LIST`
    """

    actuations: int
    completed: IntArray
    sufficed: IntArray
    changes: dict[tuple[int, int], int]
    gained: FloatArray
    lost: FloatArray

    def merged(self, other: PairTally) -> PairTally:
        """Return the tally of these units followed by the other's."""
        if self.actuations != other.actuations:
            raise ValueError("tallies of different actuations a unit do not merge")
        changes = dict(self.changes)
        for pair, count in other.changes.items():
            changes[pair] = changes.get(pair, 0) + count
        return PairTally(
            self.actuations,
            np.concatenate([self.completed, other.completed], axis=1),
            np.concatenate([self.sufficed, other.sufficed], axis=1),
            changes,
            shortest(np.concatenate([self.gained, other.gained])),
            shortest(np.concatenate([self.lost, other.lost])),
        )


def merge_pairs(parts: Sequence[PairTally]) -> PairTally:
    """Merge tallies in their order."""
    total = parts[0]
    for part in parts[1:]:
        total = total.merged(part)
    return total


def run_pair(a: Response, b: Response, condition: Condition, units: IntArray, actuations: int) -> PairTally:
    """Run the same actuations of both designs in one cell.

    Parameters
    ----------
    a, b : Response
        Under the same seed and lots.
    condition : Condition
    units : (n,) unit numbers
    actuations : of each unit
    """
    pairs = zip(rows_of(a, condition, units, actuations), rows_of(b, condition, units, actuations), strict=True)
    return merge_pairs([_tallied(of_a, of_b, actuations) for of_a, of_b in pairs])


def _tallied(a: Rows, b: Rows, actuations: int) -> PairTally:
    outcomes = np.stack([a.codes[:, at.OUTCOME], b.codes[:, at.OUTCOME]])
    sufficed = np.stack([a.codes[:, at.SUFFICED], b.codes[:, at.SUFFICED]]) == 1
    done = outcomes == at.COMPLETE

    def per_unit(flags: NDArray[np.bool_]) -> IntArray:
        return np.asarray(flags.reshape(2, -1, actuations).sum(axis=2), dtype=np.int64)

    changed, counts = np.unique(outcomes[:, done[0] != done[1]], axis=1, return_counts=True)
    return PairTally(
        actuations,
        per_unit(done),
        per_unit(sufficed),
        {(int(x), int(y)): int(n) for x, y, n in zip(*changed, counts, strict=True)},
        _list(a, b, outcomes, ~done[0] & done[1]),
        _list(a, b, outcomes, done[0] & ~done[1]),
    )


def _list(a: Rows, b: Rows, outcomes: IntArray, chosen: NDArray[np.bool_]) -> FloatArray:
    place = np.flatnonzero(chosen)
    rank = scrambled(a.addresses[place])
    margins = [rows.values[place, at.VOLTAGE_MARGIN] for rows in (a, b)]
    columns = [rank, *a.addresses[place, 1:].T, *outcomes[:, place], *margins]
    return shortest(np.stack(columns, axis=1).astype(np.float64))

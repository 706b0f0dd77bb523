"""Which actuations changed sides between two configurations: how many of which kind, and some by their address."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldsim.engine.columns import Condition
from yieldsim.engine.pairs import ACTUATION, MARGIN_A, MARGIN_B, OUTCOME_A, OUTCOME_B, RANK, UNIT, PairTally
from yieldsim.engine.response import Response

LISTED = 10  # of a side


@dataclass(frozen=True)
class OutcomeChange:
    """Actuations simulated that end as ``outcome_a`` in A and as ``outcome_b`` in B."""

    outcome_a: str
    outcome_b: str
    actuations: int


@dataclass(frozen=True)
class ChangedSide:
    """An actuation that completes in one of both alone: where it is, and how it ended in either."""

    temperature_degC: float
    age_yr: float
    unit: int
    actuation: int
    outcome_a: str
    outcome_b: str
    voltage_margin_a_V: float
    voltage_margin_b_V: float


def outcome_changes(responses: tuple[Response, Response], pairs: PairTally) -> tuple[OutcomeChange, ...]:
    """Return the changes of a cell, the most frequent first."""
    names = [response.outcome_names for response in responses]
    rows = [OutcomeChange(names[0][a], names[1][b], count) for (a, b), count in pairs.changes.items()]
    return tuple(sorted(rows, key=lambda row: (-row.actuations, row.outcome_a, row.outcome_b)))


def changed_sides(
    responses: tuple[Response, Response], conditions: Sequence[Condition], tallies: Sequence[PairTally], side: str
) -> tuple[ChangedSide, ...]:
    """Return a random sample of the actuations of all cells that were ``gained`` or ``lost``, largest change first."""
    lists = [getattr(tally, side) for tally in tallies]
    rows = np.concatenate([np.column_stack([np.full(len(part), c), part]) for c, part in enumerate(lists)])
    order = np.lexsort((rows[:, 0], rows[:, 1 + ACTUATION], rows[:, 1 + UNIT], rows[:, 1 + RANK]))
    names = [response.outcome_names for response in responses]
    found = [
        ChangedSide(
            conditions[int(row[0])].temperature,
            conditions[int(row[0])].age,
            int(row[1 + UNIT]),
            int(row[1 + ACTUATION]),
            names[0][int(row[1 + OUTCOME_A])],
            names[1][int(row[1 + OUTCOME_B])],
            float(row[1 + MARGIN_A]),
            float(row[1 + MARGIN_B]),
        )
        for row in rows[order][:LISTED]
    ]
    return tuple(sorted(found, key=lambda one: -abs(one.voltage_margin_b_V - one.voltage_margin_a_V)))

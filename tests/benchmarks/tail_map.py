"""A map of 50 conditions near 1e-6, each started from what the one before had learnt."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.limit_states import node_margins
from tests.benchmarks.truths import adapted
from yieldsim.estimate.tails import TailAnswer, failure_probability

Floats = NDArray[np.float64]
Row = dict[str, Any]


def cell_levels(cell: int) -> tuple[float, float]:
    """Start level and floor [V] of the node at one of 10 temperatures and 5 ages."""
    temperature, age = cell % 10, cell // 10
    # a serpentine: neighbours in the list are neighbours on the map
    if age % 2:
        temperature = 9 - temperature
    return 2.138 + 0.006 * temperature - 0.004 * age, 1.305 - 0.004 * temperature + 0.008 * age


def map_row(cells: int, *, seeds: int = 3, truth_every: int = 7) -> Row:
    """Calls of each cell beyond the first, and errors where the truth was computed too."""
    calls: list[int] = []
    errors: list[float] = []
    held: list[bool] = []
    flagged = 0
    truths = {cell: _truth(cell) for cell in range(0, cells, truth_every)}
    for seed in range(seeds):
        known: TailAnswer | None = None
        for cell in range(cells):
            levels = cell_levels(cell)
            known = failure_probability(
                lambda u, levels=levels: node_margins(u, *levels), 20, seed=seed, target=0.1, start_points=known
            )
            flagged += known.flag is not None
            if cell:
                calls.append(known.calls)
            if cell and cell in truths:
                errors.append(known.probability / truths[cell] - 1.0)
                held.append(known.low <= truths[cell] <= known.high)
    return {
        "cells": cells,
        "repeats": seeds,
        "mean_calls": float(np.mean(calls)),
        "most_calls": int(np.max(calls)),
        "over": float(np.mean(np.array(calls) > 500)),
        "root_mean_square_error": float(np.sqrt(np.mean(np.square(errors)))),
        "mean_error": float(np.mean(errors)),
        "coverage": float(np.mean(held)),
        "compared": len(errors),
        "flagged": flagged,
        "probabilities": [min(truths.values()), max(truths.values())],
    }


def _truth(cell: int) -> float:
    levels = cell_levels(cell)

    def least(u: Floats) -> Floats:
        return np.asarray(node_margins(u, *levels).min(axis=1))

    return adapted(least, 20, 8)

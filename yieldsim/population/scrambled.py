"""Units taken from independent scrambles of a Sobol' set, in place of independent draws.

A unit is a point: what differs from unit to unit, its lot included, and what differs from one actuation to the next are
its coordinates. Unit u is point u // R of scramble u mod R, so that a unit depends on seed and number alone, more units
extend fewer, and the first R 2^k units are the first 2^k points of every scramble. A lot's draw is a coordinate of the
unit: each unit comes from a lot of its own, as where no number of lots is stated.

Points fill the cube more evenly than independent ones do, and so are no random sample within a scramble: what is told
from them rests on the spread between scrambles (`yieldsim.estimate.replicates`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design
from yieldsim.population.addresses import UNIT, key
from yieldsim.population.points import coordinate, points_at
from yieldsim.population.population import Population

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RANDOM, SOBOL = "random", "sobol"
#: Scrambles of a run. Fewer points for more scrambles cost width, fewer scrambles cost sureness of their spread: with
#: 16 a one-sided bound at 95 % lies 1.75 standard errors away, against 1.64 with any number.
SCRAMBLES = 16


def scramble_seed(seed: int, scramble: int | str) -> int:
    """Return the seed of a scramble, for `yieldsim.population.points`."""
    low, high = key(seed, f"scramble {scramble}", "points")
    return low | high << 32


class ScrambledPopulation(Population):
    """Everything that is drawn for a design under one seed, its units from scrambled Sobol' sets.

    Parameters and attributes are those of `Population`, but for lots, which every unit has for itself.
    """

    def __init__(self, design: Design, seed: int) -> None:
        super().__init__(design, seed)
        self._names = tuple(coordinate(v.name, v.level) for v in self.unit_variables)

    def unit_uniforms(self, unit_ids: IntArray) -> FloatArray:
        """Return the uniforms (n, d) of units (n,), one column for each of `unit_variables`."""
        return self.coordinates(self._names, unit_ids)

    def uniform_of(self, name: str, unit_ids: IntArray) -> FloatArray:
        """Return the uniform (n,) of something else that differs from unit to unit, its site say."""
        return np.asarray(self.coordinates([coordinate(name, UNIT)], unit_ids)[:, 0])

    def coordinates(self, names: Sequence[str], unit_ids: IntArray) -> FloatArray:
        """Return coordinates of units.

        Parameters
        ----------
        names : (d) as `yieldsim.population.points.coordinate` makes them
        unit_ids : (n,) int64, not negative

        Returns
        -------
        (n, d) float64, strictly inside (0, 1)
        """
        ids = np.ascontiguousarray(unit_ids, dtype=np.int64)
        found = np.empty((len(ids), len(names)))
        scramble, place = ids % SCRAMBLES, ids // SCRAMBLES
        for r in np.unique(scramble):
            here = scramble == r
            found[here] = points_at(names, place[here], scramble_seed(self.seed, int(r)))
        return found

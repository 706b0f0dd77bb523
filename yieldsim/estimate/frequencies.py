"""Distinct rows of numbers and how many units have each: all that estimates need of units, however many there are.

A unit's counts and scores take few values, so that a table of them with their frequencies says as much as the units one
by one, and does not grow with their number. Units that depend on each other, of a lot or of a scrambled set, are told
apart by their group.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.estimate.replicates import share_of_replicates
from yieldsim.estimate.scrambled import ratio_of_means

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: What units of one group have in common.
ALONE, LOTS, SCRAMBLES = "nothing", "a lot", "a scrambled set"


@dataclass(frozen=True)
class Frequencies:
    """Distinct rows of what units did, in ascending order of group, part and values.

    Attributes
    ----------
    groups : str
        What the units of one group have in common: `ALONE`, where there is one group and every unit stands by itself,
        `LOTS`, or `SCRAMBLES`, each of as many points.
    group : (k,) array
        Number of the lot or of the scramble.
    part : (k,) array
        Number of the part of the run, from 0; all that ran up to some part is asked for by `first`.
    values : (k, m) array
        What the units did.
    units : (k,) array
        How many did so, 1 or more.
    """

    groups: str
    group: Integers
    part: Integers
    values: Floats
    units: Integers

    @classmethod
    def of(
        cls, values: ArrayLike, groups: str = ALONE, group: ArrayLike | None = None, part: ArrayLike | None = None
    ) -> Frequencies:
        """Return the table of units one by one.

        Parameters
        ----------
        values : (n,) or (n, m) array_like
        groups, group, part : as in the class; group and part, (n,) integers, are 0 where they are left out

        Raises
        ------
        ValueError
            For no units, or groups and parts that are not one a unit.
        """
        x = np.asarray(values, dtype=np.float64)
        x = x[:, None] if x.ndim == 1 else x
        none = np.zeros(len(x), dtype=np.int64)
        g, p = (none if labels is None else np.asarray(labels, dtype=np.int64) for labels in (group, part))
        if not len(x) or g.shape != none.shape or p.shape != none.shape:
            raise ValueError(f"{len(x)} units, groups {g.shape} and parts {p.shape}: units, and one of each are needed")
        return _gathered(groups, g, p, x, np.ones(len(x), dtype=np.int64))

    @classmethod
    def in_lots(cls, values: ArrayLike, lots: ArrayLike | None) -> Frequencies:
        """Return the table of units whose lots are given, or that stand by themselves where they are None."""
        return cls.of(values) if lots is None else cls.of(values, LOTS, lots)

    def merged(self, other: Frequencies) -> Frequencies:
        """Return the table of these units and the other's."""
        if self.groups != other.groups:
            raise ValueError(f"units that share {self.groups} do not merge with units that share {other.groups}")
        return _gathered(
            self.groups,
            np.concatenate([self.group, other.group]),
            np.concatenate([self.part, other.part]),
            np.concatenate([self.values, other.values]),
            np.concatenate([self.units, other.units]),
        )

    def first(self, parts: int) -> Frequencies:
        """Return the table of the units of the first parts."""
        kept = self.part < parts
        return Frequencies(self.groups, self.group[kept], self.part[kept], self.values[kept], self.units[kept])

    @property
    def total(self) -> int:
        """How many units."""
        return int(self.units.sum())

    @property
    def group_count(self) -> int:
        """How many groups the units are of."""
        return len(np.unique(self.group))

    @property
    def lots(self) -> Integers | None:
        """Lot of each row, None where units do not come from lots."""
        return self.group if self.groups == LOTS else None

    def means(self, numbers: Floats) -> Floats:
        """Mean (G,) over the units of each group of numbers (k,) that go with the rows.

        Raises
        ------
        ValueError
            For scrambles without as many points in each.
        """
        _, label = np.unique(self.group, return_inverse=True)
        points = np.bincount(label, self.units)
        if self.groups == SCRAMBLES and (len(points) < 2 or np.any(points != points[0])):
            raise ValueError(
                f"{self.total} points in {len(points)} scrambles: as many in each of two or more are needed"
            )
        return np.asarray(np.bincount(label, self.units * numbers) / points)


def _gathered(groups: str, group: Integers, part: Integers, values: Floats, units: Integers) -> Frequencies:
    """Add up the units of equal rows."""
    order = np.lexsort((*values.T[::-1], part, group))
    group, part, values, units = group[order], part[order], values[order], units[order]
    changes = (group[1:] != group[:-1]) | (part[1:] != part[:-1]) | np.any(values[1:] != values[:-1], axis=1)
    begins = np.concatenate([[0], np.flatnonzero(changes) + 1])
    return Frequencies(groups, group[begins], part[begins], values[begins], np.add.reduceat(units, begins))


def share_of_units(table: Frequencies, confidence: float) -> Estimate:
    """Mean of a share that each unit has, the first value of each row, with one-sided bounds.

    Parameters
    ----------
    table : Frequencies
        Shares in [0, 1].
    confidence : float
        Confidence of each bound, between 0.5 and 1.

    Raises
    ------
    ValueError
        As `yieldsim.estimate.intervals.mean_of_clusters` and `yieldsim.estimate.replicates.share_of_replicates`.
    """
    shares = table.values[:, 0]
    if table.groups == SCRAMBLES:
        means = table.means(shares)
        return share_of_replicates(np.clip(means, 0.0, 1.0), table.total // len(means), confidence)
    return mean_of_clusters(shares, table.lots, confidence, repeats=table.units)


def ratio_of_units(table: Frequencies, confidence: float) -> Estimate | None:
    """Share that some actuations have of those of one kind, with one-sided bounds given that kind.

    The share is the ratio E[a] / E[b] over units, or over lots, with a of the b actuations of the kind that a unit
    made. It is at least t where E[a - t b] >= 0, and a - t b lies between -t and 1 - t times the largest b: weighting
    each unit by its b, the bounds on a mean of independent fractions are those on that difference, so that b may
    differ from unit to unit and go with a. Units without an actuation of the kind add nothing to either.

    Parameters
    ----------
    table : Frequencies
        Rows (b, a): actuations of the kind, and those among them.
    confidence : float
        Confidence of each bound, between 0.5 and 1.

    Returns
    -------
    Estimate or None
        None where there was no actuation of the kind.
    """
    of_kind, among = table.values.T
    seen = of_kind > 0.0
    if not seen.any():
        return None
    if table.groups == SCRAMBLES:
        b, a = table.means(of_kind), table.means(among)
        spread = ratio_of_means(b, a, float(of_kind.max()), table.total // len(b), confidence)
        if spread is not None:
            return spread
    lots = None if table.lots is None else table.lots[seen]
    shares = among[seen] / of_kind[seen]
    return mean_of_clusters(shares, lots, confidence, weights=of_kind[seen], repeats=table.units[seen])

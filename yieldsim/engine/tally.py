"""What travels from a block of units: counts, fixed-edge histograms, and short exact lists; mergeable in block
order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LONGEST_LIST = 100


@dataclass(frozen=True)
class Counted:
    """What is counted: a column of the kernel's values, and the fixed edges of its histogram."""

    column: int
    low: float
    high: float
    bins: int

    @property
    def edges(self) -> FloatArray:
        """Edges (bins + 1,) in the column's unit."""
        return np.linspace(self.low, self.high, self.bins + 1)


COUNTED = {
    "reserve_V": Counted(at.RESERVE, -20.0, 20.0, 20000),
    "voltage_margin_V": Counted(at.VOLTAGE_MARGIN, -20.0, 20.0, 20000),
    "hold_up_s": Counted(at.HOLD_UP, -1.0, 2.0, 30000),
    "run_time_s": Counted(at.RUN_TIME, 0.0, 3.0, 30000),
    "peak_voltage_V": Counted(at.PEAK_VOLTAGE, 0.0, 200.0, 20000),
    "peak_current_A": Counted(at.PEAK_CURRENT, 0.0, 10.0, 20000),
    "peak_reverse_V": Counted(at.PEAK_REVERSE, 0.0, 300.0, 30000),
}


@dataclass(frozen=True)
class Tally:
    """Counts of one cell over n units.

    Attributes
    ----------
    actuations : of each unit
    completed, delivered, sufficed : (n,) actuations of each unit
    derated : (n, D) actuations of each unit within each derating rule
    outcomes : (CODES_OF_OUTCOME,) counts by outcome code, channel access in the last place
    attempts : (A + 1, 2) by attempts used: actuations, completed
    messages : (n, M, 2) of each unit by message: actuations, completed
    presses : (n, 2, 2) of each unit by press, full and short of its end: actuations, completed
    histograms : name -> (bins + 2,) counts, below the first edge first, above the last one last
    reserve_by_attempts : (A + 1, bins + 2) the reserve's histogram by attempts used
    extremes : name -> (2,) least and greatest value seen
    worst, nearest, failing, unfinished : rows (rank, unit, actuation, outcome code, voltage margin [V]) in order of
        rank, at
        most LONGEST_LIST; ``failing`` is ranked by a hash of the address and so is a random sample
    """

    actuations: int
    completed: IntArray
    delivered: IntArray
    sufficed: IntArray
    derated: IntArray
    outcomes: IntArray
    attempts: IntArray
    messages: IntArray
    presses: IntArray
    histograms: dict[str, IntArray]
    reserve_by_attempts: IntArray
    extremes: dict[str, FloatArray]
    worst: FloatArray
    nearest: FloatArray
    failing: FloatArray
    unfinished: FloatArray

    def merged(self, other: Tally) -> Tally:
        """Return the tally of these units followed by the other's."""
        if self.actuations != other.actuations:
            raise ValueError("tallies of different actuations a unit do not merge")
        return Tally(
            actuations=self.actuations,
            completed=np.concatenate([self.completed, other.completed]),
            delivered=np.concatenate([self.delivered, other.delivered]),
            sufficed=np.concatenate([self.sufficed, other.sufficed]),
            derated=np.concatenate([self.derated, other.derated]),
            outcomes=self.outcomes + other.outcomes,
            attempts=self.attempts + other.attempts,
            messages=np.concatenate([self.messages, other.messages]),
            presses=np.concatenate([self.presses, other.presses]),
            histograms={name: counts + other.histograms[name] for name, counts in self.histograms.items()},
            reserve_by_attempts=self.reserve_by_attempts + other.reserve_by_attempts,
            extremes={name: _wider(pair, other.extremes[name]) for name, pair in self.extremes.items()},
            worst=shortest(np.concatenate([self.worst, other.worst])),
            nearest=shortest(np.concatenate([self.nearest, other.nearest])),
            failing=shortest(np.concatenate([self.failing, other.failing])),
            unfinished=shortest(np.concatenate([self.unfinished, other.unfinished])),
        )

    def without_units(self) -> Tally:
        """Return the same with what is counted of each unit left out."""
        per_unit = ("completed", "delivered", "sufficed", "derated", "messages", "presses")
        return replace(self, **{name: getattr(self, name)[:0].copy() for name in per_unit})


def merge(tallies: Sequence[Tally]) -> Tally:
    """Merge tallies in their order."""
    total = tallies[0]
    for tally in tallies[1:]:
        total = total.merged(tally)
    return total


def _wider(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.array([np.fmin(a[0], b[0]), np.fmax(a[1], b[1])])


def shortest(rows: FloatArray) -> FloatArray:
    """Return the first LONGEST_LIST rows by rank, then address."""
    order = np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))
    return rows[order[:LONGEST_LIST]]


def outcome_place(codes: IntArray, steps: int) -> IntArray:
    """Return the place of outcome codes in `Tally.outcomes`: codes below BROWN_OUT as they are, steps, channel access
    last.
    """
    return np.where(codes >= at.BROWN_OUT + at.CHANNEL_ACCESS, at.BROWN_OUT + steps, codes)


def histogram_place(counted: Counted, x: FloatArray) -> IntArray:
    """Return the place in a histogram of each of ``x``, finite numbers: 0 below its first edge, bins + 1 above the
    last.
    """
    place = x - counted.low
    place *= counted.bins / (counted.high - counted.low)
    np.clip(place, -1.0, counted.bins, out=place)
    return np.floor(place, out=place).astype(np.int64) + 1


def count_histogram(counted: Counted, x: FloatArray) -> IntArray:
    """Return counts (bins + 2,) of ``x``; values that are not finite are left out."""
    return _count(histogram_place(counted, x[np.isfinite(x)]), counted)


def _count(place: IntArray, counted: Counted, kind: IntArray | None = None, kinds: int = 1) -> IntArray:
    """Counts (bins + 2,) of places in a histogram, or (kinds, bins + 2) by a kind from 0."""
    size = counted.bins + 2
    counts: IntArray
    if kind is None:
        counts = np.bincount(place, minlength=size)
        return counts
    counts = np.bincount(kind * size + place, minlength=kinds * size)
    return counts.reshape(kinds, size)


def histogram_quantile(counted: Counted, counts: IntArray, probability: float) -> float:
    """Return the quantile of a histogram, linear within a bin; its error is at most one bin.

    NaN when empty, or where the quantile lies beyond the histogram's edges.
    """
    total = counts.sum()
    if total == 0:
        return float("nan")
    target = probability * total
    cumulated = np.cumsum(counts)
    k = int(np.searchsorted(cumulated, target, side="left"))
    k = min(k, counted.bins + 1)
    if k in (0, counted.bins + 1):
        return float("nan")
    before = cumulated[k - 1]
    width = (counted.high - counted.low) / counted.bins
    inside = (target - before) / counts[k] if counts[k] > 0 else 0.0
    return float(counted.low + width * (k - 1 + inside))


def tally_rows(
    rows: IntArray,
    values: FloatArray,
    codes: IntArray,
    *,
    units: int,
    actuations: int,
    steps: int,
    attempts: int,
    messages: int = 1,
    derated: Sequence[Callable[[FloatArray], NDArray[np.bool_]]] = (),
) -> Tally:
    """Tally rows in address order, all actuations of a unit together.

    Parameters
    ----------
    rows : (units * actuations, 3) unit's place, unit number, actuation number
    values, codes : as `kernel.loop.run` returns them
    units, actuations : numbers of both
    steps, attempts, messages : of the design
    derated : one a rule, values -> whether each row keeps it
    """
    outcome = codes[:, at.OUTCOME]
    shape = (units, actuations)

    def per_unit(flags: NDArray[np.bool_]) -> IntArray:
        kept: IntArray = flags.reshape(shape).sum(axis=1).astype(np.int64)
        return kept

    done = outcome == at.COMPLETE
    used = codes[:, at.ATTEMPTS_USED]
    seen, places = {}, {}
    for name, counted in COUNTED.items():
        column = values[:, counted.column]
        kept_here = np.isfinite(column)
        seen[name] = column[kept_here]
        places[name] = histogram_place(counted, seen[name])
        if name == "reserve_V":
            reserve_by_attempts = _count(places[name], counted, used[kept_here], attempts + 1)
    g = values[:, at.VOLTAGE_MARGIN]
    finite = np.isfinite(g)
    kept = np.array([per_unit(rule(values)) for rule in derated], dtype=np.int64).reshape(-1, units).T
    return Tally(
        actuations=actuations,
        completed=per_unit(done),
        delivered=per_unit(codes[:, at.DELIVERED] == 1),
        sufficed=per_unit(codes[:, at.SUFFICED] == 1),
        derated=np.ascontiguousarray(kept),
        outcomes=np.bincount(outcome_place(outcome, steps), minlength=at.BROWN_OUT + steps + 1),
        attempts=_by(used, done, attempts + 1),
        messages=_by_unit(codes[:, at.MESSAGE], done, messages, units),
        presses=_by_unit(codes[:, at.PARTIAL], done, 2, units),
        histograms={name: _count(places[name], counted) for name, counted in COUNTED.items()},
        reserve_by_attempts=reserve_by_attempts,
        extremes={name: _range(x) for name, x in seen.items()},
        worst=_list(rows, outcome, g, finite, g),
        nearest=_list(rows, outcome, g, finite, np.abs(g)),
        failing=_list(rows, outcome, g, finite & ~done, scrambled(rows)),
        unfinished=_list(rows, outcome, g, outcome == at.NOT_FINISHED, np.zeros(len(rows))),
    )


def _by(kind: IntArray, done: NDArray[np.bool_], kinds: int) -> IntArray:
    """Count by kind (n,) from 0: actuations and completed ones, (kinds, 2)."""
    return np.stack([np.bincount(kind, minlength=kinds), np.bincount(kind[done], minlength=kinds)], axis=1)


def _by_unit(kind: IntArray, done: NDArray[np.bool_], kinds: int, units: int) -> IntArray:
    """Count each unit's actuations by kind (units * actuations,): all and completed ones, (units, kinds, 2)."""
    unit = np.repeat(np.arange(units), len(kind) // units)
    return _by(unit * kinds + kind, done, units * kinds).reshape(units, kinds, 2)


def _range(x: FloatArray) -> FloatArray:
    """Least and greatest of finite numbers, NaN where there are none."""
    return np.array([x.min(), x.max()]) if x.size else np.full(2, np.nan)


def scrambled(rows: IntArray) -> FloatArray:
    """Return a rank in [0, 1) from each row's address: Fibonacci hashing of unit and actuation number."""
    mixed = rows[:, 1].astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + rows[:, 2].astype(np.uint64)
    mixed = (mixed ^ (mixed >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(32))) >> np.uint64(11)
    return mixed.astype(np.float64) * 2.0**-53


def _list(rows: IntArray, outcome: IntArray, g: FloatArray, chosen: NDArray[np.bool_], rank: FloatArray) -> FloatArray:
    """Rows (rank, unit, actuation, outcome, margin) of the chosen, the first by rank."""
    place = np.flatnonzero(chosen)
    if place.size > LONGEST_LIST:
        bound = np.partition(rank[place], LONGEST_LIST - 1)[LONGEST_LIST - 1]
        place = place[rank[place] <= bound]
    table = np.stack([rank[place], rows[place, 1], rows[place, 2], outcome[place], g[place]], axis=1)
    return shortest(table.astype(np.float64))

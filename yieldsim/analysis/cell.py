"""One cell of a run: shares of its actuations and units, how they fail, and what their margins are."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.histograms import OF_DIODES, Histogram, coarse, quantiles
from yieldsim.analysis.line_shares import line_share
from yieldsim.analysis.stress import RatingUse, has_diodes, ratings_used
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.lines import LineBlock
from yieldsim.engine.response import Response
from yieldsim.engine.tally import COUNTED, Tally, histogram_quantile, outcome_place
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.estimate.scrambled import ratio_of_points, share_of_points
from yieldsim.estimate.unit_yield import UnitCompletion, unit_yield

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class AttemptShare:
    """Actuations with so many transmissions: their share, that of these that complete, median reserve [V]."""

    attempts: int
    share: float
    completion: float
    reserve_median_V: float


@dataclass(frozen=True)
class MessageShare:
    """Actuations that send one message: their share, and that of these that complete with its one-sided bounds.

    Completion and bounds are NaN where no such actuation was seen.
    """

    message: str
    share: float
    completion: float
    completion_low: float
    completion_high: float


@dataclass(frozen=True)
class PartialPresses:
    """Presses that stop short, beside full ones.

    Attributes
    ----------
    share : of the actuations
    completion, completion_low, completion_high : share of these that complete, with its one-sided bounds
    share_of_failures, share_of_failures_low, share_of_failures_high : of all actuations that do not complete, those
        whose press stopped short, with its one-sided bounds
    full_completion, full_completion_low, full_completion_high : share of the full presses that complete, with its
        one-sided bounds

    A share of nothing is NaN, its bounds too.
    """

    share: float
    completion: float
    completion_low: float
    completion_high: float
    share_of_failures: float
    share_of_failures_low: float
    share_of_failures_high: float
    full_completion: float
    full_completion_low: float
    full_completion_high: float


@dataclass(frozen=True)
class CellYield:
    """One cell.

    Attributes
    ----------
    temperature_degC, age_yr : the condition
    excursion : outside the temperatures of the stated mission
    units, actuations : numbers of both, the latter of the whole cell
    completion, delivered, energy_sufficed : shares of actuations
    unit_yield : share of units whose own completion reaches the requirement; None without one
    unit_yield_energy : the same by energy alone, the link left aside
    outcomes : stable name -> share of actuations; they add up to 1
    reserve, margin, hold_up : histograms [V], [V], [s]
    quantiles : quantity -> probability -> value, over the actuations where it is finite
    by_attempts : by number of transmissions
    by_message : by message; empty where the design has one kind
    partial_presses : None where every press is a full one
    ratings : stress -> rating used
    """

    temperature_degC: float
    age_yr: float
    excursion: bool
    units: int
    actuations: int
    completion: Estimate
    delivered: Estimate
    energy_sufficed: Estimate
    unit_yield: Estimate | None
    unit_yield_energy: Estimate | None
    outcomes: dict[str, float]
    reserve: Histogram
    margin: Histogram
    hold_up: Histogram
    quantiles: dict[str, dict[float, float]]
    by_attempts: tuple[AttemptShare, ...]
    by_message: tuple[MessageShare, ...]
    partial_presses: PartialPresses | None
    ratings: dict[str, RatingUse]

    def payload(self, confidence: float, method: str) -> dict[str, Any]:
        """Return the cell for machines, with the confidence of its bounds and how they were made."""
        return {
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
            "excursion": self.excursion,
            "units": self.units,
            "actuations": self.actuations,
            **bounds("completion", self.completion),
            **bounds("delivered", self.delivered),
            **bounds("energy_sufficed", self.energy_sufficed),
            **bounds("unit_yield", self.unit_yield),
            **bounds("unit_yield_energy", self.unit_yield_energy),
            "outcomes": self.outcomes,
            "confidence": confidence,
            "method": method,
            "quantiles": self.quantiles,
            "by_attempts": [asdict(a) for a in self.by_attempts],
            "by_message": [asdict(m) for m in self.by_message],
            "partial_presses": None if self.partial_presses is None else asdict(self.partial_presses),
            "ratings": {name: asdict(use) for name, use in self.ratings.items()},
        }


def bounds(name: str, estimate: Estimate | None) -> dict[str, float | None]:
    """Return an estimate as ``name``, ``name_low`` and ``name_high``, all None where it does not apply."""
    if estimate is None:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    return {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}


def methods(cell: CellYield) -> dict[str, str | None]:
    """Return how the bounds of each share were made, where they are not made alike."""
    shares = ("completion", "energy_sufficed", "unit_yield", "unit_yield_energy")
    found = {name: getattr(cell, name) for name in shares}
    return {f"{name}_method": None if share is None else share.method for name, share in found.items()}


def place(cell: tuple[float, float] | None) -> dict[str, float] | None:
    """Return a condition as the machine-readable output names it."""
    return None if cell is None else {"temperature_degC": cell[0], "age_yr": cell[1]}


def worst_cell(cells: Sequence[CellYield]) -> CellYield:
    """Return the cell with the lowest unit yield; among equals the lowest completion, then margin."""

    def rank(cell: CellYield) -> tuple[float, float, float]:
        units = 1.0 if cell.unit_yield is None else cell.unit_yield.value
        return units, cell.completion.value, cell.quantiles["voltage_margin_V"][0.01]

    return min(cells, key=rank)


@dataclass(frozen=True)
class CellAnswer:
    """What all blocks of a cell gave together."""

    tally: Tally
    completion: UnitCompletion | None
    energy: UnitCompletion | None
    supply: FloatArray | None
    asked: LineBlock | None = None  # where the units come from scrambled Sobol' sets


def cell_yield(
    response: Response,
    condition: Condition,
    excursion: bool,
    answer: CellAnswer,
    clusters: IntArray | None,
    confidence: float,
    scrambles: int | None = None,
) -> CellYield:
    """Return what a cell says, from the answers of all its blocks.

    Parameters
    ----------
    response : Response
    condition : Condition
    excursion : whether it lies outside the temperatures of the mission
    answer : of the cell
    clusters : (n,) lot of each unit, or None
    confidence : of each one-sided bound
    scrambles : number of scrambled Sobol' sets that the units come from in turn; None for units drawn at random
    """
    tally = answer.tally
    each = tally.actuations

    def share(counts: IntArray, asked: LineBlock | None = None, *, energy: bool = False) -> Estimate:
        if scrambles is None:
            return mean_of_clusters(counts / each, clusters, confidence)
        if asked is None:
            return share_of_points(counts / each, scrambles, confidence)
        return line_share(asked, counts / each, scrambles, confidence, energy=energy)

    return CellYield(
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        excursion=excursion,
        units=len(tally.completed),
        actuations=len(tally.completed) * each,
        completion=share(tally.completed, answer.asked),
        delivered=share(tally.delivered),
        energy_sufficed=share(tally.sufficed, answer.asked, energy=True),
        unit_yield=unit_share(response.design, answer.completion, clusters, confidence, scrambles),
        unit_yield_energy=unit_share(response.design, answer.energy, clusters, confidence, scrambles),
        outcomes=_outcomes(response, tally),
        reserve=coarse("reserve_V", tally.histograms["reserve_V"]),
        margin=coarse("voltage_margin_V", tally.histograms["voltage_margin_V"]),
        hold_up=coarse("hold_up_s", tally.histograms["hold_up_s"]),
        quantiles=_quantiles(response.design, tally),
        by_attempts=_by_attempts(tally),
        by_message=_by_message(response.design, tally, clusters, confidence, scrambles),
        partial_presses=_partial_presses(response.design, tally, clusters, confidence, scrambles),
        ratings=ratings_used(response.design, tally, answer.supply),
    )


def unit_share(
    design: Design,
    units: UnitCompletion | None,
    clusters: IntArray | None,
    confidence: float,
    scrambles: int | None = None,
) -> Estimate | None:
    """Return the share of units whose completion reaches the requirement; None where there is none."""
    if units is None or design.requirement is None or design.requirement.completion is None:
        return None
    required = design.requirement.completion
    return unit_yield(
        units.low, units.high, required, confidence, clusters, sampling=units.sampling, scrambles=scrambles
    )


def _quantiles(design: Design, tally: Tally) -> dict[str, dict[float, float]]:
    """Return the quantiles of every quantity that is known: an energy packet says nothing of its diodes."""
    found = quantiles(tally)
    return found if has_diodes(design) else {name: found[name] for name in found if name not in OF_DIODES}


def _outcomes(response: Response, tally: Tally) -> dict[str, float]:
    """Share of each outcome by its stable name, those that did not occur too."""
    steps = len(response.design.radio.sequence)
    names = response.outcome_names
    places = outcome_place(np.array(list(names), dtype=np.int64), steps)
    total = int(tally.outcomes.sum())
    return {name: int(tally.outcomes[k]) / total for name, k in zip(names.values(), places, strict=True)}


def _by_attempts(tally: Tally) -> tuple[AttemptShare, ...]:
    total = int(tally.attempts[:, 0].sum())
    return tuple(
        AttemptShare(
            k,
            int(made) / total,
            int(completed) / int(made),
            histogram_quantile(COUNTED["reserve_V"], tally.reserve_by_attempts[k], 0.5),
        )
        for k, (made, completed) in enumerate(tally.attempts)
        if made > 0
    )


def _by_message(
    design: Design, tally: Tally, clusters: IntArray | None, confidence: float, scrambles: int | None
) -> tuple[MessageShare, ...]:
    total = int(tally.messages[:, :, 0].sum())
    return tuple(
        MessageShare(
            message.name,
            int(tally.messages[:, k, 0].sum()) / total,
            *_with_bounds(tally.messages[:, k], clusters, confidence, scrambles),
        )
        for k, message in enumerate(design.radio.messages)
    )


def _partial_presses(
    design: Design, tally: Tally, clusters: IntArray | None, confidence: float, scrambles: int | None
) -> PartialPresses | None:
    if design.harvester is None or design.harvester.partial is None:
        return None
    full, partial = tally.presses[:, 0], tally.presses[:, 1]
    failing = tally.presses[:, :, 0] - tally.presses[:, :, 1]  # (n, 2), of full and of partial presses
    of_failures = np.stack([failing.sum(axis=1), failing[:, 1]], axis=1)
    return PartialPresses(
        int(partial[:, 0].sum()) / int(tally.presses[:, :, 0].sum()),
        *_with_bounds(partial, clusters, confidence, scrambles),
        *_with_bounds(of_failures, clusters, confidence, scrambles),
        *_with_bounds(full, clusters, confidence, scrambles),
    )


def _with_bounds(
    counts: IntArray, clusters: IntArray | None, confidence: float, scrambles: int | None
) -> tuple[float, float, float]:
    """Return `conditional_share` as value, lower and upper bound; NaN where nothing was counted."""
    found = conditional_share(counts, clusters, confidence)
    if found is not None and scrambles is not None:
        found = ratio_of_points(counts[:, 0], counts[:, 1], scrambles, confidence) or found
    return (math.nan, math.nan, math.nan) if found is None else (found.value, found.low, found.high)


def conditional_share(counts: IntArray, clusters: IntArray | None, confidence: float) -> Estimate | None:
    """Return the share that some actuations have of those of one kind, with one-sided bounds given that kind.

    The share is the ratio E[a] / E[b] over units, or over lots, with a of the b actuations of the kind that a unit
    made. It is at least t where E[a - t b] >= 0, and a - t b lies between -t and 1 - t times the largest b: weighting
    each unit by its b, the bounds on a mean of independent fractions are those on that difference, so that b may
    differ from unit to unit and go with a. Units without an actuation of the kind add nothing to either.

    Parameters
    ----------
    counts : (n, 2) actuations of the kind, and those among them, of each unit
    clusters : (n,) lot of each unit; every unit by itself where None
    confidence : of each one-sided bound

    Returns
    -------
    Estimate or None : None where there was no actuation of the kind
    """
    seen = counts[:, 0] > 0
    if not seen.any():
        return None
    of_kind, among = counts[seen].T
    lots = None if clusters is None else clusters[seen]
    return mean_of_clusters(among / of_kind, lots, confidence, weights=of_kind.astype(np.float64))

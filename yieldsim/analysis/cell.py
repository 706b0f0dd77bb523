"""One cell of a run: shares of its actuations and units, how they fail, and what their margins are."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from yieldsim.analysis.histograms import OF_DIODES, Histogram, coarse, quantiles
from yieldsim.analysis.line_shares import line_share
from yieldsim.analysis.stress import RatingUse, has_diodes, ratings_used
from yieldsim.analysis.sums import CellSum
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.lines import join_lines
from yieldsim.engine.response import Response
from yieldsim.engine.tally import COUNTED, Tally, histogram_quantile, outcome_place
from yieldsim.estimate.frequencies import Frequencies, ratio_of_units, share_of_units
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.unit_yield import yield_of_units


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


def cell_yield(
    response: Response, condition: Condition, excursion: bool, told: CellSum, confidence: float
) -> CellYield:
    """Return what a cell says, from the sum of all its blocks.

    Parameters
    ----------
    response : Response
    condition : Condition
    excursion : whether it lies outside the temperatures of the mission
    told : of the cell
    confidence : of each one-sided bound
    """
    design, tally = response.design, told.tally
    asked = join_lines(list(told.asked)) if told.asked else None

    def asked_or_counted(counted: Frequencies, *, energy: bool = False) -> Estimate:
        if asked is None:
            return share_of_units(counted, confidence)
        return line_share(asked, counted, confidence, energy=energy)

    return CellYield(
        temperature_degC=condition.temperature,
        age_yr=condition.age,
        excursion=excursion,
        units=told.units,
        actuations=told.units * tally.actuations,
        completion=asked_or_counted(told.completed),
        delivered=share_of_units(told.delivered, confidence),
        energy_sufficed=asked_or_counted(told.sufficed, energy=True),
        unit_yield=None if told.completion is None else yield_of_units(told.completion, confidence),
        unit_yield_energy=None if told.energy is None else yield_of_units(told.energy, confidence),
        outcomes=_outcomes(response, tally),
        reserve=coarse("reserve_V", tally.histograms["reserve_V"]),
        margin=coarse("voltage_margin_V", tally.histograms["voltage_margin_V"]),
        hold_up=coarse("hold_up_s", tally.histograms["hold_up_s"]),
        quantiles=_quantiles(design, tally),
        by_attempts=_by_attempts(tally),
        by_message=_by_message(design, told, confidence),
        partial_presses=_partial_presses(told, confidence),
        ratings=ratings_used(design, tally),
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


def _by_message(design: Design, told: CellSum, confidence: float) -> tuple[MessageShare, ...]:
    total = told.units * told.tally.actuations
    return tuple(
        MessageShare(message.name, _count(table) / total, *_with_bounds(table, confidence))
        for message, table in zip(design.radio.messages, told.messages, strict=True)
    )


def _partial_presses(told: CellSum, confidence: float) -> PartialPresses | None:
    if not told.presses:
        return None
    full, partial, of_failures = told.presses
    return PartialPresses(
        _count(partial) / (_count(full) + _count(partial)),
        *_with_bounds(partial, confidence),
        *_with_bounds(of_failures, confidence),
        *_with_bounds(full, confidence),
    )


def _count(table: Frequencies) -> int:
    """Return how many actuations are of the kind."""
    return int(table.units @ table.values[:, 0])


def _with_bounds(table: Frequencies, confidence: float) -> tuple[float, float, float]:
    """Return `ratio_of_units` as value, lower and upper bound; NaN where nothing was counted."""
    found = ratio_of_units(table, confidence)
    return (math.nan, math.nan, math.nan) if found is None else (found.value, found.low, found.high)

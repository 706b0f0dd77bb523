"""Cells of a run, and what each weighs in a unit's life."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Conditions, Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

OVER_THE_MISSION = "over the mission"


@dataclass(frozen=True)
class Plan:
    """What is run.

    Attributes
    ----------
    conditions : all cells, by age and then temperature
    excursions : (C) whether the cell lies outside the temperatures of the stated mission
    binding : indices of the cells that the requirement binds one by one; empty where it applies over the
        mission
    """

    conditions: tuple[Condition, ...]
    excursions: tuple[bool, ...]
    binding: tuple[int, ...]


def over_the_mission(design: Design) -> bool:
    """Whether the requirement applies to a unit's whole life, not to every condition."""
    return design.requirement is not None and design.requirement.applies_to == OVER_THE_MISSION


def plan_of(design: Design) -> Plan:
    """Return the cells of a design, and those that an average over the mission needs as well."""
    conditions = design.conditions
    places = {(a, t) for a, t in product(conditions.ages, conditions.temperatures)}
    if over_the_mission(design):
        places |= {(a, t) for a, t in product(_ages(conditions), _temperatures(conditions))}
    cells = tuple(Condition(t, a) for a, t in sorted(places))
    stated = conditions.mission_given or bool(conditions.sites)
    low, high = min(_temperatures(conditions)), max(_temperatures(conditions))
    return Plan(
        cells,
        tuple(stated and not low <= c.temperature <= high for c in cells),
        () if over_the_mission(design) else tuple(range(len(cells))),
    )


def _missions(conditions: Conditions) -> list[tuple[tuple[float, float], ...]]:
    return [site.mission for site in conditions.sites] or [conditions.mission]


def _temperatures(conditions: Conditions) -> list[float]:
    return sorted({t for mission in _missions(conditions) for t, share in mission if share > 0.0})


def _ages(conditions: Conditions) -> list[float]:
    """Ages of the average over a life: the stated ones up to its end, the beginning and the end always."""
    inside = {a for a in conditions.ages if a <= conditions.service_life}
    return sorted({0.0, conditions.service_life} | inside)


def age_weights(ages: list[float]) -> FloatArray:
    """Return the weights of the trapezoidal rule over ascending ages, adding up to 1."""
    x = np.array(ages, dtype=np.float64)
    if len(x) == 1:
        return np.ones(1)
    weights = np.zeros(len(x))
    weights[:-1] += 0.5 * np.diff(x)
    weights[1:] += 0.5 * np.diff(x)
    return np.asarray(weights / (x[-1] - x[0]))


def life_weights(response: Response, plan: Plan, units: IntArray) -> FloatArray:
    """Return what each cell weighs in each unit's life, (C, n): share of mission times share of years."""
    conditions = response.design.conditions
    ages = _ages(conditions)
    years = dict(zip(ages, age_weights(ages), strict=True))
    rows = []
    for mission in _missions(conditions):
        shares = dict(mission)
        total = sum(shares.values())
        rows.append([years.get(c.age, 0.0) * shares.get(c.temperature, 0.0) / total for c in plan.conditions])
    table = np.array(rows).T
    if not conditions.sites:
        return np.repeat(table, len(units), axis=1)
    return np.asarray(table[:, response.site_of(units)])


def lifetime(cells: list[UnitCompletion], weights: FloatArray) -> UnitCompletion:
    """Return each unit's completion over its life from that in each cell.

    Parameters
    ----------
    cells : C completions of the same n units
    weights : (C, n), adding up to 1 over the cells
    """
    low = sum(w * c.low for w, c in zip(weights, cells, strict=True))
    high = sum(w * c.high for w, c in zip(weights, cells, strict=True))
    samplings = [c.sampling for c in cells if c.sampling is not None]
    sampling = None
    if len(samplings) == len(cells):
        # The cells share their draws, so their errors may add up: no root of a sum of squares here.
        error = sum(w * s.standard_error for w, s in zip(weights, samplings, strict=True))
        halves = sum(w * s.halves for w, s in zip(weights, samplings, strict=True))
        draws = np.min([s.counts for s in samplings], axis=0)
        sampling = Sampling(np.asarray(error), np.asarray(halves), int(draws.min()), draws)
    # sums of weights carry rounding, and a share does not exceed 1
    return UnitCompletion(np.minimum(low, 1.0), np.minimum(high, 1.0), sampling)


@dataclass(frozen=True)
class MissionAxes:
    """Temperatures and ages of a life, as an average over the mission has them.

    Attributes
    ----------
    temperatures, temperature_shares : ascending [degC], and the share of the actuations at each; of all sites together
    ages, age_shares : ascending [yr], and the weight of each in the mean over the service life
    """

    temperatures: tuple[float, ...]
    temperature_shares: tuple[float, ...]
    ages: tuple[float, ...]
    age_shares: tuple[float, ...]


def mission_axes(design: Design) -> MissionAxes:
    """Return how a life divides between temperatures and ages; both are independent of each other."""
    conditions = design.conditions
    parts = [(site.share, site.mission) for site in conditions.sites] or [(1.0, conditions.mission)]
    shares: dict[float, float] = {}
    for of_site, mission in parts:
        total = sum(share for _, share in mission)
        for temperature, share in mission:
            shares[temperature] = shares.get(temperature, 0.0) + of_site * share / total
    whole = sum(shares.values())
    ages = _ages(conditions)
    kept = [(t, shares[t] / whole) for t in sorted(shares) if shares[t] > 0.0]
    years = [(a, float(w)) for a, w in zip(ages, age_weights(ages), strict=True) if w > 0.0]
    return MissionAxes(
        tuple(t for t, _ in kept), tuple(w for _, w in kept), tuple(a for a, _ in years), tuple(w for _, w in years)
    )

"""A life as text and as tables: until when units keep to what is required, what ages them, what a fleet loses."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from yieldsim.report.grids import Grid
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import (
    ABSENT,
    count,
    fixed,
    high_bound,
    low_bound,
    plain,
    share,
    share_with_bounds,
    small_share,
    stated,
    temperature,
)

if TYPE_CHECKING:
    from yieldsim.analysis.ageing import LifeResult
    from yieldsim.analysis.lives.curves import LifeCurve, LifePoint
    from yieldsim.analysis.lives.laws import LawCost
    from yieldsim.estimate.intervals import Estimate
    from yieldsim.estimate.lifetimes import ShareLife


# --- text --------------------------------------------------------------------------------------------------


def lines_of(result: LifeResult) -> list[str]:
    """Return the lines of a life, below its verdict."""
    return [
        *_lives(result),
        "",
        *_ages(result),
        "",
        *_laws(result),
        "",
        *wrapped(fleet_text(result)),
        "",
        *wrapped(
            f"At least, at most, and what stands in brackets are one-sided bounds, each at {stated(result.confidence)} "
            f"confidence, over {count(result.provenance.settings['units'])} units, the same ones on the same draws at "
            "every age: of sampling, given the stated distributions and laws."
        ),
    ]


def place_name(curve: LifeCurve) -> str:
    """Return the name of a curve's place, temperatures with their sign."""
    return curve.place if curve.temperature_degC is None else f"at {temperature(curve.temperature_degC)}"


def age_text(life: ShareLife) -> str:
    """Return an age with its bounds [yr]: ``3.6 (0.65 to 8.2)``; ``>`` stands before what lies beyond the last age."""
    end = f">{plain(life.horizon, 3)}"
    if life.surely_beyond:
        return f"{end} (at least)"
    value = end if life.beyond else plain(life.value, 2)
    return f"{value} ({plain(life.low, 3)} to {end if math.isinf(life.high) else plain(life.high, 3)})"


def _lives(result: LifeResult) -> list[str]:
    requirement, grid = result.requirement, lives_grid(result)
    if requirement is None or grid is None:
        return wrapped("No completion is required of the units: only their completion is told, not when they fall.")
    from yieldsim.analysis.lives.curves import life_name

    named = ", ".join(f"{life_name(life.share)} {plain(100 * life.share)} %" for life in result.curves[0].lives)
    lines = [
        *wrapped(
            f"Age by which units have first fallen below {stated(requirement.completion)} completion ({named} of them):"
        ),
        *columns(grid.headers, grid.rows, grid.words),
    ]
    if result.binding.binding:
        lines.append("* where the requirement applies")
    lines += wrapped(
        f"A first fall is seen at the next of {len(result.ages_yr)} ages ({_listed(result.ages_yr)} yr); bounds are "
        "ages of this grid, > is beyond the last one."
    )
    return [*lines, *_recovering(result)]


def lives_grid(result: LifeResult) -> Grid | None:
    """Return a row a place: ages by which units have fallen, that of the requirement stressed; None without one."""
    first = result.curves[0]
    if not first.lives:
        return None
    from yieldsim.analysis.lives.curves import life_name

    headers = ["", "below\nwhen new", *(f"{life_name(life.share)} life\n[yr]" for life in first.lives)]
    headers += [f"never below\nin {plain(result.horizon_yr)} yr", "at least"]
    rows = []
    for curve in result.curves:
        below = curve.below_when_new
        rows.append(
            (
                place_name(curve) + ("*" if curve.binding else ""),
                share(below.value) if below else ABSENT,
                *(age_text(life) for life in curve.lives),
                share(curve.outliving.value) if curve.outliving else ABSENT,
                low_bound(curve.outliving),
            )
        )
    binding = frozenset(k for k, curve in enumerate(result.curves) if curve.binding)
    return Grid(tuple(headers), tuple(rows), 1, binding)


def _listed(ages: tuple[float, ...]) -> str:
    return ", ".join(plain(age, 3) for age in ages)


def _recovering(result: LifeResult) -> list[str]:
    found = result.binding.recovering
    if found is None or found.value <= 0.0:
        return []
    where = result.binding.place
    return wrapped(
        f"{share_with_bounds(found)} of the units fall and keep to it again at the end ({where}): ageing helps them. "
        "Their first fall counts."
    )


def _ages(result: LifeResult) -> list[str]:
    binding, grid = result.binding, ages_grid(result)
    told = f"Over the years ({binding.place}):" if binding.binding else "Over the years:"
    return [told, *columns(grid.headers, grid.rows, grid.words)]


def ages_grid(result: LifeResult) -> Grid:
    """Return a row an age: units where the requirement applies, completion over the mission and where it is worst."""
    binding, mission = result.binding, result.curve("over the mission")
    worst = next(c for c in result.temperatures if c.temperature_degC == result.worst_temperature_degC)
    units = binding.points[0].unit_yield is not None
    counted = result.actuations_per_day is not None
    headers = ["age\n[yr]", *(["actuations\nof each"] if counted else [])]
    headers += ["units that\ncomply", "at least", "at most", "never\nbelow"] if units else []
    headers += [
        "complete,\nmission",
        "at least",
        f"complete,\n{temperature(worst.temperature_degC or 0.0)}",
        "at least",
    ]
    rows = []
    for k, point in enumerate(binding.points):
        row = [plain(point.age_yr, 3), *([count(round(point.actuations or 0.0))] if counted else [])]
        if units:
            row += [_value(point.unit_yield), low_bound(point.unit_yield), high_bound(point.unit_yield)]
            row.append(_value(point.surviving))
        for curve in (mission, worst):
            completion = curve.points[k].completion
            row += [_value(completion), low_bound(completion)]
        rows.append(tuple(row))
    return Grid(tuple(headers), tuple(rows), 0)


def _value(estimate: Estimate | None) -> str:
    return ABSENT if estimate is None else share(estimate.value)


def _laws(result: LifeResult) -> list[str]:
    grid = laws_grid(result)
    if grid is None:
        return ["Nothing ages: no parameter has a law of ageing."]
    where = f"at {temperature(result.worst_temperature_degC)} after {plain(result.horizon_yr)} yr"
    rows: list[tuple[str, ...]] = []
    for row, law in zip(grid.rows, result.laws, strict=True):
        rows.append((law.parameter, *row[1:]))  # its kind in a line of its own: names are long
        rows += [("  " + law.law, *[""] * (len(row) - 1))] if law.law else []
    return [
        *wrapped(f"What each law of ageing costs {where} (the same without it, less that with it; below 0 it helps):"),
        *columns(grid.headers, rows, grid.words),
    ]


def laws_grid(result: LifeResult) -> Grid | None:
    """Return a row a law of ageing with what it costs at the end of the life; None where nothing ages."""
    if not result.laws:
        return None
    units = result.laws[0].unit_yield is not None
    headers = ["law of ageing", "reserve\n[mV]", *(["units that comply\n[%]"] if units else []), "complete\n[%]"]
    rows = []
    for law in result.laws:
        costs = [_cost(law.reserve, 1e3, 1), *([_cost(law.unit_yield, 100.0, 1)] if units else [])]
        rows.append((law_name(law), *costs, _cost(law.completion, 100.0, 2)))
    return Grid(tuple(headers), tuple(rows), 1)


def law_name(law: LawCost) -> str:
    """Return the name of a law: its parameter, and its kind."""
    return f"{law.parameter}, {law.law}" if law.law else law.parameter


def _cost(estimate: Estimate | None, scale: float, decimals: int) -> str:
    if estimate is None:
        return ABSENT
    value, low, high = (fixed(scale * x, decimals, signed=True) for x in (estimate.value, estimate.low, estimate.high))
    return f"{value} ({low} to {high})"


def fleet_text(result: LifeResult) -> str:
    """Return what a fleet loses, in a few sentences."""
    fleet = result.fleet
    lost, energy = fleet.lost_per_yr, fleet.energy_lost_per_yr
    if lost is None or energy is None:
        text = (
            f"Over the mission and {plain(result.horizon_yr)} yr, {_small(fleet.lost_share)} of the actuations do not "
            f"complete. conditions.actuations_per_day is not stated, so that lost reports cannot be counted."
        )
    else:
        text = (
            f"A fleet of {count(fleet.nodes)} makes {_number(fleet.reports_per_yr)} reports a year. Over the mission "
            f"and {plain(result.horizon_yr)} yr, {_numbers(lost)} of them a year are expected not to complete, "
            f"{_numbers(energy)} for want of energy."
        )
    if fleet.most is not None:
        text += (
            f" {stated(fleet.most.of_losses)} of what is lost comes from {share_with_bounds(fleet.most.units)} of the "
            "units, those that lose most."
        )
    return text


def _small(estimate: Estimate) -> str:
    low, high = small_share(estimate.low, "down"), small_share(estimate.high, "up")
    return f"{small_share(estimate.value)} ({low} to {high})"


def _numbers(estimate: Estimate) -> str:
    """Return a number of reports to two digits with its bounds, rounded away from it."""
    return f"{_number(estimate.value)} ({_number(estimate.low, -1)} to {_number(estimate.high, 1)})"


def _number(value: float | None, away: int = 0) -> str:
    if value is None:
        return ABSENT
    if value <= 0.0:
        return "0"
    step = 10.0 ** (math.floor(math.log10(value)) - (2 if away == 0 else 1))
    # what is on the grid already, but for rounding, stays there
    steps = round(value / step) if away == 0 else math.floor(value / step + 1e-9)
    if away > 0:
        steps = math.ceil(value / step - 1e-9)
    return f"{steps * step:,.0f}" if step >= 1.0 else f"{steps * step:.3g}"


# --- tables ------------------------------------------------------------------------------------------------


def points(result: LifeResult) -> pd.DataFrame:
    """One row a place and age: completion, share of units that comply, and that were never below, with bounds."""
    return pd.DataFrame([_row(result, curve, point) for curve in result.curves for point in curve.points])


def _row(result: LifeResult, curve: LifeCurve, point: LifePoint) -> dict[str, Any]:
    return {
        "place": curve.place,
        "temperature_degC": curve.temperature_degC,
        "binding": curve.binding,
        **point.payload(),
        "confidence": result.confidence,
    }


def lives(result: LifeResult) -> pd.DataFrame:
    """One row a place and share of units: the age by which it has fallen, by completion and by energy alone."""
    names = ["place", "temperature_degC", "binding", "of"]
    rows = []
    for curve in result.curves:
        payload = curve.payload()
        for of, key in (("completion", "lives"), ("energy", "lives_energy")):
            rows += [
                {"place": curve.place, "temperature_degC": curve.temperature_degC, "binding": curve.binding, "of": of}
                | one
                for one in payload[key]
            ]
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=names)


def laws(result: LifeResult) -> pd.DataFrame:
    """One row a law of ageing: what it costs at the end of the life, with bounds."""
    rows = [
        {"temperature_degC": result.worst_temperature_degC, "age_yr": result.horizon_yr, **law.payload()}
        | {"confidence": result.confidence}
        for law in result.laws
    ]
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=["temperature_degC", "age_yr", "parameter", "law"])


def fleet(result: LifeResult) -> pd.DataFrame:
    """One row an age: what a fleet loses in a year of it, with bounds."""
    rows = [
        {"nodes": result.fleet.nodes, "reports_per_yr": result.fleet.reports_per_yr, **one.payload()}
        | {"confidence": result.confidence}
        for one in result.fleet.by_age
    ]
    return pd.DataFrame(rows)

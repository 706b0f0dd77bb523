"""What to change: findings read off the results at hand, each one sentence or two with the numbers in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from yieldsim.report.entries import SOURCES, group_of, shown
from yieldsim.report.grids import scope
from yieldsim.report.numbers import condition, engineering, fixed, plain, share, small_share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult
    from yieldsim.analysis.ranking import RankResult
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.yields import CellYield, YieldResult


@dataclass(frozen=True)
class Remark:
    """A finding: what it is about, and what the results say."""

    head: str
    text: str


def remarks(result: SignoffResult) -> tuple[Remark, ...]:
    """Return the findings of a sign-off, the most pressing first, as far as the results support them."""
    cell = worst_cell(result.yields)
    found = [
        _how_it_fails(cell),
        _energy_or_link(cell, result.yields),
        _how_much_lacks(cell),
        _start_or_run(result.actuation),
        _tightest_step(result.actuation),
        _retries(cell),
        _where_energy_goes(result.actuation),
        _level(result.ranking),
        _stress(result.yields),
    ]
    return tuple(remark for remark in found if remark is not None)


def worst_cell(yields: YieldResult) -> CellYield:
    """Return the cell that complies least."""
    return yields.worst


def place_of(cell: CellYield) -> str:
    """Return the name of a cell."""
    return condition(cell.temperature_degC, cell.age_yr)


def _volts(value: float) -> str:
    return engineering(value, "V", signed=True)


def _how_it_fails(cell: CellYield) -> Remark | None:
    failing = {name: value for name, value in cell.outcomes.items() if name != "complete" and value > 0.0}
    if not failing:
        return Remark("The way it fails", f"At {place_of(cell)}, the worst condition, no failure was seen.")
    leading = max(failing, key=lambda name: (failing[name], name))
    part = failing[leading] / sum(failing.values())
    text = (
        f"At {place_of(cell)}, the worst condition, \u201c{leading}\u201d is "
        f"{share(part) if part < 1 else 'all'} of the failures: {small_share(failing[leading])} of the "
        "actuations."
    )
    return Remark("The way it fails", text)


def _energy_or_link(cell: CellYield, yields: YieldResult) -> Remark | None:
    lacked = max(1.0 - cell.energy_sufficed.value, 0.0)
    failing = max(1.0 - cell.completion.value, 0.0)
    if not failing:
        return None
    text = (
        f"Of the {small_share(failing)} of actuations that fail there, energy lacked in "
        f"{small_share(lacked)}; the link alone lost {small_share(max(failing - lacked, 0.0))}."
    )
    if yields.joint is not None and yields.joint_energy is not None:
        text += (
            f" {share(yields.joint.value)} of units comply {scope(yields)}, "
            f"{share(yields.joint_energy.value)} if energy alone counted."
        )
    return Remark("Energy or link", text)


def _how_much_lacks(cell: CellYield) -> Remark | None:
    points = cell.quantiles.get("voltage_margin_V", {})
    if not points:
        return None
    low = min(points)
    value = points[low]
    verb = "lacks" if value < 0 else "has in hand"
    text = (
        f"At {place_of(cell)} the actuation at the {stated(low)} point of the voltage margin {verb} "
        f"{engineering(abs(value), 'V')}."
    )
    if 0.5 in points:
        text += f" The median one has {_volts(points[0.5])}."
    return Remark("How much", text)


def _start_or_run(actuation: ActuationResult) -> Remark:
    place = condition(actuation.temperature_degC, actuation.age_yr)
    start, run = actuation.start_margin_V, actuation.run_margin_V
    first, second = ("start", "run") if start <= run else ("run", "start")
    meaning = (
        f"how far the store rises above the start voltage of {fixed(actuation.start_voltage_V, 2)} V"
        if first == "start"
        else "how far the input stays above what the steps need"
    )
    text = (
        f"At {place} the nominal unit's {first} margin, {meaning}, is the smaller one: "
        f"{_volts(min(start, run))} against {_volts(max(start, run))} of {second} margin. A change helps "
        f"only if it lifts the {first} margin without lowering the {second} margin by more than there is."
    )
    return Remark("Start or run", text)


def _tightest_step(actuation: ActuationResult) -> Remark | None:
    if not actuation.steps:
        return None
    step = min(actuation.steps, key=lambda s: s.lowest_input_V - s.required_input_V)
    above = step.lowest_input_V - step.required_input_V
    text = (
        f"\u201c{step.step}\u201d comes nearest to a brown-out: its input falls to "
        f"{fixed(step.lowest_input_V, 3)} V where it needs {fixed(step.required_input_V, 3)} V, which "
        f"leaves {_volts(above)}. At the ends of the steps the nominal reserve is "
        f"{_volts(actuation.reserve_V)}, worth {in_kind(actuation)}."
    )
    return Remark("The tightest step", text)


def in_kind(actuation: ActuationResult) -> str:
    """Return the reserve in the other units of the trade: charge, octets on air, time of listening."""
    parts = [engineering(actuation.reserve_charge_C, "C", signed=True)]
    if actuation.reserve_octets is not None:
        parts.append(f"{plain(actuation.reserve_octets, 6)} octets on air")
    if actuation.reserve_listen_s is not None:
        parts.append(f"{engineering(actuation.reserve_listen_s, 's', signed=True)} of listening")
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"


def _retries(cell: CellYield) -> Remark | None:
    later = [a for a in cell.by_attempts if a.attempts > 1 and a.share > 0.0]
    first = next((a for a in cell.by_attempts if a.attempts == 1), None)
    if not later or first is None:
        return None
    told = "; ".join(
        f"{small_share(a.share)} take {a.attempts}, of which {share(a.completion)} complete with a median "
        f"reserve of {_volts(a.reserve_median_V)}"
        for a in later
    )
    text = (
        f"At {place_of(cell)}, actuations that need one transmission complete in {share(first.completion)} "
        f"of cases, with a median reserve of {_volts(first.reserve_median_V)}; {told}."
    )
    return Remark("Retries", text)


def _where_energy_goes(actuation: ActuationResult) -> Remark | None:
    whole = sum(actuation.ledger.get(name, 0.0) for name in SOURCES)
    if whole <= 0.0:
        return None
    groups: dict[str, float] = {}
    for name, value in actuation.ledger.items():
        if name not in SOURCES:
            groups[group_of(name)] = groups.get(group_of(name), 0.0) + value
    losses = {n: v for n, v in actuation.ledger.items() if group_of(n).startswith("lost") and n not in SOURCES}
    largest = max(losses, key=lambda name: losses[name])
    told = ", ".join(
        f"{small_share(value / whole)} {name}"
        for name, value in sorted(groups.items(), key=lambda group: -group[1])
        if value > 0.0
    )
    text = (
        f"Of {engineering(whole, 'J')} at hand in the nominal actuation there: {told}. The largest single "
        f"loss is \u201c{shown(largest, actuation.source)}\u201d, {engineering(losses[largest], 'J')}."
    )
    return Remark("Where the energy goes", text)


def _level(ranking: RankResult) -> Remark | None:
    if not ranking.by_level:
        return None
    told = ", ".join(f"{stated(round(value, 3))} per {level}" for level, value in ranking.by_level.items())
    place = condition(ranking.temperature_degC, ranking.age_yr)
    text = (
        f"At {place} the {ranking.response} spreads by {engineering(ranking.standard_deviation, 'V')} (one "
        f"standard deviation) about {engineering(ranking.mean, 'V')}. Drawn alone, the levels explain: "
        f"{told}. What varies per lot or unit can be sorted or trimmed in production; what varies per "
        "actuation cannot."
    )
    return Remark("Where the spread comes from", text)


def _stress(yields: YieldResult) -> Remark | None:
    used = [
        (use.largest / use.rating, use.high / use.rating, name, use, cell)
        for cell in yields.cells
        for name, use in cell.ratings.items()
        if use.rating
    ]
    if not used:
        return None
    largest, high, name, use, cell = max(used, key=lambda entry: entry[:3])
    text = (
        f"{name} comes nearest to its rating: at {place_of(cell)}, {stated(0.999)} of actuations stay below "
        f"{share(high)} of {plain(use.rating)} {use.unit}, and the largest seen is {share(largest)}."
    )
    return Remark("Ratings", text)

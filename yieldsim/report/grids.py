"""Tables of the page: the numbers of a result as people read them, row by row."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from yieldsim.analysis.verdict import MET, NOT_MET, judge
from yieldsim.report.commands import opening
from yieldsim.report.numbers import (
    ABSENT,
    engineering,
    fixed,
    high_bound,
    low_bound,
    plain,
    share,
    stated,
)

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult
    from yieldsim.analysis.check import CheckResult
    from yieldsim.analysis.ranking import RankedParameter, RankResult
    from yieldsim.analysis.yields import CellYield, YieldResult

_WORST = 6  # addresses shown of a kind
_LEAST_INDEX = 0.0005


@dataclass(frozen=True)
class Grid:
    """A table: headers (with units), rows of text, how many leading columns are words, rows to stress."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: int = 1
    stressed: frozenset[int] = frozenset()


def requirements(result: YieldResult) -> Grid:
    """Return the requirements one by one."""
    rules = {rule.of: rule for rule in result.deratings}
    rows = []
    for part in result.judged:
        if part.name in rules:
            what = f"actuations with {part.name} at most {stated(rules[part.name].at_most)} of its rating"
        else:
            what = f"units that complete {_of_their_own(result)}"
        reached = part.reached
        rows.append(
            (
                what,
                f"\u2265 {stated(part.required)}",
                share(reached.value),
                low_bound(reached),
                high_bound(reached),
                part.word,
            )
        )
    headers = ("share of", "required", "reached", "at least", "at most", "verdict")
    stressed = frozenset(k for k, part in enumerate(result.judged) if part.word == NOT_MET)
    return Grid(headers, tuple(rows), 1, stressed)


def _of_their_own(result: YieldResult) -> str:
    requirement = result.requirement
    if requirement is None:
        return ABSENT
    return f"{stated(requirement.completion)} of their actuations {scope(result)}"


def scope(result: YieldResult) -> str:
    """Return where the requirement applies: ``in every condition`` or ``over the mission``."""
    requirement = result.requirement
    if requirement is None or requirement.applies_to == "every condition":
        return "in every condition"
    return requirement.applies_to


def cells(result: YieldResult) -> Grid:
    """Return the conditions one by one."""
    units = any(cell.unit_yield is not None for cell in result.cells)
    headers = [
        "temperature [\u00b0C]",
        "age [yr]",
        "complete",
        "at least",
        "at most",
        "delivered",
        "energy sufficed",
    ]
    headers += ["units that comply", "at least", "at most"] if units else []
    rows, stressed = [], set()
    for k, cell in enumerate(result.cells):
        row = [plain(cell.temperature_degC) + (" (excursion)" if cell.excursion else ""), plain(cell.age_yr)]
        row += [share(cell.completion.value), low_bound(cell.completion), high_bound(cell.completion)]
        row += [share(cell.delivered.value), share(cell.energy_sufficed.value)]
        if units:
            found = cell.unit_yield
            row += [share(found.value) if found else ABSENT, low_bound(found), high_bound(found)]
        rows.append(tuple(row))
        if standing(cell, result) == "below":
            stressed.add(k)
    return Grid(tuple(headers), tuple(rows), 0, frozenset(stressed))


def ratings(result: YieldResult) -> Grid:
    """Each rating where it is used most."""
    names = sorted({name for cell in result.cells for name in cell.ratings})
    rows = []
    for name in names:
        cell = max((c for c in result.cells if name in c.ratings), key=lambda c: c.ratings[name].largest)
        use = cell.ratings[name]
        used = share(use.largest / use.rating) if use.rating else ABSENT
        rows.append(
            (
                name,
                engineering(use.rating, use.unit),
                plain(cell.temperature_degC),
                plain(cell.age_yr),
                engineering(use.median, use.unit),
                engineering(use.high, use.unit),
                engineering(use.largest, use.unit),
                used,
            )
        )
    headers = (
        "rating",
        "rated",
        "at temperature [\u00b0C]",
        "age [yr]",
        "median",
        f"{stated(0.999)} stay below",
        "largest",
        "largest, of the rating",
    )
    return Grid(headers, tuple(rows))


def weighty(result: RankResult) -> list[RankedParameter]:
    """Return the parameters with a seen influence whose total index is not zero to three decimals."""
    return [p for p in result.parameters if p.influence and p.total_high >= _LEAST_INDEX]


def ranking(result: RankResult) -> Grid:
    """Return the parameters of weight."""
    rows = tuple(
        (
            *(p.name, p.level, p.basis),
            *(fixed(x, 3) for x in (p.first, p.first_low, p.first_high, p.total, p.total_low, p.total_high)),
        )
        for p in weighty(result)
    )
    return Grid(("parameter", "level", "basis", "alone [1]", "from", "to", "total [1]", "from", "to"), rows, 3)


def steps(result: ActuationResult) -> Grid:
    """Return the steps of one actuation."""
    above = [step.lowest_input_V - step.required_input_V for step in result.steps]
    rows = tuple(
        (
            s.step,
            fixed(s.start_s * 1e3, 3),
            fixed(s.end_s * 1e3, 3),
            fixed(s.lowest_input_V, 3),
            fixed(s.required_input_V, 3),
            fixed(a, 3, signed=True),
        )
        for s, a in zip(result.steps, above, strict=True)
    )
    headers = ("step", "start [ms]", "end [ms]", "lowest input [V]", "needed input [V]", "above the need [V]")
    return Grid(headers, rows, 1, frozenset(k for k, a in enumerate(above) if a < 0.0))


def addresses(result: YieldResult) -> Grid:
    """Actuations that are worth opening, each by its address."""
    rows = tuple(
        (
            kind,
            plain(a.temperature_degC),
            plain(a.age_yr),
            str(a.unit),
            str(a.actuation),
            a.outcome,
            engineering(a.voltage_margin_V, "V", signed=True),
        )
        for kind, found in result.addresses.items()
        for a in found[:_WORST]
    )
    return Grid(("kind", "temperature [\u00b0C]", "age [yr]", "unit", "actuation", "outcome", "voltage margin"), rows)


def how_to_open(result: YieldResult) -> str:
    """Return the command that opens the first of the addresses, empty where there is none."""
    first = next((a for found in result.addresses.values() for a in found), None)
    return "" if first is None else opening(first, result.provenance)


def messages(result: YieldResult) -> Grid:
    """Completion by message and of presses that stop short, one row a condition; no rows where there is neither."""
    first = result.cells[0]
    headers = ["temperature [\u00b0C]", "age [yr]"]
    headers += [f"{m.message}: complete" for m in first.by_message]
    if first.partial_presses is not None:
        headers += ["presses that stop short", "of these complete", "their share of the failures"]
    rows = []
    for cell in result.cells if len(headers) > 2 else ():
        row = [plain(cell.temperature_degC), plain(cell.age_yr)]
        row += [_bounded(m.completion, m.completion_low, m.completion_high) for m in cell.by_message]
        found = cell.partial_presses
        if found is not None:
            low, high = found.share_of_failures_low, found.share_of_failures_high
            row += [share(found.share), _bounded(found.completion, found.completion_low, found.completion_high)]
            row += [_bounded(found.share_of_failures, low, high)]
        rows.append(tuple(row))
    return Grid(tuple(headers), tuple(rows), 0)


def _bounded(value: float, low: float, high: float) -> str:
    """A share with its one-sided bounds."""
    return f"{share(value)} ({share(low, 'down')} to {share(high, 'up')})" if math.isfinite(value) else ABSENT


def parameters(result: CheckResult) -> Grid:
    """Every parameter as the engine uses it."""
    rows = []
    for p in result.parameters:
        laws = "; ".join(text for text in (p.temperature, p.ageing and f"ageing: {p.ageing}") if text)
        basis = f"{p.basis} (default)" if p.defaulted else p.basis
        rows.append((p.name, p.shown.replace(" ", "\u00a0"), p.tolerance or ABSENT, laws or ABSENT, basis, p.note))
    assumed = frozenset(k for k, p in enumerate(result.parameters) if p.basis == "assumed" and p.tolerance)
    return Grid(
        ("parameter", "nominal", "tolerance", "temperature and ageing", "basis", "note"),
        tuple(rows),
        6,
        assumed,
    )


def standing(cell: CellYield, result: YieldResult) -> str:
    """``below``, ``meets`` or ``open`` against the requirement in this condition alone; empty without one."""
    requirement = result.requirement
    if requirement is None:
        return ""
    if requirement.unit_yield is not None and cell.unit_yield is not None:
        bounds, needed = cell.unit_yield, requirement.unit_yield
    elif requirement.completion is not None:
        bounds, needed = cell.completion, requirement.completion
    else:
        return ""
    return {MET: "meets", NOT_MET: "below"}.get(judge(bounds.low, bounds.high, needed), "open")

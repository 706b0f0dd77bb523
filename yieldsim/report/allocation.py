"""What each tolerance is worth, as text and as a table: the requirement first, then tolerance by tolerance."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from yieldsim.analysis.allocations.widest import ANY, NARROWED, NOT_WITHOUT, POSSIBLE
from yieldsim.analysis.verdict import MET, NONE
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import (
    ABSENT,
    condition,
    count,
    engineering,
    fixed,
    plain,
    share_with_bounds,
    stated,
    tied,
)

if TYPE_CHECKING:
    from yieldsim.analysis.allocation import AllocationResult, ToleranceWorth
    from yieldsim.analysis.allocations.cheapest_grades import CheapestGrades
    from yieldsim.estimate.intervals import Estimate

_NAME, _LONGEST, _TEXT = 34, 36, 40  # letters of a parameter's name in a row, and of the text behind it
_WORDS = {ANY: "any tried", POSSIBLE: "as can be", NARROWED: "narrower"}


def lines_of(result: AllocationResult) -> list[str]:
    """Return the lines of an allocation."""
    return [
        *_head(result),
        "",
        *_changes(result),
        *_impossible(result),
        "",
        *_widest(result),
        *_cheapest(result),
        *_method(result),
    ]


def _head(result: AllocationResult) -> list[str]:
    place = condition(result.temperature_degC, result.age_yr)
    at = f"Of the actuations at {place}, the worst condition, {share_with_bounds(result.completion)} complete."
    if result.unit_yield is None:
        return wrapped(f"NO REQUIREMENT. {at}")
    required = result.requirement.unit_yield if result.requirement is not None else None
    word = "NO REQUIREMENT" if result.verdict == NONE else result.verdict.upper()
    needed = "" if required is None else f"; {stated(required)} is required"
    lines = [
        *wrapped(f"{word} as stated: {share_with_bounds(result.unit_yield)} of units comply{needed}."),
        *wrapped(at),
    ]
    if result.unit_yield.high < 0.5:
        lines += wrapped(
            "Most units fail as stated, so that a wider tolerance saves more of them than it costs: a nominal value is "
            "wrong, not a tolerance."
        )
    return lines


def _changes(result: AllocationResult) -> list[str]:
    units = result.unit_yield is not None
    headers = ["tolerance"]
    for word in ("halved", "doubled"):
        headers += [f"{word}:\nunits [%]", "at least", "at most"] if units else []
    for word in ("halved", "doubled"):
        headers += [f"{word}:\nacts. [%]"] + ([] if units else ["at least", "at most"])
    rows = []
    for worth in result.tolerances:
        first, *more = textwrap.wrap(worth.name, _NAME, break_on_hyphens=False)
        row = [first]
        for changed in (worth.halved, worth.doubled):
            row += _points(changed.unit_yield_change) if units else []
        for changed in (worth.halved, worth.doubled):
            row += _points(changed.completion_change)[: 1 if units else 3]
        rows += [row, *([f"  {part}", *[""] * (len(row) - 1)] for part in more)]
    told = (
        "Units that comply and actuations that complete, more or fewer than as stated"
        if units
        else ("Actuations that complete, more or fewer than as stated")
    )
    return [*wrapped(f"{told} [percentage points]:"), "", *columns(headers, rows)]


def _points(change: Estimate | None) -> list[str]:
    if change is None:
        return [ABSENT] * 3
    return [fixed(100.0 * x, 2, signed=True) for x in (change.value, change.low, change.high)]


def _impossible(result: AllocationResult) -> list[str]:
    lines: list[str] = []
    for worth in result.tolerances:
        for changed, word in ((worth.halved, "halved"), (worth.doubled, "doubled")):
            if changed.impossible:
                lines += wrapped(f"{worth.name} cannot be {word}: {changed.impossible}.")
    return lines


def _widest(result: AllocationResult) -> list[str]:
    known = [worth for worth in result.tolerances if worth.widest is not None]
    if not known:
        return []
    without = [worth.name for worth in known if worth.widest is not None and worth.widest.word == NOT_WITHOUT]
    told = f"at {stated(result.confidence)} confidence"
    lines: list[str] = []
    if without and len(without) == len(known):
        lines += wrapped(
            f"No tolerance alone decides: without any single one of them the requirement is still not shown to be met "
            f"({told}). Change a nominal value, or several tolerances together."
        )
        return lines
    rows = []
    for worth in known:
        found = worth.widest
        if found is None or found.word == NOT_WITHOUT:
            continue
        row = [worth.name[:_LONGEST], f"x {plain(found.factor, 3)}", _WORDS.get(found.word, "").ljust(12)]
        rows += _with_text(row, found.tolerance)
    lines += wrapped(f"The widest each tolerance could be alone, with the requirement still met {told}:")
    lines += ["", *columns(["tolerance", "width", "".ljust(12), "that is".ljust(_TEXT)], rows)]
    lines += _notes(result, known)
    if without:
        lines += wrapped(f"Not met even without the tolerance of {', '.join(without)}.")
    return lines


def _with_text(row: list[str], text: str) -> list[list[str]]:
    """Return a row with a text in its last column, which may take several lines."""
    first, *more = textwrap.wrap(tied(text), _TEXT, break_on_hyphens=False) or [""]
    return [[*row, first.ljust(_TEXT)], *([*[""] * len(row), part.ljust(_TEXT)] for part in more)]


def _notes(result: AllocationResult, known: list[ToleranceWorth]) -> list[str]:
    words = {worth.widest.word for worth in known if worth.widest is not None}
    lines: list[str] = []
    if ANY in words:
        most = plain(result.largest_factor)
        lines += wrapped(f"any tried: met at every width tried, up to {most} times the stated one.")
    if POSSIBLE in words:
        lines += wrapped("as can be: met up to the width beyond which a value would be impossible.")
    return lines


def _cheapest(result: AllocationResult) -> list[str]:
    found = result.cheapest
    if found is None:
        return []
    sought = "every cheaper set was tried" if found.exact else "no cheaper grade of any one of them would do"
    if not found.grades:
        end = "no set of these grades" if found.exact else "the tightest set of these grades does not, and no wider one"
        return ["", *wrapped(f"CHEAPEST GRADES: {end} is shown to meet the requirement ({count(found.asked)} tried).")]
    rows = []
    for g in found.grades:
        rows += _with_text([g.parameter[:_LONGEST], f"x {plain(g.factor, 3)}", plain(g.cost, 6)], g.tolerance)
    return [
        "",
        *wrapped(
            f"CHEAPEST GRADES: {plain(found.cost, 6)} in all, {plain(found.dearest_cost, 6)} for the tightest "
            f"({count(found.asked)} {'set' if found.asked == 1 else 'sets'} tried; {sought})."
        ),
        "",
        *columns(["parameter", "width", "cost", "that is".ljust(_TEXT)], rows),
        *_confirmed(found),
    ]


def _confirmed(found: CheapestGrades) -> list[str]:
    word = "CONFIRMED" if found.confirmed_verdict == MET else "NOT CONFIRMED"
    lines = wrapped(
        f"{word} by {count(found.confirmed_units)} units of seed {found.confirmed_seed}, not seen by the search: "
        f"{found.confirmed_verdict}, {share_with_bounds(found.confirmed)} of units comply."
    )
    whole = found.confirmed_whole
    if whole is not None and whole.word != found.confirmed_verdict:
        lines += wrapped(f"With its derating rules that run is {whole.word}: {whole.reason}")
    return lines


def _method(result: AllocationResult) -> list[str]:
    text = (
        f"{count(result.units)} units in every condition, {count(result.actuations)} actuations of each in the worst; "
        f"each bound is one-sided at {stated(result.confidence)} confidence, for one tolerance by itself. "
    )
    if result.guard_V is not None:
        text += (
            f"Units whose critical actuation has more than {engineering(result.guard_V, 'V')} to spare or to want are "
            f"settled by it, the others worked out. To check it, {count(result.checked)} settled ones next to that "
            f"were worked out as well: {count(result.settled_wrongly)} had been settled wrongly"
            f"{', and more was worked out there' if result.settled_wrongly else ''}."
        )
    return ["", *wrapped(text)]


def table(result: AllocationResult) -> pd.DataFrame:
    """One row a tolerance, the one that matters most first."""
    rows: list[dict[str, Any]] = []
    for row in result.payload()["tolerances"]:
        rows.append({**row, "levels": "+".join(row["levels"]), "confidence": result.confidence})
    return pd.DataFrame(rows)

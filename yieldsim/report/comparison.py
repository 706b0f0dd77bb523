"""A comparison as text and as tables: the answer first, then the differences beside what both say apart."""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING

import pandas as pd

from yieldsim.analysis.addresses import Address
from yieldsim.analysis.comparison import cell_payload
from yieldsim.report.commands import opening
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import ABSENT, MINUS, condition, count, engineering, plain, share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.comparison import CellComparison, ComparisonResult
    from yieldsim.analysis.comparisons.difference import Difference
    from yieldsim.analysis.comparisons.sides import ChangedSide
    from yieldsim.estimate.intervals import Estimate

_OPENED = 2  # actuations of a side
_CHANGES = 6  # kinds of changed outcomes
_NAMES = 12  # parameters named in a sentence
_CELL = 30  # letters of a column of values


def points(value: float, *, down: bool | None = None) -> str:
    """Return a difference of shares in percentage points with its sign, to two significant digits or 0.001.

    ``down`` rounds towards minus infinity, False towards plus infinity: a bound stays a bound.
    """
    number = 100.0 * value
    if not math.isfinite(number):
        return ABSENT
    decimals = 3 if number == 0.0 else min(max(1 - math.floor(math.log10(abs(number))), 1), 3)
    scale = 10.0**decimals
    scaled = number * scale
    # what is on the grid but for rounding stays there
    exact = abs(scaled - round(scaled)) < 1e-9 * scale
    kept = round(scaled) if down is None or exact else math.floor(scaled) if down else math.ceil(scaled)
    text = f"{kept / scale:+.{decimals}f}"
    return "0" if kept == 0 else text.replace("-", MINUS)


def lines_of(result: ComparisonResult) -> list[str]:
    """Return the lines of a comparison."""
    word = {"better": "B IS BETTER", "worse": "B IS WORSE", "the same": "NO DIFFERENCE"}.get(
        result.word, "NO DIFFERENCE SHOWN"
    )
    return [
        *wrapped(f"{word}: {result.reason}"),
        *wrapped(f"A: {_named(result, 0)}"),
        *wrapped(f"B: {_named(result, 1)}"),
        "",
        *_joint(result),
        "",
        *_cells(result),
        *_units(result),
        "",
        *_differing(result),
        *_sides(result),
        *_warned(result),
        *_method(result),
    ]


def _named(result: ComparisonResult, which: int) -> str:
    made = (result.provenance, result.provenance_b)[which]
    text = f"{made.file or 'from a text'} ({made.title}), design {made.design_hash}"
    return "".join(c if c.isprintable() else " " for c in text)


def _joint(result: ComparisonResult) -> list[str]:
    named = [("actuations that complete", result.completion), ("with enough energy", result.energy_sufficed)]
    if result.unit_yield is not None:
        named.insert(0, ("units that comply", result.unit_yield))
    headers = ["share of", "A", "B", "B less A\n[points]", "at least", "at most", "apart\nfrom", "apart\nto", "B is"]
    rows = []
    for name, d in named:
        row = [name, share(d.a.value), share(d.b.value), points(d.difference.value)]
        row += [points(d.difference.low, down=True), points(d.difference.high, down=False)]
        rows.append([*row, points(d.apart.low, down=True), points(d.apart.high, down=False), _word(d)])
    over = "" if result.scope == "over the mission" else "; shares of actuations are means of the conditions"
    return [*wrapped(f"Joint, {result.scope}{over}:"), *columns(headers, rows)]


def _word(d: Difference) -> str:
    return {"no difference shown": "open", "the same": "the same"}.get(d.word, d.word)


def _cells(result: ComparisonResult) -> list[str]:
    headers = ["temp.\n[degC]", "age\n[yr]", "complete\nin A", "in B", "B less A\n[points]", "at least", "at most"]
    units = any(cell.unit_yield is not None for cell in result.cells)
    headers += ["units: B less\nA [points]", "at least", "at most"] if units else []
    rows = []
    for cell in result.cells:
        row = [plain(cell.temperature_degC), plain(cell.age_yr)]
        row += [share(cell.completion.a.value), share(cell.completion.b.value)]
        for d in (cell.completion, cell.unit_yield) if units else (cell.completion,):
            row += [ABSENT] * 3 if d is None else _with_bounds(d.difference)
        rows.append(row)
    shown = [cell for cell in result.cells for d in (cell.completion, cell.unit_yield) if d and d.word == "worse"]
    lines = columns(headers, rows, left=0)
    told = {condition(cell.temperature_degC, cell.age_yr): None for cell in shown}
    if told and result.word != "worse":
        lines += wrapped(f"B is worse, by bounds that hold for all conditions together, at {', '.join(told)}.")
    return lines


def _with_bounds(estimate: Estimate) -> list[str]:
    return [points(estimate.value), points(estimate.low, down=True), points(estimate.high, down=False)]


def _units(result: ComparisonResult) -> list[str]:
    """Which actuations and units changed sides, one line a condition."""
    rows = [row for cell in result.cells if (row := _changed(cell)) is not None]
    if not rows:
        return ["", *wrapped("No actuation and no unit changed sides.")]
    headers = ["temp.\n[degC]", "age\n[yr]", "complete in\nA alone", "in B\nalone", "of\nactuations"]
    headers += ["units comply\nin A alone", "in B\nalone", "5 % of units change by\nless than [points]", "95 %"]
    made = count(result.units * result.actuations)
    return ["", *columns(headers, [[*row[:4], made, *row[4:]] for row in rows], left=0)]


def _changed(cell: CellComparison) -> list[str] | None:
    changes = cell.unit_changes
    if not (cell.gained or cell.lost or (changes is not None and (changes.only_a or changes.only_b))):
        return None
    row = [plain(cell.temperature_degC), plain(cell.age_yr), count(cell.lost), count(cell.gained)]
    if changes is None:
        return [*row, *[ABSENT] * 4]
    ends = [points(changes.quantiles[p].value) for p in (0.05, 0.95)]
    return [*row, count(changes.only_a), count(changes.only_b), *ends]


def _differing(result: ComparisonResult) -> list[str]:
    if not result.differing:
        return wrapped("The files differ in nothing that is computed with.")
    rows = []
    for row in result.differing:
        parts = [_cut(text) for text in (f"{row.name}: {row.what}", row.a or ABSENT, row.b or ABSENT)]
        for k in range(max(len(part) for part in parts)):
            rows.append([part[k] if k < len(part) else "" for part in parts])
    lines = columns(["what the files say differently", "A", "B"], rows, left=3)
    if result.independent:
        named = ", ".join(result.independent[:_NAMES])
        more = len(result.independent) - _NAMES
        lines += wrapped(
            f"Drawn by themselves, being in one file alone or at another level: {named}"
            f"{f' and {more} more' if more > 0 else ''}. They widen the bounds."
        )
    return [*lines, ""]


def _cut(text: str) -> list[str]:
    return textwrap.wrap("".join(c if c.isprintable() else " " for c in text), _CELL, break_on_hyphens=False) or [""]


def _sides(result: ComparisonResult) -> list[str]:
    """Kinds of changed outcomes over all conditions, and the commands that open some of the actuations in both."""
    totals: dict[tuple[str, str], int] = {}
    for cell in result.cells:
        for change in cell.outcome_changes:
            key = change.outcome_a, change.outcome_b
            totals[key] = totals.get(key, 0) + change.actuations
    lines: list[str] = []
    if totals:
        ordered = sorted(totals.items(), key=lambda item: (-item[1], item[0]))
        rows = [[a, b, count(n)] for (a, b), n in ordered[:_CHANGES]]
        lines += [*columns(["ends in A", "ends in B", "actuations"], rows, left=2), ""]
    for title, listed in (("complete in A alone", result.lost), ("complete in B alone", result.gained)):
        for one in listed[:_OPENED]:
            a, b = (engineering(v, "V", signed=True) for v in (one.voltage_margin_a_V, one.voltage_margin_b_V))
            lines += wrapped(f"{title}: {one.outcome_a} in A, {one.outcome_b} in B; voltage margin {a} and {b}")
            lines += [f"  {command}" for command in _commands(result, one)]
    return [*lines, ""] if lines else []


def _commands(result: ComparisonResult, one: ChangedSide) -> list[str]:
    found = Address(one.temperature_degC, one.age_yr, one.unit, one.actuation, one.outcome_a, one.voltage_margin_a_V)
    return [
        opening(found, made, path)
        for made, path in zip((result.provenance, result.provenance_b), result.paths, strict=True)
    ]


def _warned(result: ComparisonResult) -> list[str]:
    """Warnings of B; those of A stand at the foot."""
    own = [text for text in result.provenance_b.warnings if text not in result.provenance.warnings]
    return [
        line for text in own for line in wrapped(f"Look, B: {''.join(c if c.isprintable() else ' ' for c in text)}")
    ]


def _method(result: ComparisonResult) -> list[str]:
    return wrapped(
        "A point is one of a hundred. Differences are of the same "
        f"{count(result.units)} units and draws in both; at least and at most are one-sided bounds, each at "
        f"{stated(result.confidence)} confidence, that reckon with one unseen unit which changes altogether. Apart: "
        "what two independent runs of as many units would say. Of conditions, better or worse is said by bounds for "
        "all of them together."
    )


# --- tables -----------------------------------------------------------------------------------------------------------


def cells(result: ComparisonResult) -> pd.DataFrame:
    """One row a condition: every share in A, in B, its difference and what both say apart, with one-sided bounds."""
    rows = [{k: v for k, v in cell_payload(cell).items() if not isinstance(v, (dict, list))} for cell in result.cells]
    return pd.DataFrame(rows).assign(confidence=result.confidence)


def sides(result: ComparisonResult) -> pd.DataFrame:
    """One row an actuation that changed sides."""
    rows = [
        {"completes_in": side, **asdict(one)}
        for side, listed in (("A", result.lost), ("B", result.gained))
        for one in listed
    ]
    return pd.DataFrame(rows)

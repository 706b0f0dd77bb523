"""A sizing as text and tables: what was found first, then every value, then what the words rest on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from yieldsim.analysis.sizes.map import MapResult, pair_rows
from yieldsim.analysis.sizing import row_of
from yieldsim.report.grids import Grid
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import (
    condition,
    count,
    engineering,
    high_bound,
    low_bound,
    plain,
    share,
    share_with_bounds,
    stated,
)

if TYPE_CHECKING:
    from yieldsim.analysis.sizes.runs import Judgement
    from yieldsim.analysis.sizing import SizedValue, SizeResult
    from yieldsim.design.variation import Variable

_MANY = 10**7  # units beyond which nobody will run them
_WORDS = {True: "met", False: "not shown", None: "possible"}


def spelled(variable: Variable, value: float | None) -> str:
    """Return a value with its unit."""
    return "-" if value is None else variable.spelled(value)


# --- text -----------------------------------------------------------------------------------------------------------


def lines_of(result: SizeResult | MapResult) -> list[str]:
    """Return the lines of a sizing."""
    if isinstance(result, MapResult):
        return _map_lines(result)
    return [
        *wrapped(headline(result)),
        *(line for text in told(result) for line in wrapped(text)),
        "",
        *_curve(result),
        *(line for text in rests_on(result) for line in wrapped(text)),
    ]


def headline(result: SizeResult) -> str:
    """Return what was found, in one sentence."""
    key, chosen = result.variable.key, result.chosen
    if chosen is None:
        best = result.best
        return (
            f"NO VALUE of {key} meets the requirement: all {count(len(result.scanned))} that were scanned are ruled "
            f"out. The best of them is {best.label}, which fails {_failing(best)}."
        )
    if result.word == "met":
        return f"MET with {key} = {chosen.label}, shown by a run of its own seed."
    if not result.judgements:
        return f"POSSIBLE: {key} = {chosen.label} is not ruled out; nothing was confirmed."
    word = "NOT MET" if result.word == "not met" else "UNDECIDED"
    return f"{word}: {key} = {chosen.label} is the likeliest value, and a run of its own seed leaves it {result.word}."


def _failing(s: SizedValue) -> str:
    """Say by which requirement a value is ruled out, with what it reaches."""
    look = s.look
    place = condition(look.temperature_degC, look.age_yr)
    for rule in look.deratings:
        if rule.of == look.ruled_out:
            where = condition(rule.temperature_degC, rule.age_yr)
            return f"the derating rule of {rule.of}: kept in {share_with_bounds(rule.reached)} at {where}"
    return f"the unit yield: {share_with_bounds(look.unit_yield)} at {place}"


def told(result: SizeResult) -> list[str]:
    """Return sentences on the choice: what its run shows, the window, its margins, what to do."""
    lines = []
    if result.judgements:
        lines += _judged(result, result.judgements[0])
    window = result.window
    if window is not None:
        lines.append(window_text(result))
    if len(result.windows) > 1:
        others = "; ".join(_from_to(result, w.values) for w in result.windows[1:])
        lines.append(f"Not ruled out either, apart from it: {others}.")
    return lines


def _judged(result: SizeResult, first: Judgement) -> list[str]:
    lines = [first.verdict.reason]
    if first.verdict.more_units:
        lines.append(f"About {count(first.verdict.more_units)} more units would decide it.")
    if first.met and first.plain_units is not None and first.plain_units < _MANY:
        lines.append(
            f"A plain run judges all of it from the same units: about {count(first.plain_units)} of them just do if "
            "the shares seen here hold; give signoff some more with --units."
        )
    return lines


def window_text(result: SizeResult) -> str:
    """Return the window around the choice with the margins to both of its edges."""
    window, choice, v = result.window, result.choice, result.variable
    if window is None or choice is None:
        return ""
    parts = []
    if window.shown:
        parts.append(f"Shown together at {stated(result.confidence)} confidence: {_from_to(result, window.shown)}.")
    failed = [j.value for j in result.judgements if j.verdict.word == "not met"]
    for side, ruled_out, word in (("below", window.below, "Down"), ("above", window.above, "Up")):
        beyond = [x for x in failed if (x < choice if side == "below" else x > choice)]
        end = ruled_out if not beyond else max(beyond) if side == "below" else min(beyond)
        if end is None:
            parts.append(f"{word} to the end of the scan nothing is ruled out.")
            continue
        inside = [x for x in window.values if (end < x < choice if side == "below" else choice < x < end)]
        inner = (min(inside) if side == "below" else max(inside)) if inside else choice
        told_of = "not met in its run" if beyond else "ruled out"
        parts.append(
            f"The edge {side} lies between {spelled(v, end)}, {told_of}, and {spelled(v, choice)}"
            + (f" (possible to {spelled(v, inner)})" if inner != choice else "")
            + f": {_distance(choice, end)} away at the most."
        )
    return " ".join(parts)


def _from_to(result: SizeResult, values: tuple[float, ...]) -> str:
    first, last = (spelled(result.variable, value) for value in (values[0], values[-1]))
    return first if len(values) == 1 else f"{first} to {last} ({count(len(values))} values)"


def _distance(choice: float, end: float) -> str:
    if choice == 0.0:
        return plain(abs(end), 2)
    return f"{plain(100.0 * abs(end / choice - 1.0), 2)} %"


def _curve(result: SizeResult) -> list[str]:
    shown = grid(result)
    return columns(list(shown.headers), [list(row) for row in shown.rows])


def grid(result: SizeResult) -> Grid:
    """Return a row a scanned value; the one chosen is stressed."""
    units = any(s.look.unit_yield is not None for s in result.scanned)
    headers = [result.variable.key, "complete"]
    headers += ["units that\ncomply", "at least", "at most"] if units else []
    headers += ["margin, 1 %\npoint [mV]"]
    rules = [rule.of for rule in result.scanned[0].look.deratings]
    if rules:
        headers.append(f"within rule of\n{rules[0]}" if len(rules) == 1 else "within rules,\nleast")
    rows = tuple(tuple(_row(result, s, units)) for s in result.scanned)
    chosen = frozenset(k for k, s in enumerate(result.scanned) if s.value == result.choice)
    return Grid((*headers, "so far"), rows, 1, chosen)


def _row(result: SizeResult, s: SizedValue, units: bool) -> list[str]:
    look = s.look
    mark = " <" if s.value == result.choice else " (now)" if s.value == result.variable.nominal else ""
    row = [s.label + mark, share(look.completion.value)]
    if units:
        row += [share(None if look.unit_yield is None else look.unit_yield.value)]
        row += [low_bound(look.unit_yield), high_bound(look.unit_yield)]
    row.append(plain(1e3 * look.margin.value, 3))
    if look.deratings:
        row.append(share(min(rule.reached.value for rule in look.deratings)))
    return [*row, standing(result, s)]


def standing(result: SizeResult, s: SizedValue) -> str:
    """Return what is known of a value: ruled out, met, not met, possible."""
    if not s.possible:
        return "ruled out"
    found = next((j for j in result.judgements if j.value == s.value), None)
    return "possible" if found is None else found.verdict.word


def rests_on(result: SizeResult) -> list[str]:
    """Return what the numbers rest on: effort, seeds, confidence."""
    scan = result.scanned
    places = {condition(s.look.temperature_degC, s.look.age_yr) for s in scan}
    where = next(iter(places)) if len(places) == 1 else "the condition that is nominally hardest for each value"
    deeper = max(s.look.units for s in scan)
    again = f" ({count(deeper)} where it was close)" if deeper > result.scan_units else ""
    lines = [
        f"Scan: {count(result.scan_units)} units a value{again} at {where}, the same "
        f"units for every value (seed {result.provenance.seed}); bounds each at {stated(result.confidence)} "
        f"confidence. Ruled out are values of which a bound says so, {stated(result.confidence)} sure of all of them "
        f"together (Bonferroni over {count(result.tested)} tests)."
    ]
    if result.judgements:
        first = result.judgements[0]
        judged = f"{count(first.units)} units in every condition" if first.units else "derating rules alone"
        some, many = (count(n) for n in first.derating_units)
        rated = f"; for derating rules {some}, and {many} where a rule is nominally nearest to being broken, so that "
        rated += "its weakest bound may stand elsewhere"
        lines.append(
            f"Confirmed with seed {first.seed}, which chose nothing: {judged}{rated if first.deratings else ''}. "
            f"Values shown meet the requirement all together at {stated(result.confidence)} confidence: the choice is "
            "tested first at that, then outwards each side at half of what may go wrong, up to the first not shown."
        )
    if result.ties:
        lines.append(f"Tied to it: {', '.join(result.ties)}.")
    lines += [f"Not scanned: {spelled(result.variable, v)}, {reason}." for v, reason in result.refused]
    return lines


def _map_lines(result: MapResult) -> list[str]:
    a, b = result.first, result.second
    if result.choice is None:
        head = f"NO PAIR of {a.key} and {b.key} meets the requirement: all that were scanned are ruled out."
    else:
        pair = f"{a.key} = {spelled(a, result.choice[0])}, {b.key} = {spelled(b, result.choice[1])}"
        found = result.judgement
        shown = "" if found is None else f" {found.verdict.reason}"
        word = "POSSIBLE" if found is None else result.word.upper()
        head = f"{word} with {pair}.{shown}"
    marks = []
    for i, first in enumerate(result.first_values):
        row = [spelled(a, first)]
        for j, second in enumerate(result.second_values):
            look = result.look(i, j)
            chosen = result.choice == (first, second)
            row.append("*" if chosen else "/" if look is None else "." if look.ruled_out is None else "x")
        marks.append(row)
    star = "chosen" if result.judgement is None else "run in every condition"
    headers = [f"{a.key}\n{b.key} ->", *(f"\n{spelled(b, second)}" for second in result.second_values)]
    lines = [
        *wrapped(head),
        "",
        *columns(headers, marks),
        *wrapped(
            f". possible, x ruled out, / an impossible design, * {star}. {count(result.scan_units)} units a pair in "
            f"the condition that is nominally hardest, the same ones for every pair (seed {result.provenance.seed}); "
            f"all pairs ruled out are so together at {stated(result.confidence)} confidence (Bonferroni over "
            f"{count(result.tested)} tests). Nothing is shown of other possible pairs."
        ),
    ]
    if result.judgement is not None:
        run = result.judgement
        lines += wrapped(f"Confirmed with seed {run.seed}: {count(run.units)} units in every condition.")
    return [*lines, *wrapped(f"Tied: {', '.join(result.ties)}.")] if result.ties else lines


# --- tables ---------------------------------------------------------------------------------------------------------


def table(result: SizeResult | MapResult) -> pd.DataFrame:
    """Return one row a scanned value, or a pair: shares with their one-sided bounds, and what is known of it."""
    if isinstance(result, MapResult):
        return pd.DataFrame(pair_rows(result))
    rows: list[dict[str, Any]] = []
    for s in result.scanned:
        row = {k: v for k, v in row_of(result, s).items() if k != "changes"}
        row["standing"] = standing(result, s)
        row["units"] = s.look.units
        row |= {key: value for key, value in s.changes.items() if key != result.variable.key}
        rows.append(row)
    return pd.DataFrame(rows)


def summary_rows(result: SizeResult) -> list[tuple[str, str]]:
    """Return (what, text) rows for a page: the finding, the choice, the window, what it rests on."""
    rows = [("found", headline(result)), *(("window", text) for text in told(result))]
    if result.chosen is not None:
        reached = result.chosen.look.margin
        rows.append(("voltage margin at the 1 % point", engineering(reached.value, "V", signed=True)))
    return [*rows, *(("rests on", text) for text in rests_on(result))]

"""A ranking as text: what decides a margin, or what causes failures, and what to measure next."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from yieldsim.report.changes import change_lines, place_of
from yieldsim.report.grids import Grid, weighty
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import ABSENT, count, engineering, fixed, plain
from yieldsim.report.tails import rare

if TYPE_CHECKING:
    from yieldsim.analysis.ranking import RankedParameter, RankResult
    from yieldsim.analysis.ranking_of_failure import FailureCause, FailureRankResult
    from yieldsim.analysis.rankings.correlating import Member
    from yieldsim.analysis.rankings.measuring import MeasureNext

NAME = 43  # letters for the name and the basis of a parameter
_CORRELATED = 10  # rows of rank correlations
_MEASURED = 5  # parameters to measure next
_WIDE = 34  # letters for their names


def lines_of(result: Any) -> list[str]:
    """Return the lines of a ranking of a margin, or of failure."""
    return failure_lines(result) if result.response == "failure" else margin_lines(result)


def margin_lines(result: RankResult) -> list[str]:
    """Return the lines of a ranking by shares of variance."""
    shown = weighty(result)
    rows = [
        ([p.name, p.level, p.basis], (p.first, p.first_low, p.first_high, p.total, p.total_low, p.total_high))
        for p in shown
    ]
    idle = [p for p in result.parameters if p not in shown]
    lines = [
        *wrapped(
            f"What decides the {result.response} {place_of(result)}: mean {engineering(result.mean, result.unit)}, "
            f"standard deviation {engineering(result.standard_deviation, result.unit)}; {count(result.model_calls)} "
            "actuations computed."
        ),
        "Shares of the variance [1]: alone, and in total with everything it works together with.",
        "",
        *_named(["parameter", "level", "basis", "alone", "from", "to", "total", "from", "to"], rows, 3),
    ]
    if idle:
        lines += wrapped(
            "No influence seen, or next to none: " + ", ".join(f"{p.name} ({p.level})" for p in idle) + "."
        )
    levels = ", ".join(f"{name} {fixed(value, 3)}" for name, value in result.by_level.items())
    lines += wrapped(f"By level, first order [1]: {levels}.")
    for p in shown:
        lines += _together(p)
    return [
        *lines,
        *_correlations(shown),
        *_next(result.measure_next, "the variance may change, in shares of the present one,"),
    ]


def _named(headers: list[str], rows: Sequence[tuple[list[str], Sequence[float | None]]], digits: int) -> list[str]:
    """Lines of a table of names, level and basis and of numbers; long names take more than one line."""
    wide = NAME - max((len(words[-1]) for words, _ in rows), default=0)
    table: list[list[str]] = []
    for words, numbers in rows:
        first, *more = textwrap.wrap(words[0], wide, break_on_hyphens=False)
        told = [ABSENT if x is None else fixed(x, digits) for x in numbers]
        table.append([first, *words[1:], *told])
        table += [[f"  {part}", *[""] * (len(headers) - 1)] for part in more]
    return columns(headers, table, left=len(rows[0][0]) if rows else 3)


def _together(p: RankedParameter) -> list[str]:
    """What the share of correlated parameters means."""
    if not p.members:
        return []
    each = ", ".join(f"{m.name} {_of_member(m)}" for m in p.members)
    effects = "Shapley effects, which share the variance out [1]" if p.members[0].shapley is not None else ""
    told = effects or "Rank correlations, which overlap [1]"
    return wrapped(
        f"{' and '.join(m.name for m in p.members)} are drawn together: the shares are of all of them at once and do "
        f"not divide between them. {told}: {each}."
    )


def _of_member(m: Member) -> str:
    if m.shapley is None:
        return fixed(m.rank_correlation, 2, signed=True)
    return f"{fixed(m.shapley, 3)} ({fixed(m.shapley_low or 0.0, 3)} to {fixed(m.shapley_high or 0.0, 3)})"


def _correlations(shown: Sequence[RankedParameter]) -> list[str]:
    """Direction and steadiness of each dependence, and how firm its place is."""
    rows = [
        (
            [p.name, p.level],
            (
                p.rank_correlation,
                p.rank_correlation_low,
                p.rank_correlation_high,
                p.partial_rank_correlation,
                p.partial_rank_correlation_low,
                p.partial_rank_correlation_high,
                p.keeps_place,
            ),
        )
        for p in shown[:_CORRELATED]
    ]
    if all(numbers[0] is None for _, numbers in rows):
        return []
    headers = ["parameter", "level", "by\nranks", "from", "to", "others\nheld", "from", "to", "keeps\nplace"]
    return [
        "",
        "Rank correlation [1], and the probability that a place would stay were the points drawn anew [1]:",
        *_named(headers, rows, 2),
    ]


def _next(found: Sequence[MeasureNext], meaning: str) -> list[str]:
    if not found:
        return []
    rows: list[list[str]] = []
    for row in found[:_MEASURED]:
        width = f"{plain(row.width_low, 2)} to {plain(row.width_high, 2)}"
        numbers = [fixed(row.share, 3), width, fixed(row.swing, 2)]
        first, *more = textwrap.wrap(row.name, _WIDE, break_on_hyphens=False)
        basis = row.basis if row.sample_size is None else f"{row.basis}, {count(row.sample_size)} parts"
        rows.append([first, row.level, basis, *numbers])
        rows += [[f"  {part}", *[""] * 5] for part in more]
    headers = ["measure next", "level", "basis", "share\n[1]", "true width over\nstated [1]", "settles\n[1]"]
    return [
        "",
        *columns(headers, rows, left=3),
        *wrapped(f"Settles: by how much {meaning} within the widths that its basis leaves plausible."),
    ]


def failure_lines(result: FailureRankResult) -> list[str]:
    """Return the lines of a ranking of failure itself."""
    shown = [row for row in result.parameters if row.influence]
    idle = [row for row in result.parameters if not row.influence]
    lines = wrapped(
        f"What causes failures for want of energy {place_of(result)}: {count(result.failing)} failing actuations "
        f"({result.sample}, {count(result.model_calls)} computed); an actuation fails with a probability of "
        f"{rare(result.failure)} ({rare(result.failure_low)} to {rare(result.failure_high)})."
    )
    if result.flag is not None:
        lines += wrapped(f"NOT TO BE RELIED ON YET: {result.flag}.")
    if shown:
        headers = [
            "parameter",
            "level",
            "basis",
            "influ-\nence",
            "from",
            "to",
            "share\n[1]",
            "shift\n[1]",
            "fails\nwhen",
        ]
        rows = [(row, place) for place, row in enumerate(shown, start=1)]
        lines += ["", *_causes(headers, [row for row, _ in rows])]
        lines += wrapped(
            "Influence [nat]: what it tells about the draw that an actuation failed. Shift: mean among failures, in "
            "standard deviations. = marks a row that is not shown to be stronger than the one below."
        )
    if idle:
        told = ", ".join(f"{row.name} ({row.level})" for row in idle)
        lines += wrapped(f"No influence on failure shown: {told}.")
    return [*lines, *_next(result.measure_next, "its share may change"), *change_lines(result)]


def _causes(headers: list[str], shown: Sequence[FailureCause]) -> list[str]:
    wide = NAME - 1 - max(len(row.basis) for row in shown)
    table: list[list[str]] = []
    for row in shown:
        first, *more = textwrap.wrap(row.name, wide, break_on_hyphens=False)
        numbers = (row.influence_nat, row.influence_low_nat, row.influence_high_nat, row.share)
        told = [fixed(x, 3) for x in numbers]
        mark = "= " if row.tied else "  "
        table.append(
            [mark + first, row.level, row.basis, *told, fixed(row.shift, 2, signed=bool(row.side)), row.side or ABSENT]
        )
        table += [[f"    {part}", *[""] * (len(headers) - 1)] for part in more]
    return columns(headers, table, left=3)


# --- tables of the page -------------------------------------------------------------------------------------


def measure_next_grid(found: Sequence[MeasureNext]) -> Grid:
    """Return what to measure next, the most first."""
    rows = tuple(
        (
            row.name,
            row.level,
            row.reason,
            fixed(row.share, 3),
            f"{plain(row.width_low, 2)} to {plain(row.width_high, 2)}",
            fixed(row.swing, 2),
        )
        for row in found
    )
    headers = ("parameter", "level", "because", "share [1]", "true width over stated [1]", "settles [1]")
    return Grid(headers, rows, 3)


def causes_grid(result: FailureRankResult) -> Grid:
    """Return the causes of failure whose influence is shown, strongest first; tied rows are marked by =."""
    rows = tuple(
        (
            f"= {row.name}" if row.tied else row.name,
            row.level,
            row.basis,
            *(fixed(x, 3) for x in (row.influence_nat, row.influence_low_nat, row.influence_high_nat, row.share)),
            fixed(row.shift, 2, signed=bool(row.side)),
            row.side or ABSENT,
        )
        for row in result.parameters
        if row.influence
    )
    headers = ("parameter", "level", "basis", "influence [nat]", "from", "to", "share [1]", "shift [1]", "fails when")
    return Grid(headers, rows, 3)

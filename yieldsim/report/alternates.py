"""The yield with each approved source, as text and as a table: the verdict over all of them first."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import pandas as pd

from yieldsim.analysis.alternates import MIXTURE
from yieldsim.report.grids import Grid
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import (
    ABSENT,
    condition,
    count,
    high_bound,
    low_bound,
    share,
    share_with_bounds,
    stated,
)
from yieldsim.report.point_sets import point_set_lines

if TYPE_CHECKING:
    from yieldsim.analysis.alternates import AlternatesResult, SourceYield

_NAME = 30  # letters of a name in a row


def lines_of(result: AlternatesResult) -> list[str]:
    """Return the lines of the yields with each source."""
    verdict = result.verdict
    word = "NO REQUIREMENT" if verdict.word == "none" else verdict.word.upper()
    title = "".join(c if c.isprintable() else " " for c in result.provenance.title)
    lines = [*wrapped(f"{word}: {title}"), *wrapped(verdict.reason)]
    if verdict.more_units:
        lines += wrapped(f"About {count(verdict.more_units)} more units of that source would decide it.")
    return [*lines, "", *_table(result), *_rule(result), *point_set_lines(result.sources[0].yields.points)]


def _table(result: AlternatesResult) -> list[str]:
    shown = grid(result)
    rows = []
    for name, *numbers in shown.rows:
        first, *more = textwrap.wrap(name, _NAME - 6 if result.rule == MIXTURE else _NAME, break_on_hyphens=False)
        rows += [[first, *numbers], *([f"  {part}", *[""] * len(numbers)] for part in more)]
    return columns(list(shown.headers), rows)


def grid(result: AlternatesResult) -> Grid:
    """Return a row a source."""
    mixed = result.rule == MIXTURE
    headers = ["source", *(["share"] if mixed else [])]
    headers += ["units that\ncomply", "at least", "at most", "worst condition", "complete\nthere"]
    headers.append("by itself" if mixed else "verdict")
    rows = [(s.name, *([share(s.share)] if mixed else []), *_numbers(s)) for s in result.sources]
    return Grid(tuple(headers), tuple(rows), 1)


def _numbers(source: SourceYield) -> list[str]:
    joint, worst = source.yields.joint, source.yields.worst
    return [
        ABSENT if joint is None else share(joint.value),
        low_bound(joint),
        high_bound(joint),
        condition(worst.temperature_degC, worst.age_yr),
        share(worst.completion.value),
        source.yields.verdict.word,
    ]


def _rule(result: AlternatesResult) -> list[str]:
    each = stated(round(result.each_confidence, 6))
    if result.rule == MIXTURE:
        lines = [] if result.joint is None else wrapped(f"Of all units {share_with_bounds(result.joint)} comply.")
        return lines + wrapped(
            f"Units are a mixture of the sources. Each row's bounds hold at {each} confidence, so that all hold "
            f"together at {stated(result.confidence)}; a derating rule must hold for every source."
        )
    return wrapped(
        f"Nobody knows which unit gets which source, and what is required must hold for each. Bounds are one-sided, "
        f"each at {each} confidence for its source by itself. `--alternate NAME` shows one of them whole."
    )


def table(result: AlternatesResult) -> pd.DataFrame:
    """One row a source and condition: shares with their one-sided bounds."""
    rows = []
    for source in result.sources:
        for cell in source.yields.payload()["cells"]:
            kept = {key: value for key, value in cell.items() if not isinstance(value, dict | list | tuple)}
            rows.append({"source": source.name, "share": source.share, **kept})
    return pd.DataFrame(rows)

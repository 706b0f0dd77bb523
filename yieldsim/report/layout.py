"""Text of a fixed width: paragraphs and aligned columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from yieldsim.report.numbers import tied

WIDTH = 100
_GAP = "  "


def columns(headers: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Lines of an aligned table, the first ``left`` columns flush left; a header may have two lines."""
    split = [header.split("\n") for header in headers]
    depth = max(len(parts) for parts in split)
    split = [[""] * (depth - len(parts)) + parts for parts in split]
    table = [[split[k][d] for k in range(len(headers))] for d in range(depth)] + [list(row) for row in rows]
    widths = [max(len(line[k]) for line in table) for k in range(len(headers))]
    lines = [
        _GAP.join(
            cell.ljust(w) if k < left else cell.rjust(w) for k, (cell, w) in enumerate(zip(line, widths, strict=True))
        )
        for line in table
    ]
    return [*lines[:depth], _GAP.join("-" * w for w in widths), *lines[depth:]]


def wrapped(text: str, indent: str = "") -> list[str]:
    """Lines of a paragraph, each after ``indent``; numbers stay with their units."""
    return textwrap.wrap(
        tied(text), WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    ) or [""]

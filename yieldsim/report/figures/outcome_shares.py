"""How actuations fail, condition by condition, on an axis where one in a million is readable."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yieldsim.report.figures import style
from yieldsim.report.numbers import plain, share, small_share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.yields import CellYield, YieldResult


_MARK = 6.4  # distance of two marks that touch nearly, with their edges [pt]
_ROW = 19.4  # least height of a row [pt]
_AXIS = 320.0  # least length of the axis of shares, on which marks can come close [pt]


def draw(result: YieldResult) -> Figure:
    """One row a condition, one mark an outcome that occurred; the completing share at the right."""
    cells = result.cells
    kinds = kinds_of(result)
    with style.drawing_style():
        seen = [cell.outcomes[k] for cell in cells for k in kinds if cell.outcomes.get(k, 0.0) > 0.0]
        lowest = 10.0 ** math.floor(math.log10(min([*seen, 1e-4]) * 0.8))
        lanes = [_lanes(cell, kinds, -math.log10(lowest) * _MARK / _AXIS) for cell in cells]
        row = max(_ROW, *(_MARK * (2 * max(map(abs, lane.values()), default=0) + 1) for lane in lanes))
        legend = 0.16 * math.ceil(max(len(kinds), 1) / 4)
        figure = style.new_figure(1.35 + row / 72 * max(len(cells), 5) + legend)
        style.heading(figure, "How actuations fail")
        axes = figure.add_subplot()
        axes.set_xscale("log")
        axes.set_xlim(lowest, 1.0)
        _rows(axes, cells, lowest)
        for k, kind in enumerate(kinds):
            shifts = [lane.get(kind, 0) * _MARK / row for lane in lanes]
            _marks(axes, cells, shifts, k, kinds)
        _allowance(axes, result)
        decades = [10.0**k for k in range(round(math.log10(lowest)), 1)]
        axes.set_xticks(decades, [small_share(d, digits=1) for d in decades])
        axes.minorticks_off()
        axes.set_xlabel("share of actuations [logarithmic]")
        if kinds:
            figure.legend(loc="outside lower center", ncols=min(4, len(kinds)), handletextpad=0.3, columnspacing=1.4)
    return figure


def kinds_of(result: YieldResult) -> list[str]:
    """Return the failing outcomes that occurred anywhere, the most frequent first."""
    totals: dict[str, float] = {}
    for cell in result.cells:
        for kind, value in cell.outcomes.items():
            if kind != "complete" and value > 0.0:
                totals[kind] = totals.get(kind, 0.0) + value
    return sorted(totals, key=lambda kind: (-totals[kind], kind))


def _rows(axes: Axes, cells: tuple[CellYield, ...], lowest: float) -> None:
    """Bands by age, names of the conditions, completing share at the right."""
    labels = [f"{plain(cell.temperature_degC)} \u00b0C, {plain(cell.age_yr)} yr" for cell in cells]
    axes.set_yticks(range(len(cells)), labels)
    axes.set_ylim(len(cells) - 0.5, -0.5)
    axes.set_ylabel("temperature [\u00b0C], age [yr]")
    ages = sorted({cell.age_yr for cell in cells})
    for row, cell in enumerate(cells):
        if ages.index(cell.age_yr) % 2 == 0:
            axes.axhspan(row - 0.5, row + 0.5, color=style.WASH, linewidth=0, zorder=0)
        failing = sorted(value for kind, value in cell.outcomes.items() if kind != "complete" and value > 0.0)
        if failing:
            axes.plot([lowest, failing[-1]], [row, row], color=style.FAINT, linewidth=0.8, zorder=1)
        else:
            axes.text(
                lowest * 1.25,
                row,
                "no failure seen",
                va="center",
                fontsize=7,
                color=style.MUTED,
                style="italic",
            )
        axes.annotate(
            share(cell.completion.value),
            (1.0, row),
            xytext=(6, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
    axes.annotate(
        "complete",
        (1.0, 1.0),
        xytext=(6, 4),
        xycoords="axes fraction",
        textcoords="offset points",
        fontsize=7.5,
        color=style.MUTED,
    )
    style.quiet(axes, "left")
    axes.grid(axis="x")


def _lanes(cell: CellYield, kinds: list[str], gap: float) -> dict[str, int]:
    """Lane of each mark of a row: 0, or the nearest free one where marks are within ``gap`` [decades]."""
    placed: dict[str, int] = {}
    found = {kind: math.log10(cell.outcomes[kind]) for kind in kinds if cell.outcomes.get(kind, 0.0) > 0.0}
    for kind, at in found.items():
        taken = {placed[other] for other in placed if abs(found[other] - at) < gap}
        placed[kind] = next(lane for lane in sorted(range(-len(kinds), len(kinds) + 1), key=abs) if lane not in taken)
    return placed


def _marks(axes: Axes, cells: tuple[CellYield, ...], shifts: list[float], k: int, kinds: list[str]) -> None:
    colour, marker = style.SERIES[k % len(style.SERIES)]
    kind = kinds[k]
    points = [
        (cell.outcomes[kind], row + shift)
        for row, (cell, shift) in enumerate(zip(cells, shifts, strict=True))
        if cell.outcomes.get(kind, 0.0) > 0.0
    ]
    axes.plot(
        [x for x, _ in points],
        [y for _, y in points],
        linestyle="none",
        marker=marker,
        markersize=5.2,
        color=colour,
        markerfacecolor=colour if k < len(style.SERIES) else style.PAPER,
        markeredgecolor=style.PAPER if k < len(style.SERIES) else colour,
        markeredgewidth=0.5,
        label=kind,
        clip_on=False,
        zorder=3 + len(kinds) - k,
    )


def _allowance(axes: Axes, result: YieldResult) -> None:
    requirement = result.requirement
    if requirement is None or requirement.completion is None or requirement.completion >= 1.0:
        return
    allowed = 1.0 - requirement.completion
    axes.axvline(allowed, color=style.INK, linewidth=1.0, linestyle=(0, (4, 2)), zorder=2)
    axes.annotate(
        f"allowed to a unit: {stated(allowed)}",
        (allowed, 1.0),
        xytext=(0, 4),
        xycoords=("data", "axes fraction"),
        textcoords="offset points",
        ha="center",
        fontsize=7.5,
        color=style.INK,
    )

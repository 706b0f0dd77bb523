"""How far from failing: reserve and voltage margin at each condition, with the line they must not cross."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from numpy.typing import NDArray

from yieldsim.report.figures import style
from yieldsim.report.numbers import plain, small_share

if TYPE_CHECKING:
    from yieldsim.analysis.histograms import Histogram
    from yieldsim.analysis.yields import CellYield, YieldResult

_RISE = 0.82  # height of the tallest ridge, in rows
LOW = 0.001  # probability of the low point of the reserve that is marked


def draw(result: YieldResult) -> Figure:
    """Draw a ridge a condition: reserve filled, voltage margin as a line, hatched below zero."""
    cells = result.cells
    low, high = _range(cells)
    with style.drawing_style():
        figure = style.new_figure(1.25 + 0.38 * max(len(cells), 4))
        style.heading(figure, "How far from failing")
        axes = figure.add_subplot()
        for row, cell in enumerate(cells):
            _ridge(axes, cell, row, low, high)
        axes.axvline(0.0, color=style.INK, linewidth=1.0, zorder=6)
        axes.set_xlim(low, high)
        axes.set_ylim(len(cells) - 0.5, -0.95)
        axes.set_yticks(
            range(len(cells)), [f"{plain(c.temperature_degC)} \u00b0C, {plain(c.age_yr)} yr" for c in cells]
        )
        axes.set_ylabel("temperature [\u00b0C], age [yr]")
        axes.set_xlabel("input voltage above the need [V]")
        axes.set_title("heights: square root of the density, each row to its own scale")
        axes.annotate(
            "lacked energy",
            (1.0, 1.0),
            xytext=(0, 4),
            xycoords="axes fraction",
            textcoords="offset points",
            ha="center",
            fontsize=7.5,
            color=style.MUTED,
        )
        style.quiet(axes, "left")
        _legend(figure, axes)
    return figure


def _range(cells: tuple[CellYield, ...]) -> tuple[float, float]:
    """Limits of the axis [V]: all bins that hold anything, and zero."""
    ends = [0.0]
    for cell in cells:
        for histogram in (cell.reserve, cell.margin):
            filled = np.flatnonzero(histogram.counts)
            if filled.size:
                ends += [histogram.edges[filled[0]], histogram.edges[filled[-1] + 1]]
    low, high = min(ends), max(ends)
    room = 0.04 * max(high - low, 1e-3)
    return low - room, high + room


def _density(histogram: Histogram) -> NDArray[np.float64]:
    """Share of the actuations per volt in each bin [1/V]."""
    total = sum(histogram.counts) + histogram.below + histogram.above
    share: NDArray[np.float64] = np.asarray(histogram.counts) / max(total, 1) / np.diff(histogram.edges)
    return share


def _ridge(axes: Axes, cell: CellYield, row: int, low: float, high: float) -> None:
    """Draw the two distributions of one condition on the line ``row``, by square roots for thin tails."""
    reserve, margin = np.sqrt(_density(cell.reserve)), np.sqrt(_density(cell.margin))
    top = max(reserve.max(initial=0.0), margin.max(initial=0.0), 1e-12)
    layer = 2 + 0.01 * row  # a lower row covers the one above it
    axes.plot([low, high], [row, row], color=style.FAINT, linewidth=0.6, zorder=layer)
    body = axes.stairs(row - _RISE * reserve / top, cell.reserve.edges, baseline=float(row), fill=True)
    body.set(facecolor=style.SKY, edgecolor="none", linewidth=0.0, zorder=layer + 0.001)
    height = row - _RISE * margin / top
    if cell.margin.edges[0] < 0.0:
        lacking = axes.stairs(height, cell.margin.edges, baseline=float(row), fill=True)
        lacking.set(facecolor=style.VERMILION, hatch="/////", edgecolor=style.PAPER, linewidth=0.0)
        lacking.set_zorder(layer + 0.002)
        lacking.set_clip_path(Rectangle((low, -1.0), -low, row + 2.0, transform=axes.transData))
    axes.stairs(height, cell.margin.edges, baseline=float(row), color=style.INK, linewidth=0.8, zorder=layer + 0.003)
    _points(axes, cell, row)


def _points(axes: Axes, cell: CellYield, row: int) -> None:
    """Mark two quantiles of the reserve, and write how often energy lacked."""
    points = cell.quantiles.get("reserve_V", {})
    for probability, marker, size in ((LOW, "|", 7.0), (0.5, "o", 3.6)):
        if probability in points:
            axes.plot(
                points[probability],
                row,
                color=style.BLUE,
                marker=marker,
                markersize=size,
                markeredgewidth=1.6,
                zorder=8,
            )
    axes.annotate(
        small_share(max(1.0 - cell.energy_sufficed.value, 0.0)),
        (1.0, row),
        xytext=(6, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="bottom",
        fontsize=7.5,
    )


def _legend(figure: Figure, axes: Axes) -> None:
    handles = [
        Line2D([], [], color=style.INK, linewidth=0.8, label="voltage margin"),
        Patch(facecolor=style.VERMILION, hatch="/////", edgecolor=style.PAPER, label="below zero: energy lacked"),
        Patch(facecolor=style.SKY, label="reserve"),
        Line2D(
            [],
            [],
            color=style.BLUE,
            marker="|",
            markersize=7,
            markeredgewidth=1.8,
            linestyle="none",
            label="its 0.1 % point",
        ),
        Line2D([], [], color=style.BLUE, marker="o", markersize=3.6, linestyle="none", label="its median"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=5, handletextpad=0.5, columnspacing=1.4)

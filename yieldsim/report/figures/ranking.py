"""What decides the response: first-order and total indices with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from yieldsim.report.changes import place_of
from yieldsim.report.figures import style
from yieldsim.report.numbers import engineering

if TYPE_CHECKING:
    from yieldsim.analysis.ranking import RankedParameter, RankResult

SHOWN = 14  # parameters; the rest is counted above the rows
_LEAST = 0.005  # upper end of a total index below which a parameter is not drawn


def draw(result: RankResult) -> Figure:
    """Draw a row a parameter, strongest first: total index filled, first-order index hollow."""
    shown = [p for p in result.parameters if p.influence and p.total_high >= _LEAST][:SHOWN]
    shown = shown or list(result.parameters[:3])
    left = len(result.parameters) - len(shown)
    with style.drawing_style():
        figure = style.new_figure(1.35 + 0.27 * max(len(shown), 3))
        style.heading(figure, f"What decides the {result.response} {place_of(result)}")
        axes = figure.add_subplot()
        for row, parameter in enumerate(shown):
            _row(axes, parameter, row)
        axes.set_ylim(len(shown) - 0.5, -0.5)
        axes.set_yticks(range(len(shown)), [p.name for p in shown])
        axes.set_ylabel("parameter")
        axes.set_xlabel("share of the variance [1]")
        axes.axvline(0.0, color=style.MUTED, linewidth=0.7)
        axes.set_xlim(left=min(0.0, *(min(p.first_low, p.total_low) for p in shown)) - 0.01)
        axes.grid(axis="x")
        style.quiet(axes, "left")
        mean, deviation = (engineering(x, result.unit) for x in (result.mean, result.standard_deviation))
        spread = f"{mean} mean, {deviation} standard deviation"
        axes.set_title(spread + (f"; {left} more without a seen influence or smaller" if left > 0 else ""))
        _legend(figure, shown)
    return figure


def _row(axes: Axes, parameter: RankedParameter, row: int) -> None:
    colour, marker = style.LEVELS.get(parameter.level, (style.PURPLE, "v"))
    if row % 2 == 0:
        axes.axhspan(row - 0.5, row + 0.5, color=style.WASH, linewidth=0, zorder=0)
    for y, low, value, high, filled in (
        (row - 0.14, parameter.total_low, parameter.total, parameter.total_high, True),
        (row + 0.18, parameter.first_low, parameter.first, parameter.first_high, False),
    ):
        axes.plot([low, high], [y, y], color=colour, linewidth=1.3, zorder=2)
        axes.plot(
            value,
            y,
            marker=marker,
            markersize=5.0,
            color=colour,
            linestyle="none",
            markerfacecolor=colour if filled else style.PAPER,
            markeredgewidth=1.1,
            zorder=3,
        )
    axes.annotate(
        parameter.basis,
        (1.0, row),
        xytext=(6, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="center",
        fontsize=7.5,
        color=style.INK if parameter.basis == "assumed" else style.MUTED,
        fontweight="bold" if parameter.basis == "assumed" else "normal",
    )


def _legend(figure: Figure, shown: list[RankedParameter]) -> None:
    levels = [level for level in style.LEVELS if any(p.level == level for p in shown)]
    handles = [
        Line2D(
            [],
            [],
            color=style.LEVELS[level][0],
            marker=style.LEVELS[level][1],
            markersize=5,
            linewidth=1.3,
            label=style.drawn_per(level),
        )
        for level in levels
    ]
    handles.append(Line2D([], [], color=style.MUTED, marker="o", markersize=5, linewidth=1.3, label="total"))
    handles.append(
        Line2D(
            [],
            [],
            color=style.MUTED,
            marker="o",
            markersize=5,
            linewidth=1.3,
            markerfacecolor=style.PAPER,
            label="alone (first order)",
        )
    )
    figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), columnspacing=1.4)

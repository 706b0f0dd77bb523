"""What causes failures: the influence of each parameter on failure with its interval, and to which side it fails."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from yieldsim.report.changes import place_of
from yieldsim.report.figures import style
from yieldsim.report.numbers import count, fixed
from yieldsim.report.tails import rare

if TYPE_CHECKING:
    from yieldsim.analysis.ranking_of_failure import FailureCause, FailureRankResult

SHOWN = 14  # parameters; the rest is counted above the rows


def draw(result: FailureRankResult) -> Figure:
    """Draw a row a parameter, strongest first; tied rows are those of which the upper is not shown to be stronger."""
    shown = [row for row in result.parameters if row.influence][:SHOWN] or list(result.parameters[:3])
    left = len(result.parameters) - len(shown)
    with style.drawing_style():
        figure = style.new_figure(1.35 + 0.27 * max(len(shown), 3))
        style.heading(figure, f"What causes failures for want of energy {place_of(result)}")
        axes = figure.add_subplot()
        for place, row in enumerate(shown):
            _row(axes, row, place, tied=row.tied and place + 1 < len(shown))
        axes.set_ylim(len(shown) - 0.5, -0.5)
        axes.set_yticks(range(len(shown)), [row.name for row in shown])
        axes.set_ylabel("parameter")
        axes.set_xlabel("influence on failure [nat]")
        finite = [row.influence_high_nat for row in shown if row.influence_high_nat < float("inf")]
        axes.set_xlim(0.0, 1.08 * max(finite, default=1.0) or 1.0)
        axes.grid(axis="x")
        style.quiet(axes, "left")
        told = f"{count(result.failing)} failing actuations; failure probability {rare(result.failure)}"
        axes.set_title(told + (f"; {left} more without a shown influence or weaker" if left > 0 else ""))
        _legend(figure, shown)
    return figure


def _row(axes: Axes, row: FailureCause, place: int, *, tied: bool) -> None:
    colour, marker = style.LEVELS.get(row.level, (style.PURPLE, "v"))
    if place % 2 == 0:
        axes.axhspan(place - 0.5, place + 0.5, color=style.WASH, linewidth=0, zorder=0)
    high = min(row.influence_high_nat, 1e3)
    axes.plot([row.influence_low_nat, high], [place, place], color=colour, linewidth=1.3, zorder=2)
    axes.plot(row.influence_nat, place, marker=marker, markersize=5.0, color=colour, linestyle="none", zorder=3)
    if tied:
        axes.annotate(
            "tied", (1.0, place + 0.5), xytext=(-4, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
            ha="right", va="center", fontsize=6.5, color=style.MUTED,
        )  # fmt: skip
    side = f"fails {row.side}, {fixed(row.shift, 1, signed=True)}" if row.side else ""
    axes.annotate(
        side, (1.0, place), xytext=(6, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
        va="center", fontsize=7.5, color=style.INK,
    )  # fmt: skip


def _legend(figure: Figure, shown: list[FailureCause]) -> None:
    levels = [level for level in style.LEVELS if any(row.level == level for row in shown)]
    handles = [
        Line2D(
            [], [], color=style.LEVELS[level][0], marker=style.LEVELS[level][1], markersize=5, linewidth=1.3,
            label=style.drawn_per(level),
        )
        for level in levels
    ]  # fmt: skip
    figure.legend(handles=handles, loc="outside lower center", ncols=max(len(handles), 1), columnspacing=1.4)

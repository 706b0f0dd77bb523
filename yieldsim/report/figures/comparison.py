"""B less A in every condition: the interval of the pairs, over that of two independent runs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, stated

if TYPE_CHECKING:
    from yieldsim.analysis.comparison import ComparisonResult
    from yieldsim.analysis.comparisons.difference import Difference

_LOOK = {"better": (style.BLUE, "o"), "worse": (style.VERMILION, "s")}
_OPEN = (style.MUTED, "D")


def draw(result: ComparisonResult) -> Figure:
    """Draw one panel for the units that comply and one for the actuations that complete, a row a condition."""
    panels = [("actuations that complete", [result.completion, *(cell.completion for cell in result.cells)])]
    units = [result.unit_yield, *(cell.unit_yield for cell in result.cells)]
    known = [d for d in units if d is not None]
    if len(known) == len(units):
        panels.insert(0, ("units that comply", known))
    first = "over the mission" if result.scope == "over the mission" else "all conditions"
    names = [first, *(condition(cell.temperature_degC, cell.age_yr) for cell in result.cells)]
    with style.drawing_style():
        figure = style.new_figure(1.75 + 0.25 * len(names))
        style.heading(
            figure, f"B against A: B is {result.word}" if result.word in _LOOK else f"B against A: {result.word}"
        )
        axes = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
        for one, (title, differences) in zip(axes, panels, strict=True):
            _panel(one, title, differences)
        axes[0].set_yticks(range(len(names)), names)
        axes[0].set_ylim(len(names) - 0.5, -0.5)
        axes[0].set_ylabel("condition")
        _legend(figure, result)
    return figure


def _panel(axes: Axes, title: str, differences: list[Difference]) -> None:
    for row, d in enumerate(differences):
        colour, marker = _LOOK.get(d.word, _OPEN)
        low, high = (100.0 * x for x in (d.apart.low, d.apart.high))
        axes.plot([low, high], [row, row], color=style.FAINT, linewidth=5.0, zorder=1)
        low, high = (100.0 * x for x in (d.difference.low, d.difference.high))
        axes.plot([low, high], [row, row], color=colour, linewidth=1.6, zorder=2)
        axes.plot(100.0 * d.difference.value, row, marker=marker, color=colour, markersize=4.5, zorder=3)
    axes.axvline(0.0, color=style.INK, linewidth=0.8, zorder=1.5)
    axes.axhline(0.5, color=style.GREY, linewidth=0.6)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.set_xlabel("B less A [percentage points]")
    axes.set_title(title)
    axes.grid(axis="x")
    style.quiet(axes, "left")


def _legend(figure: Figure, result: ComparisonResult) -> None:
    handles = [
        Line2D([], [], color=colour, marker=marker, markersize=4.5, linewidth=1.6)
        for colour, marker in (*_LOOK.values(), _OPEN)
    ]
    handles.append(Line2D([], [], color=style.FAINT, linewidth=5.0))
    sure = stated(result.confidence)
    names = ["B is better", "B is worse", "sign left open", "two independent runs"]
    figure.legend(
        handles, names, loc="outside lower left", ncols=4, title=f"estimate between one-sided bounds at {sure} each",
        title_fontsize=7.5, alignment="left",
    )  # fmt: skip

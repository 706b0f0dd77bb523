"""Failure probabilities far below what a run can count: each condition with its interval, and how it fails."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yieldsim.report.figures import style
from yieldsim.report.numbers import MINUS, condition, fixed

if TYPE_CHECKING:
    from yieldsim.analysis.tail import CellTail, FailurePointOfCell, TailResult

_LEAST = 1e-15  # what is drawn of an interval that reaches 0
_PARAMETERS = 8


def draw(result: TailResult) -> Figure:
    """Draw a row a condition on a logarithmic scale, and below it the failure point of the worst one."""
    cells, point = result.cells, result.worst.most_probable_point
    bars = 0 if point is None else min(len(point.parameters), _PARAMETERS)
    with style.drawing_style():
        figure = style.new_figure(1.5 + 0.24 * len(cells) + (0.7 + 0.24 * bars if bars else 0.0))
        what = {"energy": "fails for want of energy", "completion": "does not complete"}[result.worst.of]
        style.heading(figure, f"How rarely {'an actuation' if result.worst.level == 'actuation' else 'a unit'} {what}")
        if point is not None:
            upper, lower = figure.subplots(2, 1, height_ratios=[len(cells) + 1.5, bars + 1.0])
            _point(lower, result.worst, point)
        else:
            upper = figure.subplots()
        _conditions(upper, cells, result.confidence)
    return figure


def _conditions(axes: Axes, cells: tuple[CellTail, ...], confidence: float) -> None:
    for row, cell in enumerate(cells):
        colour = style.VERMILION if cell.flag is not None else style.BLUE
        low = max(cell.failure_low, _LEAST)
        axes.plot([low, max(cell.failure_high, low)], [row, row], color=colour, linewidth=1.6)
        if cell.failure > 0.0:
            axes.plot(cell.failure, row, marker="X" if cell.flag else "o", markersize=5.0, color=colour)
    seen = [x for cell in cells for x in (cell.failure_low, cell.failure, cell.failure_high) if x > 0.0]
    first = math.floor(math.log10(max(min(seen, default=_LEAST), _LEAST)))
    last = max(math.ceil(math.log10(max(seen, default=1.0))), first + 1)
    axes.set_xscale("log")
    axes.set_xlim(10.0**first, 10.0**last)
    every = max(1, (last - first) // 8)
    ticks = range(first, last + 1, every)
    axes.set_xticks([10.0**k for k in ticks], [f"1e{k}".replace("-", MINUS) if k < 0 else "1" for k in ticks])
    axes.minorticks_off()
    axes.set_ylim(len(cells) - 0.5, -0.5)
    axes.set_yticks(range(len(cells)), [condition(cell.temperature_degC, cell.age_yr) for cell in cells])
    axes.set_ylabel("condition")
    axes.set_xlabel("failure probability [1]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    flagged = sum(cell.flag is not None for cell in cells)
    told = f"estimate and {100 * confidence:g} % interval"
    axes.set_title(told + (f"; {flagged} with doubt (crosses), see the text" if flagged else ""))


def _point(axes: Axes, worst: CellTail, point: FailurePointOfCell) -> None:
    """Draw the scores of the most probable failure point of the worst condition."""
    shown = point.parameters[:_PARAMETERS]
    for row, parameter in enumerate(shown):
        colour = style.LEVELS.get(parameter.level, (style.PURPLE, "v"))[0]
        axes.barh(row, parameter.score, height=0.62, color=colour)
    axes.axvline(0.0, color=style.MUTED, linewidth=0.7)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_yticks(range(len(shown)), [f"{p.name} ({p.level})" for p in shown])
    axes.set_ylabel("parameter")
    axes.set_xlabel("standard scores from its median [1]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    place = condition(worst.temperature_degC, worst.age_yr)
    axes.set_title(f"most probable failure at {place}: {point.cause}, index {fixed(point.reliability_index, 2)}")

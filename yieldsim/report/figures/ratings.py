"""How much of each rating is taken, and how often: a curve a condition, against the rating and what rules leave."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from yieldsim.report.figures import style
from yieldsim.report.numbers import MINUS, condition, engineering, stated

if TYPE_CHECKING:
    from yieldsim.analysis.ratings import RatingCell, RatingsResult


def draw(result: RatingsResult) -> Figure:
    """Draw one panel a rating: the share of the actuations above each share of the rating."""
    names = result.names
    with style.drawing_style():
        figure = style.new_figure(1.3 + 1.45 * len(names))
        style.heading(figure, f"Ratings used: {result.word}")
        rows = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        least = 0.5 / (result.units * result.actuations)
        for axes, name in zip(rows, names, strict=True):
            _panel(axes, [cell for cell in result.cells if cell.of == name], least)
        ends = [max(cell.largest, cell.extreme_value) / cell.rating for cell in result.cells]
        rows[-1].set_xlim(0.0, 1.08 * max(1.0, *ends))
        rows[-1].set_xlabel("share of the rating that is taken [1]")
        _legend(figure, result)
    return figure


def _panel(axes: Axes, cells: list[RatingCell], least: float) -> None:
    worst = cells[0]
    for cell in reversed(cells):
        colour, width = (style.BLUE, 1.6) if cell is worst else (style.GREY, 0.8)
        shown = [(x / cell.rating, y) for x, y in cell.curve if y >= least and x <= cell.largest]
        shown.append((cell.largest / cell.rating, least))
        axes.plot([x for x, _ in shown], [y for _, y in shown], color=colour, linewidth=width)
    for p, found in worst.quantiles.items():
        if math.isfinite(found.low) and math.isfinite(found.high):
            axes.plot(
                [found.low / worst.rating, found.high / worst.rating], [1.0 - p] * 2, color=style.INK, linewidth=2.4
            )
    axes.plot(
        worst.extreme_value / worst.rating, least, marker="X", color=style.VERMILION, markersize=6.0, clip_on=False
    )
    axes.axvline(1.0, color=style.INK, linewidth=1.0)
    if worst.limit is not None:
        axes.axvline(worst.limit / worst.rating, color=style.ORANGE, linewidth=1.2, linestyle=(0, (4, 2)))
    axes.set_yscale("log")
    axes.set_ylim(least, 1.0)
    axes.minorticks_off()
    decades = range(0, math.floor(math.log10(least)), -1)
    ticks = [k for k in decades if 10.0**k >= least]
    every = max(1, math.ceil(len(ticks) / 5))
    axes.set_yticks([10.0**k for k in ticks[::every]], [f"1e{MINUS}{-k}" if k else "1" for k in ticks[::every]])
    axes.set_ylabel("actuations\nabove [1]")
    axes.grid(axis="both")
    place = condition(worst.temperature_degC, worst.age_yr)
    axes.set_title(f"{worst.of}, rated {engineering(worst.rating, worst.unit)}; worst {place}")


def _legend(figure: Figure, result: RatingsResult) -> None:
    handles = [
        Line2D([], [], color=style.BLUE, linewidth=1.6),
        Line2D([], [], color=style.GREY, linewidth=0.8),
        Line2D([], [], color=style.INK, linewidth=2.4),
        Line2D([], [], color=style.VERMILION, marker="X", markersize=6.0, linewidth=0.0),
        Line2D([], [], color=style.INK, linewidth=1.0),
    ]
    names = ["worst condition", "other conditions", f"quantile bounds at {stated(result.confidence)} each"]
    names += ["worst case, every tolerance at its extreme", "rating"]
    if any(cell.limit is not None for cell in result.cells):
        handles.append(Line2D([], [], color=style.ORANGE, linewidth=1.2, linestyle=(0, (4, 2))))
        names.append("what a derating rule leaves")
    figure.legend(handles, names, loc="outside lower left", ncols=3)

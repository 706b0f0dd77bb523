"""What was drawn for one actuation: each value on its way from the nominal to its limit, the farthest first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, difference_text, quantity

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult

_MOST = 24  # parameters shown
_BEYOND = 1.6  # share of the way to a limit at which a mark stops


def draw(result: ActuationResult) -> Figure:
    """One row a parameter: a mark between its limits, the value and its nominal at the right."""
    rows = [row for row in result.drawn if row.of_limit is not None][:_MOST]
    with style.drawing_style():
        figure = style.new_figure(1.05 + 0.2 * max(len(rows), 4))
        who = "the nominal actuation" if result.address is None else "unit {}, actuation {}".format(*result.address)
        place = condition(result.temperature_degC, result.age_yr)
        style.heading(figure, f"What was drawn for {who} at {place}")
        axes = figure.add_subplot()
        axes.axvline(0.0, color=style.INK, linewidth=0.9, zorder=1)
        for limit in (-100.0, 100.0):
            axes.axvline(limit, color=style.MUTED, linewidth=0.9, dashes=(4, 2), zorder=1)
        for k, row in enumerate(rows):
            at = 100.0 * min(max(row.of_limit or 0.0, -_BEYOND), _BEYOND)
            axes.plot([0.0, at], [k, k], color=style.BLUE, linewidth=1.6, zorder=2)
            axes.plot([at], [k], color=style.BLUE, marker="o", markersize=4.5, linestyle="none", zorder=3)
            axes.annotate(
                f"{quantity(row.value, row.unit)} ({difference_text(row)} from {quantity(row.nominal, row.unit)})",
                (1.0, k),
                xytext=(6, 0),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                va="center",
                fontsize=7,
            )
        if not rows:
            told = "Nothing was drawn: every value is its nominal one."
            axes.text(0.5, 0.5, told, transform=axes.transAxes, ha="center", va="center", color=style.MUTED)
        axes.set_yticks(range(len(rows)), [row.name for row in rows])
        axes.set_ylabel("parameter")
        axes.set_ylim(max(len(rows), 1) - 0.4, -0.6)
        widest = max([1.0, *(min(abs(row.of_limit or 0.0), _BEYOND) for row in rows)])
        axes.set_xlim(-108.0 * widest, 108.0 * widest)
        axes.set_xlabel("way from the nominal value to the limit of the tolerance [%]")
        axes.grid(axis="x")
        style.quiet(axes, "left")
    return figure

"""Completion over temperature and age: one card a condition, shaded by how often it fails."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LinearSegmentedColormap, LogNorm
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from yieldsim.report.figures import style
from yieldsim.report.grids import standing
from yieldsim.report.numbers import plain, share, small_share

if TYPE_CHECKING:
    from yieldsim.analysis.yields import CellYield, YieldResult

_LOWEST = 1e-7  # failing share at the light end of the shades
_SHADES = LinearSegmentedColormap.from_list(
    "failing",
    ["#f4f7f9", "#b9d4e6", "#5a9bc4", "#1f5f8b", "#0d2c45"],
    N=42,  # six a decade; few enough that the scale is drawn as shapes, not as an image
)
_GAP = 0.045  # around a card, as a share of its side


def draw(result: YieldResult) -> Figure:
    """Draw a card a condition: completion, its lower bound, and the share of units that comply."""
    temperatures = sorted({cell.temperature_degC for cell in result.cells})
    ages = sorted({cell.age_yr for cell in result.cells})
    with style.drawing_style():
        figure = style.new_figure(1.25 + 0.84 * max(len(ages), 2))
        style.heading(figure, "Completion at each condition")
        axes = figure.add_subplot()
        norm = LogNorm(_LOWEST, 1.0, clip=True)
        for cell in result.cells:
            _card(axes, cell, temperatures.index(cell.temperature_degC), ages.index(cell.age_yr), result, norm)
        axes.set_xlim(-0.5, len(temperatures) - 0.5)
        axes.set_ylim(len(ages) - 0.5, -0.5)
        axes.set_xticks(range(len(temperatures)), [_column(t, result) for t in temperatures])
        axes.set_yticks(range(len(ages)), [plain(a) for a in ages])
        axes.set_xlabel(style.label_of("temperature"))
        axes.set_ylabel(style.label_of("age"))
        axes.set_title(_how_to_read(result))
        style.quiet(axes, "left", "bottom")
        _scale(figure, axes, norm, result)
    return figure


def _column(temperature: float, result: YieldResult) -> str:
    """Return the label of a column; an excursion is outside the mission's temperatures."""
    outside = any(cell.excursion for cell in result.cells if cell.temperature_degC == temperature)
    return plain(temperature) + (" (excursion)" if outside else "")


def _how_to_read(result: YieldResult) -> str:
    text = "bold: share of actuations that complete; below it the lower bound"
    if any(cell.unit_yield is not None for cell in result.cells):
        text += "; then the share of units that comply"
    return text


def _card(axes: Axes, cell: CellYield, column: int, row: int, result: YieldResult, norm: LogNorm) -> None:
    failing = max(1.0 - cell.completion.value, _LOWEST)
    shade = _SHADES(norm(failing))
    light = 0.299 * shade[0] + 0.587 * shade[1] + 0.114 * shade[2] > 0.55
    ink = style.INK if light else style.PAPER
    mark = standing(cell, result)
    side = 1 - 2 * _GAP
    axes.add_patch(
        Rectangle(
            (column - side / 2, row - side / 2),
            side,
            side,
            facecolor=shade,
            edgecolor=style.VERMILION if mark == "below" else style.FAINT,
            linewidth=2.2 if mark == "below" else 0.6,
            linestyle="--" if cell.excursion else "-",
        )
    )
    lines = [
        (share(cell.completion.value), "bold"),
        (f"\u2265 {share(cell.completion.low, 'down')}", "normal"),
    ]
    if cell.unit_yield is not None:
        lines.append((f"units {share(cell.unit_yield.value)}", "normal"))
    if mark:
        lines.append(({"below": "\u25bc below", "meets": "\u2713 meets", "open": "? open"}[mark], "normal"))
    size = 7.5 if len({c.temperature_degC for c in result.cells}) <= 6 else 6.0
    for k, (text, weight) in enumerate(lines):
        axes.text(
            column,
            row + (k - (len(lines) - 1) / 2) * 0.21,
            text,
            ha="center",
            va="center",
            color=ink,
            fontsize=size + 1.5 if weight == "bold" else size,
            fontweight=weight,
        )


def _scale(figure: Figure, axes: Axes, norm: LogNorm, result: YieldResult) -> None:
    bar = figure.colorbar(ScalarMappable(norm, _SHADES), ax=axes, fraction=0.03, pad=0.015, aspect=22)
    bar.outline.set_visible(False)
    if bar.solids is not None:
        bar.solids.set_edgecolor("face")  # no seams between the shades
    decades = [10.0**k for k in range(round(math.log10(_LOWEST)), 1)]
    bar.set_ticks(decades, labels=[small_share(d, digits=1) for d in decades])
    bar.ax.tick_params(length=0, labelsize=7)
    bar.ax.minorticks_off()
    bar.set_label("failing share [of actuations]", fontsize=7.5)
    requirement = result.requirement
    if requirement is not None and requirement.completion is not None and requirement.completion < 1.0:
        allowed = 1.0 - requirement.completion
        bar.ax.axhline(allowed, color=style.VERMILION, linewidth=2.0)
        bar.ax.plot([0.0], [allowed], marker=">", color=style.VERMILION, clip_on=False, markersize=5)

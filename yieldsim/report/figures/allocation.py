"""What each tolerance is worth: changes for half and twice its width, and the widest it could be."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from yieldsim.analysis.allocations.widest import ANY, NOT_WITHOUT
from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, plain, stated

if TYPE_CHECKING:
    from yieldsim.analysis.allocation import AllocationResult, Changed, ToleranceWorth
    from yieldsim.estimate.intervals import Estimate

_SHOWN = 24
_HALVED, _DOUBLED = (style.BLUE, "o"), (style.VERMILION, "s")
_TICKS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)
_LEAST = 0.1  # least factor drawn


def draw(result: AllocationResult) -> Figure:
    """Draw a row a tolerance: the changes on the left, the widest factor on the right where one is asked for."""
    shown = result.tolerances[:_SHOWN]
    units = result.unit_yield is not None
    known = any(worth.widest is not None for worth in shown)
    with style.drawing_style():
        figure = style.new_figure(1.6 + 0.25 * max(len(shown), 3))
        style.heading(figure, "What each tolerance is worth")
        if known:
            left, right = figure.subplots(1, 2, sharey=True, width_ratios=[1.5, 1.0])
            _widest(right, shown, result)
        else:
            left = figure.subplots()
        _changes(left, shown, result, units)
        handles = _handles({worth.widest.word for worth in shown if worth.widest is not None})
        figure.legend(handles=handles, loc="outside lower left", ncols=len(handles), columnspacing=1.4)
    return figure


def _handles(words: set[str]) -> list[Line2D]:
    """Return what the legend shows, of the right half only what is drawn there."""
    handles = [
        Line2D([], [], color=colour, marker=marker, markersize=4.5, linewidth=1.3, label=f"tolerance {word}")
        for (colour, marker), word in ((_HALVED, "halved"), (_DOUBLED, "doubled"))
    ]
    if words - {ANY, NOT_WITHOUT}:
        handles.append(
            Line2D([], [], color=style.TEAL, marker="D", markersize=4.5, linewidth=2.2, label="widest alone")
        )
    if ANY in words:
        handles.append(Line2D([], [], color=style.TEAL, marker=">", markersize=4.5, linewidth=2.2, label="any tried"))
    if NOT_WITHOUT in words:
        text = "not met even without the tolerance"
        handles.append(Line2D([], [], color=style.VERMILION, marker="x", markersize=5, linestyle="none", label=text))
    return handles


def _changes(axes: Axes, shown: tuple[ToleranceWorth, ...], result: AllocationResult, units: bool) -> None:
    for row, worth in enumerate(shown):
        if row % 2 == 0:
            axes.axhspan(row - 0.5, row + 0.5, color=style.WASH, linewidth=0, zorder=0)
        for changed, (colour, marker), shift in ((worth.halved, _HALVED, -0.16), (worth.doubled, _DOUBLED, 0.16)):
            change = _change(changed, units)
            if change is None:
                continue
            axes.plot([100 * change.low, 100 * change.high], [row + shift] * 2, color=colour, linewidth=1.3)
            axes.plot(100 * change.value, row + shift, marker=marker, markersize=4.5, color=colour)
    axes.axvline(0.0, color=style.MUTED, linewidth=0.7, zorder=1)
    axes.set_ylim(len(shown) - 0.5, -0.5)
    axes.set_yticks(range(len(shown)), [worth.name for worth in shown])
    axes.set_ylabel("tolerance of")
    axes.set_xlabel("change of the share [percentage points]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    place = condition(result.temperature_degC, result.age_yr)
    axes.set_title("units that comply" if units else f"actuations that complete at {place}")


def _change(changed: Changed, units: bool) -> Estimate | None:
    return changed.unit_yield_change if units else changed.completion_change


def _widest(axes: Axes, shown: tuple[ToleranceWorth, ...], result: AllocationResult) -> None:
    axes.set_xscale("log")
    for row, worth in enumerate(shown):
        if row % 2 == 0:
            axes.axhspan(row - 0.5, row + 0.5, color=style.WASH, linewidth=0, zorder=0)
        found = worth.widest
        if found is None:
            continue
        if found.word == NOT_WITHOUT or found.factor is None:
            axes.plot(_LEAST * 1.15, row, marker="x", markersize=5, color=style.VERMILION)
            continue
        drawn = max(found.factor, _LEAST * 1.15)
        axes.plot([1.0, drawn], [row, row], color=style.TEAL, linewidth=2.2)
        axes.plot(drawn, row, marker=">" if found.word == ANY else "D", markersize=4.5, color=style.TEAL)
    axes.axvline(1.0, color=style.MUTED, linewidth=0.7, zorder=1)
    tight = any(worth.widest is not None and (worth.widest.factor or 0.0) < 1.0 for worth in shown)
    least = _LEAST if tight else 0.8
    axes.set_xlim(least, 1.3 * result.largest_factor)
    ticks = [x for x in _TICKS if x > least]
    axes.set_xticks(ticks, [plain(x) for x in ticks])
    axes.minorticks_off()
    axes.set_xlabel("widest alone, of the stated width [1]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    axes.set_title(f"still met at {stated(result.confidence)} confidence")

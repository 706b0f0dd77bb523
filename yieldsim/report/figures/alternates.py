"""The yield with each approved source: units that comply with their bounds, and completion in each condition."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yieldsim.analysis.alternates import MIXTURE
from yieldsim.report.figures import style
from yieldsim.report.numbers import stated

if TYPE_CHECKING:
    from yieldsim.analysis.alternates import AlternatesResult
    from yieldsim.estimate.intervals import Estimate

_LEAST = 0.02  # of the axis beside the lowest bound


def draw(result: AlternatesResult) -> Figure:
    """Draw a row a source; units that comply where a completion is required, else actuations in the worst condition."""
    units = all(source.yields.joint is not None for source in result.sources)
    found = [
        (source.name, source.yields.joint if units else source.yields.worst.completion) for source in result.sources
    ]
    if result.joint is not None:
        found.append((MIXTURE, result.joint))
    known = [(name, estimate) for name, estimate in found if estimate is not None]
    with style.drawing_style():
        figure = style.new_figure(1.3 + 0.3 * len(known))
        style.heading(figure, "The yield with each approved source")
        axes = figure.subplots()
        for row, (name, estimate) in enumerate(known):
            _row(axes, row, estimate, name == MIXTURE)
        _axes(axes, result, known, units)
    return figure


def _row(axes: Axes, row: int, estimate: Estimate, mixture: bool) -> None:
    colour, marker = (style.BLACK, "D") if mixture else (style.BLUE, "o")
    if row % 2 == 0:
        axes.axhspan(row - 0.5, row + 0.5, color=style.WASH, linewidth=0, zorder=0)
    axes.plot([100.0 * estimate.low, 100.0 * estimate.high], [row, row], color=colour, linewidth=1.6)
    axes.plot(100.0 * estimate.value, row, marker=marker, markersize=5.0, color=colour)


def _axes(axes: Axes, result: AlternatesResult, known: list[tuple[str, Estimate]], units: bool) -> None:
    requirement = result.sources[0].yields.requirement
    required = requirement.unit_yield if units and requirement is not None else None
    ends = [100.0 * e.low for _, e in known] + [100.0 * e.high for _, e in known]
    if required is not None:
        axes.axvline(100.0 * required, color=style.VERMILION, linewidth=1.2, linestyle="--")
        ends.append(100.0 * required)
    room = max(0.06 * (max(ends) - min(ends)), _LEAST)
    axes.set_xlim(min(ends) - room, min(max(ends) + room, 100.0 + room))
    axes.set_ylim(len(known) - 0.5, -0.5)
    axes.set_yticks(range(len(known)), [name for name, _ in known])
    axes.set_ylabel("source")
    what = "units that comply" if units else "actuations that complete in the worst condition"
    axes.set_xlabel(f"{what} [%]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    told = f"estimate and one-sided bounds, each source at {stated(round(result.each_confidence, 6))} confidence"
    if required is not None:
        told += f"; dashed: {stated(required)} required"
    axes.set_title(told)

"""Estimates and their intervals against effort."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from yieldsim.report.figures import style
from yieldsim.report.numbers import count, share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.converging import ConvergenceCurve


def draw(curves: Sequence[ConvergenceCurve]) -> Figure:
    """Draw a panel a curve, one below the other."""
    with style.drawing_style():
        figure = style.new_figure(0.6 + 2.3 * len(curves))
        style.heading(figure, "How the estimate narrows with effort")
        panels = figure.subplots(len(curves), 1, squeeze=False)[:, 0]
        for axes, curve in zip(panels, curves, strict=True):
            _panel(axes, curve)
    return figure


def _panel(axes: Axes, curve: ConvergenceCurve) -> None:
    axes.fill_between(curve.efforts, curve.low, curve.high, color=style.SKY, alpha=0.35, linewidth=0.0)
    axes.plot(curve.efforts, curve.value, color=style.BLUE, marker="o", markersize=3.0, linewidth=1.2)
    if curve.required is not None:
        _requirement(axes, curve, curve.required)
    if curve.efforts[-1] > 4 * curve.efforts[0]:
        axes.set_xscale("log", base=2)
    axes.set_xticks(_ticks(curve.efforts))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: count(round(x))))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.minorticks_off()
    axes.set_xlabel(f"{curve.effort} [1]")
    axes.set_ylabel(f"{'share' if curve.unit == '1' else 'value'} [{curve.unit}]")
    axes.grid(axis="y")
    style.quiet(axes)
    sides = "interval" if curve.two_sided else "one-sided bounds, each"
    axes.set_title(f"{curve.of}, {sides} at {stated(curve.confidence)} confidence for a run planned to end there")


def _requirement(axes: Axes, curve: ConvergenceCurve, required: float) -> None:
    """Draw what is required, or say where it lies when it would leave no room for the bounds."""
    low, high = min(curve.low), max(curve.high)
    beyond = max(low - required, required - high, 0.0) > 1.5 * (high - low)
    text = f"required {share(required)}"
    if not beyond:
        axes.axhline(required, color=style.VERMILION, linewidth=1.0, linestyle=(0, (4, 2)))
        place: tuple[float, float] = (1.0, required)
        axes.annotate(
            text, place, xycoords=("axes fraction", "data"), xytext=(-2, 2), textcoords="offset points", ha="right",
            va="bottom", color=style.VERMILION,
        )  # fmt: skip
        return
    above = required > high
    axes.annotate(
        f"{text}, far {'above' if above else 'below'}", (0.995, 0.97 if above else 0.03), xycoords="axes fraction",
        ha="right", va="top" if above else "bottom", color=style.VERMILION,
    )  # fmt: skip


def _ticks(efforts: Sequence[int]) -> list[int]:
    """Return some efforts that stand well apart on a logarithmic axis."""
    chosen = [efforts[0]]
    for effort in efforts[1:]:
        if effort >= 1.9 * chosen[-1]:
            chosen.append(effort)
    if efforts[-1] not in chosen:
        if efforts[-1] < 1.5 * chosen[-1]:
            chosen.pop()
        chosen.append(efforts[-1])
    return chosen

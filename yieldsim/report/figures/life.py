"""A life in pictures: units and completion over the years, what each law of ageing costs, and where losses gather."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yieldsim.report.figures import style
from yieldsim.report.life import law_name, place_name
from yieldsim.report.numbers import MINUS, count, plain, stated, temperature

if TYPE_CHECKING:
    from yieldsim.analysis.ageing import LifeResult
    from yieldsim.estimate.intervals import Estimate

_BAND = 0.16  # opacity of a band
_LEAST = 1e-7  # share that is drawn at the lower end of a logarithmic scale


def draw(result: LifeResult) -> Figure:
    """Draw the share of units over the years above the share of actuations that do not complete."""
    units = result.binding.points[0].unit_yield is not None
    with style.drawing_style():
        figure = style.new_figure(5.6 if units else 3.3)
        style.heading(figure, "Units and completion over the years")
        if units:
            upper, lower = figure.subplots(2, 1, height_ratios=[1.15, 1.0], sharex=True)
            _units(upper, result)
            upper.set_xlabel("")
        else:
            lower = figure.subplots()
        _completion(lower, result)
        _years(lower, result)
    return figure


def _years(axes: Axes, result: LifeResult) -> None:
    axes.set_xlim(0.0, result.horizon_yr)
    rate = result.actuations_per_day
    each = "" if rate is None else f"; {plain(rate)} actuations a day, {count(round(365.0 * rate))} a year"
    axes.set_xlabel(f"age [yr]{each}")


def _band(axes: Axes, ages: Sequence[float], low: Sequence[float], high: Sequence[float], colour: str) -> None:
    axes.fill_between(ages, low, high, color=colour, alpha=_BAND, linewidth=0.0)


def _units(axes: Axes, result: LifeResult) -> None:
    curve, requirement = result.binding, result.requirement
    for name, told, colour, marker in (
        ("unit_yield", "comply at this age", style.BLUE, "s"),
        ("surviving", "never below so far", style.VERMILION, "o"),
    ):
        estimates = [getattr(point, name) for point in curve.points]
        _band(axes, result.ages_yr, [e.low for e in estimates], [e.high for e in estimates], colour)
        dashes = "-" if name == "surviving" else "--"
        axes.plot(
            result.ages_yr, [e.value for e in estimates], dashes, color=colour, marker=marker, markersize=4.0,
            label=told, clip_on=False,
        )  # fmt: skip
    if requirement is not None and requirement.unit_yield is not None:
        axes.axhline(requirement.unit_yield, color=style.INK, linewidth=0.8, linestyle=":")
        axes.annotate(
            f"required: {stated(requirement.unit_yield)}", (result.horizon_yr, requirement.unit_yield), (-4, -3),
            textcoords="offset points", ha="right", va="top", fontsize=7.0, color=style.INK,
        )  # fmt: skip
    lowest = min(point.surviving.low for point in curve.points if point.surviving is not None)
    axes.set_ylim(max(0.0, lowest - 0.05 * (1.0 - lowest)), 1.0 + 0.03 * (1.0 - lowest) + 1e-4)
    axes.set_ylabel("share of units [1]")
    axes.grid(axis="y")
    axes.legend(loc="best")
    required = stated(requirement.completion if requirement is not None else None)
    axes.set_title(
        f"units that reach {required} completion {'in ' if curve.place.startswith('every') else ''}{curve.place}; "
        f"bands: one-sided bounds at {stated(result.confidence)}"
    )


def _completion(axes: Axes, result: LifeResult) -> None:
    curves = [*result.temperatures, result.curve("over the mission")]
    seen: list[float] = []
    for k, curve in enumerate(curves):
        estimates = [point.completion for point in curve.points if point.completion is not None]
        colour, marker = style.SERIES[(k + 1) % len(style.SERIES)] if k < len(curves) - 1 else (style.INK, "o")
        values = _failing(estimates, "value")
        seen += values
        axes.plot(
            result.ages_yr, values, color=colour, marker=marker, markersize=4.0, label=place_name(curve),
            linestyle="-" if curve.temperature_degC is not None else "--", clip_on=False,
        )  # fmt: skip
        if curve.temperature_degC is None or curve.temperature_degC == result.worst_temperature_degC:
            _band(axes, result.ages_yr, _failing(estimates, "high"), _failing(estimates, "low"), colour)
            seen += _failing(estimates, "low")
    axes.set_yscale("log")
    least = max(min((x for x in seen if x > _LEAST), default=1e-3), _LEAST)
    low, high = 0.7 * least, min(1.0, 1.5 * max(seen, default=1.0))
    axes.set_ylim(low, high)
    ticks = range(math.ceil(math.log10(low)), math.floor(math.log10(high)) + 1)
    axes.set_yticks([10.0**k for k in ticks], [f"1e{k}".replace("-", MINUS) if k else "1" for k in ticks])
    axes.set_ylabel("not completing [1]")
    axes.grid(axis="y")
    axes.minorticks_off()
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=2.6)
    worst = temperature(result.worst_temperature_degC)
    axes.set_title(f"share of the actuations that do not complete, mean over units; bands: {worst} and mission")


def _failing(estimates: Sequence[Estimate], end: str) -> list[float]:
    return [max(1.0 - float(getattr(e, end)), _LEAST) for e in estimates]


def draw_laws(result: LifeResult) -> Figure:
    """Draw what each law of ageing costs, with its bounds: reserve, units that comply, completion."""
    laws = result.laws
    with style.drawing_style():
        figure = style.new_figure(1.35 + 0.3 * max(len(laws), 2))
        at = f"{temperature(result.worst_temperature_degC)} after {plain(result.horizon_yr)} yr"
        style.heading(figure, f"What each law of ageing costs, at {at}")
        if not laws:
            _say(figure.subplots(), "No parameter has a law of ageing.")
            return figure
        panels: list[tuple[str, str, float]] = [("reserve", "reserve [mV]", 1e3)]
        if laws[0].unit_yield is not None:
            panels.append(("unit_yield", "units that comply [%]", 100.0))
        panels.append(("completion", "completion [%]", 100.0))
        for k, axes in enumerate(np.atleast_1d(figure.subplots(1, len(panels), sharey=True))):
            _costs(axes, result, *panels[k], k == 0)
    return figure


def _costs(axes: Axes, result: LifeResult, name: str, label: str, scale: float, first: bool) -> None:
    axes.axvline(0.0, color=style.MUTED, linewidth=0.7)
    for row, law in enumerate(result.laws):
        estimate: Estimate | None = getattr(law, name)
        if estimate is None:
            continue
        value, low, high = (scale * x for x in (estimate.value, estimate.low, estimate.high))
        colour = style.MUTED if not law.law else style.VERMILION if value > 0.0 else style.TEAL
        axes.barh(row, value, height=0.5, color=colour, alpha=0.85)
        if np.isfinite(low) and np.isfinite(high):
            axes.plot([low, high], [row, row], color=style.INK, linewidth=1.1, marker="|", markersize=6.0)
    axes.set_ylim(len(result.laws) - 0.5, -0.5)
    axes.set_yticks(range(len(result.laws)), [law_name(law).replace(", ", "\n", 1) for law in result.laws])
    axes.set_xlabel(label)
    axes.grid(axis="x")
    style.quiet(axes, "left")
    if first:
        axes.set_ylabel("parameter")
        axes.set_title(f"without it less with it; below 0 it helps; bounds at {stated(result.confidence)}")


def draw_losses(result: LifeResult) -> Figure:
    """Draw which share of the units produces which share of what is lost."""
    most = result.fleet.most
    with style.drawing_style():
        figure = style.new_figure(3.4)
        style.heading(figure, "Which units lose the reports")
        axes = figure.subplots()
        if most is None:
            _say(axes, "Nothing is lost.")
            return figure
        plain_x, plain_y = np.array(most.curve).T
        crossed_x, crossed_y = np.array(most.crossed).T
        axes.fill_between(plain_x, crossed_y, plain_y, color=style.BLUE, alpha=_BAND, linewidth=0.0)
        axes.plot(plain_x, plain_y, color=style.BLUE, label="order by all draws (too steep)")
        axes.plot(crossed_x, crossed_y, "--", color=style.ORANGE, label="order by the other half (too flat)")
        axes.plot([0.0, 1.0], [0.0, 1.0], ":", color=style.MUTED, label="all units alike")
        units, share = most.units, most.of_losses
        axes.plot([units.low, units.high], [share, share], color=style.INK, linewidth=1.1, marker="|", markersize=7.0)
        axes.plot(units.value, share, "o", color=style.VERMILION, markersize=5.0)
        axes.set_xlim(0.0, 1.0)
        axes.set_ylim(0.0, 1.01)
        axes.set_xlabel("share of the units, those that lose most first [1]")
        axes.set_ylabel("share of what is lost [1]")
        axes.grid()
        axes.legend(loc="lower right")
        axes.set_title(
            f"over the mission and {plain(result.horizon_yr)} yr; {stated(share)} of the losses with bounds at "
            f"{stated(result.confidence)}"
        )
    return figure


def _say(axes: Axes, text: str) -> None:
    axes.set_axis_off()
    axes.text(0.0, 0.5, text, color=style.INK, transform=axes.transAxes)

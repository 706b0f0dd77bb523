"""One actuation opened: source, steps, voltages with all they must stay above, and what is drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, engineering, fixed

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult, StepTrace

_SHADES = (  # of the steps in turn, each with the ink that reads on it
    (style.SKY, style.INK),
    (style.ORANGE, style.INK),
    (style.PURPLE, style.PAPER),
    (style.TEAL, style.PAPER),
    (style.YELLOW, style.INK),
    (style.FAINT, style.INK),
)
_LETTER = 0.0105  # width of a letter of the step names, as a share of the axes' width


def draw(result: ActuationResult) -> Figure:
    """Four panels over one time axis: source, steps, voltages, the regulator's input current."""
    end = _shown_until(result)
    lanes = _lanes(result.steps, end)
    with style.drawing_style():
        figure = style.new_figure(6.3 + 0.16 * max(lanes, default=0))
        heights = [1.25, 0.30 + 0.14 * max(lanes, default=0), 2.6, 0.9]
        source, strip, volts, amps = figure.subplots(4, 1, sharex=True, height_ratios=heights)
        style.heading(figure, _title(result))
        _source(source, result)
        _strip(strip, result, lanes)
        _voltages(volts, result, end)
        _drawn(amps, result, end)
        amps.set_xlim(0.0, end * 1e3)
        amps.set_xlabel("time since the release [ms]")
        for axes in (source, strip, volts):
            axes.tick_params(axis="x", length=0, labelbottom=False)
        for axes in (source, volts, amps):
            for step in result.steps:
                axes.axvline(step.start_s * 1e3, color=style.FAINT, linewidth=0.6, zorder=0)
            if result.steps:
                axes.axvline(result.steps[-1].end_s * 1e3, color=style.FAINT, linewidth=0.6, zorder=0)
        figure.align_ylabels([source, volts, amps])
    return figure


def _title(result: ActuationResult) -> str:
    who = "Nominal actuation" if result.address is None else "Unit {}, actuation {}".format(*result.address)
    return f"{who} at {condition(result.temperature_degC, result.age_yr)}: {result.outcome}"


def _shown_until(result: ActuationResult) -> float:
    """End of the time axis [s]: a little after the last step and the last stroke."""
    time = np.asarray(result.trace.time_s)
    driven = time[np.abs(np.asarray(result.trace.emf_V)) > 0.0]
    ends = [step.end_s for step in result.steps] + ([float(driven[-1])] if driven.size else [])
    ends += [t for t in (result.start_time_s, result.complete_time_s) if t is not None and np.isfinite(t)]
    return min(1.06 * max(ends), float(time[-1])) if ends else float(time[-1])


def _lanes(steps: tuple[StepTrace, ...], end: float) -> list[int]:
    """Lane of each step's name, 0 inside its block; names that would touch climb to the next free lane."""
    lanes: list[int] = []
    taken: list[float] = []  # right end of the last name in each lane above the blocks
    for step in steps:
        middle, half = (step.start_s + step.end_s) / 2 / end, len(step.step) * _LETTER / 2
        if 2 * half < (step.end_s - step.start_s) / end:
            lanes.append(0)
            continue
        lane = next((k for k, right in enumerate(taken) if right + _LETTER < middle - half), len(taken))
        if lane == len(taken):
            taken.append(0.0)
        taken[lane] = middle + half
        lanes.append(lane + 1)
    return lanes


def _source(axes: Axes, result: ActuationResult) -> None:
    time = np.asarray(result.trace.time_s) * 1e3
    axes.plot(time, result.trace.emf_V, color=style.INK, linewidth=1.3)
    axes.axhline(0.0, color=style.FAINT, linewidth=0.6, zorder=0)
    axes.set_ylabel("emf [V]")
    other = axes.twinx()
    other.plot(
        time,
        np.asarray(result.trace.coil_current_A) * 1e3,
        color=style.VERMILION,
        linewidth=1.3,
        dashes=(4, 1.5),
    )
    other.set_ylabel("coil current [mA]", color=style.VERMILION)
    other.tick_params(axis="y", colors=style.VERMILION)
    other.spines["right"].set_visible(True)
    other.spines["right"].set_color(style.VERMILION)
    _same_zero(axes, other)
    axes.set_title("line: open-circuit emf \u00b7 dashes: coil current")


def _same_zero(axes: Axes, other: Axes) -> None:
    """Give both axes their zero at the same height."""
    (low, high), (low2, high2) = axes.get_ylim(), other.get_ylim()
    below = max(-low / (high - low), -low2 / (high2 - low2), 0.03)
    above = max(high / (high - low), high2 / (high2 - low2), 0.03)
    for panel, size in ((axes, max(-low / below, high / above)), (other, max(-low2 / below, high2 / above))):
        panel.set_ylim(-below * size, above * size)


def _strip(axes: Axes, result: ActuationResult, lanes: list[int]) -> None:
    """Draw the steps as blocks, their names inside or above; the start-up is hatched."""
    top = 1.0 + 0.75 * max(lanes, default=0)
    began = result.start_time_s
    if began is not None and np.isfinite(began) and result.steps and result.steps[0].start_s > began:
        axes.barh(
            0.5,
            (result.steps[0].start_s - began) * 1e3,
            left=began * 1e3,
            height=0.9,
            color=style.WASH,
            edgecolor=style.MUTED,
            linewidth=0.5,
            hatch="////",
        )
    for k, (step, lane) in enumerate(zip(result.steps, lanes, strict=True)):
        start, end = step.start_s * 1e3, step.end_s * 1e3
        shade, ink = _SHADES[k % len(_SHADES)]
        axes.barh(0.5, end - start, left=start, height=0.9, color=shade, edgecolor=style.PAPER, linewidth=0.8)
        y = 0.5 if lane == 0 else 1.0 + 0.75 * (lane - 0.5)
        if lane > 0:
            axes.plot([(start + end) / 2] * 2, [0.95, y - 0.28], color=style.MUTED, linewidth=0.5)
        axes.text(
            (start + end) / 2,
            y,
            step.step,
            ha="center",
            va="center",
            fontsize=7.5,
            color=ink if lane == 0 else style.INK,
        )
    if not result.steps:
        axes.text(
            0.01,
            0.5,
            "no step began",
            transform=axes.transAxes,
            va="center",
            color=style.MUTED,
            style="italic",
        )
    axes.set_ylim(0.0, top)
    axes.set_yticks([0.5], ["steps"])
    style.quiet(axes, "left", "bottom")


def _voltages(axes: Axes, result: ActuationResult, end: float) -> None:
    trace = result.trace
    time = np.asarray(trace.time_s) * 1e3
    shown = time <= end * 1e3
    last_instant = result.steps[-1].end_s * (1.0 - 1e-6) if result.steps else end
    told = max(int(np.searchsorted(time, last_instant * 1e3)) - 1, 0)  # where the lines get their names
    lines: tuple[tuple[str, NDArray[np.float64], str, dict[str, object]], ...] = (
        ("store", np.asarray(trace.store_V), style.SKY, {"linewidth": 2.6}),
        ("input", np.asarray(trace.input_V), style.BLUE, {"linewidth": 1.1}),
        ("output", np.asarray(trace.output_V), style.TEAL, {"linewidth": 1.3, "dashes": (5, 1.2)}),
    )
    labels: list[tuple[float, str, str]] = []
    for name, values, colour, manner in lines:
        axes.plot(time, values, color=colour, **manner)  # type: ignore[arg-type]
        labels.append((float(values[told]), name, colour))
    _threshold(axes, "start", result.start_voltage_V, (6, 2))
    if result.stop_voltage_V > 0.0:
        _threshold(axes, "stop", result.stop_voltage_V, (1.2, 1.8))
    for step in result.steps:
        axes.hlines(
            step.required_input_V,
            step.start_s * 1e3,
            step.end_s * 1e3,
            color=style.VERMILION,
            linewidth=2.2,
            zorder=4,
        )
    if result.steps:
        last = result.steps[-1]
        labels.append((last.required_input_V, "needed input", style.VERMILION))
    top = max(float(np.max(values[shown])) for _, values, _, _ in lines)
    top = 1.08 * max([top, result.start_voltage_V, *(s.required_input_V for s in result.steps)])
    axes.set_ylim(0.0, top)
    axes.set_ylabel("voltage [V]")
    heights = style.spread([y for y, _, _ in labels], 0.072 * top)
    for (_, text, colour), y in zip(labels, heights, strict=True):
        axes.annotate(
            text,
            (1.0, y),
            xytext=(5, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=colour,
        )
    axes.set_title(_margins(result))


def _threshold(axes: Axes, name: str, voltage: float, dashes: tuple[float, float]) -> None:
    """Draw a threshold of the regulator with its name at the left, where the store is still empty."""
    axes.axhline(voltage, color=style.INK, linewidth=0.9, dashes=dashes)
    axes.annotate(
        f"{name} {fixed(voltage, 2)} V",
        (0.0, voltage),
        xytext=(4, 2),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        fontsize=7.5,
    )


def _margins(result: ActuationResult) -> str:
    return (
        f"start margin {engineering(result.start_margin_V, 'V', signed=True)} \u00b7 "
        f"run margin {engineering(result.run_margin_V, 'V', signed=True)} \u00b7 "
        f"reserve {engineering(result.reserve_V, 'V', signed=True)}"
    )


def _drawn(axes: Axes, result: ActuationResult, end: float) -> None:
    time = np.asarray(result.trace.time_s)
    current = np.asarray(result.trace.drawn_current_A)
    largest = max(float(current[time <= end].max(initial=0.0)), 1e-12)
    scale, unit = (1e3, "mA") if largest >= 1e-5 else (1e6, "\u00b5A")
    axes.plot(time * 1e3, current * scale, color=style.INK, linewidth=1.2)
    axes.fill_between(time * 1e3, 0.0, current * scale, color=style.WASH, linewidth=0)
    axes.set_ylim(0.0, 1.12 * largest * scale)
    axes.set_ylabel(f"drawn [{unit}]")
    axes.set_title("input current of the regulator")

"""One actuation opened: source, steps, voltages with all they must stay above, and what the regulator takes.

An addressed one stands before the nominal one of the same condition, in grey. A sequence that is short beside the time
before it, because the regulator starts on a later stroke, is enlarged below the whole.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from yieldsim.kernel.layout import START_PHASE
from yieldsim.report.figures import source_panel, style
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
_SQUEEZED = 0.6  # share of the axis that later strokes may take before they are left out
_ENLARGED = 0.25  # share of the axis below which the sequence is drawn a second time, enlarged
_SPAN = 0.13  # width of the name of a threshold, as a share of the axes' width
_LETTER = 0.0105  # width of a letter of the step names, as a share of the axes' width
_LONGEST_TITLE = 108  # letters of a line above a panel

Span = tuple[float, float]  # begin and end of a time axis [s]
_TIME = "time since the release [ms]"


def draw(result: ActuationResult) -> Figure:
    """Four panels over one time axis: source, steps, voltages, the regulator's input current.

    Where the sequence would take less than a quarter of the axis: source and voltages over the whole of it, and below
    them steps, voltages and current over the sequence alone.
    """
    whole = (0.0, _shown_until(result))
    near = _window(result, whole)
    span = near or whole
    lanes = _lanes(result.steps, span)
    over = [] if near is None else [1.2]
    with style.drawing_style():
        figure = style.new_figure(6.3 + 0.16 * max(lanes, default=0) + 1.45 * len(over))
        heights = [1.25, *over, 0.30 + 0.14 * max(lanes, default=0), 2.6, 0.9]
        source, *overview, strip, volts, amps = figure.subplots(len(heights), 1, height_ratios=heights)
        style.heading(figure, _title(result))
        source_panel.draw(source, result, whole[1])
        _fold(source)
        _joined([source, *overview] if near else [source, strip, volts, amps], whole)
        if near:
            _overview(overview[0], result, whole, near)
            _joined([strip, volts, amps], near)
            strip.set_title(f"enlarged: {fixed(near[0] * 1e3, 1)} ms to {fixed(near[1] * 1e3, 1)} ms")
            source.axvspan(near[0] * 1e3, near[1] * 1e3, color=style.WASH, zorder=-1)
        _strip(strip, result, lanes)
        _voltages(volts, result, span)
        _drawn(amps, result, span)
        if _charged(result):
            _mark_charge(overview[0] if near else volts, result)
        for axes in (volts, amps) if near else (source, volts, amps):
            for t in sorted({t for step in result.steps for t in (step.start_s, step.end_s)}):
                axes.axvline(t * 1e3, color=style.FAINT, linewidth=0.6, zorder=0)
        figure.align_ylabels([source, *overview, volts, amps])
    return figure


def _joined(panels: list[Axes], span: Span) -> None:
    """Give panels one time axis, whose numbers and name stand below the last."""
    for axes in panels[:-1]:
        axes.sharex(panels[-1])
        axes.tick_params(axis="x", length=0, labelbottom=False)
    panels[-1].set_xlim(span[0] * 1e3, span[1] * 1e3)
    panels[-1].ticklabel_format(axis="x", useOffset=False)
    panels[-1].set_xlabel(_TIME)


def _fold(axes: Axes) -> None:
    """Break a title that is longer than its panel where a part of it ends."""
    parts = axes.get_title(loc="left").split(" \u00b7 ")
    lines = [parts[0]]
    for part in parts[1:]:
        longer = f"{lines[-1]} \u00b7 {part}"
        lines = [*lines[:-1], longer] if len(longer) <= _LONGEST_TITLE else [*lines, part]
    axes.set_title("\n".join(lines))


def _title(result: ActuationResult) -> str:
    """Return who, where and how it ended; in a second line what was sent, and what was out of the ordinary."""
    who = "Nominal actuation" if result.address is None else "Unit {}, actuation {}".format(*result.address)
    first = f"{who} at {condition(result.temperature_degC, result.age_yr)}: {result.outcome}"
    second = [] if result.message is None else [f"message \u201c{result.message}\u201d"]
    second += ["partial press"] if result.partial else []
    second += [f"{result.starts} starts, margins of the best"] if result.starts > 1 else []
    return "\n".join([first, " \u00b7 ".join(second)] if second else [first])


def _shown_until(result: ActuationResult) -> float:
    """End of the time axis [s]: a little after the last step and the last stroke.

    Strokes that begin behind a complete sequence are left out where they would squeeze it.
    """
    last = float(result.trace.time_s[-1])
    ends = [step.end_s for step in result.steps]
    ends += [t for t in (result.start_time_s, result.complete_time_s) if t is not None and np.isfinite(t)]
    strokes = source_panel.strokes_of(result)
    if result.complete_time_s is not None and strokes and max(ends) < (1.0 - _SQUEEZED) * strokes[-1][1]:
        strokes = [(begin, end) for begin, end in strokes if begin < max(ends)]
    ends += [end for _, end in strokes[-1:]]
    return min(1.06 * max(ends), last) if ends else last


def _window(result: ActuationResult, whole: Span) -> Span | None:
    """Return the time axis [s] of the sequence alone, start-ups too; None where the whole axis shows it well."""
    if not result.steps:
        return None
    begin = min([result.steps[0].start_s, *(begin for begin, _ in _start_ups(result))])
    end = result.steps[-1].end_s
    if end - begin >= _ENLARGED * (whole[1] - whole[0]):
        return None
    room = 0.08 * (end - begin)
    return max(begin - room, whole[0]), min(end + room, whole[1])


def _lanes(steps: tuple[StepTrace, ...], span: Span) -> list[int]:
    """Lane of each step's name, 0 inside its block; names that would touch climb to the next free lane."""
    begin, length = span[0], span[1] - span[0]
    lanes: list[int] = []
    taken: list[float] = []  # right end of the last name in each lane above the blocks
    for step in steps:
        middle, half = ((step.start_s + step.end_s) / 2 - begin) / length, len(step.step) * _LETTER / 2
        if 2 * half < (step.end_s - step.start_s) / length:
            lanes.append(0)
            continue
        lane = next((k for k, right in enumerate(taken) if right + _LETTER < middle - half), len(taken))
        if lane == len(taken):
            taken.append(0.0)
        taken[lane] = middle + half
        lanes.append(lane + 1)
    return lanes


def _strip(axes: Axes, result: ActuationResult, lanes: list[int]) -> None:
    """Draw the steps as blocks, their names inside or above; each start-up of the regulator is hatched."""
    top = 1.0 + 0.75 * max(lanes, default=0)
    for begin, until in _start_ups(result):
        axes.barh(
            0.5,
            (until - begin) * 1e3,
            left=begin * 1e3,
            height=0.9,
            color=style.WASH,
            edgecolor=style.MUTED,
            linewidth=0.5,
            hatch="////",
        )
    names = list(dict.fromkeys(step.step for step in result.steps))
    for step, lane in zip(result.steps, lanes, strict=True):
        start, end = step.start_s * 1e3, step.end_s * 1e3
        shade, ink = _SHADES[names.index(step.step) % len(_SHADES)]
        axes.barh(0.5, end - start, left=start, height=0.9, color=shade, edgecolor=style.PAPER, linewidth=0.8)
        y = 0.5 if lane == 0 else 1.0 + 0.75 * (lane - 0.5)
        if lane > 0:
            axes.plot([(start + end) / 2] * 2, [0.95, y - 0.28], color=style.MUTED, linewidth=0.5)
        ink = ink if lane == 0 else style.INK
        name = axes.text((start + end) / 2, y, step.step, ha="center", va="center", fontsize=7.5, color=ink)
        if lane > 0:  # a line up to a higher name passes behind this one
            name.set_bbox({"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.5})
    if not result.steps:
        axes.text(0.01, 0.5, "no step began", transform=axes.transAxes, va="center", color=style.MUTED, style="italic")
    axes.set_ylim(0.0, top)
    axes.set_yticks([0.5], ["steps"])
    style.quiet(axes, "left", "bottom")


def _start_ups(result: ActuationResult) -> list[tuple[float, float]]:
    """Return begin and end [s] of every stretch in which the regulator starts up."""
    time, phase = np.asarray(result.trace.time_s), np.asarray(result.trace.phase)
    parts = np.split(np.arange(len(phase)), np.flatnonzero(np.diff(phase)) + 1)
    last = len(time) - 1
    return [
        (float(time[part[0]]), float(time[min(part[-1] + 1, last)]))
        for part in parts
        if part.size and phase[part[0]] == START_PHASE
    ]


def _overview(axes: Axes, result: ActuationResult, whole: Span, near: Span) -> None:
    """Draw the input over the whole time, with the start voltage, and shade what is enlarged below."""
    axes.axvspan(near[0] * 1e3, near[1] * 1e3, color=style.WASH, zorder=-1)
    trace = result.trace
    labels: list[tuple[float, str, str]] = []
    highest = _nominal_input(axes, result, whole, labels)
    axes.plot(np.asarray(trace.time_s) * 1e3, np.asarray(trace.input_V), color=style.BLUE, linewidth=1.3)
    axes.axhline(result.start_voltage_V, color=style.INK, linewidth=0.9, dashes=(6.0, 2.0))
    top = 1.12 * max(highest, _highest(trace.time_s, trace.input_V, whole), result.start_voltage_V)
    axes.set_ylim(0.0, top)
    axes.set_ylabel("voltage [V]")
    beside = " \u00b7 grey: nominal" if result.nominal_trace is not None else ""
    axes.set_title(f"input voltage \u00b7 dashes: start voltage{beside} \u00b7 shaded: enlarged below")


def _highest(time: Any, values: Any, span: Span) -> float:
    """Return the highest value inside a span of time; what is not a number, where an actuation broke off, is none."""
    time, values = np.asarray(time), np.asarray(values)
    inside = values[(time >= span[0]) & (time <= span[1]) & np.isfinite(values)]
    return float(inside.max(initial=0.0))


def _voltages(axes: Axes, result: ActuationResult, span: Span) -> None:
    trace = result.trace
    time = np.asarray(trace.time_s) * 1e3
    last_instant = result.steps[-1].end_s * (1.0 - 1e-6) if result.steps else span[1]
    told = max(int(np.searchsorted(time, last_instant * 1e3)) - 1, 0)  # where the lines get their names
    lines: tuple[tuple[str, NDArray[np.float64], str, dict[str, object]], ...] = (
        ("store", np.asarray(trace.store_V), style.SKY, {"linewidth": 2.6}),
        ("input", np.asarray(trace.input_V), style.BLUE, {"linewidth": 1.1}),
        ("output", np.asarray(trace.output_V), style.TEAL, {"linewidth": 1.3, "dashes": (5, 1.2)}),
    )
    labels: list[tuple[float, str, str]] = []
    highest = _nominal_input(axes, result, span, labels)
    for name, values, colour, manner in lines:
        axes.plot(time, values, color=colour, **manner)  # type: ignore[arg-type]
        known = values[: told + 1][np.isfinite(values[: told + 1])]
        labels.append((float(known[-1]) if known.size else 0.0, name, colour))
    for step in result.steps:
        axes.hlines(
            step.required_input_V, step.start_s * 1e3, step.end_s * 1e3, color=style.VERMILION, linewidth=2.2, zorder=4
        )
    if result.steps:
        labels.append((result.steps[-1].required_input_V, "needed input", style.VERMILION))
    top = max(highest, *(_highest(trace.time_s, values, span) for _, values, _, _ in lines))
    top = 1.08 * max([top, result.start_voltage_V, *(s.required_input_V for s in result.steps)])
    axes.set_ylim(0.0, top)
    axes.set_ylabel("voltage [V]")
    _levels(axes, result, span, top)
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


def _nominal_input(axes: Axes, result: ActuationResult, span: Span, labels: list[tuple[float, str, str]]) -> float:
    """Draw the input of the nominal actuation behind all, and add its name; returns the highest shown [V], or 0."""
    trace = result.nominal_trace
    if trace is None:
        return 0.0
    time, volts = np.asarray(trace.time_s), np.asarray(trace.input_V)
    axes.plot(time * 1e3, volts, color=style.GREY, linewidth=2.2, zorder=1)
    labels.append((float(np.interp(span[1], time, volts)), "nominal input", style.MUTED))
    return _highest(time, volts, span)


def _levels(axes: Axes, result: ActuationResult, span: Span, top: float) -> None:
    """Draw the thresholds of the regulator with their names."""
    thresholds = [("start", result.start_voltage_V, (6.0, 2.0))]
    if result.stop_voltage_V > 0.0:
        thresholds.append(("stop", result.stop_voltage_V, (1.2, 1.8)))
    for name, voltage, dashes in thresholds:
        axes.axhline(voltage, color=style.INK, linewidth=0.9, dashes=dashes)
        x, above = _free_place(result, voltage, span, top)
        axes.annotate(
            f"{name} {fixed(voltage, 2)} V",
            (x, voltage),
            xytext=(4, 2 if above else -2),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="bottom" if above else "top",
            fontsize=7.5,
        )


def _mark_charge(axes: Axes, result: ActuationResult) -> None:
    """Mark what the store holds at the release."""
    level = float(result.trace.store_V[0])
    axes.plot([0.0], [level], color=style.BLUE, marker="D", markersize=5.0, linestyle="none", clip_on=False)


def _charged(result: ActuationResult) -> bool:
    """Whether the store holds something at the release, or could: 5 % of the start voltage, or a precharge."""
    precharge = any(name.startswith("precharge.") for name in result.values)
    return precharge or float(result.trace.store_V[0]) > 0.05 * result.start_voltage_V


def _free_place(result: ActuationResult, voltage: float, span: Span, top: float) -> tuple[float, bool]:
    """Return where a name is clear of all curves: a share of the axes' width, and whether above its threshold."""
    best, found = -1.0, (0.0, True)
    for above in (True, False):
        middle = voltage + (0.035 if above else -0.035) * top
        for x in np.linspace(0.0, 1.0 - _SPAN, 24):
            clear = _room(result, float(x), middle, span) / top
            if clear > 0.045:
                return float(x), above
            if clear > best:
                best, found = clear, (float(x), above)
    return found


def _room(result: ActuationResult, x: float, middle: float, span: Span) -> float:
    """Return the least distance [V] of any curve from a name at ``middle`` [V] that begins at ``x`` of the width."""
    begin, length = span[0], span[1] - span[0]
    curves = [(result.trace.time_s, np.asarray(v)) for v in (result.trace.input_V, result.trace.output_V)]
    if result.nominal_trace is not None:
        curves.append((result.nominal_trace.time_s, np.asarray(result.nominal_trace.input_V)))
    gaps = []
    for time, volts in curves:
        known = np.isfinite(volts)
        inside = np.interp(begin + length * np.linspace(x, x + _SPAN, 40), np.asarray(time)[known], volts[known])
        # 0 where the curve passes from one side to the other, between two points perhaps
        gaps.append(max(float(inside.min()) - middle, middle - float(inside.max()), 0.0))
    for step in result.steps:
        if step.start_s < begin + length * (x + _SPAN) and step.end_s > begin + length * x:
            gaps.append(abs(step.required_input_V - middle))
    return min(gaps)


def _margins(result: ActuationResult) -> str:
    """Return the margins in one line, and what the mark at the release stands for."""
    told = [
        f"start margin {engineering(result.start_margin_V, 'V', signed=True)}",
        f"run margin {engineering(result.run_margin_V, 'V', signed=True)}",
        f"reserve {engineering(result.reserve_V, 'V', signed=True)}",
    ]
    if _charged(result):
        told.append(f"\u25c6 at the release {fixed(float(result.trace.store_V[0]), 2)} V")
    return " \u00b7 ".join(told)


def _drawn(axes: Axes, result: ActuationResult, span: Span) -> None:
    """Draw the current that the regulator takes from the store."""
    beside = result.nominal_trace
    traces = [result.trace] if beside is None else [result.trace, beside]
    largest = max(1e-12, *(_highest(t.time_s, t.drawn_current_A, span) for t in traces))
    scale, unit = (1e3, "mA") if largest >= 1e-5 else (1e6, "\u00b5A")
    if beside is not None:
        drawn = np.asarray(beside.drawn_current_A) * scale
        axes.plot(np.asarray(beside.time_s) * 1e3, drawn, color=style.GREY, linewidth=1.8, zorder=1)
    time, current = np.asarray(result.trace.time_s) * 1e3, np.asarray(result.trace.drawn_current_A) * scale
    axes.plot(time, current, color=style.INK, linewidth=1.2)
    axes.fill_between(time, 0.0, current, color=style.WASH, linewidth=0, zorder=0.5)
    axes.set_ylim(0.0, 1.12 * largest * scale)
    axes.set_ylabel(f"drawn [{unit}]")
    axes.set_title("input current of the regulator" + ("" if beside is None else " \u00b7 grey: nominal actuation"))

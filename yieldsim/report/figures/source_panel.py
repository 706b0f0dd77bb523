"""The source of an actuation over time: what it gives, and the current that follows, in the terms of its kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes

from yieldsim.report.figures import style

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult, Trace

PACKET = "energy packet"
_WORDS = {  # labels of the axes and, in two parts, what they show
    "electromagnetic": ("emf [V]", "coil current [mA]", "line: open-circuit emf \u00b7 dashes: coil current"),
    "piezoelectric": (
        "across element [V]",
        "current [mA]",
        "line: voltage across the piezoelectric element \u00b7 dashes: current into the bridge",
    ),
    PACKET: ("power [mW]", "", "power into the store"),
}


def strokes_of(result: ActuationResult) -> list[tuple[float, float]]:
    """Return begin and end [s] of each stretch in which the source drives: with a voltage of its own, or a current."""
    trace = result.trace
    time = np.asarray(trace.time_s)
    drives = np.abs(np.asarray(trace.coil_current_A)) > 0.0
    if result.source == "electromagnetic":
        drives |= np.abs(np.asarray(trace.emf_V)) > 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], drives.astype(np.int8), [0]])))
    return [(float(time[a]), float(time[b - 1])) for a, b in edges.reshape(-1, 2)]


def draw(axes: Axes, result: ActuationResult, end: float) -> None:
    """Draw what the source gives, and its current on the right; ``end`` is that of the time axis [s]."""
    if result.source not in _WORDS:
        axes.set_ylim(0.0, 1.0)
        axes.set_yticks([])
        axes.set_title("no harvester: what the store held at the release is all")
        style.quiet(axes, "left")
        return
    left, right, title = _WORDS[result.source]
    other = None if result.source == PACKET else axes.twinx()
    traces = [(result.trace, (style.INK, style.VERMILION))]
    if result.nominal_trace is not None:
        traces.insert(0, (result.nominal_trace, (style.GREY, style.GREY)))
        title += " \u00b7 grey: nominal"
    for trace, colours in traces:
        _curves(axes, other, trace, end, colours)
    axes.axhline(0.0, color=style.FAINT, linewidth=0.6, zorder=0)
    axes.set_ylabel(left)
    if other is None:
        axes.set_ylim(0.0, 1.05 * axes.get_ylim()[1])
    else:
        other.set_ylabel(right, color=style.VERMILION)
        other.tick_params(axis="y", colors=style.VERMILION, labelcolor=style.VERMILION)
        other.spines["right"].set_visible(True)
        other.spines["right"].set_color(style.VERMILION)
        _same_zero(axes, other)
    began = [begin for begin, _ in strokes_of(result) if begin > end]
    later = f" \u00b7 not drawn: stroke at {began[0] * 1e3:.3g} ms" if began else ""
    axes.set_title(title + later)


def _curves(axes: Axes, other: Axes | None, trace: Trace, end: float, colours: tuple[str, str]) -> None:
    """Draw one trace as far as the axis goes, a packet's as its power: the current at the store's own voltage."""
    here = np.asarray(trace.time_s) <= end
    time = np.asarray(trace.time_s)[here] * 1e3
    current = np.asarray(trace.coil_current_A)[here] * 1e3
    if other is None:
        axes.plot(time, current * np.asarray(trace.store_V)[here], color=colours[0], linewidth=1.3)
        return
    axes.plot(time, np.asarray(trace.emf_V)[here], color=colours[0], linewidth=1.3)
    other.plot(time, current, color=colours[1], linewidth=1.3, dashes=(4, 1.5))


def _same_zero(axes: Axes, other: Axes) -> None:
    """Give both axes their zero at the same height."""
    (low, high), (low2, high2) = axes.get_ylim(), other.get_ylim()
    below = max(-low / (high - low), -low2 / (high2 - low2), 0.03)
    above = max(high / (high - low), high2 / (high2 - low2), 0.03)
    for panel, size in ((axes, max(-low / below, high / above)), (other, max(-low2 / below, high2 / above))):
        panel.set_ylim(-below * size, above * size)

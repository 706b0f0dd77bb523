"""Which values meet the requirement: the curve over one number, or the map over two."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from yieldsim.analysis.sizes.map import MapResult
from yieldsim.report.figures import style
from yieldsim.report.numbers import share, stated
from yieldsim.report.sizing import standing

if TYPE_CHECKING:
    from yieldsim.analysis.sizing import SizedValue, SizeResult
    from yieldsim.design.variation import Variable
    from yieldsim.estimate.intervals import Estimate

_FLOOR = 1e-4  # failing share at which the scale of shares ends
_NINES = (0.0, 0.9, 0.99, 0.999)
_MARKS = {
    "met": (style.TEAL, "*", "shown to meet the requirement"),
    "possible": (style.BLUE, "o", "not ruled out"),
    "undecided": (style.BLUE, "o", "not ruled out"),
    "not met": (style.VERMILION, "X", "ruled out"),
    "ruled out": (style.VERMILION, "X", "ruled out"),
}


def draw(result: SizeResult | MapResult) -> Figure:
    """Draw a sizing."""
    return _map(result) if isinstance(result, MapResult) else _curve(result)


# --- one number -----------------------------------------------------------------------------------------------------


def _curve(result: SizeResult) -> Figure:
    scanned = result.scanned
    units = any(s.look.unit_yield is not None for s in scanned)
    rules = bool(scanned[0].look.deratings)
    rows = 2 + units
    with style.drawing_style():
        figure = style.new_figure(1.5 + 1.75 * rows)
        style.heading(figure, f"Sizing {result.variable.key}: {_found(result)}")
        panels = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
        if units:
            _unit_yield(panels[0], result)
        _actuations(panels[-2], result, rules)
        _margins(panels[-1], result)
        for axes in panels:
            _background(axes, result)
        _value_axis(panels[-1], result.variable, [s.value for s in scanned], _shown_ticks(result))
        _legend(figure, result)
    return figure


def _found(result: SizeResult) -> str:
    if result.chosen is None:
        return "no scanned value meets the requirement"
    label = _micro(result.chosen.label)
    if result.judgements and result.word == "met":
        return f"{label} meets the requirement"
    return f"{label} is likeliest, {result.word if result.judgements else 'not confirmed'}"


def _micro(text: str) -> str:
    """Return a spelled quantity with the sign for micro."""
    return re.sub(r"(?<=\d )u(?=[A-Za-z])", "\u00b5", text)


def _unit_yield(axes: Axes, result: SizeResult) -> None:
    required = result.requirement.unit_yield if result.requirement is not None else None
    _band(axes, result, lambda s: s.look.unit_yield, style.BLUE, "-")
    _share_axis(axes, "units that comply [%]")
    if required is not None:
        _required(axes, required, f"required: {stated(required)}")


def _actuations(axes: Axes, result: SizeResult, rules: bool) -> None:
    _band(axes, result, lambda s: s.look.completion, style.TEAL, "-", "complete")
    for k, rule in enumerate(result.scanned[0].look.deratings):

        def kept(s: SizedValue, k: int = k) -> Estimate:
            return s.look.deratings[k].reached

        colour, marker = style.SERIES[k + 2]
        _band(axes, result, kept, colour, (0, (4, 2)), f"within the rule of {rule.of}", marker)
        _required(axes, rule.required, f"rule: {stated(rule.required)}", colour)
    _share_axis(axes, "actuations [%]")
    if rules:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, fontsize=7, borderaxespad=0.1)


def _margins(axes: Axes, result: SizeResult) -> None:
    x = [s.value for s in result.scanned]
    value, low, high = (
        np.array([1e3 * getattr(s.look.margin, name) for s in result.scanned]) for name in ("value", "low", "high")
    )
    value = np.where(np.isfinite(value), value, np.nan)
    bounded = np.isfinite(low)
    low, high = np.where(bounded, low, value), np.where(np.isfinite(high), high, value)
    axes.fill_between(x, low, high, color=style.PURPLE, alpha=0.22, linewidth=0)
    if not bounded.all():
        axes.set_title("where the band has no lower part, so few units give no lower bound")
    axes.plot(x, value, color=style.PURPLE, marker="D", markersize=3.0)
    axes.axhline(0.0, color=style.MUTED, linewidth=0.8, dashes=(4, 2))
    axes.set_ylabel("voltage margin,\n1 % point [mV]")
    axes.grid(axis="y")


def _band(
    axes: Axes,
    result: SizeResult,
    of: Callable[[SizedValue], Estimate | None],
    colour: str,
    line: str | tuple[int, tuple[int, ...]],
    label: str = "",
    marker: str = "s",
) -> None:
    """Draw an estimate with its bounds over the values."""
    known = [(s.value, e) for s in result.scanned if (e := of(s)) is not None]
    x = [value for value, _ in known]
    low, value, high = ([_nines(getattr(e, name)) for _, e in known] for name in ("low", "value", "high"))
    axes.fill_between(x, low, high, color=colour, alpha=0.16, linewidth=0)
    axes.plot(x, value, color=colour, linestyle=line, marker=marker, markersize=3.0, label=label or None)


def _nines(reached: float) -> float:
    """Return the height of a share: the logarithm of what it lacks to 1."""
    return -math.log10(max(1.0 - reached, _FLOOR))


def _share_axis(axes: Axes, label: str) -> None:
    axes.set_yticks([*(_nines(p) for p in _NINES), _nines(1.0)], [*(f"{100 * p:g}" for p in _NINES), "99.99 or more"])
    axes.set_ylim(-0.15, _nines(1.0) + 0.15)
    axes.set_ylabel(label)
    axes.grid(axis="y")


def _required(axes: Axes, share_required: float, text: str, colour: str = style.INK) -> None:
    height = _nines(share_required)
    axes.axhline(height, color=colour, linewidth=0.9, dashes=(2, 2))
    axes.annotate(
        text,
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(-3, 2),
        textcoords="offset points",
        ha="right",
        fontsize=7,
        color=colour,
    )


def _background(axes: Axes, result: SizeResult) -> None:
    """Shade what is ruled out, and mark the values that are not."""
    values = [s.value for s in result.scanned]
    cuts = [math.sqrt(a * b) if a > 0.0 else 0.5 * (a + b) for a, b in pairwise(values)]
    ends = [values[0], *cuts, values[-1]]
    for k, s in enumerate(result.scanned):
        if standing(result, s) in ("ruled out", "not met"):
            axes.axvspan(ends[k], ends[k + 1], color=style.WASH, linewidth=0, zorder=0)
        elif result.shown(s.value):
            axes.axvline(s.value, color=style.TEAL, linewidth=1.2, zorder=1)
    if result.variable.nominal in values:
        axes.axvline(result.variable.nominal, color=style.MUTED, linewidth=0.8, dashes=(1, 2), zorder=1)
    for s in result.scanned:
        colour, marker, _ = _MARKS[standing(result, s)]
        axes.plot(
            s.value,
            0.02,
            transform=axes.get_xaxis_transform(),
            marker=marker,
            markersize=7.0 if marker == "*" else 4.0,
            color=colour,
            linestyle="none",
            clip_on=False,
            zorder=4,
        )


def _shown_ticks(result: SizeResult) -> list[float]:
    """Return the values that get a label: those that may be chosen, else all."""
    sold = [s.value for s in result.scanned if s.preferred]
    return sold if len(sold) > 1 else [s.value for s in result.scanned]


def _value_axis(axes: Axes, variable: Variable, values: Sequence[float], labelled: Sequence[float]) -> None:
    if values[0] > 0.0:
        axes.set_xscale("log")
    axes.set_xlim(*_widened(values[0], values[-1]))
    axes.minorticks_off()
    every = max(1, math.ceil(len(labelled) / 14))
    ticks = list(labelled)[::every]
    axes.set_xticks(ticks, [_micro(variable.spelled(v, 3)) for v in ticks])
    axes.set_xlabel(f"{variable.key} [nominal value, unit beside each]")


def _widened(low: float, high: float) -> tuple[float, float]:
    if low > 0.0:
        part = (high / low) ** 0.02
        return low / part, high * part
    return low - 0.02 * (high - low), high + 0.02 * (high - low)


def _legend(figure: Figure, result: SizeResult) -> None:
    seen = dict.fromkeys(standing(result, s) for s in result.scanned)
    marks = {_MARKS[word][2]: _MARKS[word] for word in seen}
    handles: list[Line2D | Patch] = [
        Line2D([], [], color=colour, marker=marker, linestyle="none", markersize=7 if marker == "*" else 4, label=text)
        for text, (colour, marker, _) in marks.items()
    ]
    if any(s.value == result.variable.nominal for s in result.scanned):
        handles.append(Line2D([], [], color=style.MUTED, dashes=(1, 2), linewidth=0.8, label="now"))
    handles.append(Patch(color=style.GREY, alpha=0.4, label=f"bounds, each at {stated(result.confidence)}"))
    figure.legend(handles=handles, loc="outside lower center", ncols=5)


# --- two numbers ----------------------------------------------------------------------------------------------------


def _map(result: MapResult) -> Figure:
    columns, rows = len(result.first_values), len(result.second_values)
    with style.drawing_style():
        figure = style.new_figure(1.9 + 0.42 * max(rows, 4))
        style.heading(figure, f"Where {result.first.key} and {result.second.key} may meet the requirement")
        axes = figure.add_subplot()
        for i in range(columns):
            for j in range(rows):
                _cell(axes, result, i, j)
        axes.set_xlim(0, columns)
        axes.set_ylim(0, rows)
        x = [k + 0.5 for k in range(columns)]
        y = [k + 0.5 for k in range(rows)]
        axes.set_xticks(
            x, [_micro(result.first.spelled(v, 3)) for v in result.first_values], rotation=45 if columns > 9 else 0
        )
        axes.set_yticks(y, [_micro(result.second.spelled(v, 3)) for v in result.second_values])
        axes.set_xlabel(f"{result.first.key} [nominal value, unit beside each]")
        axes.set_ylabel(f"{result.second.key}\n[nominal value, unit beside each]")
        style.quiet(axes, "left", "bottom")
        axes.set_title(
            "share of units that comply where that is nominally hardest; of actuations where none is required"
        )
        chosen = "confirmed" if result.word == "met" else "chosen"
        figure.legend(
            handles=[
                Patch(facecolor=style.SKY, label="not ruled out"),
                Patch(
                    facecolor=style.WASH, edgecolor=style.GREY, hatch="///", label="ruled out (r: by a derating rule)"
                ),
                Line2D([], [], color=style.TEAL, marker="*", markersize=9, linestyle="none", label=chosen),
                Line2D(
                    [], [], color=style.INK, marker="s", markerfacecolor="none", linestyle="none", label="next to now"
                ),
            ],
            loc="outside lower center",
            ncols=4,
        )
    return figure


def _cell(axes: Axes, result: MapResult, i: int, j: int) -> None:
    look = result.look(i, j)
    possible = look is not None and look.ruled_out is None
    axes.add_patch(
        Rectangle(
            (i, j),
            1,
            1,
            facecolor=style.SKY if possible else style.WASH,
            edgecolor=style.PAPER if possible else style.GREY,
            hatch=None if possible else "///",
            linewidth=0.8,
        )
    )
    if (i, j) == _now(result):
        axes.add_patch(
            Rectangle((i + 0.03, j + 0.04), 0.94, 0.92, fill=False, edgecolor=style.INK, linewidth=1.2, zorder=3)
        )
    chosen = result.choice == (result.first_values[i], result.second_values[j])
    if chosen:
        axes.plot(i + 0.5, j + 0.72, marker="*", markersize=8, color=style.TEAL, zorder=4)
    if look is None:
        text = "impossible"
    else:
        reached = look.unit_yield or look.completion
        by_rule = look.ruled_out is not None and look.ruled_out != "unit yield"
        text = share(reached.value) + (" r" if by_rule else "")
    box = {"facecolor": style.PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85}
    axes.text(
        i + 0.5, j + (0.3 if chosen else 0.5), text, ha="center", va="center", fontsize=6.3, zorder=4,
        bbox=None if possible else box,
    )  # fmt: skip


def _now(result: MapResult) -> tuple[int, int]:
    """Return the place of the grid next to the design as it is."""

    def near(values: Sequence[float], nominal: float) -> int:
        return min(range(len(values)), key=lambda k: abs(values[k] - nominal))

    return near(result.first_values, result.first.nominal), near(result.second_values, result.second.nominal)

"""The way from the nominal reserve to the worst one: biases, then tolerances, as a waterfall."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, engineering, fixed
from yieldsim.report.worst_case import fall_text, gathered, in_kind_text, name_text

if TYPE_CHECKING:
    from yieldsim.analysis.worst_case import WorstCaseResult
    from yieldsim.analysis.worst_cases.answers import Contribution, Waterfall

SHOWN = 7  # contributions of a kind
_COLOURS = {"bias": (style.ORANGE, "//"), "random": (style.BLUE, "")}


def draw(result: WorstCaseResult) -> Figure:
    """Draw the waterfalls of the reserve: the likeliest outcome of the link, and the worst one where it is another."""
    falls = [fall for fall in result.waterfalls if fall.quantity == result.waterfalls[0].quantity]
    heights = [len(_rows(fall)) + 2.2 for fall in falls]
    with style.drawing_style():
        figure = style.new_figure(0.9 + 0.19 * sum(heights))
        style.heading(figure, f"What takes the {falls[0].quantity} from its nominal value to its worst one")
        panels = figure.subplots(len(falls), 1, height_ratios=heights, squeeze=False)[:, 0]
        for axes, fall in zip(panels, falls, strict=True):
            draw_fall(axes, fall)
        handles: list[Artist] = [
            Patch(facecolor=colour, hatch=hatch, edgecolor=style.PAPER, label=label)
            for (colour, hatch), label in zip(
                _COLOURS.values(), ("bias, adds algebraically", "random, here all at their extremes"), strict=True
            )
        ]
        handles.append(Patch(facecolor=style.MUTED, label="value"))
        handles.append(Line2D([], [], color=style.VERMILION, linestyle=(0, (4, 2)), label="root-sum-square"))
        figure.legend(handles=handles, loc="outside lower center", ncols=4, columnspacing=1.4)
    return figure


def _rows(fall: Waterfall) -> list[Contribution | tuple[str, float]]:
    """Rows from top to bottom: values by name, contributions between them."""
    rows: list[Contribution | tuple[str, float]] = [("nominal, 25 \u00b0C, new", fall.nominal)]
    shown = gathered(fall, SHOWN)
    rows += [c for c in shown if c.kind == "bias"]
    rows.append(("nominal part there", fall.biased))
    rows += [c for c in shown if c.kind == "random"]
    return [*rows, ("extreme value", fall.worst)]


def draw_fall(axes: Axes, fall: Waterfall) -> None:
    """Draw one waterfall, each contribution from where the one above it ends."""
    scale, unit = (1e3, f"m{fall.unit}") if max(abs(fall.nominal), abs(fall.worst)) < 1.0 else (1.0, fall.unit)
    rows, at = _rows(fall), fall.nominal
    names = []
    for k, row in enumerate(rows):
        if isinstance(row, tuple):
            name, at = row
            axes.barh(k, scale * at, height=0.62, color=style.MUTED)
            kind = {0: fall.nominal_in_kind, len(rows) - 1: fall.worst_in_kind}.get(k)
            text = engineering(at, fall.unit, signed=True)
            text += "" if kind is None else ", " + in_kind_text(kind, short=True)
        else:
            colour, hatch = _COLOURS[row.kind]
            bar = axes.barh(k, scale * row.effect, left=scale * at, height=0.62, color=colour, edgecolor=style.PAPER)
            for patch in bar:
                patch.set_hatch(hatch)
            at += row.effect
            name, text = _named(row), _told(row, fall.unit)
        names.append(name)
        axes.annotate(
            text, (1.0, k), xytext=(6, 0), xycoords=("axes fraction", "data"), textcoords="offset points", va="center",
            fontsize=6.5, color=style.INK if isinstance(row, tuple) else style.MUTED,
        )  # fmt: skip
        if k + 1 < len(rows):
            axes.plot([scale * at, scale * at], [k + 0.31, k + 0.69], color=style.GREY, linewidth=0.7)
    axes.axvline(0.0, color=style.INK, linewidth=0.8, zorder=0)
    first = next(k for k, row in enumerate(rows) if isinstance(row, tuple) and k > 0)
    combined = scale * fall.root_sum_square
    axes.plot([combined, combined], [first - 0.4, len(rows) - 0.6], color=style.VERMILION, dashes=(4, 2), linewidth=1.1)
    axes.use_sticky_edges = False
    axes.margins(x=0.03)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), names, fontsize=6.8)
    axes.set_ylabel("contribution")
    axes.set_xlabel(f"{fall.quantity} [{unit}]")
    axes.grid(axis="x")
    style.quiet(axes, "left")
    place = condition(fall.temperature_degC, fall.age_yr)
    axes.set_title(f"{place}, {fall_text(fall)}")


def _named(row: Contribution) -> str:
    stands = {"low": " low", "high": " high", "inside": " inside"}.get(row.pushes or "", "")
    return f"{name_text(row)}{stands}"


def _told(row: Contribution, unit: str) -> str:
    """Return an effect in its unit and, of a reserve, in charge, octets and time of listening."""
    parts = [engineering(row.effect, unit, signed=True)]
    if row.effect_C is not None:
        parts.append(engineering(row.effect_C, "C", signed=True))
    if row.octets is not None:
        parts.append(f"{fixed(row.octets, 0, signed=True)} octets")
    if row.listen_s is not None:
        parts.append(engineering(row.listen_s, "s", signed=True))
    return ", ".join(parts)

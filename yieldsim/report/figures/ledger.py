"""Where the energy of the press went."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.figure import Figure
from matplotlib.patches import Patch

from yieldsim.report.entries import SOURCES, group_of
from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, engineering, small_share

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult

_GROUPS = {
    "lost before the regulator": (style.ORANGE, "////"),
    "lost in the regulator": (style.PURPLE, "xxxx"),
    "used by the radio": (style.BLUE, None),
    "left over": (style.FAINT, None),
}
_LEAST = 5e-7  # share of the whole below which an entry is not drawn


def draw(result: ActuationResult) -> Figure:
    """One bar an entry of the ledger, by group, with its energy and its share of the whole."""
    ledger = dict(result.ledger)
    whole = sum(ledger.get(name, 0.0) for name in SOURCES)
    entries = [
        (name, value)
        for name, value in ledger.items()
        if name not in SOURCES and whole > 0.0 and value > _LEAST * whole
    ]
    entries.sort(key=lambda entry: (list(_GROUPS).index(group_of(entry[0])), -entry[1]))
    with style.drawing_style():
        figure = style.new_figure(1.2 + 0.24 * max(len(entries), 5))
        place = condition(result.temperature_degC, result.age_yr)
        style.heading(figure, f"Where the energy went, {place}")
        axes = figure.add_subplot()
        for row, (name, value) in enumerate(entries):
            colour, hatch = _GROUPS[group_of(name)]
            axes.barh(row, value * 1e3, height=0.66, color=colour, hatch=hatch, edgecolor=style.PAPER, linewidth=0.0)
            axes.annotate(
                f"{engineering(value, 'J')} \u00b7 {small_share(value / whole)}",
                (value * 1e3, row),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                fontsize=7.5,
            )
        if not entries:
            told = "No energy was at hand: none from the source, none stored before."
            axes.text(0.5, 0.5, told, transform=axes.transAxes, ha="center", va="center", color=style.MUTED)
        axes.set_yticks(range(len(entries)), [name for name, _ in entries])
        axes.set_ylim(max(len(entries), 1) - 0.4, -0.6)
        axes.set_ylabel("entry of the ledger")
        axes.set_xlabel("energy [mJ]")
        axes.set_xlim(0.0, 1.25e3 * max([value for _, value in entries] + [1e-9]))
        if not entries:
            axes.set_xticks([0.0])  # a scale of nothing has no other mark
        axes.set_title(_whole(ledger, whole, result.ledger_error))
        style.quiet(axes, "left")
        axes.grid(axis="x")
        present = [group for group in _GROUPS if any(group_of(name) == group for name, _ in entries)]
        handles = [Patch(facecolor=_GROUPS[g][0], hatch=_GROUPS[g][1], edgecolor=style.PAPER, label=g) for g in present]
        if handles:
            figure.legend(handles=handles, loc="outside lower center", ncols=len(handles), columnspacing=1.4)
    return figure


def _whole(ledger: dict[str, float], whole: float, error: float) -> str:
    parts = [f"{engineering(ledger['source'], 'J')} from the source"] if ledger.get("source", 0.0) > 0.0 else []
    if ledger.get("stored at the release", 0.0) > 0.0:
        parts.append(f"{engineering(ledger['stored at the release'], 'J')} stored before")
    text = " and ".join(parts) or engineering(whole, "J")
    return f"{text}; the ledger closes to {small_share(abs(error), 'up')}"

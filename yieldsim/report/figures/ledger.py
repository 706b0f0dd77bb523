"""Where the press went: the energy ledger of one actuation, or its mean and spread over a run."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from yieldsim.report.entries import CAME_IN, LEFT_OVER, LOST, USED, part_of, shown
from yieldsim.report.figures import style
from yieldsim.report.numbers import condition, count, fixed, small_share

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult
    from yieldsim.analysis.ledger import CellLedger

_PARTS: dict[str, tuple[str, str | None]] = {
    CAME_IN: (style.TEAL, None),
    LOST: (style.ORANGE, "////"),
    USED: (style.BLUE, None),
    LEFT_OVER: (style.FAINT, "...."),
}
_LEAST = 5e-7  # share of the whole below which an entry is not drawn
_APART = 0.45  # room above the name of a part, in rows
_ROW = 0.215  # height of a row [in]
NOTHING = "No energy was at hand: none from the source, none stored before."


@dataclass(frozen=True)
class Bar:
    """An entry, or the sum of a part of the balance: name, part, energy and 5 % and 95 % point of a run [J]."""

    name: str
    part: str
    energy: float
    spread: tuple[float, float] | None = None
    total: bool = False


def draw(result: ActuationResult) -> Figure:
    """Draw a bar an entry, by the parts of the balance, with its energy and its share of all that came in."""
    bars = [Bar(shown(name, result.source), part_of(name), value) for name, value in result.ledger.items()]
    who = "nominal actuation" if result.address is None else "unit {}, actuation {}".format(*result.address)
    place = condition(result.temperature_degC, result.age_yr)
    told = f"ledger closes to {small_share(abs(result.ledger_error), 'up')} of what came in"
    return _balance(f"Where the press went: {who}, {place}", told, bars)


def draw_run(ledger: CellLedger) -> Figure:
    """Draw the means over a sample of a run, with whiskers from the 5 % to the 95 % point of each entry."""
    bars = [
        Bar(shown(name, ledger.source), part_of(name), entry.mean_J, (entry.low_J, entry.high_J))
        for name, entry in ledger.entries.items()
    ]
    told = (
        f"mean of {count(ledger.sample)} actuations, whiskers from 5 % to 95 % of them; "
        f"each ledger closes to {small_share(ledger.error, 'up')}"
    )
    place = condition(ledger.temperature_degC, ledger.age_yr)
    return _balance(f"Where the presses went, {place}", told, bars)


def draw_worst(ledgers: tuple[CellLedger, ...]) -> Figure:
    """Draw the run at its worst condition, which leads the ledgers."""
    return draw_run(ledgers[0])


def _balance(title: str, told: str, bars: list[Bar]) -> Figure:
    whole = sum(bar.energy for bar in bars if bar.part == CAME_IN)
    rows = _rows([bar for bar in bars if whole > 0.0 and _reach(bar) > _LEAST * whole])
    last = rows[-1][0] if rows else 3.0
    with style.drawing_style():
        figure = style.new_figure(1.1 + _ROW * (last + 1.0))
        style.heading(figure, title)
        axes = figure.add_subplot()
        scale, unit = _unit_of(whole)
        for y, bar in rows:
            _draw_row(axes, y, bar, whole, scale)
        if not rows:
            axes.text(0.5, 0.5, NOTHING, transform=axes.transAxes, ha="center", va="center", color=style.MUTED)
        axes.set_yticks([y for y, _ in rows], [bar.name for _, bar in rows])
        for tick, (_, bar) in zip(axes.get_yticklabels(), rows, strict=True):
            tick.set_fontweight("bold" if bar.total else "normal")
        axes.set_ylim(last + 0.6, -0.6)
        axes.set_ylabel("entry of the ledger")
        axes.set_xlabel(f"energy [{unit}]")
        # a quarter of the panel is kept for the numbers at the bars
        axes.set_xlim(0.0, 1.26 * scale * max([_reach(bar) for _, bar in rows] + [1e-9]))
        if not rows:
            axes.set_xticks([0.0])  # a scale of nothing has no other mark
        axes.set_title(told)
        style.quiet(axes, "left")
        axes.grid(axis="x")
    return figure


def _reach(bar: Bar) -> float:
    return bar.energy if bar.spread is None else max(bar.energy, bar.spread[1])


def _unit_of(whole: float) -> tuple[float, str]:
    """Return the factor and the name of the unit of a picture whose bars add up to ``whole`` [J]."""
    return (1e3, "mJ") if whole >= 0.1 else (1e6, "\u00b5J")


def _rows(bars: list[Bar]) -> list[tuple[float, Bar]]:
    """Place each part of the balance with its sum, and below it its entries, the largest first."""
    rows: list[tuple[float, Bar]] = []
    y = 0.0
    for part in _PARTS:
        members = sorted((bar for bar in bars if bar.part == part), key=lambda bar: -bar.energy)
        if members:
            rows.append((y, Bar(part, part, sum(bar.energy for bar in members), total=True)))
            rows += [(y + k, bar) for k, bar in enumerate(members, start=1)]
            y += len(members) + 1 + _APART
    return rows


def _draw_row(axes: Axes, y: float, bar: Bar, whole: float, scale: float) -> None:
    """Draw a bar with its whisker and its numbers; the sum of a part is a thin bar with bold numbers."""
    colour, hatch = _PARTS[bar.part]
    height = 0.22 if bar.total else 0.66
    axes.barh(y, bar.energy * scale, height=height, color=colour, edgecolor=style.PAPER, linewidth=0.0,
              hatch=None if bar.total else hatch)  # fmt: skip
    end = bar.energy
    if bar.spread is not None:
        low, high = bar.spread
        end = max(end, high)
        axes.plot([low * scale, high * scale], [y, y], color=style.INK, linewidth=1.0)
        axes.plot([low * scale, high * scale], [y, y], color=style.INK, linestyle="none", marker="|", markersize=5.0)
    axes.annotate(
        f"{_number(bar.energy * scale)} {_unit_of(whole)[1]} \u00b7 {small_share(bar.energy / whole)}",
        (end * scale, y),
        xytext=(5, 0),
        textcoords="offset points",
        va="center",
        fontsize=7.5,
        fontweight="bold" if bar.total else "normal",
    )


def _number(value: float) -> str:
    """Three significant digits; all of those before the point."""
    decimals = 2 - math.floor(math.log10(value)) if value > 0.0 else 0
    return fixed(value, max(decimals, 0))

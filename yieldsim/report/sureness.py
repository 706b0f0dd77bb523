"""How sure a verdict is of its inputs, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths, bases
from yieldsim.analysis.sureness import TOO_WIDE
from yieldsim.report.layout import wrapped
from yieldsim.report.numbers import condition, count, plain, share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.sureness import InputSureness, VariedInput


def sureness_text(found: InputSureness) -> str:
    """Return what it comes to, in a sentence or two, for beside a verdict."""
    required = f"at least {stated(found.required)} of units"
    interval = (
        f"{share(found.share_low, 'down')} to {share(found.share_high, 'up')} at {stated(found.confidence)} confidence"
    )
    if math.isnan(found.share):
        return (
            f"Of {count(found.sets)} plausible sets of input laws none is supported by {count(found.units)} units, so "
            "that nothing is said of how sure the inputs are: more units would."
        )
    text = (
        f"Of the plausible sets of input laws {share(found.share)} let {required} comply ({interval}: "
        f"{count(found.met)} of {count(found.sets)} sets surely, {count(found.not_met)} surely not)."
    )
    if found.unsupported:
        text += f" {count(found.unsupported)} sets lie too far from the run to be judged, and count either way."
    return text


def varied_text(found: InputSureness) -> str:
    """Return which inputs were varied, and how far."""
    told = "; ".join(_varied(row) for row in found.varied) or "none"
    text = f"Varied: {told}. Kept as stated: {count(len(found.kept))} others. {widths_text(found)}"
    too_wide = [f"{name}, {why}" for name, why in found.kept.items() if why.startswith(TOO_WIDE)]
    return f"{text} Kept as stated in spite of its influence: {'; '.join(too_wide)}." if too_wide else text


def widths_text(found: InputSureness) -> str:
    """Return how wide tolerances are taken to be that nobody has measured, and on whose word."""
    widths = found.plausible_widths
    ranges = [f"{basis} {_range(*getattr(widths, basis))}" for basis in bases()]
    whose = "by convention" if widths == PlausibleWidths() else "as asked"
    return f"Plausible widths over the stated ones, {whose}: {', '.join(ranges)}."


def sureness_lines(found: InputSureness) -> list[str]:
    """Return the lines for the terminal."""
    lines = [*wrapped(sureness_text(found)), *wrapped(varied_text(found))]
    if found.left_out:
        places = ", ".join(condition(c.temperature, c.age) for c in found.left_out)
        lines += wrapped(f"Left out, as nothing was seen to fail there: {places}.")
    return lines


def _varied(row: VariedInput) -> str:
    name = f"{row.name} ({row.level}, {row.basis}"
    if row.sample_size is not None:
        return f"{name} on {count(row.sample_size)} parts)"
    return f"{name}, {_range(row.width_low, row.width_high)} times as wide as stated)"


def _range(low: float, high: float) -> str:
    return f"{plain(low, 2)} to {plain(high, 2)}"

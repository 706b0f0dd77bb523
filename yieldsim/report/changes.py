"""What a change of a nominal or of a tolerance is worth: of completion and of the units that comply, side by side."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from yieldsim.report.grids import Grid
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import ABSENT, condition, count, fixed, share, stated

if TYPE_CHECKING:
    from yieldsim.analysis.ranking import RankResult
    from yieldsim.analysis.ranking_of_failure import FailureRankResult
    from yieldsim.analysis.rankings.slopes import Slope
    from yieldsim.analysis.rankings.unit_changes import UnitChanges

TOO_FEW = "too few"
_INPUTS = 8
_SEEN_TOO_RARELY = ("too few", "no unit", "no actuation")  # how the problems begin that are of the sample
_NAME = 26  # letters for the name of a parameter
_UNITS = ((1e2, "pp"), (1e6, "ppm"), (1e9, "ppb"))  # of changes of a share
_HEADERS = ("nominal +1 %", "from", "to", "tolerance \u221210 %", "from", "to")
_OF = {"completion": "completion", "unit yield": "units"}
LEGEND = (
    "for a nominal 1 % of itself higher, and for a tolerance (its sigma, or its limits) 10 % narrower; pp: percentage "
    "points"
)


def place_of(result: RankResult | FailureRankResult) -> str:
    """Return where a ranking holds: ``at 60 °C after 12 yr``, or over the mission."""
    return "over the mission" if result.over_mission else f"at {condition(result.temperature_degC, result.age_yr)}"


@dataclass(frozen=True)
class _Scale:
    """Unit of the changes of one yield, and digits behind the point."""

    factor: float
    unit: str
    digits: int

    @classmethod
    def of(cls, slopes: Sequence[Slope]) -> _Scale:
        """Return the one in which the largest shown change has three digits, or else the largest of all."""
        most = max((s.reach for s in slopes if s.shown), default=0.0) or max((s.reach for s in slopes), default=0.0)
        factor, unit = next((pair for pair in _UNITS if most * pair[0] >= 0.1), _UNITS[-1] if most else _UNITS[0])
        return cls(factor, unit, max(0, 2 - math.floor(math.log10(most * factor))) if most > 0.0 else 0)

    def cells(self, row: Slope) -> tuple[str, ...]:
        """Return nominal and tolerance, each with its interval; what too few rows decide says so."""
        nominal = (row.nominal, row.nominal_low, row.nominal_high)
        narrowed = (row.narrowed, row.narrowed_low, row.narrowed_high)
        return (*self._three(nominal, few=row.nominal_few), *self._three(narrowed, few=row.narrowed_few))

    def _three(self, values: tuple[float, float, float], *, few: bool) -> tuple[str, ...]:
        if few:
            return (TOO_FEW, ABSENT, ABSENT)
        return tuple(fixed(x * self.factor, self.digits, signed=True) if math.isfinite(x) else ABSENT for x in values)


def changes_grid(completion: Sequence[Slope], units: UnitChanges | None, most: int | None = None) -> Grid:
    """Return the changes that are shown of either yield, those of both for each input, the strongest first.

    Parameters
    ----------
    completion : changes of completion, may be none
    units : changes of the share of units that comply, or None
    most : inputs at the most; all when None
    """
    sides = [side for side in (completion, () if units is None else units.slopes) if side]
    scales = [_Scale.of(side) for side in sides]
    rows: list[tuple[str, ...]] = []
    for name, level in _shown(sides)[:most]:
        for side, scale in zip(sides, scales, strict=True):
            for row in side:
                told = any(math.isfinite(x) for x in (row.nominal, row.narrowed))
                if (row.name, row.level) == (name, level) and told:
                    rows.append((name, level, f"{_OF[row.of]} [{scale.unit}]", *scale.cells(row)))
    return Grid(("parameter", "level", "change of", *_HEADERS), tuple(rows), 3)


def _shown(sides: Iterable[Sequence[Slope]]) -> list[tuple[str, str]]:
    """Name and level of the inputs that either yield shows a change with, by the larger part of the largest change."""
    parts: dict[tuple[str, str], float] = {}
    for side in sides:
        most = max((row.reach for row in side if row.shown), default=0.0)
        for row in side:
            if row.shown and most > 0.0:
                key = (row.name, row.level)
                parts[key] = max(parts.get(key, 0.0), row.reach / most)
    return sorted(parts, key=lambda key: (-parts[key], key))


def units_text(units: UnitChanges, place: str) -> str:
    """Return which units are meant, how many comply, and what of their change is not told, in sentences."""
    interval = f"{share(units.unit_yield_low, 'down')} to {share(units.unit_yield_high, 'up')}"
    whose = f"those of {count(units.units)} that each complete {stated(units.required)} of their actuations"
    text = f"Units: {whose} {place}, {share(units.unit_yield)} ({interval})."
    if any(row.shown for row in units.slopes):
        return f"{text} What differs by actuation moves them, too; of that these samples say nothing."
    known = [row for row in units.slopes if math.isfinite(row.narrowed)]
    if all(row.nominal_few or row.narrowed_few for row in known):
        return f"{text} Too few units decide: no change of theirs is told."
    return f"{text} No change of theirs is shown by these samples."


def change_lines(result: FailureRankResult) -> list[str]:
    """Return what changes are worth, as far as this sample shows it."""
    completion, units = result.slopes, result.unit_changes
    if not completion and units is None:
        return []
    grid = changes_grid(completion, units, _INPUTS)
    names = " and ".join([*(["completion"] if completion else []), *(["the units that comply"] if units else [])])
    lines = [""]
    if grid.rows:
        lines += wrapped(
            f"Change of {names}, from the same samples (each interval by itself, at {stated(result.confidence)}), "
            f"{LEGEND}."
        )
        lines += _table(grid)
    else:
        lines += wrapped(f"No change of {names} with a nominal or a tolerance is shown by these samples.")
    if not completion:
        lines += wrapped("Of completion no change is told: too few failures were met.")
    if units is not None:
        lines += wrapped(units_text(units, place_of(result)))
    for problem, named in problems([*completion, *(() if units is None else units.slopes)]).items():
        lines += wrapped(f"No change given for {named}: {problem}.")
    return lines


def problems(slopes: Sequence[Slope]) -> dict[str, str]:
    """Return why changes are not given -> the inputs it is about; how many, where it is for want of failures."""
    found: dict[str, dict[str, None]] = {}
    for row in slopes:
        if row.problem is not None and not row.shown:
            found.setdefault(_plainly(row.problem), {})[f"{row.name} ({row.level})"] = None
    return {
        problem: f"{count(len(named))} inputs" if problem.startswith(_SEEN_TOO_RARELY) else ", ".join(named)
        for problem, named in found.items()
    }


def _plainly(problem: str) -> str:
    """A problem without the number of rows, which differs from input to input."""
    return problem.split(" (as many as")[0]


def _table(grid: Grid) -> list[str]:
    """Lines of the table: an input's name once, wrapped, with its level."""
    table: list[list[str]] = []
    before: tuple[str, str] | None = None
    waiting: list[str] = []
    for name, level, *cells in grid.rows:
        if (name, level) != before:
            table += [[part, "", *[""] * len(_HEADERS)] for part in waiting]
            before, waiting = (name, level), textwrap.wrap(f"{name} ({level})", _NAME, break_on_hyphens=False)
        first, waiting = (waiting[0], waiting[1:]) if waiting else ("", [])
        table.append([first, *cells])
    table += [[part, "", *[""] * len(_HEADERS)] for part in waiting]
    heads = [header.replace(" +", "\n+").replace(" \u2212", "\n\u2212") for header in _HEADERS]
    return columns(["parameter", "change of", *heads], table, left=2)

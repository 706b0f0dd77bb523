"""Ratings used as text and as a table: the answer first, then each rating where most of it is taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from yieldsim.analysis.addresses import Address
from yieldsim.analysis.ratings import PROBABILITIES
from yieldsim.report.commands import opening
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import (
    ABSENT,
    condition,
    count,
    engineering,
    plain,
    share,
    share_with_bounds,
    small_share,
    stated,
)

if TYPE_CHECKING:
    from yieldsim.analysis.ratings import RatingCell, RatingsResult
    from yieldsim.estimate.intervals import Estimate

_HIGH = max(PROBABILITIES)


def lines_of(result: RatingsResult) -> list[str]:
    """Return the lines of an answer about ratings."""
    title = "".join(c if c.isprintable() else " " for c in result.provenance.title)
    return [
        *wrapped(f"{result.word.upper()}: {title}"),
        *wrapped(result.reason),
        "",
        *_worst(result),
        "",
        *_conditions(result),
        "",
        *_rules(result),
        "",
        *_largest(result),
        *_method(result),
    ]


def _worst(result: RatingsResult) -> list[str]:
    """One line a rating, at the condition with the highest worst case."""
    headers = ["rating", "rated", "derated", "temp.\n[degC]", "age\n[yr]", "median", f"{stated(_HIGH)}\nbelow"]
    headers += ["at most", "largest", "worst\ncase"]
    rows = []
    for name in result.names:
        cell = result.worst(name)
        high = cell.quantiles[_HIGH]
        values = (cell.quantiles[0.5].value, high.value, high.high, cell.largest, cell.extreme_value)
        row = [name, engineering(cell.rating, cell.unit), engineering(cell.limit, cell.unit)]
        row += [plain(cell.temperature_degC), plain(cell.age_yr)]
        rows.append([*row, *(engineering(value, cell.unit) for value in values)])
    return columns(headers, rows)


def _conditions(result: RatingsResult) -> list[str]:
    """Largest simulated and worst case of every condition, in shares of the rating."""
    places = list(dict.fromkeys((c.temperature_degC, c.age_yr) for c in result.cells))
    places.sort(key=lambda place: (place[1], place[0]))
    cells = {(c.of, c.temperature_degC, c.age_yr): c for c in result.cells}
    headers = ["temp.\n[degC]", "age\n[yr]"]
    for name in result.names:
        part, what = name.split(".", 1)
        headers += [f"{part} {what}\nlargest", "worst case"]
    rows = []
    for temperature, age in places:
        row = [plain(temperature), plain(age)]
        for name in result.names:
            cell = cells[name, temperature, age]
            row += [share(cell.largest / cell.rating), share(cell.extreme_value / cell.rating)]
        rows.append(row)
    lines = columns(headers, rows, left=0)
    if max(len(line) for line in lines) > 100:  # five ratings: largest simulated and worst case in one column
        headers = ["temp.\n[degC]", "age\n[yr]", *(name.replace(".", "\n") for name in result.names)]
        rows = [[*row[:2], *(f"{a}, {b}" for a, b in zip(row[2::2], row[3::2], strict=True))] for row in rows]
        lines = columns(headers, rows, left=0)
    return ["Of each rating, the largest simulated and the worst case take:", "", *lines]


def _rules(result: RatingsResult) -> list[str]:
    lines: list[str] = []
    for name in result.names:
        own = [c for c in result.cells if c.of == name]
        worst = max(own, key=lambda c: c.above_rating.low)
        if worst.above_rating.value > 0.0:
            lines += wrapped(f"{name} above its rating: {_above(worst, worst.above_rating)}.")
        worst = max(own, key=_above_limit_low)
        if worst.above_limit is not None and worst.above_limit.value > 0.0 and worst.limit != worst.rating:
            left = engineering(worst.limit, worst.unit)
            lines += wrapped(f"{name} above the {left} that a rule leaves: {_above(worst, worst.above_limit)}.")
    for rule in result.deratings:
        lines += wrapped(
            f"Rule: {rule.of} at most {stated(rule.at_most)} of its rating in {stated(rule.share)} of the actuations: "
            f"{rule.verdict}, reached in {share_with_bounds(rule.reached)}."
        )
    if not result.deratings:
        lines += wrapped("No [[derating]] rule is stated: how much of a rating may be used is for you to say.")
    return lines


def _above(cell: RatingCell, found: Estimate) -> str:
    low, high = small_share(found.low, "down"), small_share(found.high, "up")
    place = condition(cell.temperature_degC, cell.age_yr)
    return f"in {small_share(found.value)} of the actuations ({low} to {high}) at {place}"


def _above_limit_low(cell: RatingCell) -> float:
    return 0.0 if cell.above_limit is None else cell.above_limit.low


def _largest(result: RatingsResult) -> list[str]:
    """Return the commands that open the largest stresses, each once."""
    lines: dict[str, list[str]] = {}
    for name in result.names:
        cell = max((c for c in result.cells if c.of == name), key=lambda c: c.largest)
        address = Address(cell.temperature_degC, cell.age_yr, cell.unit_number, max(cell.actuation, 0), "", 0.0)
        told = f"{name} {engineering(cell.largest, cell.unit)}"
        told += " in every actuation of the unit" if cell.actuation < 0 else ""
        lines.setdefault(opening(address, result.provenance, result.path), []).append(told)
    return ["Largest simulated:", *(f"  {', '.join(told)}\n    {line}" for line, told in lines.items()), ""]


def _method(result: RatingsResult) -> list[str]:
    lost = sum(cell.unknown for cell in result.cells)
    return wrapped(
        f"{count(result.units)} units with {count(result.actuations)} actuations each in every condition. At most is a "
        f"one-sided bound at {stated(result.confidence)} confidence, of units or lots, for any distribution; "
        f"{ABSENT} where these units are too few for it. Worst case: searched with every tolerance at its limits, or "
        f"where it has none at its 0.135 % and 99.865 % points ({count(result.evaluations)} actuations computed); no "
        "search can prove that there is nothing worse."
        + (f" {count(lost)} stresses gave no number and count as above." if lost else "")
    )


def cells(result: RatingsResult) -> pd.DataFrame:
    """One row a rating and condition: quantiles, largest, shares above and worst case, in ``unit`` or as shares."""
    rows = [{k: v for k, v in cell.payload().items() if not isinstance(v, list)} for cell in result.cells]
    return pd.DataFrame(rows).assign(confidence=result.confidence)

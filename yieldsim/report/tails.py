"""A tail analysis as text: the worst condition first, then all of them, then how it fails."""

from __future__ import annotations

from typing import TYPE_CHECKING

from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import ABSENT, condition, count, fixed, plain, quantity

if TYPE_CHECKING:
    from yieldsim.analysis.tail import CellTail, FailureParameter, TailResult


def rare(value: float) -> str:
    """Return a probability as text: in parts of ten below one in a thousand."""
    return f"{value:.2e}" if 0.0 < value < 1e-3 else plain(value, 3)


def lines_of(result: TailResult) -> list[str]:
    """Return the lines of a tail analysis."""
    worst = result.worst
    what = {"energy": "fails for want of energy", "completion": "does not complete"}[worst.of]
    who = "an actuation" if worst.level == "actuation" else "a unit (of those whose share that completes is too low)"
    rows = [_row(cell) for cell in result.cells]
    lines = [
        *wrapped(
            f"Probability that {who} {what}: at most {rare(worst.failure_high)}"
            f"{' in every condition' if len(result.cells) > 1 else ''}; {'worst ' if len(result.cells) > 1 else ''}at "
            f"{condition(worst.temperature_degC, worst.age_yr)}, {rare(worst.failure)} "
            f"({rare(worst.failure_low)} to {rare(worst.failure_high)})."
        ),
        "",
        *columns(
            ["temperature [degC]", "age [yr]", "failure [1]", "from", "to", "method", "calls", "first at index [1]"],
            rows,
            left=0,
        ),
    ]
    for cell in result.cells:
        if cell.flag is not None:
            place = condition(cell.temperature_degC, cell.age_yr)
            lines += wrapped(f"NOT TO BE TRUSTED YET at {place}: {cell.flag}.")
    if worst.link_floor > 0.0:
        lines += wrapped(f"The link alone loses {rare(worst.link_floor)}, whatever the supply does.")
    lines += ["", *_point(worst), *_agreement(worst)]
    reach = max(cell.farthest for cell in result.cells)
    if reach > 0.0:
        lines += wrapped(
            f"The failures lie up to {fixed(reach, 1)} standard scores out in one input: the answer extrapolates the "
            "tail of that input's law wherever its data end sooner."
        )
    return [*lines, *_support(worst)]


def _support(cell: CellTail) -> list[str]:
    """Down to which probability the data of the inputs support the worst condition."""
    found = cell.data_support
    if found is None:
        return []
    lines = []
    if found.down_to is not None and found.sample_size is not None:
        word = "extrapolates" if abs(found.score or 0.0) > (found.reach or 0.0) else "stays within"
        lines += wrapped(
            f"Data: the {count(found.sample_size)} measured parts of {found.input} ({found.level}) reach to about "
            f"{fixed(found.reach or 0.0, 1)} standard scores, and support failure probabilities down to about "
            f"{rare(found.down_to)}: the answer {word} them."
        )
    if found.without_data:
        lines += wrapped(
            f"No data behind the law of {', '.join(found.without_data)}: as far as it decides, the answer is as good "
            "as that assumption at any probability."
        )
    return lines


def _row(cell: CellTail) -> list[str]:
    point = cell.most_probable_point
    return [
        plain(cell.temperature_degC),
        plain(cell.age_yr),
        rare(cell.failure),
        rare(cell.failure_low),
        rare(cell.failure_high),
        cell.method,
        count(cell.model_calls),
        ABSENT if point is None else fixed(point.reliability_index, 2),
    ]


def _point(cell: CellTail) -> list[str]:
    point = cell.most_probable_point
    if point is None:
        return wrapped("No failure point was found: the bound comes from the number of actuations computed alone.")
    causes = ", ".join(f"{name} {rare(value)}" for name, value in cell.causes.items() if value > 0.0)
    headers = ["parameter", "level", "score [1]", "share [1]", "value", "nominal"]
    return [
        *wrapped(
            f"Most probable failure at {condition(cell.temperature_degC, cell.age_yr)} ({point.link}): it "
            f"{point.cause}, {fixed(point.reliability_index, 2)} standard scores from the median."
        ),
        *columns(headers, [_parameter(row) for row in point.parameters if row.importance >= 5e-4], left=2),
        *wrapped(f"By cause [1]: {causes}."),
    ]


def _parameter(row: FailureParameter) -> list[str]:
    return [
        row.name,
        row.level,
        fixed(row.score, 2, signed=True),
        fixed(row.importance, 3),
        ABSENT if row.value is None else quantity(row.value, row.unit),
        ABSENT if row.nominal is None else quantity(row.nominal, row.unit),
    ]


def _agreement(cell: CellTail) -> list[str]:
    if len(cell.agreement) < 2:
        return []
    told = "; ".join(
        f"{own['method']} {rare(own['failure'])} ({rare(own['failure_low'])} to {rare(own['failure_high'])}, "
        f"{count(own['model_calls'])} calls)"
        for own in cell.agreement
    )
    return wrapped(f"Each method by itself, for the outcome of the link that carries most: {told}.")

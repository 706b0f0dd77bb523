"""A worst case as text, and as rows for a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from yieldsim.report.grids import Grid
from yieldsim.report.layout import columns, wrapped
from yieldsim.report.numbers import ABSENT, condition, count, engineering, fixed, plain, quantity, stated

if TYPE_CHECKING:
    from yieldsim.analysis.worst_case import WorstCaseResult
    from yieldsim.analysis.worst_cases.answers import (
        CaseAnswer,
        CellAnswer,
        Contribution,
        FailurePointAnswer,
        StageInKind,
        Waterfall,
    )

RESERVE = "reserve"
SHOWN = 14  # contributions of each kind; the others are added up
_LEAST = 5e-4  # share of the way below which a contribution is not shown by itself


# --- words ------------------------------------------------------------------------------------------------------------


def rare(value: float | None) -> str:
    """Return a probability as text, in powers of ten below one in a thousand."""
    if value is None:
        return ABSENT
    return f"{value:.1e}" if 0.0 < value < 1e-3 else plain(value, 3)


def link_text(attempts: int, channel: str) -> str:
    """Return what the link is taken to do, in words."""
    words = f"{attempts} attempt{'s' if attempts > 1 else ''}"
    return words if channel == "no channel access" else f"{words}, channel {channel}"


def case_text(case: CaseAnswer) -> str:
    """Return an outcome of the link with its message and press, where there is a choice."""
    more = [] if case.message is None else [f"message {case.message}"]
    more += [] if case.press is None else [f"press {case.press}"]
    return "; ".join([link_text(case.attempts, case.channel), *([", ".join(more)] if more else [])])


def fall_text(fall: Waterfall) -> str:
    """Return what the link is taken to do in a waterfall, with message and press where there is a choice."""
    parts = [link_text(fall.attempts, fall.channel)]
    parts += [] if fall.channel == "no channel access" else ["longest backoffs"]
    parts += [] if fall.message is None else [f"message {fall.message}"]
    parts += [] if fall.press is None else [f"press {fall.press}"]
    return ", ".join(parts)


def deciding(cell: CellAnswer) -> CaseAnswer:
    """Return the case of the link that gives the extreme value."""
    return next(case for case in cell.cases if case.extreme_value == cell.extreme_value)


def index_text(point: FailurePointAnswer | None) -> str:
    """Return a reliability index; a dash where there is none."""
    return ABSENT if point is None else fixed(point.reliability_index, 2)


def point_of(result: WorstCaseResult, quantity: str, attempts: int) -> FailurePointAnswer | None:
    """Return the failure point of a quantity with so many attempts; None where it was not asked."""
    return next((p for p in result.failure_points if (p.quantity, p.attempts) == (quantity, attempts)), None)


def told(value: float | None, unit: str) -> str:
    """Return a value of a quantity, margins and ratings alike."""
    return engineering(value, unit)


def gathered(fall: Waterfall, most: int = SHOWN) -> list[Contribution]:
    """Return the contributions to show, in the order of the way: what is small is added up, kind by kind."""
    shown: list[Contribution] = []
    for kind in ("bias", "random"):
        own = [c for c in fall.contributions if c.kind == kind]
        named = [c for c in own if c.source != "acting together"]
        kept = [c for c in named if abs(c.share) >= _LEAST][:most]
        rest = [c for c in named if c not in kept]
        shown += kept
        if rest and sum(abs(c.share) for c in rest) > 0.0:
            sums = {name: _sum(rest, name) for name in ("effect", "share", "effect_C", "octets", "listen_s")}
            whole = replace(rest[0], name=f"{len(rest)} more", level="", source="", pushes=None, alone=None)
            shown.append(replace(whole, **sums))
        shown += [c for c in own if c.source == "acting together" and abs(c.share) >= _LEAST]
    return shown


def _sum(rows: Sequence[Contribution], name: str) -> Any:
    values = [getattr(row, name) for row in rows]
    return None if None in values else sum(values)


def in_kind_text(kind: StageInKind, *, short: bool = False) -> str:
    """Return a reserve in charge, octets and time of listening."""
    air, listening = ("", "") if short else (" on air", " of listening")
    parts = [engineering(kind.charge_C, "C", signed=True)]
    parts += [] if kind.octets is None else [f"{fixed(kind.octets, 0, signed=True)} octets{air}"]
    parts += [] if kind.listen_s is None else [f"{engineering(kind.listen_s, 's', signed=True)}{listening}"]
    return ", ".join(parts)


def name_text(c: Contribution) -> str:
    """Return what a contribution is, in words."""
    if c.source == "link":
        return "link, press and message"
    if c.source in ("temperature", "ageing"):
        return f"{c.name}: {c.source}"
    return f"{c.name} ({c.level})" if c.level else c.name


# --- text -------------------------------------------------------------------------------------------------------------


def lines_of(result: WorstCaseResult) -> list[str]:
    """Return the lines of a worst case: what it comes to, the answers side by side, then where they come from."""
    return [
        *verdict_lines(result),
        "",
        *_answers(result),
        "",
        *_conditions(result),
        "",
        *_cases(result),
        "",
        *_way(result),
        "",
        *_extremes(result),
        *footing_lines(result),
    ]


def verdict_lines(result: WorstCaseResult) -> list[str]:
    """Return what it comes to: the extreme value, and the limit that a sample shows."""
    worst = result.worst
    case, likely = deciding(worst), result.of(RESERVE)
    first = min(likely, key=lambda cell: cell.cases[0].extreme_value)
    place = condition(worst.temperature_degC, worst.age_yr)
    lines = wrapped(
        f"{'RUNS SHORT' if 'extreme value' in worst.passed else 'HOLDS'}: the least reserve with every parameter at "
        f"its worst is {told(worst.extreme_value, 'V')}, at {place}, with {_said(case)} "
        f"(an outcome of the link of probability {rare(case.link_probability)})."
    )
    if case is not worst.cases[0]:
        c = first.cases[0]
        lines += wrapped(
            f"With {_said(c)} ({rare(c.link_probability)}) it is "
            f"{told(c.extreme_value, 'V')}, at {condition(first.temperature_degC, first.age_yr)}."
        )
    short = min(result.of(RESERVE), key=lambda cell: -1e300 if cell.quantile_limit is None else cell.quantile_limit)
    limit = told(short.quantile_limit, "V")
    lines += wrapped(
        f"{stated(result.content)} of actuations keep a reserve of at least {limit} at "
        f"{condition(short.temperature_degC, short.age_yr)}, where that is least: shown at {stated(result.confidence)} "
        "confidence for any distribution, the link by chance."
    )
    return lines


def _said(case: CaseAnswer) -> str:
    return case_text(case).replace("; ", ", ")


def _answers(result: WorstCaseResult) -> list[str]:
    grid = answers(result)
    return [
        *wrapped("Each quantity where its extreme value is worst; * marks what passes the limit."),
        *columns(_folded(grid), [list(row) for row in grid.rows], left=1),
        *wrapped("A dash for an index: no failing point was found within twelve standard scores, or none is asked."),
    ]


def _conditions(result: WorstCaseResult) -> list[str]:
    cells = result.of(RESERVE)
    c = cells[0].cases[0]
    made = f"{c.attempts} attempt{'s' if c.attempts > 1 else ''}"
    headers = ["temp.\n[degC]", "age\n[yr]", f"extreme,\n{made}", f"RSS,\n{made}", f"limit,\n{made}"]
    headers += ["extreme,\nworst link", "RSS,\nworst link", "limit, link\nby chance", "worst of\nthe sample"]
    rows = [
        [
            plain(cell.temperature_degC) + ("" if cell.stated else "+"),
            plain(cell.age_yr),
            *(told(value, "V") for value in _first_case(cell)),
            told(cell.extreme_value, "V"),
            told(cell.root_sum_square, "V"),
            told(cell.quantile_limit, "V"),
            told(cell.sample_extreme, "V"),
        ]
        for cell in cells
    ]
    between = sum(not cell.stated for cell in cells)
    note = (
        f"+ marks {between} temperature{'s' if between > 1 else ''} between stated ones, worse than both."
        if between
        else "No temperature between the stated ones is worse than both."
    )
    link = link_text(c.attempts, c.channel)
    lines = wrapped(f"Reserve by condition, the worst first: with {link}, and with whatever else the link may do.")
    return [*lines, *columns(headers, rows, left=0), *(wrapped(note) if len(cells) > 1 else [])]


def _first_case(cell: CellAnswer) -> tuple[float, float, float | None]:
    case = cell.cases[0]
    return case.extreme_value, case.root_sum_square, case.quantile_limit


def _cases(result: WorstCaseResult) -> list[str]:
    grid = cases_grid(result)
    worst = result.worst
    place = condition(worst.temperature_degC, worst.age_yr)
    return [
        *wrapped(f"Reserve at {place} by number of attempts, every backoff as long as it can be:"),
        *columns(_folded(grid), _broken(grid), left=1),
        *wrapped(
            "The limit is that of a sample with so many attempts forced and the channel by chance; the index is the "
            "distance of the most probable failing point from the median, on a clear channel, in standard scores, "
            "given such an outcome of the link."
        ),
        *_points(result),
    ]


def _folded(grid: Grid) -> list[str]:
    """Headers in two lines where that makes them narrower."""
    folded = []
    for header in grid.headers:
        words = header.replace("root-sum-square", "root-sum- square").split(" ")
        ways = [(" ".join(words[:k]), " ".join(words[k:])) for k in range(1, len(words))]
        pair = min(ways, key=lambda way: max(len(way[0]), len(way[1])), default=None)
        folded.append(header if pair is None else "\n".join(pair))
    return folded


def _broken(grid: Grid) -> list[list[str]]:
    """Rows of which the first cell goes on in a second line after its first semicolon."""
    rows = []
    for first, *rest in grid.rows:
        head, _, tail = first.partition("; ")
        rows.append([head, *rest])
        if tail:
            rows.append([f"  {tail}", *[""] * len(rest)])
    return rows


def _points(result: WorstCaseResult) -> list[str]:
    point = point_of(result, RESERVE, result.worst.cases[0].attempts)
    if point is None or not point.parameters:
        return []
    told_ = ", ".join(
        f"{p.name} ({p.level}) {fixed(p.score, 2, signed=True)}"
        + ("" if p.value is None else f" = {quantity(p.value, p.unit)}")
        for p in point.parameters[:5]
    )
    probability = ABSENT
    if point.failure is not None:
        low, high = rare(point.failure_low), rare(point.failure_high)
        probability = f"{rare(point.failure)} ({low} to {high})"
    flag = f" NOT TO BE TRUSTED YET: {point.flag}." if point.flag else ""
    return wrapped(
        f"Failure point with {link_text(point.attempts, 'no channel access')} at "
        f"{condition(point.temperature_degC, point.age_yr)}: {told_} standard scores; probability {probability}.{flag}"
    )


def _way(result: WorstCaseResult) -> list[str]:
    fall = result.waterfalls[0]
    grid, kept = contributions(fall), 7  # octets and listening follow the charge
    lines = wrapped(
        f"From the nominal {fall.quantity} to its extreme value at {condition(fall.temperature_degC, fall.age_yr)}, "
        f"{fall_text(fall)}:"
    )
    lines += columns(_folded(grid)[:kept], [list(row[:kept]) for row in grid.rows], left=3)
    if fall.nominal_in_kind is not None and fall.worst_in_kind is not None:
        first, last = in_kind_text(fall.nominal_in_kind), in_kind_text(fall.worst_in_kind)
        lines += wrapped(f"In kind: from {first} to {last}.")
    return [
        *lines,
        *wrapped(
            "An effect is the mean of what a contribution does when it comes first and when it comes last; alone is "
            "what its worse extreme does to the nominal part there, of which the root-sum-square is made."
        ),
    ]


def _extremes(result: WorstCaseResult) -> list[str]:
    rows = [
        [
            e.name,
            e.level,
            quantity(e.low, e.unit),
            quantity(e.high, e.unit) + ("*" if e.kind != "limit" else " "),
        ]
        for e in result.extremes
    ]
    if not rows:
        return ["No parameter has a tolerance."]
    return [
        *wrapped("Extremes of each tolerance by itself, before the laws; * marks 0.135 % and 99.865 % points:"),
        *columns(["parameter", "level", "low", "high "], rows, left=2),
    ]


def footing_lines(result: WorstCaseResult) -> list[str]:
    """Return what the answers rest on, a blank line first."""
    inside = sorted({name for cell in result.cells for case in cell.cases for name in case.interior})
    interior = (
        f"An interior point won: not at an extreme at some worst point stood {', '.join(inside)}."
        if inside
        else "Every worst point is a vertex of the box: no interior point won."
    )
    return [
        "",
        *wrapped(f"Extreme values were searched with {count(result.evaluations)} actuations. {interior}"),
        *wrapped(
            f"Limits from samples: observation {result.rank} from the worst of {count(result.observations)} in every "
            f"condition, content {stated(result.content)}, confidence {stated(result.confidence)}."
        ),
        *wrapped(
            "Root-sum-square takes the effects of the extremes as if they were normal, alike in sigmas and additive: "
            "it covers less than it seems where limits are rectangular or the response bends."
        ),
    ]


# --- rows for a page --------------------------------------------------------------------------------------------------


def answers(result: WorstCaseResult) -> Grid:
    """Return the four answers of each quantity at its worst condition."""
    rows, stressed = [], set()
    for k, name in enumerate(result.quantities):
        cell = result.of(name)[0]
        point = point_of(result, name, cell.cases[0].attempts)
        if cell.passed:
            stressed.add(k)
        rows.append(
            (
                name,
                plain(cell.temperature_degC),
                plain(cell.age_yr),
                told(cell.nominal, cell.unit),
                told(cell.extreme_value, cell.unit) + ("*" if "extreme value" in cell.passed else ""),
                told(cell.root_sum_square, cell.unit) + ("*" if "root-sum-square" in cell.passed else ""),
                told(cell.quantile_limit, cell.unit) + ("*" if "quantile limit" in cell.passed else ""),
                index_text(point),
                told(cell.limit, cell.unit),
            )
        )
    headers = (
        "quantity",
        "temp. [degC]",
        "age [yr]",
        "nominal",
        "extreme value",
        "root-sum-square",
        f"{stated(result.content)} limit",
        "failure index [1]",
        "limit",
    )
    return Grid(headers, tuple(rows), 1, frozenset(stressed))


def cases_grid(result: WorstCaseResult, quantity: str = RESERVE) -> Grid:
    """Return the answers of a quantity at its worst condition, by what the link does."""
    cell = result.of(quantity)[0]
    rows = []
    for case in cell.cases:
        point = point_of(result, quantity, case.attempts) if case.channel != "busy to the last" else None
        rows.append(
            (
                case_text(case),
                rare(case.link_probability),
                told(case.biased, cell.unit),
                told(case.extreme_value, cell.unit),
                told(case.root_sum_square, cell.unit),
                told(case.quantile_limit, cell.unit),
                index_text(point),
            )
        )
    headers = (
        "the link does", "probability [1]", "nominal part", "extreme value", "root-sum-square",
        f"{stated(result.content)} limit", "failure index [1]",
    )  # fmt: skip
    return Grid(headers, tuple(rows), 1)


def contributions(fall: Waterfall) -> Grid:
    """Return which parameter pushes which way, and its share of the way."""
    in_kind = fall.nominal_in_kind is not None
    rows = [_stage("nominal at 25 degC, new", fall.nominal, fall, fall.nominal_in_kind)]
    subtotal = False
    for c in gathered(fall):
        if c.kind == "random" and not subtotal:
            rows.append(_stage("nominal part there", fall.biased, fall, None))
            subtotal = True
        row = [
            name_text(c),
            c.kind,
            c.pushes or "",
            engineering(c.effect, fall.unit, signed=True),
            fixed(100.0 * c.share, 1),
            engineering(c.alone, fall.unit, signed=True) if c.alone is not None else "",
        ]
        if in_kind:
            row += [
                _scaled(c.effect_C, 1e6, 2),
                _scaled(c.octets, 1.0, 1),
                _scaled(c.listen_s, 1e3, 3),
            ]
        rows.append(tuple(row))
    rows.append(_stage("extreme value", fall.worst, fall, fall.worst_in_kind))
    headers = ["contribution", "kind", "stands", "effect", "share [%]", "alone"]
    headers += ["charge [\u00b5C]", "octets [1]", "listening [ms]"] if in_kind else []
    return Grid(tuple(headers), tuple(rows), 3, frozenset({0, len(rows) - 1}))


def _stage(name: str, value: float, fall: Waterfall, kind: StageInKind | None) -> tuple[str, ...]:
    row = [name, "", "", engineering(value, fall.unit, signed=True), "", ""]
    if fall.nominal_in_kind is not None:
        if kind is None:
            row += ["", "", ""]
        else:
            octets = None if kind.octets is None else float(kind.octets)
            row += [_scaled(kind.charge_C, 1e6, 2), _scaled(octets, 1.0, 0), _scaled(kind.listen_s, 1e3, 3)]
    return tuple(row)


def _scaled(value: float | None, factor: float, decimals: int) -> str:
    return ABSENT if value is None else fixed(factor * value, decimals, signed=True)

"""Results as plain text for the terminal: the verdict first, then aligned columns with their units."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from yieldsim.report.change import in_kind
from yieldsim.report.commands import opening
from yieldsim.report.entries import SOURCES, group_of, shown
from yieldsim.report.grids import scope, weighty
from yieldsim.report.late import late
from yieldsim.report.layout import WIDTH, columns
from yieldsim.report.layout import wrapped as _wrapped
from yieldsim.report.method import stopping
from yieldsim.report.numbers import (
    ABSENT,
    MINUS,
    condition,
    count,
    difference_text,
    engineering,
    fixed,
    high_bound,
    low_bound,
    plain,
    quantity,
    share,
    share_with_bounds,
    small_share,
    stated,
)
from yieldsim.report.point_sets import point_set_lines

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult
    from yieldsim.analysis.check import CheckResult
    from yieldsim.analysis.result import Provenance, Result
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.verdict import Verdict
    from yieldsim.analysis.yields import CellYield, YieldResult

_OPENED = 2  # addresses of a kind
_DRAWN = 12  # drawn values shown
_KIND = 36  # letters for the name of a kind of actuation
_OF_DIODES = ("peak diode current", "peak reverse voltage")
_PLAIN = str.maketrans(
    {MINUS: "-", ABSENT: "-", "\u00a0": " "}
)  # signs that every terminal has, and that can be copied


def text_of(result: Result, config: str | None = None) -> str:
    """Return a result as text of at most about 100 columns, without a line feed at its end.

    Commands to open an actuation, which are not broken, may be longer; ``config`` is the configuration's path in them.

    Raises
    ------
    TypeError : a kind of result that has no text
    """
    if result.command not in _TEXTS:
        raise TypeError(f"{type(result).__name__}: there is no text of this kind of result")
    lines = [*_TEXTS[result.command](result), "", *_opened(result, config), *_foot(result.provenance)]
    return "\n".join(line.rstrip() for line in lines).translate(_PLAIN)


def _opened(result: Any, config: str | None) -> list[str]:
    """Return the actuations of a run that are worth opening, each with the command that does it."""
    found = result.yields if result.command == "signoff" else result
    if found.command != "yield":
        return []
    lines = ["Actuations worth opening:"]
    for kind, listed in found.addresses.items():
        for a in listed[:_OPENED]:
            margin = engineering(a.voltage_margin_V, "V", signed=True)
            lines += [f"  {kind}: {a.outcome}, voltage margin {margin}", f"    {opening(a, found.provenance, config)}"]
    return [*lines, ""] if len(lines) > 1 else []


def _head(provenance: Provenance, verdict: Verdict) -> list[str]:
    word = "NO REQUIREMENT" if verdict.word == "none" else verdict.word.upper()
    lines = [*_wrapped(f"{word}: {_printable(provenance.title)}"), *_wrapped(verdict.reason)]
    if verdict.more_units:
        lines += _wrapped(f"About {count(verdict.more_units)} more units would decide it.")
    return lines


def _foot(provenance: Provenance) -> list[str]:
    warned = [line for text in provenance.warnings for line in _wrapped(f"Look: {_printable(text)}")]
    made = f"yieldsim {provenance.version}, seed {provenance.seed}, design {provenance.design_hash}, "
    return [*warned, *_wrapped(made + f"conditions {provenance.conditions_hash}")]


def _printable(text: str) -> str:
    """Free text without control characters, which a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in text)


def _yield(result: YieldResult) -> list[str]:
    return [
        *_head(result.provenance, result.verdict),
        "",
        *_cells(result),
        "",
        *_failures(result.cells),
        *_kinds(result.cells),
        "",
        *_joint(result),
        *_deratings(result),
        *_energies(result),
        *_wrapped(
            f"At least and at most are one-sided bounds, each at {stated(result.confidence)} confidence: of "
            "sampling, given the stated distributions."
        ),
        *(() if result.stopped is None else _wrapped(stopping(result.stopped))),
        *point_set_lines(result.points),
        *_sureness(result),
    ]


def _sureness(result: YieldResult) -> list[str]:
    if result.sureness is None:
        return []
    from yieldsim.report.sureness import sureness_lines

    return list(sureness_lines(result.sureness))


def _cells(result: YieldResult) -> list[str]:
    headers = ["temp.\n[degC]", "age\n[yr]", "complete", "at least", "at most"]
    units = any(cell.unit_yield is not None for cell in result.cells)
    headers += ["units that\ncomply", "at least", "at most"] if units else []
    headers += ["energy\nsufficed", "actuations"]
    rows = []
    for cell in result.cells:
        row = [plain(cell.temperature_degC) + ("*" if cell.excursion else ""), plain(cell.age_yr)]
        shares = [cell.completion, cell.unit_yield] if units else [cell.completion]
        for estimate in shares:
            row += [share(estimate.value) if estimate else ABSENT, low_bound(estimate), high_bound(estimate)]
        rows.append([*row, share(cell.energy_sufficed.value), count(cell.actuations)])
    lines = columns(headers, rows, left=0)
    if any(cell.excursion for cell in result.cells):
        lines.append("* excursion: outside the range of the mission")
    return lines


def _failures(cells: tuple[CellYield, ...]) -> list[str]:
    """How the actuations fail, where any did: one line a condition, the most frequent outcome first."""
    rows = []
    for cell in cells:
        failing = [(name, value) for name, value in cell.outcomes.items() if name != "complete" and value > 0.0]
        failing.sort(key=lambda pair: (-pair[1], pair[0]))
        text = ", ".join(f"{name} {small_share(value)}" for name, value in failing) or "no failure seen"
        rows.append((plain(cell.temperature_degC), plain(cell.age_yr), text))
    wide = WIDTH - 20
    table = []
    for temperature, age, text in rows:
        parts = textwrap.wrap(text, wide, break_on_hyphens=False) or [""]
        table += [[temperature, age, parts[0].ljust(wide)]] + [["", "", part.ljust(wide)] for part in parts[1:]]
    return columns(
        ["temp.\n[degC]", "age\n[yr]", "how actuations fail [share of actuations]".ljust(wide)], table, left=0
    )


def _kinds(cells: tuple[CellYield, ...]) -> list[str]:
    """Completion by message and by press with bounds, one line a condition and kind, where the design has them."""
    groups = [(cell, _kinds_of(cell)) for cell in cells]
    wide = min(max((len(name) for _, kinds in groups for name, _ in kinds), default=0), _KIND)
    rows = []
    for cell, kinds in groups:
        place = [plain(cell.temperature_degC), plain(cell.age_yr)]
        for name, numbers in kinds:
            first, *more = textwrap.wrap(name, wide, break_on_hyphens=False)
            rows.append([*place, first.ljust(wide), *numbers])
            rows += [["", "", part.ljust(wide), *[""] * len(numbers)] for part in more]
            place = ["", ""]
    if not rows:
        return []
    headers = ["temp.\n[degC]", "age\n[yr]", "kind".ljust(wide), "share", "of these\ncomplete", "at least", "at most"]
    return ["", *columns(headers, rows, left=0), *_short_presses(cells)]


def _kinds_of(cell: CellYield) -> list[tuple[str, list[str]]]:
    """Return every kind of actuations with its share, and its completion with bounds."""
    kinds = [
        (
            f"message {_printable(m.message)}",
            [share(m.share), *_bounded(m.completion, m.completion_low, m.completion_high)],
        )
        for m in cell.by_message
    ]
    p = cell.partial_presses
    if p is not None:
        full = _bounded(p.full_completion, p.full_completion_low, p.full_completion_high)
        partial = _bounded(p.completion, p.completion_low, p.completion_high)
        kinds += [("full press", [share(1.0 - p.share), *full]), ("press that stops short", [share(p.share), *partial])]
    return kinds


def _short_presses(cells: tuple[CellYield, ...]) -> list[str]:
    """How many of the failures are due to presses that stop short, with bounds, one line a condition."""
    rows = []
    for cell in cells:
        p = cell.partial_presses
        if p is not None:
            told = _bounded(p.share_of_failures, p.share_of_failures_low, p.share_of_failures_high)
            rows.append([plain(cell.temperature_degC), plain(cell.age_yr), *told])
    headers = ["temp.\n[degC]", "age\n[yr]", "of the failures, after\na press that stops short", "at least", "at most"]
    return ["", *columns(headers, rows, left=0)] if rows else []


def _bounded(value: float, low: float, high: float) -> list[str]:
    """Return a share with its bounds, each rounded away from it."""
    return [share(value), share(low, "down"), share(high, "up")]


def _joint(result: YieldResult) -> list[str]:
    if result.joint is None:
        return []
    lines = _wrapped(f"Units that comply {scope(result)}: {share_with_bounds(result.joint)}.")
    if result.joint_energy is not None:
        lines += _wrapped(f"By energy alone: {share_with_bounds(result.joint_energy)}.")
    return lines


def _energies(result: YieldResult) -> list[str]:
    """Where the energy went at the worst condition, by group, and how well the ledgers close."""
    if not result.ledgers:
        return []
    cell = result.ledgers[0]
    groups: dict[str, float] = {}
    for name, entry in cell.entries.items():
        if name not in SOURCES:
            groups[group_of(name)] = groups.get(group_of(name), 0.0) + entry.share
    told = ", ".join(f"{small_share(part)} {group}" for group, part in groups.items() if part > 0.0)
    place = condition(cell.temperature_degC, cell.age_yr)
    whole = sum(cell.entries[name].mean_J for name in SOURCES)
    return _wrapped(
        f"Of {engineering(whole, 'J')} at hand on average at {place}: {told or 'nothing to share'} (a sample of "
        f"{count(cell.sample)} actuations; every ledger opened closes to {small_share(result.ledger_error, 'up')})."
    )


def _deratings(result: YieldResult) -> list[str]:
    lines: list[str] = []
    for rule in result.deratings:
        lines += _wrapped(
            f"{rule.of} at most {stated(rule.at_most)} of its rating in {stated(rule.share)} of actuations: "
            f"{rule.verdict}, reached in {share_with_bounds(rule.reached)}."
        )
    return lines


def _actuation(result: ActuationResult) -> list[str]:
    who = "nominal" if result.address is None else "unit {}, actuation {}".format(*result.address)
    if result.message is not None:
        who += f", message {_printable(result.message)}"
    place = condition(result.temperature_degC, result.age_yr)
    lines = [
        *_wrapped(f"{result.outcome.upper()}: {_printable(result.provenance.title)}, {who}, {place}"),
        "",
    ]
    facts = [
        ("start margin", engineering(result.start_margin_V, "V", signed=True)),
        ("run margin", engineering(result.run_margin_V, "V", signed=True)),
        ("voltage margin", engineering(result.voltage_margin_V, "V", signed=True)),
        ("reserve", engineering(result.reserve_V, "V", signed=True)),
        ("in other units", in_kind(result)),
        ("press", "stopped short" if result.partial else "full"),
        ("started", _started(result)),
        ("complete at", engineering(result.complete_time_s, "s")),
        ("hold-up", _hold_up(result)),
        ("run time", engineering(result.run_time_s, "s")),
        ("left in the store", engineering(result.left_V, "V")),
        ("peak input voltage", engineering(result.peak_voltage_V, "V")),
        ("peak diode current", engineering(result.peak_current_A, "A")),
        ("peak reverse voltage", engineering(result.peak_reverse_V, "V")),
    ]
    if result.source in ("", "energy packet"):
        facts = [fact for fact in facts if fact[0] != "press" or result.partial]
    lines += [f"{name:<21}{value}" for name, value in facts if value != ABSENT or name not in _OF_DIODES]
    rows = [
        [
            s.step,
            fixed(s.start_s * 1e3, 3),
            fixed(s.end_s * 1e3, 3),
            fixed(s.lowest_input_V, 3),
            fixed(s.required_input_V, 3),
            fixed(s.lowest_input_V - s.required_input_V, 3, signed=True),
        ]
        for s in result.steps
    ]
    headers = [
        "step",
        "start\n[ms]",
        "end\n[ms]",
        "lowest input\n[V]",
        "needed input\n[V]",
        "above need\n[V]",
    ]
    lines += ["", *(columns(headers, rows) if rows else ["No step began."]), "", *_ledger(result)]
    return [*lines, *_drawn(result)]


def _drawn(result: ActuationResult) -> list[str]:
    """Return what was drawn beside its nominal, the farthest out first."""
    if result.address is None:
        return []
    rows = [
        [
            row.name,
            quantity(row.value, row.unit),
            quantity(row.nominal, row.unit),
            difference_text(row),
            ABSENT if row.of_limit is None else f"{fixed(100.0 * row.of_limit, 0, signed=True)} %",
        ]
        for row in result.drawn[:_DRAWN]
    ]
    if not rows:
        return ["", "Nothing was drawn: every value is its nominal one."]
    more = len(result.drawn) - len(rows)
    headers = ["drawn, the farthest from nominal first", "value", "nominal", "difference", "of the way\nto its limit"]
    return ["", *columns(headers, rows), *([f"{count(more)} more lie nearer to their nominal."] if more else [])]


def _started(result: ActuationResult) -> str:
    if result.start_time_s is None:
        return "never"
    again = f"; {count(result.starts)} starts, this is the best" if result.starts > 1 else ""
    if result.start_stroke is None:
        return f"at the release, before any stroke{again}"
    if result.source == "energy packet":
        return f"after {engineering(result.start_time_s, 's')}{again}"
    return f"after {engineering(result.start_time_s, 's')}, in stroke {result.start_stroke}{again}"


def _hold_up(result: ActuationResult) -> str:
    text = engineering(result.hold_up_s, "s", signed=True)
    return f"{text} or more (the horizon ends there)" if result.hold_up_capped else text


def _ledger(result: ActuationResult) -> list[str]:
    whole = sum(result.ledger.get(name, 0.0) for name in ("source", "stored at the release"))
    rows = [
        [shown(name, result.source), fixed(value * 1e6, 3), small_share(value / whole) if whole > 0.0 else ABSENT]
        for name, value in result.ledger.items()
        if value
    ]
    return [
        *columns(["energy", "[uJ]", "share"], rows),
        f"The ledger closes to {small_share(abs(result.ledger_error), 'up')}.",
    ]


def _check(result: CheckResult) -> list[str]:
    marks = {"ok": "ok      ", "look": "look    ", "warning": "WARNING "}
    lines = []
    for finding in result.findings:
        mark = marks.get(finding.kind, finding.kind)
        lines += textwrap.wrap(_printable(finding.text), WIDTH, initial_indent=mark, subsequent_indent=" " * 8)
    lines += [
        "",
        *_wrapped(
            f"{count(len(result.parameters))} parameters, as the engine uses them. + marks a default; "
            f"values: {count(result.defaults['parameters'])}, temperature laws: "
            f"{count(result.defaults['temperature_laws'])}. Limits "
            "are of each level alone, before the laws; * marks 0.135 % and 99.865 % points."
        ),
        "",
    ]
    for p in result.parameters:
        basis = "default" if p.defaulted else p.basis
        lines.append(f"{('+ ' if p.defaulted else '  ') + p.name:<44}{p.shown:>16}  {basis}")
        temperature = ("+ " if p.temperature_defaulted else "") + "temperature: "
        told = (("", p.tolerance), ("limits: ", p.limits), (temperature, p.temperature), ("ageing: ", p.ageing))
        for name, text in told:
            if text:
                lines += _wrapped(_printable(name + text), " " * 8)
    lines += ["", "What else the engine uses:", ""]
    for key, text in result.design_settings:
        lines += textwrap.wrap(
            _printable(f"{key}: {text}"), WIDTH, initial_indent="  ", subsequent_indent=" " * 8, break_on_hyphens=False
        )
    return lines


def _signoff(result: SignoffResult) -> list[str]:
    leading = [p for p in weighty(result.ranking) if p.total >= 0.005][:5]
    named = ", ".join(f"{p.name} ({p.level}, {p.basis}) {fixed(p.total, 2)}" for p in leading)
    place = condition(result.ranking.temperature_degC, result.ranking.age_yr)
    return [
        *_yield(result.yields),
        "",
        *_wrapped(f"What decides the {result.ranking.response} at {place} [total share of the variance]: {named}."),
    ]


_TEXTS: dict[str, Callable[[Any], list[str]]] = {
    "yield": _yield,
    "rank": late("rankings", "lines_of"),
    "worst-case": late("worst_case", "lines_of"),
    "tail": late("tails", "lines_of"),
    "size": late("sizing", "lines_of"),
    "allocate": late("allocation", "lines_of"),
    "alternates": late("alternates", "lines_of"),
    "ratings": late("ratings", "lines_of"),
    "compare": late("comparison", "lines_of"),
    "life": lambda result: [*_head(result.provenance, result.verdict), "", *late("life", "lines_of")(result)],
    "actuation": _actuation,
    "check": _check,
    "signoff": _signoff,
}

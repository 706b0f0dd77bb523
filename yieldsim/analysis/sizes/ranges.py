"""What a sizing scans: preferred values or values of equal ratios in a range, or a table of parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from yieldsim.design.preferred import SOLD_IN_SERIES, preferred_values
from yieldsim.design.schema import Design
from yieldsim.design.variation import Candidate, Tie, Variable, tied_values
from yieldsim.estimate import window
from yieldsim.words.errors import InputError, Problem

_REACH = 2.5  # factor about the nominal of a range that is not stated
_POINTS = 9
_MOST = 60  # values of a scan
_APART = 0.04  # relative distance within which a value gives way to a preferred one


@dataclass(frozen=True)
class Range:
    """What is scanned.

    Attributes
    ----------
    low, high : ends [SI]; a factor 2.5 about the nominal when None
    points : values of equal ratios where no series gives the values
    series : ``E6``, ``E12``, ``E24``; None takes E12 for a capacitance, resistance or inductance and none otherwise
    ties : what moves with the number
    candidates : parts that could be fitted, in place of a range
    confirm : whether a value is confirmed, and its neighbours tried; without it the scan alone is run
    """

    low: float | None = None
    high: float | None = None
    points: int = _POINTS
    series: str | None = None
    ties: tuple[Tie, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    confirm: bool = True


def check_required(design: Design) -> None:
    """Refuse a design of which nothing is required.

    Raises
    ------
    InputError : neither a unit yield nor a derating rule
    """
    required = design.requirement is not None and design.requirement.unit_yield is not None
    if not required and not design.deratings:
        file = str(design.source) if design.source is not None else None
        reason = "nothing is required that a value could meet"
        remedy = "state [requirement] completion and unit_yield, or a [[derating]] rule"
        raise InputError(Problem(file, "requirement", None, reason, remedy))


def scan_values(variable: Variable, scan: Range) -> tuple[tuple[float, ...], frozenset[float], str | None]:
    """Return the values of a scan, those that may be chosen, and the series they are from.

    Raises
    ------
    InputError : a range, number of points or table of candidates that leaves nothing to scan, or too much
    """
    if scan.candidates:
        parts = [dict(candidate.values)[variable.key] for candidate in scan.candidates]
        if len(set(parts)) < len(parts):
            reason = "two candidates have one value, so that it does not tell them apart"
            raise InputError(
                Problem(None, "--candidates", variable.key, reason, "size the number in which they differ")
            )
        return tuple(parts), frozenset(parts), None
    low, high = range_of(variable, scan.low, scan.high)
    series = scan.series
    if series is None and variable.dimension in SOLD_IN_SERIES:
        series = "E12"
    if not 2 <= scan.points <= _MOST:
        raise InputError(Problem(None, "points", str(scan.points), "out of range", f"use 2 to {_MOST}"))
    even = window.spaced(low, high, scan.points)
    if variable.whole:
        even = tuple(sorted({float(round(v)) for v in even}))
    if series is None:
        values = window.merged((variable.nominal,) if low <= variable.nominal <= high else (), even, _APART)
        chosen = values
    else:
        chosen = preferred_values(series, low, high)
        ends = (*chosen, variable.nominal) if low <= variable.nominal <= high else chosen
        # the series is a scan of equal ratios by itself where it has values enough
        values = window.merged(tuple(dict.fromkeys(ends)), even if len(chosen) < scan.points // 2 else (), _APART)
    if not 2 <= len(values) <= _MOST:
        few = f"{len(values)} values lie in it"
        remedy = f"2 to {_MOST} can be scanned: change --from, --to, --points or --series"
        raise InputError(Problem(None, "range", f"{variable.spelled(low)} to {variable.spelled(high)}", few, remedy))
    return values, frozenset(chosen), series


def range_of(variable: Variable, low: float | None, high: float | None) -> tuple[float, float]:
    """Return the ends of a range, a factor about the nominal where they are not stated.

    Raises
    ------
    InputError : no range can be made, or its ends are not in order
    """
    if variable.nominal <= 0.0 and (low is None or high is None):
        reason = "there is no factor about a value that is not above 0"
        raise InputError(
            Problem(None, variable.key, variable.spelled(variable.nominal), reason, "give --from and --to")
        )
    first = variable.nominal / _REACH if low is None else low
    last = variable.nominal * _REACH if high is None else high
    if variable.high is not None and high is None:
        last = min(last, variable.high)
    if not first < last:
        told = f"{variable.spelled(first)} to {variable.spelled(last)}"
        raise InputError(Problem(None, "range", told, "it does not rise", "give --from below --to"))
    return first, last


def changing(design: Design, variable: Variable, scan: Range) -> Callable[[float], dict[str, float]]:
    """Return what tells all numbers that go with a value."""
    parts = {dict(c.values)[variable.key]: dict(c.values) for c in scan.candidates}

    def changes(value: float) -> dict[str, float]:
        if parts:
            return {variable.key: value, **parts[value]}
        return tied_values(design, variable, scan.ties, value)

    return changes

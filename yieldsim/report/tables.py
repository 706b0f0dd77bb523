"""Results as tables, their columns named as in the machine-readable output; and as CSV files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import astuple, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from yieldsim.report.late import late

if TYPE_CHECKING:
    from yieldsim.analysis.actuation import ActuationResult
    from yieldsim.analysis.check import CheckResult
    from yieldsim.analysis.ranking import RankResult
    from yieldsim.analysis.result import Result
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.tail import TailResult
    from yieldsim.analysis.yields import YieldResult

_PLACE = ["temperature_degC", "age_yr"]
_REQUIRED = [
    "requirement",
    "at_most",
    "required",
    "reached",
    "reached_low",
    "reached_high",
    "confidence",
    "verdict",
]


def table_of(result: Result) -> pd.DataFrame:
    """Return the main table of a result: conditions, parameters, or steps, one a row.

    Raises
    ------
    TypeError : a kind of result that has no table
    """
    if result.command not in _MAIN:
        raise TypeError(f"{type(result).__name__}: there is no table of this kind of result")
    return _MAIN[result.command](result)


def more_tables_of(result: Result) -> dict[str, pd.DataFrame]:
    """Tables beside the main one by what is put behind the command's name; most results have none."""
    return late("ranking_tables", "beside")(result) if result.command == "rank" else {}


def tables_of(result: SignoffResult) -> dict[str, pd.DataFrame]:
    """All tables of a sign-off by the name of their file."""
    yields = result.yields
    return {
        "requirements": requirements(yields),
        "cells": cells(yields),
        "outcomes": outcomes(yields),
        "quantiles": quantiles(yields),
        "attempts": attempts(yields),
        "messages": messages(yields),
        "presses": presses(yields),
        "ratings": ratings(yields),
        "addresses": addresses(yields),
        "histograms": histograms(yields),
        "ranking": ranked(result.ranking),
        "parameters": parameters(result.check),
        "steps": _both(steps, result),
        "ledger": _both(ledger, result),
        "ledger_run": ledger_run(yields),
        **_of_parts(result),
    }


def _of_parts(result: SignoffResult) -> dict[str, pd.DataFrame]:
    """Tables of what a brief sign-off leaves out, and of the approved sources."""
    parts: dict[str, tuple[Result | None, Callable[[Any], pd.DataFrame]]] = {
        "alternates": (result.sources, late("alternates", "table")),
        "worst_case": (result.worst_case, late("worst_case_tables", "cells")),
        "worst_case_cases": (result.worst_case, late("worst_case_tables", "cases")),
        "worst_case_contributions": (result.worst_case, late("worst_case_tables", "ways")),
        "worst_case_extremes": (result.worst_case, late("worst_case_tables", "extremes")),
        "failure_points": (result.worst_case, late("worst_case_tables", "failure_points")),
        "life": (result.life, late("life", "points")),
        "life_ages": (result.life, late("life", "lives")),
        "life_laws": (result.life, late("life", "laws")),
        "life_losses": (result.life, late("life", "fleet")),
        "size": (result.sizing, late("sizing", "table")),
        "causes": (result.causes, ranked),
    }
    found = {name: table(part) for name, (part, table) in parts.items() if part is not None}
    if result.causes is not None:
        from yieldsim.report import ranking_tables

        found["slopes"] = ranking_tables.changes(result.causes.slopes, result.unit_changes)
    return found


def cells(result: YieldResult) -> pd.DataFrame:
    """One row a condition: shares with their one-sided bounds."""
    return _frame(result.payload()["cells"])


def requirements(result: YieldResult) -> pd.DataFrame:
    """Return one row a requirement: what is required, what is reached with its bounds, and the verdict."""
    limits = {rule.of: rule.at_most for rule in result.deratings}
    rows = [
        {
            "requirement": part.name,
            "at_most": limits.get(part.name),
            "required": part.required,
            "reached": part.reached.value,
            "reached_low": part.reached.low,
            "reached_high": part.reached.high,
            "confidence": part.reached.confidence,
            "verdict": part.word,
        }
        for part in result.judged
    ]
    return pd.DataFrame(rows, columns=_REQUIRED)


def outcomes(result: YieldResult) -> pd.DataFrame:
    """One row a condition and outcome."""
    rows = [(c.temperature_degC, c.age_yr, name, value) for c in result.cells for name, value in c.outcomes.items()]
    return pd.DataFrame(rows, columns=[*_PLACE, "outcome", "share"])


def quantiles(result: YieldResult) -> pd.DataFrame:
    """One row a condition, quantity (named with its unit) and probability."""
    rows = [
        (c.temperature_degC, c.age_yr, quantity, probability, value)
        for c in result.cells
        for quantity, points in c.quantiles.items()
        for probability, value in sorted(points.items())
    ]
    return pd.DataFrame(rows, columns=[*_PLACE, "quantity", "probability", "value"])


def attempts(result: YieldResult) -> pd.DataFrame:
    """One row a condition and number of transmissions used."""
    rows = [
        (c.temperature_degC, c.age_yr, a.attempts, a.share, a.completion, a.reserve_median_V)
        for c in result.cells
        for a in c.by_attempts
    ]
    return pd.DataFrame(rows, columns=[*_PLACE, "attempts", "share", "completion", "reserve_median_V"])


def messages(result: YieldResult) -> pd.DataFrame:
    """One row a condition and message, completion with its one-sided bounds; none where the design has one kind."""
    from yieldsim.analysis.cell import MessageShare

    names = [field.name for field in fields(MessageShare)]
    rows = [(c.temperature_degC, c.age_yr, *astuple(m), result.confidence) for c in result.cells for m in c.by_message]
    return pd.DataFrame(rows, columns=[*_PLACE, *names, "confidence"])


def presses(result: YieldResult) -> pd.DataFrame:
    """One row a condition, presses that stop short beside full ones, with one-sided bounds.

    There is none where every press is a full one.
    """
    from yieldsim.analysis.cell import PartialPresses

    names = [field.name for field in fields(PartialPresses)]
    rows = [
        (c.temperature_degC, c.age_yr, *astuple(p), result.confidence)
        for c in result.cells
        if (p := c.partial_presses) is not None
    ]
    return pd.DataFrame(rows, columns=[*_PLACE, *names, "confidence"])


def ratings(result: YieldResult) -> pd.DataFrame:
    """One row a condition and rating: the rating and the stress, in ``unit``."""
    rows = [
        (c.temperature_degC, c.age_yr, name, use.unit, use.rating, use.median, use.high, use.largest)
        for c in result.cells
        for name, use in c.ratings.items()
    ]
    return pd.DataFrame(rows, columns=[*_PLACE, "rating_of", "unit", "rating", "median", "high", "largest"])


def addresses(result: YieldResult) -> pd.DataFrame:
    """One row an actuation that is worth opening."""
    rows = [
        (kind, a.temperature_degC, a.age_yr, a.unit, a.actuation, a.outcome, a.voltage_margin_V)
        for kind, found in result.addresses.items()
        for a in found
    ]
    return pd.DataFrame(rows, columns=["kind", *_PLACE, "unit", "actuation", "outcome", "voltage_margin_V"])


def histograms(result: YieldResult) -> pd.DataFrame:
    """One row a condition, quantity and bin that is not empty; bins without a limit hold what lies beyond."""
    rows: list[tuple[Any, ...]] = []
    for c in result.cells:
        for name, found in (
            ("reserve_V", c.reserve),
            ("voltage_margin_V", c.margin),
            ("hold_up_s", c.hold_up),
        ):
            place = (c.temperature_degC, c.age_yr, name)
            if found.below:
                rows.append((*place, None, found.edges[0], found.below))
            rows += [
                (*place, low, high, n)
                for low, high, n in zip(found.edges[:-1], found.edges[1:], found.counts, strict=True)
                if n
            ]
            if found.above:
                rows.append((*place, found.edges[-1], None, found.above))
    return pd.DataFrame(rows, columns=[*_PLACE, "quantity", "low", "high", "actuations"])


def ranked(result: RankResult) -> pd.DataFrame:
    """One row a parameter and level, strongest first."""
    return _frame(result.payload()["parameters"])


def tails(result: TailResult) -> pd.DataFrame:
    """One row a condition: failure probability, its interval, and how it was found."""
    names = [*_PLACE, "of", "level", "failure", "failure_low", "failure_high", "link_floor", "left_out"]
    names += ["model_calls", "method", "flag", "reached", "farthest"]
    rows = []
    for cell in result.cells:
        point = cell.most_probable_point
        index = None if point is None else point.reliability_index
        supported = None if cell.data_support is None else cell.data_support.down_to
        more = (index, None if point is None else point.cause, supported)
        rows.append((*(getattr(cell, name) for name in names), *more))
    return pd.DataFrame(rows, columns=[*names, "reliability_index", "cause", "data_support_down_to"])


def parameters(result: CheckResult) -> pd.DataFrame:
    """One row a parameter: what the engine uses."""
    return _frame(result.payload()["parameters"])


def steps(result: ActuationResult) -> pd.DataFrame:
    """One row a step of the load sequence."""
    from yieldsim.analysis.actuation import StepTrace

    return _frame(result.payload()["steps"], [field.name for field in fields(StepTrace)])


def ledger(result: ActuationResult) -> pd.DataFrame:
    """One row an entry of the energy ledger."""
    return pd.DataFrame(list(result.ledger.items()), columns=["entry", "energy_J"])


def ledger_run(result: YieldResult) -> pd.DataFrame:
    """One row a condition that was sampled and entry of the energy ledger: mean, 5 % and 95 % point [J]."""
    rows = [
        (cell.temperature_degC, cell.age_yr, cell.sample, name, e.mean_J, e.low_J, e.high_J, e.share)
        for cell in result.ledgers
        for name, e in cell.entries.items()
    ]
    return pd.DataFrame(rows, columns=[*_PLACE, "sample", "entry", "mean_J", "low_J", "high_J", "share"])


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as UTF-8 with line feeds; every digit of a number is kept."""
    frame.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def _frame(rows: Iterable[Mapping[str, Any]], names: list[str] | None = None) -> pd.DataFrame:
    """Return the scalar entries of rows in their order; ``names`` are the columns if there may be no row."""
    kept = [{k: v for k, v in row.items() if not isinstance(v, (Mapping, list, tuple))} for row in rows]
    return pd.DataFrame(kept, columns=names)


def _both(table: Callable[[ActuationResult], pd.DataFrame], result: SignoffResult) -> pd.DataFrame:
    """Return a table of the nominal actuation at the worst condition, then of that on the bench."""
    parts = []
    for actuation in (result.actuation, result.nominal):
        part = table(actuation)
        part.insert(0, "temperature_degC", actuation.temperature_degC)
        part.insert(1, "age_yr", actuation.age_yr)
        parts.append(part)
    return pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)


_MAIN: dict[str, Callable[[Any], pd.DataFrame]] = {
    "yield": cells,
    "rank": ranked,
    "worst-case": late("worst_case_tables", "cells"),
    "tail": tails,
    "size": late("sizing", "table"),
    "life": late("life", "points"),
    "allocate": late("allocation", "table"),
    "alternates": late("alternates", "table"),
    "ratings": late("ratings", "cells"),
    "compare": late("comparison", "cells"),
    "actuation": steps,
    "check": parameters,
    "signoff": lambda result: cells(result.yields),
}

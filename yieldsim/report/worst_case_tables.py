"""A worst case as tables, their columns named as in the machine-readable output."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from yieldsim.analysis.worst_case import WorstCaseResult

_PLACE = ["temperature_degC", "age_yr"]


def cells(result: WorstCaseResult) -> pd.DataFrame:
    """One row a quantity and condition: the answers, link and all."""
    return _frame([asdict(cell) for cell in result.cells])


def cases(result: WorstCaseResult) -> pd.DataFrame:
    """One row a quantity, condition and outcome of the link."""
    rows = []
    for cell in result.cells:
        place = {"quantity": cell.quantity, "unit": cell.unit, **{name: getattr(cell, name) for name in _PLACE}}
        rows += [{**place, **asdict(case), "interior": "; ".join(case.interior)} for case in cell.cases]
    return pd.DataFrame(rows)


def ways(result: WorstCaseResult) -> pd.DataFrame:
    """One row a contribution of each waterfall."""
    rows = []
    for fall in result.waterfalls:
        names = ("quantity", "unit", *_PLACE, "attempts", "channel")
        place = {name: getattr(fall, name) for name in names}
        rows += [{**place, **asdict(c)} for c in fall.contributions]
    return pd.DataFrame(rows)


def failure_points(result: WorstCaseResult) -> pd.DataFrame:
    """One row a quantity and number of attempts: index and probability of failing."""
    return _frame([asdict(point) for point in result.failure_points])


def extremes(result: WorstCaseResult) -> pd.DataFrame:
    """One row a tolerance: how far it is taken."""
    return _frame([asdict(extreme) for extreme in result.extremes])


def _frame(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return the scalar entries of rows."""
    return pd.DataFrame([{k: v for k, v in row.items() if not isinstance(v, (dict, list, tuple))} for row in rows])

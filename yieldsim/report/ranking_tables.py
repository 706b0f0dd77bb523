"""What goes with a ranking as tables: what to measure next, and how a yield changes with its inputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from yieldsim.analysis.rankings.measuring import MeasureNext
    from yieldsim.analysis.rankings.slopes import Slope
    from yieldsim.analysis.rankings.unit_changes import UnitChanges


def measure_next(found: Sequence[MeasureNext]) -> pd.DataFrame:
    """One row a parameter that is worth measuring, named as in the machine-readable output."""
    from yieldsim.analysis.rankings.measuring import MeasureNext

    return _frame(found, MeasureNext)


def slopes(found: Sequence[Slope]) -> pd.DataFrame:
    """One row an input and how a yield changes with it, named as in the machine-readable output."""
    from yieldsim.analysis.rankings.slopes import Slope

    return _frame(found, Slope)


def changes(completion: Sequence[Slope], units: UnitChanges | None) -> pd.DataFrame:
    """Return the changes of completion, then those of the units that comply, as one table with a column ``of``."""
    return slopes([*completion, *(() if units is None else units.slopes)])


def beside(result: Any) -> dict[str, pd.DataFrame]:
    """Tables beside that of a ranking: of failure, how both yields change."""
    return {"slopes": changes(result.slopes, result.unit_changes)} if result.response == "failure" else {}


def _frame(rows: Sequence[Any], kind: Any) -> pd.DataFrame:
    return pd.DataFrame([asdict(row) for row in rows], columns=[field.name for field in fields(kind)])

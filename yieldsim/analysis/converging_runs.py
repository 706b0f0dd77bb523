"""How the answers of `rank` and `tail` narrow: the same question asked again with less effort.

An index rests on points that come in powers of two, a failure probability on a search and a sample sized for its
target, so that neither has a first part that could be read by itself, as a run of units has.
"""

from __future__ import annotations

from dataclasses import replace

from yieldsim.analysis.converging import ConvergenceCurve
from yieldsim.analysis.ranking import LEAST_EFFORT, RankResult, rank
from yieldsim.analysis.tail import Asked, TailResult, tail
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings

_HALVINGS = 4  # efforts below the full one
_SHOWN = 3  # parameters of a ranking
_TARGETS = (8.0, 4.0, 2.0)  # times the target
_COARSEST = 0.9


def rank_curves(design: Design, settings: Settings, result: RankResult) -> tuple[ConvergenceCurve, ...]:
    """Return the total indices of the strongest parameters against the base points.

    Parameters
    ----------
    design, settings : of the ranking
    result : with the full effort
    """
    place = None if result.over_mission else Condition(result.temperature_degC, result.age_yr)
    efforts = [settings.effort >> k for k in range(_HALVINGS, 0, -1) if settings.effort >> k >= LEAST_EFFORT]
    runs = [
        rank(design, replace(settings, effort=e), place, result.response, over_mission=result.over_mission)
        for e in efforts
    ]
    curves = []
    for best in result.parameters[:_SHOWN]:
        rows = [next(p for p in run.parameters if (p.name, p.level) == (best.name, best.level)) for run in runs]
        rows.append(best)
        curves.append(
            ConvergenceCurve(
                of=f"total index of {best.name} ({best.level})",
                unit="1",
                effort="base points",
                efforts=(*efforts, settings.effort),
                value=tuple(row.total for row in rows),
                low=tuple(row.total_low for row in rows),
                high=tuple(row.total_high for row in rows),
                confidence=result.confidence,
                two_sided=True,
                required=None,
                method=result.method,
            )
        )
    return tuple(curves)


def tail_curves(design: Design, settings: Settings, asked: Asked, result: TailResult) -> tuple[ConvergenceCurve, ...]:
    """Return the failure probability of the condition that fails most against the model calls.

    Parameters
    ----------
    design, settings, asked : of the tail
    result : with the target that was asked for
    """
    worst = result.worst
    place = Condition(worst.temperature_degC, worst.age_yr)
    targets = [asked.target * k for k in _TARGETS if asked.target * k <= _COARSEST]
    cells = [tail(design, settings, place, replace(asked, target=t)).worst for t in targets] + [worst]
    cells = sorted({cell.model_calls: cell for cell in cells}.values(), key=lambda cell: cell.model_calls)
    curve = ConvergenceCurve(
        of=f"failure probability at {place.temperature:g} degC and {place.age:g} yr",
        unit="1",
        effort="model calls",
        efforts=tuple(cell.model_calls for cell in cells),
        value=tuple(cell.failure for cell in cells),
        low=tuple(cell.failure_low for cell in cells),
        high=tuple(cell.failure_high for cell in cells),
        confidence=result.confidence,
        two_sided=True,
        required=None,
        method=result.method,
    )
    return (curve,)

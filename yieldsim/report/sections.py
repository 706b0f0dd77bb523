"""What a full sign-off adds to its page: approved sources, the worst case, the sizing window, the life."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from yieldsim.report import alternates, changes, life, rankings, sizing, sureness, worst_case
from yieldsim.report.numbers import stated

if TYPE_CHECKING:
    from yieldsim.analysis.ageing import LifeResult
    from yieldsim.analysis.ranking_of_failure import FailureRankResult
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.sizing import SizeResult
    from yieldsim.analysis.sureness import InputSureness
    from yieldsim.analysis.worst_case import WorstCaseResult


def content(result: SignoffResult) -> dict[str, Any]:
    """Return the content of these sections by name; None where the sign-off has none of it."""
    return {
        "sources": None if result.sources is None else alternates.grid(result.sources),
        "extreme": None if result.worst_case is None else _extreme(result.worst_case),
        "sizing": None if result.sizing is None else _sizing(result.sizing),
        "life": None if result.life is None else _life(result.life),
        "causes": None if result.causes is None else rankings.causes_grid(result.causes),
        "causes_flag": None if result.causes is None else result.causes.flag,
        "slopes": None if result.causes is None else _slopes(result, result.causes),
        "sureness": None if result.sureness is None else _sureness(result.sureness),
        "measure_next": rankings.measure_next_grid(result.ranking.measure_next),
    }


def _slopes(result: SignoffResult, causes: FailureRankResult) -> dict[str, Any]:
    units, where = result.unit_changes, changes.place_of(causes)
    lead = f"Completion: that of actuations {where}."
    if not causes.slopes:
        lead = f"Of completion {where} no change is told: too few failures were met there."
    return {
        "lead": lead if units is None else f"{lead} {changes.units_text(units, units.where)}",
        "grid": changes.changes_grid(causes.slopes, units),
        "caption": f"Change of either from the same samples, {changes.LEGEND}; from and to: the two-sided interval of "
        f"each by itself, at {stated(causes.confidence)}. Inputs with a change that is shown.",
    }


def _extreme(case: WorstCaseResult) -> dict[str, Any]:
    return {
        "lead": " ".join(worst_case.verdict_lines(case)),
        "answers": worst_case.answers(case),
        "cases": worst_case.cases_grid(case),
        "ways": worst_case.contributions(case.waterfalls[0]),
        "footing": " ".join(worst_case.footing_lines(case)).strip(),
    }


def _sizing(sized: SizeResult) -> dict[str, Any]:
    return {
        "key": sized.variable.key,
        "lead": " ".join([sizing.headline(sized), *sizing.told(sized)]),
        "grid": sizing.grid(sized),
        "footing": " ".join(sizing.rests_on(sized)),
    }


def _sureness(found: InputSureness) -> str:
    return f"{sureness.sureness_text(found)} {sureness.varied_text(found)}"


def _life(aged: LifeResult) -> dict[str, Any]:
    return {
        "lead": f"{aged.verdict.reason} {life.fleet_text(aged)}",
        "lives": life.lives_grid(aged),
        "ages": life.ages_grid(aged),
        "laws": life.laws_grid(aged),
    }

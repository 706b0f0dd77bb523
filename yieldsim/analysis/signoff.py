"""May it go out: the yield, what decides it, one actuation opened, and what all of it rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

from yieldsim.analysis.actuation import ActuationResult, actuation
from yieldsim.analysis.ageing import DEFAULT_UNITS, LifeResult, life
from yieldsim.analysis.alternates import AlternatesResult, for_each, sources_of
from yieldsim.analysis.check import CheckResult, check
from yieldsim.analysis.ranking import RankResult, rank
from yieldsim.analysis.ranking_of_failure import FailureRankResult, rank_failure
from yieldsim.analysis.rankings.measuring import CONVENTION
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.analysis.rankings.unit_changes import UnitChanges, unit_changes, where_required
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.sizing import Range, SizeResult, size
from yieldsim.analysis.sureness import InputSureness, sureness_of_inputs
from yieldsim.analysis.until import Until
from yieldsim.analysis.verdict import MET, NONE, NOT_MET, UNDECIDED, Verdict
from yieldsim.analysis.worst_case import WorstCaseResult, worst_case
from yieldsim.analysis.yields import YieldResult, bounds, yields
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Progress
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings

EXIT_CODES = {MET: 0, NONE: 0, NOT_MET: 3, UNDECIDED: 4}
_SURE_UNITS = 512  # of the run in which the laws of the inputs are varied
_AGES = 5  # looked at in the life of a sign-off
BENCH = 25.0  # temperature at which a unit is first tried [degC]

#: Called with the name of a stage, what is done of it, and of how much.
Stages = Callable[[str, int, int], None]


@dataclass(frozen=True)
class SignoffResult(Result):
    """Everything that a sign-off rests on.

    Attributes
    ----------
    design : as it was run; of several approved sources, with the one that complies least
    verdict : of the requirements together, over all sources
    yields, ranking, check : answers to `yield`, `rank` at the worst cell, and `check`
    actuation, nominal : the nominal actuation at the worst cell, and on the bench: at the stated temperature
        next to 25 degC, new
    sources : the yield with every approved source; None where the design has no alternates
    worst_case, life : answers to `worst-case` and `life`; None in a brief sign-off
    causes : the causes of failure at the worst cell, from plain failing samples; None in a brief sign-off
    unit_changes : how the share of units that comply changes with each input, from the units of the yield; None in a
        brief sign-off and where nothing is required of a unit
    sureness : how many plausible sets of input laws meet the requirement; None in a brief sign-off and without one
    sizing : the scan of `size` over the capacitance of the store; None in a brief sign-off and where nothing that it
        could meet is required
    """

    command: ClassVar[str] = "signoff"
    design: Design
    verdict: Verdict
    yields: YieldResult
    ranking: RankResult
    actuation: ActuationResult
    nominal: ActuationResult
    check: CheckResult
    sources: AlternatesResult | None = None
    worst_case: WorstCaseResult | None = None
    sizing: SizeResult | None = None
    life: LifeResult | None = None
    causes: FailureRankResult | None = None
    unit_changes: UnitChanges | None = None
    sureness: InputSureness | None = None

    @property
    def exit_code(self) -> int:
        """What the command ends with: 0 met or nothing required, 3 not met, 4 undecided."""
        return EXIT_CODES[self.verdict.word]

    def payload(self) -> dict[str, Any]:
        """Return the verdict, the requirements one by one, and the answers it rests on."""
        return {
            "verdict": self.verdict.word,
            "deciding_bound": self.verdict.deciding_bound,
            "reason": self.verdict.reason,
            "more_units": self.verdict.more_units,
            "requirement": None if self.yields.requirement is None else asdict(self.yields.requirement),
            "requirements": [
                {
                    "name": part.name,
                    "required": part.required,
                    **bounds("reached", part.reached),
                    "confidence": part.reached.confidence,
                    "verdict": part.word,
                    "deciding_bound": part.deciding_bound,
                    "reason": part.reason,
                    "more_units": part.more_units,
                }
                for part in self.yields.judged
            ],
            "yield": self.yields.payload(),
            "rank": self.ranking.payload(),
            "actuation": self.actuation.payload(),
            "nominal": self.nominal.payload(),
            "check": self.check.payload(),
            "alternates": None if self.sources is None else self.sources.payload(),
            "worst_case": None if self.worst_case is None else self.worst_case.payload(),
            "size": None if self.sizing is None else self.sizing.payload(),
            "life": None if self.life is None else self.life.payload(),
            "causes": None if self.causes is None else self.causes.payload(),
            "unit_changes": None if self.unit_changes is None else self.unit_changes.payload(),
            "sureness": None if self.sureness is None else self.sureness.payload(),
        }


def signoff(
    design: Design,
    settings: Settings,
    progress: Stages | None = None,
    *,
    until: Until | None = None,
    brief: bool = False,
    widths: PlausibleWidths = CONVENTION,
) -> SignoffResult:
    """Answer the questions of a sign-off.

    Parameters
    ----------
    design : Design
    settings : Settings
    progress : called with the name of a question, what is done of it, and of how much
    until : what ends the yield's run before the units of the settings
    brief : leave out the worst case, the scan of the store and the life
    widths : how wide tolerances may truly be that nobody has measured

    Raises
    ------
    InputError, WorkError : as the single questions
    """
    sources, found, design = _yields(design, settings, _stage("yield", progress), until)
    settings = replace(settings, units=found.worst.units)
    worst = Condition(found.worst.temperature_degC, found.worst.age_yr)
    ranking = rank(design, settings, worst, progress=_stage("rank", progress), widths=widths)
    bench = min(design.conditions.temperatures, key=lambda t: (abs(t - BENCH), t))
    full = not brief
    case = worst_case(design, settings, progress=_stage("worst-case", progress)) if full else None
    sizing = _sizing(design, settings, progress) if full else None
    aged = life(design, _of_a_life(settings), ages=_AGES, progress=_stage("life", progress)) if full else None
    causes = _causes(design, settings, worst, _stage("causes", progress), widths) if full else None
    sure = _sureness(design, settings, _stage("sureness", progress), widths) if full else None
    warned: list[str] = []
    for part in (found if sources is None else sources, ranking, case, aged, causes):
        warned += [] if part is None else [w for w in part.provenance.warnings if w not in (*design.warnings, *warned)]
    return SignoffResult(
        provenance=provenance(design, settings, *warned),
        design=design,
        verdict=found.verdict if sources is None else sources.verdict,
        yields=found,
        ranking=ranking,
        actuation=actuation(design, settings, worst),
        nominal=actuation(design, settings, Condition(bench, 0.0)),
        check=check(design, settings),
        sources=sources,
        worst_case=case,
        sizing=sizing,
        life=aged,
        causes=causes,
        unit_changes=_unit_changes(design, settings, found, causes),
        sureness=sure,
    )


def _yields(
    design: Design, settings: Settings, progress: Progress | None, until: Until | None
) -> tuple[AlternatesResult | None, YieldResult, Design]:
    """Run every source; return all, the yield with the one that complies least, and the design with its parts."""
    if not design.alternates:
        return None, yields(design, settings, progress, until=until, keep_units=True), design
    sources = for_each(design, settings, progress, until=until, keep_units=True)
    made = {name: source for name, _, source in sources_of(design)}
    return sources, sources.worst.yields, made[sources.worst.name]


def _sizing(design: Design, settings: Settings, progress: Stages | None) -> SizeResult | None:
    """Scan the capacitance of the store, of a bank that of its largest capacitor, without a run that confirms."""
    required = design.requirement is not None and design.requirement.unit_yield is not None
    if not (required or design.deratings):
        return None
    largest = max(design.storage.parts, key=lambda part: part.capacitance.nominal)
    return size(design, settings, largest.capacitance.name, Range(confirm=False), progress)


def _causes(
    design: Design, settings: Settings, worst: Condition, progress: Progress | None, widths: PlausibleWidths
) -> FailureRankResult:
    """Rank the causes of failure; the change of unit yield is told from the units of the yield, which are there."""
    return rank_failure(design, settings, worst, progress, search=False, unit_yield=False, widths=widths)


def _unit_changes(
    design: Design, settings: Settings, found: YieldResult, causes: FailureRankResult | None
) -> UnitChanges | None:
    """Return how the share of units that comply changes, beside the change of completion and as sure as that."""
    if causes is None or found.units is None:
        return None
    response = Response(design, settings, found.points.kind)
    return unit_changes(response, found.units, where_required(response), causes.confidence, found.points.scrambles)


def _sureness(
    design: Design, settings: Settings, progress: Progress | None, widths: PlausibleWidths
) -> InputSureness | None:
    """Vary the laws of the inputs in a small run of its own; None where no share of units is required."""
    requirement = design.requirement
    if requirement is None or requirement.unit_yield is None or requirement.completion is None:
        return None
    fewer = replace(settings, units=min(settings.units, _SURE_UNITS))
    return sureness_of_inputs(design, fewer, progress, widths=widths)


def _of_a_life(settings: Settings) -> Settings:
    """Return the settings of the life: its units are followed through many conditions, so that fewer do."""
    return replace(settings, units=min(settings.units, DEFAULT_UNITS))


def _stage(name: str, progress: Stages | None) -> Progress | None:
    if progress is None:
        return None
    return lambda done, of: progress(name, done, of)

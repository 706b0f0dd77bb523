"""May it go out: the yield, what decides it, one actuation opened, and what all of it rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

from yieldsim.analysis.actuation import ActuationResult, actuation
from yieldsim.analysis.check import CheckResult, check
from yieldsim.analysis.ranking import RankResult, rank
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.until import Until
from yieldsim.analysis.verdict import MET, NONE, NOT_MET, UNDECIDED, Verdict
from yieldsim.analysis.yields import YieldResult, bounds, yields
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Progress
from yieldsim.engine.settings import Settings

EXIT_CODES = {MET: 0, NONE: 0, NOT_MET: 3, UNDECIDED: 4}
BENCH = 25.0  # temperature at which a unit is first tried [degC]

#: Called with the name of a stage, what is done of it, and of how much.
Stages = Callable[[str, int, int], None]


@dataclass(frozen=True)
class SignoffResult(Result):
    """Everything that a sign-off rests on.

    Attributes
    ----------
    design : as it was run
    verdict : of the requirements together
    yields, ranking, check : answers to `yield`, `rank` at the worst cell, and `check`
    actuation, nominal : the nominal actuation at the worst cell, and on the bench: at the stated temperature
        next to 25 degC, new
    """

    command: ClassVar[str] = "signoff"
    design: Design
    verdict: Verdict
    yields: YieldResult
    ranking: RankResult
    actuation: ActuationResult
    nominal: ActuationResult
    check: CheckResult

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
        }


def signoff(
    design: Design, settings: Settings, progress: Stages | None = None, *, until: Until | None = None
) -> SignoffResult:
    """Answer the questions of a sign-off.

    Parameters
    ----------
    design : Design
    settings : Settings
    progress : called with ``yield`` or ``rank``, what is done of it, and of how much
    until : what ends the yield's run before the units of the settings

    Raises
    ------
    InputError, WorkError : as the single questions
    """
    found = yields(design, settings, _stage("yield", progress), until=until)
    settings = replace(settings, units=found.worst.units)
    worst = Condition(found.worst.temperature_degC, found.worst.age_yr)
    ranking = rank(design, settings, worst, progress=_stage("rank", progress))
    checked = check(design, settings)
    bench = min(design.conditions.temperatures, key=lambda t: (abs(t - BENCH), t))
    warned = [w for w in (*found.provenance.warnings, *ranking.provenance.warnings) if w not in design.warnings]
    return SignoffResult(
        provenance=provenance(design, settings, *warned),
        design=design,
        verdict=found.verdict,
        yields=found,
        ranking=ranking,
        actuation=actuation(design, settings, worst),
        nominal=actuation(design, settings, Condition(bench, 0.0)),
        check=checked,
    )


def _stage(name: str, progress: Stages | None) -> Progress | None:
    if progress is None:
        return None
    return lambda done, of: progress(name, done, of)

"""Approved second sources: the yield with each of them, and one verdict over all.

Without shares nobody knows which units get which source, and what is required must hold for each: the verdict is the
worst of them. *Met* needs every lower bound to reach the requirement, each at the confidence asked for; the probability
of a wrong *met* is then at most 1 - confidence, whatever their number (an intersection-union test, Berger 1982,
Technometrics 24, 295-300). A *not met* is said of the source that it names, at the same confidence for it by itself.

With shares the units are a mixture: the unit yield is sum w_k Y_k, and so are its bounds, each Y_k bounded at
1 - (1 - confidence) / K, so that all K hold together (Bonferroni). All sources are run on the same draws, which pairs
what they do and leaves no independence to be used. A derating rule is about a part and must hold for every source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from yieldsim.analysis.cell import bounds, place
from yieldsim.analysis.mission import over_the_mission
from yieldsim.analysis.point_sets import with_points
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.until import Until
from yieldsim.analysis.verdict import MET, NONE, NOT_MET, UNDECIDED, Judged, Verdict, judged, overall, percent
from yieldsim.analysis.yields import YieldResult, confidence_of, yields
from yieldsim.design.schema import STATED, Design
from yieldsim.engine.execution import Mapper, Progress, mapper
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import Estimate
from yieldsim.population.scrambled import RANDOM

EACH, MIXTURE = "each source", "mixture of the sources"
_LEAST_SHARE = 1e-9  # of the units that have the stated parts, below which these are not run


@dataclass(frozen=True)
class SourceYield:
    """The yield with one source.

    Attributes
    ----------
    name : of the alternate, or `STATED`
    share : of the units; None without shares
    yields : of the design with its parts, as if it were written out in full
    """

    name: str
    share: float | None
    yields: YieldResult


@dataclass(frozen=True)
class AlternatesResult(Result):
    """The yield with every source, and the verdict over all.

    Attributes
    ----------
    confidence : of the verdict
    each_confidence : of the bounds of each source by itself
    sources : the stated parts first
    rule : `EACH` or `MIXTURE`
    joint : unit yield of the mixture; None without shares, or without a required completion
    verdict : over all sources
    """

    command: ClassVar[str] = "alternates"
    confidence: float
    each_confidence: float
    sources: tuple[SourceYield, ...]
    rule: str
    joint: Estimate | None
    verdict: Verdict

    @property
    def worst(self) -> SourceYield:
        """The source with which the fewest units comply, or actuations complete."""

        def rank(source: SourceYield) -> tuple[float, float]:
            joint = source.yields.joint
            return 1.0 if joint is None else joint.value, source.yields.worst.completion.value

        return min(self.sources, key=rank)

    def payload(self) -> dict[str, Any]:
        """Return the verdict, and the answer of `yield` for each source."""
        return {
            "confidence": self.confidence,
            "each_confidence": self.each_confidence,
            "rule": self.rule,
            "verdict": self.verdict.word,
            "reason": self.verdict.reason,
            "deciding_bound": self.verdict.deciding_bound,
            "more_units": self.verdict.more_units,
            "worst_source": self.worst.name,
            "worst_cell": place(self.verdict.worst_cell),
            "joint": bounds("unit_yield", self.joint),
            "sources": [
                {
                    "source": source.name,
                    "share": source.share,
                    "design_hash": source.yields.provenance.design_hash,
                    **source.yields.payload(),
                }
                for source in self.sources
            ],
        }


def sources_of(design: Design) -> tuple[tuple[str, float | None, Design], ...]:
    """Return name, share of the units and design of each source, the stated parts first where units have them."""
    shares = [alternate.share for alternate in design.alternates]
    mixed = any(share is not None for share in shares)
    rest = 1.0 - sum(share or 0.0 for share in shares)
    found: list[tuple[str, float | None, Design]] = []
    if not mixed or rest > _LEAST_SHARE:
        found.append((STATED, rest if mixed else None, replace(design, alternates=())))
    found += [(a.name, a.share, design.with_alternate(a.name)) for a in design.alternates]
    return tuple(found)


def for_each(
    design: Design,
    settings: Settings,
    progress: Progress | None = None,
    over: Mapper | None = None,
    *,
    until: Until | None = None,
    convergence: bool = False,
    points: str = RANDOM,
    keep_units: bool = False,
) -> AlternatesResult:
    """Run every source on the same units and draws, and judge them together.

    Parameters
    ----------
    design : Design
        With alternates; without any the one source is the design.
    settings : Settings
    progress : called with blocks done and blocks in all, of all sources
    over : anything with an executor's ``map``; threads, as the settings say, when left out
    until : what ends the run of each source before the units of the settings
    convergence : keep how the estimates of each source narrow with effort
    points, keep_units : see `yields`

    Raises
    ------
    InputError : as `yields`, of any source
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return for_each(
                design, settings, progress, threads,
                until=until, convergence=convergence, points=points, keep_units=keep_units,
            )  # fmt: skip
    confidence = confidence_of(design, settings)
    sources = sources_of(design)
    mixed = len(sources) > 1 and sources[-1][1] is not None
    each = 1.0 - (1.0 - confidence) / len(sources) if mixed else confidence
    found = []
    for k, (name, share, source) in enumerate(sources):
        told = None if progress is None else _shifted(progress, k, len(sources))
        each_settings = replace(settings, confidence=each)
        result = yields(
            source, each_settings, told, over,
            until=until, convergence=convergence, points=points, keep_units=keep_units,
        )  # fmt: skip
        found.append(SourceYield(name, share, result))
    joint = _mixture(found, confidence) if mixed else None
    return AlternatesResult(
        provenance=with_points(provenance(design, settings, *_warnings(found)), found[0].yields.points),
        confidence=confidence,
        each_confidence=each,
        sources=tuple(found),
        rule=MIXTURE if mixed else EACH,
        joint=joint,
        verdict=_mixed_verdict(design, found, joint) if mixed else worst_verdict(found),
    )


def _shifted(progress: Progress, k: int, sources: int) -> Progress:
    return lambda done, of: progress(k * of + done, sources * of)


def _warnings(found: Sequence[SourceYield]) -> list[str]:
    """Warnings that a source adds to those of the stated design."""
    stated = set(found[0].yields.provenance.warnings) if found[0].name == STATED else set()
    return [f"{s.name}: {w}" for s in found for w in s.yields.provenance.warnings if w not in stated]


def worst_verdict(found: Sequence[SourceYield]) -> Verdict:
    """Combine verdicts that must all hold: not met if one is not met, met if all are met, none if nothing is required.

    The reason names the sources that it is about.
    """
    words = [source.yields.verdict.word for source in found]
    word = next((w for w in (NOT_MET, UNDECIDED, NONE) if w in words), MET)
    about = [source for source in found if source.yields.verdict.word == word]

    def bound(source: SourceYield) -> float:
        deciding = source.yields.verdict.deciding_bound
        return 1.0 if deciding is None else deciding

    decides = min(about, key=bound)
    told = [decides] if word == MET else about
    text = " ".join(f"With {_spoken(source.name)}: {_lowered(source.yields.verdict.reason)}" for source in told)
    if word == MET and len(found) > 1:
        text = f"Met with each of {len(found)} sources. {text}"
    more = [source.yields.verdict.more_units for source in about]
    known = [n for n in more if n is not None]
    verdict = decides.yields.verdict
    return Verdict(
        word,
        verdict.deciding_bound,
        verdict.required,
        text,
        max(known) if word == UNDECIDED and len(known) == len(more) else None,
        verdict.worst_cell,
    )


def _spoken(name: str) -> str:
    return "the parts as stated" if name == STATED else name


def _lowered(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _mixture(found: Sequence[SourceYield], confidence: float) -> Estimate | None:
    """Unit yield of all units together, from bounds that hold for all sources at once."""
    parts = [(source.share or 0.0, source.yields.joint) for source in found]
    known = [(share, joint) for share, joint in parts if joint is not None]
    if len(known) < len(parts):
        return None
    total = sum(share for share, _ in known)
    value, low, high = (
        sum(share * getattr(joint, name) for share, joint in known) / total for name in ("value", "low", "high")
    )
    method = f"weighted by the shares of {len(known)} sources, whose bounds hold together (Bonferroni)"
    return Estimate(value, low, high, confidence, f"{method}; each: {known[0][1].method}")


def _mixed_verdict(design: Design, found: Sequence[SourceYield], joint: Estimate | None) -> Verdict:
    requirement = design.requirement
    units: Judged | None = None
    if joint is not None and requirement is not None and requirement.unit_yield is not None:
        where = "over the mission" if over_the_mission(design) else "in every condition"
        subject = f"of all units reach {percent(requirement.completion or 0.0)} completion {where}"
        units = judged("unit yield", joint, requirement.unit_yield, subject)
    rules = [
        replace(part, reason=f"With {_spoken(source.name)}: {_lowered(part.reason)}")
        for source in found
        for part in source.yields.judged
        if part.name != "unit yield"
    ]
    worst = min(found, key=lambda s: 1.0 if s.yields.joint is None else s.yields.joint.value)
    return overall(units, rules, worst.yields.verdict.worst_cell)

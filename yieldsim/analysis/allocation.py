"""Which tolerance is worth what: each one narrower, wider, and as wide as the requirement bears it alone."""

# ruff: noqa: N815 - fields are named as in the machine-readable output, units as they are written

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.allocations.cheapest_grades import CheapestGrades, cheapest_grades
from yieldsim.analysis.allocations.grade_costs import GradedParameter
from yieldsim.analysis.allocations.unit_trials import Trials, mean_difference
from yieldsim.analysis.allocations.widest import LARGEST, Widest, widest
from yieldsim.analysis.cell import bounds
from yieldsim.analysis.described import tolerance_text
from yieldsim.analysis.mission import plan_of
from yieldsim.analysis.result import Result, provenance
from yieldsim.analysis.verdict import NONE, NOT_MET, judge
from yieldsim.analysis.yields import confidence_of
from yieldsim.design.parameter import Parameter
from yieldsim.design.scaling import scaled
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.critical import critical_actuation
from yieldsim.engine.execution import Inline, Mapper, Progress, blocks, mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import Estimate, mean_of_clusters
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]

NARROWER, WIDER = 0.5, 2.0
#: Units where these already show that the requirement is not met, and where they do not.
FEW_UNITS, UNITS = 256, 2048
ACTUATIONS = 8  # of each unit in the worst condition, for the share of actuations that complete
_USUAL = 0.99  # completion by which the worst condition is found where none is required
_FEW = 64


@dataclass(frozen=True)
class Changed:
    """What comes of one tolerance made narrower or wider, everything else as stated.

    Attributes
    ----------
    factor : on every deviation
    unit_yield : share of units that comply; None without a required completion
    unit_yield_change, completion_change : less that of the stated design, paired draw by draw; the latter in the worst
        condition
    impossible : why the design cannot be so; the estimates are None then
    checked, settled_wrongly : see `Trial`
    """

    factor: float
    unit_yield: Estimate | None = None
    unit_yield_change: Estimate | None = None
    completion_change: Estimate | None = None
    impossible: str = ""
    checked: int = 0
    settled_wrongly: int = 0

    def payload(self, name: str) -> dict[str, Any]:
        """Return it for machines, every key behind ``name``."""
        return {
            **bounds(f"{name}_unit_yield", self.unit_yield),
            **bounds(f"{name}_unit_yield_change", self.unit_yield_change),
            **bounds(f"{name}_completion_change", self.completion_change),
            f"{name}_impossible": self.impossible or None,
        }


@dataclass(frozen=True)
class ToleranceWorth:
    """What one tolerance is worth.

    Attributes
    ----------
    name : of the parameter
    levels : at which it is drawn
    basis : of its numbers
    tolerance : as stated, in words
    halved, doubled : see `Changed`
    widest : the widest it could be alone; None where no unit yield is required
    """

    name: str
    levels: tuple[str, ...]
    basis: str
    tolerance: str
    halved: Changed
    doubled: Changed
    widest: Widest | None

    @property
    def checked(self) -> int:
        """Settled units that were worked out to check it."""
        return self.halved.checked + self.doubled.checked

    @property
    def settled_wrongly(self) -> int:
        """Those of them that had been settled wrongly."""
        return self.halved.settled_wrongly + self.doubled.settled_wrongly

    @property
    def span(self) -> float:
        """How far the two changes lie apart in unit yield, then in completion: the larger, the more it matters."""
        pairs = [
            [c.unit_yield_change for c in (self.halved, self.doubled)],
            [c.completion_change for c in (self.halved, self.doubled)],
        ]
        units, shares = (max((abs(e.value) for e in pair if e is not None), default=0.0) for pair in pairs)
        return units + 1e-6 * shares

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        w = self.widest
        return {
            "parameter": self.name,
            "levels": list(self.levels),
            "basis": self.basis,
            "tolerance": self.tolerance,
            **self.halved.payload("halved"),
            **self.doubled.payload("doubled"),
            "widest": None if w is None else w.word,
            "widest_factor": None if w is None else w.factor,
            "widest_tolerance": None if w is None or not w.tolerance else w.tolerance,
            "not_met_factor": None if w is None else w.beyond,
        }


@dataclass(frozen=True)
class AllocationResult(Result):
    """What each tolerance is worth, the one that matters most first.

    Attributes
    ----------
    confidence : of each one-sided bound
    requirement : of the design
    verdict : of the units of the stated design: ``met``, ``not met``, ``undecided``, or ``none``
    unit_yield : of the stated design; None without a required completion
    completion : of the stated design in the worst condition
    temperature_degC, age_yr : the worst condition
    units, actuations : run; the latter of each unit in the worst condition
    tolerances : see `ToleranceWorth`
    largest_factor : beyond which no tolerance was widened
    guard_V : margin of the critical actuation from which a unit counts as settled; None where all were worked out
    checked, settled_wrongly : settled units next to the guard that were worked out to check it, and those that had been
        settled wrongly, whereupon the guard was widened
    cheapest : the cheapest grades; None where no costs are given
    """

    command: ClassVar[str] = "allocate"
    confidence: float
    requirement: Requirement | None
    verdict: str
    unit_yield: Estimate | None
    completion: Estimate
    temperature_degC: float
    age_yr: float
    units: int
    actuations: int
    tolerances: tuple[ToleranceWorth, ...]
    largest_factor: float
    guard_V: float | None
    checked: int
    settled_wrongly: int
    cheapest: CheapestGrades | None

    def payload(self) -> dict[str, Any]:
        """Return the tolerances, and the cheapest grades where costs were given."""
        return {
            "confidence": self.confidence,
            "requirement": None if self.requirement is None else asdict(self.requirement),
            "verdict": self.verdict,
            **bounds("unit_yield", self.unit_yield),
            **bounds("completion", self.completion),
            "temperature_degC": self.temperature_degC,
            "age_yr": self.age_yr,
            "units": self.units,
            "actuations": self.actuations,
            "tolerances": [tolerance.payload() for tolerance in self.tolerances],
            "largest_factor": self.largest_factor,
            "guard_V": self.guard_V,
            "checked": self.checked,
            "settled_wrongly": self.settled_wrongly,
            "cheapest": None if self.cheapest is None else self.cheapest.payload(),
        }


def allocate(
    design: Design,
    settings: Settings,
    costs: Sequence[GradedParameter] = (),
    progress: Progress | None = None,
    over: Mapper | None = None,
    *,
    units: int | None = None,
    in_full: bool = False,
) -> AllocationResult:
    """Tell what each tolerance of a design is worth.

    Every tolerance is halved and doubled, everything else as stated, on the same draws, and the changes are paired unit
    by unit. Where a unit yield is required, the widest each could be alone is bracketed in its factor; that a unit
    yield falls as a tolerance grows is assumed between neighbouring factors only. Each answer holds by itself at the
    stated confidence; several tolerances widened together are a design to be run.

    Parameters
    ----------
    design : Design
    settings : Settings
        Seed, lots, accuracy, confidence, threads and actuations are used.
    costs : sequence of GradedParameter
        What grades cost, see `read_grades`; the cheapest set that meets the requirement is then sought.
    progress : called with tolerances done and in all
    over : anything with an executor's ``map``; threads, as the settings say, when left out
    units : run in every condition; when left out `FEW_UNITS` where these show that the requirement is not met, else
        `UNITS`
    in_full : work out every unit in every condition, see `yieldsim.analysis.allocations.unit_trials`

    Raises
    ------
    InputError : a design without tolerances, or costs without a required unit yield
    """
    if over is None:
        with mapper(settings.threads) as threads:
            return allocate(design, settings, costs, progress, threads, units=units, in_full=in_full)
    toleranced = [p for p in design.parameters.values() if p.tolerances]
    _refuse(design, toleranced, costs)
    confidence = confidence_of(design, settings)
    settings, trials = _chosen_trials(design, settings, confidence, over, units, in_full)
    run = _Worth(design, settings, confidence, trials, over)
    found, of = [], len(toleranced)
    for worth in over.map(run.of, toleranced):
        found.append(worth)
        if progress is not None:
            progress(len(found), of)
    required = design.requirement.unit_yield if design.requirement is not None else None
    stated = None if trials is None or trials.stated is None else trials.estimate(trials.stated)
    best = cheapest_grades(design, settings, costs, trials, over) if costs and trials is not None else None
    return AllocationResult(
        provenance=provenance(design, settings),
        confidence=confidence,
        requirement=design.requirement,
        verdict=NONE if stated is None or required is None else judge(stated.low, stated.high, required),
        unit_yield=stated,
        completion=mean_of_clusters(run.completed, run.clusters, confidence),
        temperature_degC=run.worst.temperature,
        age_yr=run.worst.age,
        units=settings.units,
        actuations=settings.actuations,
        tolerances=tuple(sorted(found, key=lambda worth: -worth.span)),
        largest_factor=LARGEST,
        guard_V=None if trials is None or trials.critical is None else trials.guard,
        checked=sum(worth.checked for worth in found),
        settled_wrongly=sum(worth.settled_wrongly for worth in found),
        cheapest=best,
    )


def _refuse(design: Design, toleranced: list[Parameter], costs: Sequence[GradedParameter]) -> None:
    file = str(design.source) if design.source is not None else None
    if not toleranced:
        reason, remedy = "no parameter has a tolerance", "give the tolerances of the parts"
        raise InputError(Problem(file, None, None, reason, remedy))
    if costs and (design.requirement is None or design.requirement.unit_yield is None):
        reason = "costs are given, but no unit yield is required that a set of grades could meet"
        raise InputError(Problem(file, "requirement.unit_yield", None, reason, "add [requirement] with unit_yield"))


def _chosen_trials(
    design: Design, settings: Settings, confidence: float, over: Mapper, units: int | None, in_full: bool
) -> tuple[Settings, Trials | None]:
    """Return the settings with the number of units that is run, and the trials; None where nothing is required."""
    if design.requirement is None or design.requirement.completion is None:
        return replace(settings, units=units or UNITS), None
    first = replace(settings, units=units or FEW_UNITS)
    trials = Trials(design, first, confidence, over, in_full=in_full)
    required = design.requirement.unit_yield
    if units is not None or (required is not None and _refuted(trials, required)):
        return first, trials
    more = replace(settings, units=UNITS)
    return more, Trials(design, more, confidence, over, in_full=in_full, like=trials)


def _refuted(trials: Trials, required: float) -> bool:
    stated = trials.estimate(trials.stated) if trials.stated is not None else None
    return stated is not None and judge(stated.low, stated.high, required) == NOT_MET


class _Worth:
    """Asks what tolerances are worth, one by one, in the calling thread."""

    def __init__(
        self, design: Design, settings: Settings, confidence: float, trials: Trials | None, over: Mapper
    ) -> None:
        self.design, self.settings, self.confidence, self.trials = design, settings, confidence, trials
        response = Response(design, settings)
        self.clusters = None if settings.lots is None else response.population.lot_of(np.arange(settings.units))
        self.worst = _worst_condition(response, trials)
        self.completed = self._completed(response, over)

    def of(self, parameter: Parameter) -> ToleranceWorth:
        """Return what one tolerance is worth."""
        halved, doubled = (self._changed(parameter, factor) for factor in (NARROWER, WIDER))
        required = self.design.requirement.unit_yield if self.design.requirement is not None else None
        found = None
        if self.trials is not None and self.trials.stated is not None and required is not None:
            known = {c.factor: c.unit_yield.low >= required for c in (halved, doubled) if c.unit_yield is not None}
            known[1.0] = self.trials.estimate(self.trials.stated).low >= required
            found = widest(self.design, parameter, required, self.trials, known)
        return ToleranceWorth(
            parameter.name, parameter.levels, parameter.basis, tolerance_text(parameter), halved, doubled, found
        )

    def _changed(self, parameter: Parameter, factor: float) -> Changed:
        try:
            design = self.design.with_parameter(scaled(parameter, factor))
            response = Response(design, self.settings)
        except InputError as error:
            return Changed(factor, impossible=error.problems[0].reason)
        gain = mean_difference(self._completed(response, Inline()) - self.completed, self.clusters, self.confidence)
        if self.trials is None:
            return Changed(factor, completion_change=gain)
        trial = self.trials.run(design)
        estimate, change = self.trials.estimate(trial), self.trials.difference(trial)
        return Changed(factor, estimate, change, gain, checked=trial.checked, settled_wrongly=trial.wrong)

    def _completed(self, response: Response, over: Mapper) -> FloatArray:
        """Share of each unit's actuations (n,) that complete in the worst condition."""

        def work(units: NDArray[np.int64]) -> FloatArray:
            tally = run_block(response, self.worst, units, self.settings.actuations, None).tally
            return np.asarray(tally.completed / tally.actuations)

        return np.concatenate(list(over.map(work, blocks(self.settings.units))))


def _worst_condition(response: Response, trials: Trials | None) -> Condition:
    """Return the condition in which one unit in a hundred has the least margin."""
    if trials is not None and trials.critical is not None:
        return trials.conditions[trials.worst]
    conditions = plan_of(response.design).conditions
    numbers = np.arange(min(response.settings.units, FEW_UNITS), dtype=np.int64)
    critical = critical_actuation(response, conditions, numbers[:_FEW], _USUAL)
    if critical is None:
        return conditions[-1]
    least = [float(np.quantile(critical.margins(response, c, numbers), 0.01)) for c in conditions]
    return conditions[int(np.argmin(least))]

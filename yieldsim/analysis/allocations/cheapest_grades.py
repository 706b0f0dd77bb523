"""The cheapest set of tolerance grades that meets the requirement, confirmed on draws that the search has not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from yieldsim.analysis.allocations.grade_costs import GradedParameter, graded_design
from yieldsim.analysis.allocations.unit_trials import Trials
from yieldsim.analysis.cell import bounds
from yieldsim.analysis.described import tolerance_text
from yieldsim.analysis.verdict import MET, UNDECIDED, Verdict, judge
from yieldsim.analysis.yields import yields
from yieldsim.design.schema import Design
from yieldsim.engine.execution import Mapper
from yieldsim.engine.settings import Settings
from yieldsim.estimate.grades import Choice, cheapest
from yieldsim.estimate.intervals import Estimate
from yieldsim.words.errors import InputError

#: What is added to the seed of the search for the run that confirms its choice.
OTHER_SEED = 1


@dataclass(frozen=True)
class ChosenGrade:
    """The grade of one parameter: its factor on the stated width, the tolerance that it gives, and its cost."""

    parameter: str
    factor: float
    tolerance: str
    cost: float


@dataclass(frozen=True)
class CheapestGrades:
    """The cheapest grades.

    Attributes
    ----------
    grades : one a parameter with costs; empty where no set that was asked meets the requirement
    cost : of the set; None without one
    dearest_cost : of the tightest set
    asked : how many sets were tried
    exact : whether every cheaper set was tried; else no cheaper grade of any one parameter would do
    unit_yield : of the set, on the draws of the search
    confirmed : of the set, on draws of another seed; None without one
    confirmed_verdict : on the unit yield of that run: ``met``, ``not met`` or ``undecided``
    confirmed_whole : its verdict with the derating rules
    confirmed_seed, confirmed_units : of that run
    """

    grades: tuple[ChosenGrade, ...]
    cost: float | None
    dearest_cost: float
    asked: int
    exact: bool
    unit_yield: Estimate | None
    confirmed: Estimate | None
    confirmed_verdict: str | None
    confirmed_whole: Verdict | None
    confirmed_seed: int | None
    confirmed_units: int | None

    @property
    def holds(self) -> bool:
        """Whether the run that confirms it meets the requirement."""
        return self.confirmed_verdict == MET

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "grades": [asdict(grade) for grade in self.grades],
            "cost": self.cost,
            "dearest_cost": self.dearest_cost,
            "asked": self.asked,
            "exact": self.exact,
            **bounds("unit_yield", self.unit_yield),
            **bounds("confirmed_unit_yield", self.confirmed),
            "confirmed_verdict": self.confirmed_verdict,
            "confirmed_whole_verdict": None if self.confirmed_whole is None else self.confirmed_whole.word,
            "confirmed_whole_reason": None if self.confirmed_whole is None else self.confirmed_whole.reason,
            "confirmed_seed": self.confirmed_seed,
            "confirmed_units": self.confirmed_units,
        }


def cheapest_grades(
    design: Design, settings: Settings, costs: Sequence[GradedParameter], trials: Trials, over: Mapper
) -> CheapestGrades:
    """Search the grades for the cheapest set whose unit yield meets the requirement at its confidence.

    The search sees the same draws at every set and takes the best of many, so that what it finds is likelier to be too
    cheap than the confidence says; the set is therefore run again, all units in full and in every condition, from
    another seed, and what that run says is what to go by: of the unit yield, which is what was sought, and of the
    derating rules as well.

    Parameters
    ----------
    design : Design
        With a required unit yield; parameters without grades stay as stated.
    settings : Settings
    costs : grades of each parameter, the tightest first
    trials : of the design
    over : where the run that confirms it is made
    """
    requirement = design.requirement
    if requirement is None or requirement.unit_yield is None:
        raise ValueError("the cheapest grades that meet a requirement need a required unit yield")
    required_yield = requirement.unit_yield
    names = [graded.name for graded in costs]

    def made(choice: Choice) -> Design:
        factors = [graded.grades[k].factor for graded, k in zip(costs, choice, strict=True)]
        return graded_design(design, names, factors)

    def passes(choice: Choice) -> bool:
        try:
            return trials.meets(made(choice), required_yield)
        except InputError:  # a width that reaches an impossible value is no grade to buy
            return False

    found = cheapest([[grade.cost for grade in graded.grades] for graded in costs], passes)
    dearest = sum(graded.grades[0].cost for graded in costs)
    if found.choice is None:
        return CheapestGrades((), None, dearest, found.asked, found.exact, None, None, None, None, None, None)
    chosen = made(found.choice)
    actuations = max(settings.actuations, Settings.actuations)  # which the derating rules rest on
    again = yields(chosen, replace(settings, seed=settings.seed + OTHER_SEED, actuations=actuations), over=over)
    word = UNDECIDED if again.joint is None else judge(again.joint.low, again.joint.high, required_yield)
    grades = tuple(
        ChosenGrade(g.name, g.grades[k].factor, tolerance_text(chosen.parameters[g.name]), g.grades[k].cost)
        for g, k in zip(costs, found.choice, strict=True)
    )
    return CheapestGrades(
        grades=grades,
        cost=found.cost,
        dearest_cost=dearest,
        asked=found.asked,
        exact=found.exact,
        unit_yield=trials.estimate(trials.run(chosen)),
        confirmed=again.joint,
        confirmed_verdict=word,
        confirmed_whole=again.verdict,
        confirmed_seed=settings.seed + OTHER_SEED,
        confirmed_units=settings.units,
    )

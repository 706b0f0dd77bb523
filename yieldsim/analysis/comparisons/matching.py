"""Whether two configurations can be compared: in which conditions, against which requirement."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from yieldsim.analysis.mission import Plan, over_the_mission, plan_of
from yieldsim.analysis.yields import confidence_of
from yieldsim.design.schema import Conditions, Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.words.errors import InputError, Problem


@dataclass(frozen=True)
class Matched:
    """What two configurations have in common.

    Attributes
    ----------
    plan : the cells of both, all of them binding
    completion : required of a unit; None without a requirement of completion
    confidence : of each one-sided bound
    same : whether both compute the same
    scope : what a joint share is over, in words
    notes : what was left out, or chosen between the two
    """

    plan: Plan
    completion: float | None
    confidence: float
    same: bool
    scope: str
    notes: tuple[str, ...]

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """The cells of both, by age and then temperature."""
        return self.plan.conditions


def matched(a: Design, b: Design, settings: Settings) -> Matched:
    """Return what is compared.

    Raises
    ------
    InputError : requirements that differ, no cell in common, or different lives where the requirement is over the life
    """
    problems = list(_requirements(a, b))
    plans = plan_of(a), plan_of(b)
    common = tuple(c for c in plans[0].conditions if c in plans[1].conditions)
    if not common:
        reason = "it has no condition (temperature and age) in common with A"
        problems.append(Problem(_file(b), "conditions", None, reason, "give both files one temperature and age alike"))
    if not problems and over_the_mission(a):
        problems += _lives(a, b)
    if problems:
        raise InputError(*problems)
    confidences = confidence_of(a, settings), confidence_of(b, settings)
    notes = list(_left_out(plans, common))
    if confidences[0] != confidences[1]:
        notes.append(f"the requirements differ in their confidence; the higher, {100 * max(confidences):g} %, is used")
    same = a.hash == b.hash and _life(a.conditions) == _life(b.conditions)
    scope = "over the mission" if over_the_mission(a) else "in every condition"
    if len(common) < max(len(plan.conditions) for plan in plans):
        scope = f"in the {len(common)} conditions of both" if len(common) > 1 else "in the one condition of both"
    return Matched(
        Plan(common, (False,) * len(common), tuple(range(len(common)))),
        None if a.requirement is None else a.requirement.completion,
        max(confidences),
        same,
        scope,
        tuple(notes),
    )


def _requirements(a: Design, b: Design) -> Iterator[Problem]:
    """Yield the keys of the requirement that differ: one yardstick is needed."""
    for key in ("completion", "unit_yield", "applies_to"):
        values = [None if d.requirement is None else getattr(d.requirement, key) for d in (a, b)]
        if key == "applies_to" and None in (a.requirement, b.requirement):
            continue
        if values[0] != values[1]:
            texts = ["none" if v is None else v if isinstance(v, str) else f"{100 * v:.10g} %" for v in values]
            reason = f"A requires {texts[0]}; two files are compared by one requirement"
            remedy = f"write the same requirement.{key} into both, or leave it out of both"
            yield Problem(_file(b), f"requirement.{key}", texts[1], reason, remedy)


def _lives(a: Design, b: Design) -> Iterator[Problem]:
    """Yield what differs in the lives over which the completion of a unit is averaged."""
    for key in ("ages", "service_life", "mission", "sites"):
        if getattr(a.conditions, key) != getattr(b.conditions, key):
            reason = "it differs from A's, and the requirement applies over the mission"
            remedy = f"give both files the same {key}, or require it in every condition"
            yield Problem(_file(b), f"conditions.{key}", None, reason, remedy)


def _life(conditions: Conditions) -> tuple[object, ...]:
    """What the ageing of a unit depends on beside its design."""
    return conditions.service_life, conditions.actuations_per_day, conditions.mission, conditions.sites


def _left_out(plans: tuple[Plan, Plan], common: tuple[Condition, ...]) -> Iterator[str]:
    for name, plan in zip("AB", plans, strict=True):
        alone = [c for c in plan.conditions if c not in common]
        if alone:
            told = ", ".join(f"{c.temperature:g} degC at {c.age:g} yr" for c in alone[:6])
            more = f" and {len(alone) - 6} more" if len(alone) > 6 else ""
            yield f"compared where both files have a condition; only {name} has {told}{more}"


def _file(design: Design) -> str | None:
    return None if design.source is None else str(design.source)

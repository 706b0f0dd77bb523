"""Runs that end when enough is known, with bounds that hold although they were looked at on the way.

What decides the requirement, the joint share of complying units, is watched by a confidence sequence, which may be
read after every block. Every other bound of such a run is an ordinary one that spends part of what may go wrong: at
the k-th look 6 / (pi k)^2 of it, which adds up to all of it over any number of looks (a spending sequence in the sense
of Lan and DeMets 1983, Biometrika 70, 659-663; the sum is Euler's). Looks are every block at first, then every eighth
more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from yieldsim.analysis.stress import check_deratings
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import BLOCK
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.settled import sure_and_possible
from yieldsim.estimate.stopping import NOT_MET, UNDECIDED, Look, PassFailWatch, StopRule
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.words.errors import InputError, Problem

MOST_UNITS = 64 * BLOCK  # where the effort is not limited otherwise
_GROWTH = 8  # a look every so-manieth part more


@dataclass(frozen=True)
class Until:
    """What ends a run before its last unit.

    Attributes
    ----------
    decided : when the verdict is known, derating rules included
    width : when the bounds on the share of complying units are no farther apart [share]
    relative_width : the same as a multiple of the share that does not comply

    Raises
    ------
    InputError : a width out of range, or nothing that ends a run
    """

    decided: bool = False
    width: float | None = None
    relative_width: float | None = None

    def __post_init__(self) -> None:
        """Refuse what would not end a run."""
        problems = []
        if self.width is not None and not 0.0 < self.width < 1.0:
            reason = "a width between 0 and 1 is needed"
            problems.append(Problem(None, "until-width", f"{self.width:g}", reason, 'use "0.5 %"'))
        if self.relative_width is not None and not 0.0 < self.relative_width < math.inf:
            reason = "a width above 0 is needed"
            problems.append(Problem(None, "until-relative-width", f"{self.relative_width:g}", reason, 'use "50 %"'))
        if not self.decided and self.width is None and self.relative_width is None:
            problems.append(Problem(None, "until", None, "nothing ends the run", "give what it is to reach"))
        if problems:
            raise InputError(*problems)


@dataclass(frozen=True)
class Stopped:
    """How a watched run ended.

    Attributes
    ----------
    units, looks : run, and how often the bounds were looked at
    most_units : that would have been run at most
    reason : why it ended
    spent_confidence : of each bound but that on the joint share of units, as an ordinary one at the last look
    """

    units: int
    looks: int
    most_units: int
    reason: str
    spent_confidence: float


class Watching:
    """Looks at a run between its blocks.

    Parameters
    ----------
    design, settings : of the run
    until : what ends it
    confidence : of each bound, at all looks together

    Raises
    ------
    InputError : no unit yield is required, or lots, on whose number the bounds would rest
    """

    def __init__(self, design: Design, settings: Settings, until: Until, confidence: float) -> None:
        requirement = design.requirement
        if requirement is None or requirement.unit_yield is None or requirement.completion is None:
            file = None if design.source is None else str(design.source)
            reason = "no share of units is required, so that there is nothing to watch"
            remedy = "state requirement.completion and requirement.unit_yield, or give --units alone"
            raise InputError(Problem(file, "requirement.unit_yield", None, reason, remedy))
        if settings.lots is not None:
            reason = "bounds rest on the number of lots, which more units do not change"
            raise InputError(Problem(None, "lots", str(settings.lots), reason, "leave --lots or --until-... out"))
        self.required = requirement.completion
        self.most_units, self.confidence = settings.units, confidence
        unit_yield = requirement.unit_yield if requirement.unit_yield < 1.0 else None
        if until.decided and unit_yield is None:
            reason = "no number of units can show that all of them comply"
            remedy = "require less than 100 %, or ask for a width"
            raise InputError(Problem(None, "requirement.unit_yield", "1", reason, remedy))
        rule = StopRule(unit_yield if until.decided else None, confidence, until.width, until.relative_width)
        self._watch = PassFailWatch(rule)
        self._design, self._until = design, until
        self._looks = self._seen = 0
        self._fresh = np.zeros(3, dtype=np.int64)  # units, those that surely comply, and those that may
        self._waits = False
        self.last: Look | None = None

    def rounds(self) -> list[int]:
        """Units after each look, whole blocks."""
        ends, blocks = [], 0
        while blocks * BLOCK < self.most_units:
            blocks += max(1, blocks // _GROWTH)
            ends.append(min(blocks * BLOCK, self.most_units))
        return ends

    def count(self, completion: UnitCompletion) -> None:
        """Count units that ran in all binding cells, or over the life."""
        surely, possibly = sure_and_possible(completion, self.required)
        self._fresh += np.array([surely.size, surely.sum(), possibly.sum()])

    def look(self, conditions: Sequence[Condition], kept: Sequence[Sequence[Frequencies]]) -> bool:
        """Look at what was counted since the last time and return whether to stop.

        Parameters
        ----------
        conditions : the C cells
        kept : (C, D) shares of each unit's actuations within each derating rule, of all units so far
        """
        fresh, self._fresh = self._fresh, np.zeros_like(self._fresh)
        self.last = self._watch.look(*(int(n) for n in fresh))
        self._looks += 1
        self._seen += int(fresh[0])
        if not self._until.decided or self.last.word == NOT_MET:
            return self.last.stop
        spent = self.stopped.spent_confidence
        _, parts = check_deratings(self._design, conditions, kept, self.confidence, spent=spent)
        words = [part.word for part in parts]
        self._waits = self.last.stop and UNDECIDED in words and NOT_MET not in words
        return (self.last.stop and not self._waits) or NOT_MET in words

    @property
    def joint(self) -> Estimate:
        """The share of complying units, with bounds that hold at all looks."""
        if self.last is None:
            raise ValueError("nothing was looked at")
        return self.last.estimate

    @property
    def stopped(self) -> Stopped:
        """How the run ended."""
        if self.last is None:
            raise ValueError("nothing was looked at")
        reason = self.last.reason if self.last.stop else f"the most units are run, {self.last.reason}"
        if self._waits:
            reason = f"the most units are run, and a derating rule is undecided, though {self.last.reason}"
        share = 6.0 / (math.pi * self._looks) ** 2
        return Stopped(self._seen, self._looks, self.most_units, reason, 1.0 - share * (1.0 - self.confidence))

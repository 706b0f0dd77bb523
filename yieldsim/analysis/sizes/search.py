"""Looks at values side by side, and runs that judge them, each with the effort that it needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from yieldsim.analysis.sizes.runs import Judgement, Look, judge_design, look_at
from yieldsim.analysis.verdict import more_units
from yieldsim.design.schema import Design
from yieldsim.design.variation import with_values
from yieldsim.engine.execution import Mapper
from yieldsim.engine.settings import Settings
from yieldsim.estimate import window
from yieldsim.words.errors import InputError

_LEAST_UNITS = 64
_SHARE_OF_UNITS, _SHARE_OF_ACTUATIONS = 12, 8  # of the effort, a look takes one part in so many
_AGAIN = 4  # times the units of a look where a value that is left looks as if it failed
_BESIDE = 1  # times the units of the settings that values beside the chosen one may take in all
_SPARE = 1.25  # times the units that would show it if the shares of the look hold

Stages = Callable[[str, int, int], None]


def fresh_seed(seed: int) -> int:
    """Return the seed of judging runs, made from that of the scan and independent of it (SeedSequence of numpy)."""
    return int(np.random.SeedSequence([seed, 60063]).generate_state(1)[0])


class Looking:
    """Looks at values, several at a time, and keeps what was seen; a brief one takes half the units."""

    def __init__(
        self,
        design: Design,
        settings: Settings,
        confidence: float,
        changing: Callable[[Any], dict[str, float]],
        over: Mapper,
        progress: Stages | None,
        *,
        brief: bool = False,
    ) -> None:
        self.design, self.full, self.confidence = design, settings, confidence
        self.changing, self.over, self.progress = changing, over, progress
        part = _SHARE_OF_UNITS * (2 if brief else 1)
        self.settings = replace(
            settings,
            units=min(settings.units, max(_LEAST_UNITS, settings.units // part)),
            actuations=max(1, settings.actuations // _SHARE_OF_ACTUATIONS),
        )
        # a brief look is not repeated
        again = self.settings.units if brief else min(_AGAIN * self.settings.units, settings.units)
        self.again = replace(self.settings, units=again)
        self.looks = 1 if again == self.settings.units else 2  # of a value, at the most
        # every look compares the units, where a share of them is required, and every derating rule
        units = design.requirement is not None and design.requirement.unit_yield is not None
        self.each = self.looks * (units + len(design.deratings))
        self.most, self.tested = 1, self.each
        self.seen: dict[Any, Look] = {}
        self.changes: dict[Any, dict[str, float]] = {}
        self.refused: list[tuple[Any, str]] = []

    def plan(self, values: int) -> None:
        """Fix the number of tests before any of them: all requirements of so many values, at each look."""
        self.most, self.tested = values, self.each * values

    def design_with(self, value: Any) -> Design:
        """Return the design with a value and all that goes with it."""
        return with_values(self.design, self.changing(value))

    def look_at(self, values: Sequence[Any]) -> None:
        """Look at values side by side; those that make the design impossible are put aside with the reason."""
        family = 1.0 - (1.0 - self.confidence) / self.tested
        possible: list[tuple[Any, Design]] = []
        for value in values:
            self.changes[value] = self.changing(value)
            try:
                possible.append((value, self.design_with(value)))
            except InputError as error:
                self.refused.append((value, str(error.problems[0])))

        def work(task: tuple[Any, Design]) -> Look:
            look = look_at(task[1], self.settings, self.confidence, family)
            if look.ruled_out is not None or look.score >= 0.0 or self.looks == 1:
                return look
            return look_at(task[1], self.again, self.confidence, family)

        found = self.over.map(work, possible)
        for (value, _), look in zip(possible, found, strict=True):
            self.seen[value] = look
            if self.progress is not None:
                self.progress("scan", len(self.seen), self.most)

    def ask(self, values: Sequence[float]) -> list[window.Answer]:
        """Look at values and answer which of them are possible; an impossible design is ruled out."""
        self.look_at(values)
        return [self._answer(value) for value in values]

    def answers(self) -> list[window.Answer]:
        """Return all that was asked, by value."""
        return [self._answer(value) for value in sorted({*self.seen, *(value for value, _ in self.refused)})]

    def _answer(self, value: float) -> window.Answer:
        look = self.seen.get(value)
        if look is None:
            return window.Answer(value, False, -math.inf)
        return window.Answer(value, look.ruled_out is None, look.score)


class Judging:
    """Runs with a fresh seed, of which the one of the choice takes the full effort."""

    def __init__(self, looks: Looking, over: Mapper, seed: int, progress: Stages | None) -> None:
        self.looks, self.over, self.seed, self.progress = looks, over, seed, progress
        self.done: list[Judgement] = []
        self.left = _BESIDE * looks.full.units

    def show(self, value: float, confidence: float) -> bool:
        """Judge a value; one beside the choice only with units that are left."""
        full = self.looks.full.units
        units = full
        if self.done:
            units = _units_to_show(self.looks, value, confidence)
            if units > min(full, self.left):
                return False  # this effort would not show it
        settings = replace(self.looks.full, seed=self.seed, units=units)
        blocks = None if self.progress is None else partial(self.progress, f"run {len(self.done) + 1}")
        found = judge_design(self.looks.design_with(value), value, settings, confidence, self.over, blocks)
        self.left -= found.units if self.done else 0
        self.done.append(found)
        return found.met


def _units_to_show(looks: Looking, value: float, confidence: float) -> int:
    """Units that would show the unit yield if the share of the look held, with some to spare."""
    seen, requirement = looks.seen[value].unit_yield, looks.design.requirement
    if seen is None or requirement is None or requirement.unit_yield is None:
        return _LEAST_UNITS
    if seen.value <= requirement.unit_yield:
        return looks.full.units + 1
    n = looks.seen[value].units
    # a share seen without a failure is taken for half a failure, the median of what it may be
    share = min(seen.value, 1.0 - 0.5 / n)
    if share <= requirement.unit_yield:
        return looks.full.units
    more = more_units(share, 2, requirement.unit_yield, confidence)
    return looks.full.units + 1 if more is None else max(_LEAST_UNITS, math.ceil(_SPARE * (2 + more)))

"""Runs that end when enough is known: what they run, and that their bounds allow for the looks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.until import MOST_UNITS, Until, Watching
from yieldsim.analysis.yields import yields
from yieldsim.design.schema import Design
from yieldsim.engine.execution import BLOCK
from yieldsim.engine.settings import Settings
from yieldsim.estimate.unit_completion import UnitCompletion
from yieldsim.words.errors import InputError

FEW = Settings(units=3 * BLOCK, actuations=2, threads=1)


def required(design: Design, completion: float, unit_yield: float | None) -> Design:
    requirement = design.requirement
    assert requirement is not None
    return replace(design, requirement=replace(requirement, completion=completion, unit_yield=unit_yield))


def test_a_run_ends_when_decided_and_is_the_run_of_so_many_units(small: Design) -> None:
    # hardly any unit fails at a tenth of completion, so that the first block decides that half of them comply
    design = required(small, 0.1, 0.5)
    watched = yields(design, FEW, until=Until(decided=True))
    assert watched.stopped is not None
    assert watched.stopped.units == BLOCK < FEW.units
    assert watched.stopped.most_units == FEW.units
    assert watched.verdict.word == "met"
    plain = yields(design, replace(FEW, units=BLOCK))
    assert watched.provenance.settings["units"] == BLOCK
    for seen, known in zip(watched.cells, plain.cells, strict=True):
        assert seen.completion.value == known.completion.value
        assert seen.outcomes == known.outcomes
        # a bound that is looked at several times gives way
        assert seen.completion.low <= known.completion.low
        assert seen.completion.high >= known.completion.high
    assert watched.joint is not None
    assert plain.joint is not None
    assert watched.joint.low < plain.joint.low
    assert watched.joint.confidence == plain.joint.confidence
    assert "at every look" in watched.method


def test_a_derating_rule_is_waited_for(small: Design) -> None:
    # the units are decided by the first block, the rule lies within its bounds: 1,024 units know the share to some %
    design = required(small, 0.1, 0.5)
    kept = next(rule.reached.value for rule in yields(design, replace(FEW, units=BLOCK)).deratings)
    (first, *others) = design.deratings
    design = replace(design, deratings=(replace(first, share=min(kept, 0.999)), *others))
    watched = yields(design, replace(FEW, units=2 * BLOCK), until=Until(decided=True))
    assert watched.stopped is not None
    assert watched.stopped.units == 2 * BLOCK
    assert watched.verdict.word == "undecided"
    assert "derating" in watched.stopped.reason


def test_nothing_decided_runs_all_units(small: Design) -> None:
    # no bound of 3,072 units reaches 99.999 %, even if all of them comply
    watched = yields(required(small, 0.001, 0.99999), FEW, until=Until(decided=True))
    assert watched.stopped is not None
    assert watched.stopped.units == FEW.units
    assert watched.stopped.looks == 3
    assert watched.verdict.word == "undecided"
    assert "most units" in watched.stopped.reason


def test_a_width_ends_a_run(small: Design) -> None:
    watched = yields(required(small, 0.1, 0.5), FEW, until=Until(width=0.2))
    assert watched.stopped is not None
    assert watched.joint is not None
    assert watched.joint.high - watched.joint.low <= 0.2
    assert watched.stopped.units < FEW.units


def test_what_is_spent_adds_up_to_the_error_allowed() -> None:
    # sum of 1 / k^2 over all k is pi^2 / 6 (Euler 1735)
    spent = sum(6.0 / (math.pi * k) ** 2 for k in range(1, 200_001))
    assert 0.99999 < spent < 1.0


def test_looks_are_blocks_and_few(small: Design) -> None:
    watch = Watching(required(small, 0.9, 0.9), replace(FEW, units=MOST_UNITS), Until(decided=True), 0.95)
    ends = watch.rounds()
    assert ends[0] == BLOCK
    assert ends[-1] == MOST_UNITS
    steps = np.diff([0, *ends])
    assert (steps[:-1] % BLOCK == 0).all()
    assert len(ends) < 35
    assert all(step <= max(BLOCK, end / 8.0) for step, end in zip(steps, [0, *ends], strict=False))


def test_each_look_spends_less(small: Design) -> None:
    watch = Watching(required(small, 0.9, 0.9), FEW, Until(width=0.01), 0.95)
    half = np.repeat([0.0, 1.0], 10)
    spent = []
    for _ in range(3):
        watch.count(UnitCompletion(half, half, None))
        assert not watch.look((), ())
        spent.append(watch.stopped.spent_confidence)
    assert 0.95 < spent[0] < spent[1] < spent[2] < 1.0
    assert spent[2] == pytest.approx(1.0 - 0.05 * 6.0 / (math.pi * 3.0) ** 2)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"width": 0.0}, "until-width"),
        ({"width": 1.5}, "until-width"),
        ({"relative_width": -1.0}, "until-relative-width"),
        ({}, "nothing ends the run"),
    ],
)
def test_widths_that_make_no_sense(given: dict[str, float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Until(**given)  # type: ignore[arg-type]


def test_what_cannot_be_watched(small: Design) -> None:
    with pytest.raises(InputError, match="no share of units is required"):
        yields(replace(small, requirement=None), FEW, until=Until(decided=True))
    with pytest.raises(InputError, match="rest on the number of lots"):
        yields(required(small, 0.9, 0.9), replace(FEW, lots=4), until=Until(decided=True))
    with pytest.raises(InputError, match="all of them comply"):
        yields(required(small, 0.9, 1.0), FEW, until=Until(decided=True))

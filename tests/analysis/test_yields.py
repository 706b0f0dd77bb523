"""Yield: cells, joint yield, addresses, and that neither threads nor blocks change a bit."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.yields import YieldResult, confidence_of, worst_cell, yields
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine import execution
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.words.errors import InputError

TINY = Settings(units=24, actuations=3, threads=1)
CELL_NAMES = {
    *("temperature_degC", "age_yr", "units", "actuations", "completion", "completion_low", "completion_high"),
    *("delivered", "energy_sufficed", "unit_yield", "unit_yield_low", "unit_yield_high", "outcomes"),
    *("confidence", "method"),
}
ENVELOPE = {"command", "version", "design", "design_hash", "seed", "settings", "warnings", "files"}


def text(result: YieldResult) -> str:
    return json.dumps(result.as_json(), allow_nan=False)


def one_cell(design: Design, temperature: float = 60.0, age: float = 10.0) -> Design:
    return replace(design, conditions=replace(design.conditions, temperatures=(temperature,), ages=(age,)))


def test_machine_readable_names(found: YieldResult) -> None:
    answer = json.loads(text(found))
    assert set(answer) >= ENVELOPE | {"cells", "joint", "requirement", "verdict", "deciding_bound"}
    assert answer["command"] == "yield"
    assert set(answer["joint"]) == {"unit_yield", "unit_yield_low", "unit_yield_high"}
    assert answer["verdict"] in ("met", "not met", "undecided", "none")
    for cell in answer["cells"]:
        assert set(cell) >= CELL_NAMES
        assert cell["actuations"] == 64 * 8
        assert sum(cell["outcomes"].values()) == pytest.approx(1.0, abs=1e-12)
        assert cell["completion"] == cell["outcomes"]["complete"]
        assert 0.0 <= cell["completion_low"] <= cell["completion"] <= cell["completion_high"] <= 1.0
        assert cell["unit_yield_low"] <= cell["unit_yield"] <= cell["unit_yield_high"]


def test_outcomes_have_stable_names_whether_they_occur_or_not(found: YieldResult) -> None:
    names = ["complete", "never started", "brown-out in boot", "brown-out in transmit", "brown-out in listen"]
    for cell in found.cells:
        assert list(cell.outcomes) == [*names, "unacknowledged", "not finished"]


def test_cells_stand_by_age_then_temperature(found: YieldResult) -> None:
    assert [(c.age_yr, c.temperature_degC) for c in found.cells] == [(0, 25), (0, 60), (10, 25), (10, 60)]


def test_a_cell_is_the_sum_of_its_addresses(small: Design, found: YieldResult) -> None:
    response = Response(small, Settings(units=64, actuations=8))
    base, scale = response.unit_base(np.arange(64), Condition(60.0, 0.0))
    rows = np.array([[u, u, k] for u in range(64) for k in range(8)])
    values, codes = run(response.kernel, base, scale, rows)
    cell = found.cells[1]
    assert cell.completion.value == (codes[:, at.OUTCOME] == at.COMPLETE).mean()
    assert cell.delivered.value == codes[:, at.DELIVERED].mean()
    assert cell.energy_sufficed.value == (values[:, at.VOLTAGE_MARGIN] >= 0.0).mean()
    tries = codes[:, at.ATTEMPTS_USED]
    assert {a.attempts: a.share for a in cell.by_attempts} == {k: (tries == k).mean() for k in np.unique(tries)}
    worst = found.addresses["worst"][0]
    assert worst.voltage_margin_V <= values[:, at.VOLTAGE_MARGIN].min()


def test_addresses_open_to_the_same_bits(small: Design, found: YieldResult) -> None:
    assert set(found.addresses) == {"worst", "nearest the edge", "median failing", "not finished"}
    for kind in ("worst", "nearest the edge", "median failing"):
        for a in found.addresses[kind][:3]:
            place = Condition(a.temperature_degC, a.age_yr)
            opened = actuation(small, Settings(), place, (a.unit, a.actuation))
            assert opened.voltage_margin_V == a.voltage_margin_V
            assert opened.outcome == a.outcome
    assert found.addresses["not finished"] == ()
    margins = [abs(a.voltage_margin_V) for a in found.addresses["nearest the edge"]]
    assert margins == sorted(margins)
    assert all(a.outcome != "complete" for a in found.addresses["median failing"])


def test_threads_change_nothing(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(execution, "BLOCK", 8)  # three blocks in each cell
    one, two, three = (text(yields(small, replace(TINY, threads=n))) for n in (1, 2, 3))
    assert one == two == three
    # negative control: another seed is another answer
    assert text(yields(small, replace(TINY, seed=7))) != one


def test_blocks_change_nothing_but_the_order_of_work(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = text(yields(small, TINY))
    monkeypatch.setattr(execution, "BLOCK", 8)
    assert text(yields(small, TINY)) == whole


def test_any_map_will_do_and_progress_is_told(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(execution, "BLOCK", 8)

    class Backwards:
        """Works on the last task first, and returns answers in the order of the tasks, as a map must."""

        def map(self, function: Callable[[Any], Any], tasks: Iterable[Any], /) -> Iterator[Any]:
            return reversed([function(task) for task in reversed(list(tasks))])

    seen: list[tuple[int, int]] = []
    result = yields(small, TINY, lambda done, of: seen.append((done, of)), Backwards())
    assert seen == [(k, 12) for k in range(1, 13)]
    assert text(result) == text(yields(small, TINY))


def test_more_units_extend_fewer(small: Design) -> None:
    design = replace(one_cell(small), requirement=None, deratings=())
    few = yields(design, replace(TINY, units=8)).cells[0]
    many = yields(design, replace(TINY, units=16)).cells[0]
    assert many.quantiles["reserve_V"][0.001] <= few.quantiles["reserve_V"][0.001] + 2e-3


def test_joint_yield_is_below_that_of_every_cell(found: YieldResult) -> None:
    assert found.joint is not None
    for cell in found.cells:
        assert cell.unit_yield is not None
        assert found.joint.value <= cell.unit_yield.value + 1e-12
    worst = worst_cell(found.cells)
    assert found.verdict.worst_cell == (worst.temperature_degC, worst.age_yr)
    assert worst.unit_yield is not None
    assert worst.unit_yield.value == min(c.unit_yield.value for c in found.cells if c.unit_yield is not None)


def test_over_the_mission_a_hot_excursion_does_not_bind(small: Design, found: YieldResult) -> None:
    requirement = replace(small.requirement, applies_to="over the mission")
    life = yields(replace(small, requirement=requirement), Settings(units=64, actuations=2, threads=1))
    assert [c.temperature_degC for c in life.cells] == [25.0, 45.0, 60.0] * 2
    assert life.joint is not None
    assert found.joint is not None
    assert life.joint.value > found.joint.high  # 60 degC fails most units, the mission does not go there
    assert life.verdict.word == judged_word(life)
    assert "over the mission" in life.verdict.reason


def judged_word(result: YieldResult) -> str:
    words = {part.word for part in result.judged}
    return "not met" if "not met" in words else "met" if words == {"met"} else "undecided"


def test_no_requirement_has_no_verdict(small: Design) -> None:
    result = yields(replace(small, requirement=None, deratings=()), TINY)
    answer = result.as_json()
    assert (answer["verdict"], answer["deciding_bound"], answer["requirement"]) == ("none", None, None)
    assert answer["joint"] == {"unit_yield": None, "unit_yield_low": None, "unit_yield_high": None}
    assert all(cell["unit_yield"] is None for cell in answer["cells"])


def test_a_completion_alone_gives_a_unit_yield_and_no_verdict(small: Design) -> None:
    only = replace(small, requirement=Requirement(completion=0.99), deratings=())
    result = yields(only, TINY)
    assert result.joint is not None
    assert result.verdict.word == "none"


def test_lots_carry_the_bounds(small: Design) -> None:
    design = one_cell(small, 25.0, 0.0)
    lots = yields(design, replace(TINY, lots=3))
    apart = yields(design, TINY)
    assert lots.joint is not None
    assert apart.joint is not None
    # with three lots the bound cannot be better than three without a failure, 0.05**(1/3) (Clopper and
    # Pearson 1934)
    assert lots.joint.low <= 0.05 ** (1 / 3) + 1e-12 < apart.joint.low
    assert lots.verdict.more_units is None


@pytest.mark.parametrize(("asked", "stated", "used"), [(None, 0.9, 0.9), (0.8, 0.9, 0.8), (None, None, 0.95)])
def test_confidence_is_that_asked_for_else_the_requirements(
    small: Design, asked: float | None, stated: float | None, used: float
) -> None:
    requirement = None if stated is None else replace(small.requirement, confidence=stated)
    assert confidence_of(replace(small, requirement=requirement), Settings(confidence=asked)) == used


def test_a_confidence_of_a_half_is_refused(small: Design) -> None:
    with pytest.raises(InputError) as error:
        yields(small, replace(TINY, confidence=0.5))
    assert str(error.value) == "confidence = 0.5: a bound needs more than 0.5 and less than 1; use 0.95"


def test_what_does_not_finish_is_told(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    from yieldsim.engine import cells

    true_run = cells.run

    def broken(*arguments: Any, **more: Any) -> Any:
        values, codes = true_run(*arguments, **more)
        values[:2], codes[:2, at.OUTCOME], codes[:2, at.SUFFICED] = np.nan, at.NOT_FINISHED, 0
        return values, codes

    monkeypatch.setattr(cells, "run", broken)
    result = yields(replace(one_cell(small), requirement=None, deratings=()), TINY)
    assert result.cells[0].outcomes["not finished"] == 2 / 72
    assert [(a.unit, a.actuation) for a in result.addresses["not finished"]] == [(0, 0), (0, 1)]
    assert result.provenance.warnings == ("2 actuations were not finished; they count as failing",)
    json.dumps(result.as_json(), allow_nan=False)

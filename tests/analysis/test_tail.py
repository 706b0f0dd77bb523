"""Tails: against counting where counting can see, and what cannot be asked."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.tail import Asked, TailResult, tail
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.limit_states import ActuationLimit, _kept_margin
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import Stratum
from yieldsim.estimate.intervals import clopper_pearson_interval
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.words.errors import InputError

NEW = Condition(25.0, 0.0)
HOT = Condition(60.0, 10.0)
ONE = Settings(threads=1)
COUNTED = 40_000
ALARM = 1e-6  # a count's interval leaves the truth out this rarely


@pytest.fixture(scope="module")
def marginal(small: Design) -> Design:
    """The small design, over a poor link: about one actuation in seven hundred lacks energy when new."""
    return small.with_nominal("link.frame_loss", "5 %")


@pytest.fixture(scope="module")
def found(marginal: Design) -> TailResult:
    return tail(marginal, ONE, NEW, Asked(target=0.05))


def counted(design: Design) -> tuple[int, int, int]:
    """Actuations of as many units, each drawn by its address: how many, short of energy, not completed."""
    response = Response(design, ONE)
    units = np.arange(COUNTED, dtype=np.int64)
    base, scale = response.unit_base(units, NEW)
    rows = np.column_stack([units, units, np.zeros_like(units)])
    _, codes = run(response.kernel, base, scale, rows, accuracy=ONE.accuracy)
    return COUNTED, int((codes[:, at.SUFFICED] == 0).sum()), int((codes[:, at.OUTCOME] != at.COMPLETE).sum())


def test_agrees_with_counting(marginal: Design, found: TailResult) -> None:
    """Brute force by addresses, which shares neither points nor strata with the tail; exact interval of the count."""
    n, short, lost = counted(marginal)
    assert 20 < short < 0.2 * n
    cell = found.cells[0]
    low, high = clopper_pearson_interval(short, n, 1.0 - ALARM)
    assert cell.failure_low < high
    assert low < cell.failure_high
    assert cell.flag is None
    whole = tail(marginal, ONE, NEW, Asked(of="completion", target=0.05)).cells[0]
    low, high = clopper_pearson_interval(lost, n, 1.0 - ALARM)
    assert whole.failure_low < high
    assert low < whole.failure_high
    assert whole.failure >= whole.link_floor > 0.0
    # negative control: the count of losses is no count of energy
    assert not (cell.failure_low < high and low < cell.failure_high)


def test_failure_point_lies_on_the_limit(small: Design) -> None:
    """A node that sends once: with its parameters at the failure point and nothing else moved, the margin is near zero
    there, and far from it at the median.
    """
    once = replace(small, link=replace(small.link, attempts=1))
    cell = tail(once, ONE, NEW).cells[0]
    assert 0.0 < cell.failure_high < 1e-4
    point = cell.most_probable_point
    assert point is not None
    assert point.reliability_index > 3.5
    assert sum(row.importance for row in point.parameters) > 0.95
    response = Response(once, ONE)
    moved = {row.name: row.value for row in point.parameters if row.value is not None}
    there = response.respond_at(moved, NEW).values[at.VOLTAGE_MARGIN]
    median = response.respond_at({}, NEW).values[at.VOLTAGE_MARGIN]
    assert abs(there) < 0.1 * abs(median)


def test_machine_readable_names(found: TailResult) -> None:
    answer = json.loads(json.dumps(found.as_json(), allow_nan=False))
    names = {"temperature_degC", "age_yr", "of", "level", "failure", "failure_low", "failure_high", "model_calls"}
    names |= {"method", "agreement", "flag", "most_probable_point"}
    assert set(answer["cells"][0]) >= names
    assert (answer["command"], answer["cells"][0]["of"], answer["cells"][0]["level"]) == ("tail", "energy", "actuation")


def test_same_seed_same_answer_on_two_threads(marginal: Design, found: TailResult) -> None:
    again = tail(marginal, replace(ONE, threads=2), NEW, Asked(target=0.05))
    assert again.cells == found.cells


def test_unit_margin_is_that_of_its_required_share() -> None:
    """Two outcomes of weight 0.7 and 0.2, margins straight in the press's probability: solved by hand."""
    nodes = np.array([0.0, 1.0])
    margins = np.array([[[[0.0, 1.0]], [[-1.0, 0.0]]]])  # (1, 2, 1, 2)
    weights = np.array([0.7, 0.2])
    # at c in (0, 1) the first outcome keeps 1 - c of its weight and the second none: 0.7 (1 - c) = 0.35 at 0.5
    assert _kept_margin(margins, weights, 0.35, nodes)[0] == pytest.approx(0.5, abs=1e-9)
    # at c in (-1, 0) the first keeps all and the second -c: 0.7 - 0.2 c = 0.8 at -0.5
    assert _kept_margin(margins, weights, 0.8, nodes)[0] == pytest.approx(-0.5, abs=1e-9)
    assert _kept_margin(margins, weights, 0.95, nodes)[0] == -np.inf


def test_axes_leave_out_what_a_plan_decides(small: Design) -> None:
    response = Response(small, ONE)
    limit = ActuationLimit(response, HOT, Stratum((1,), True), Inline())
    names = {response.dimensions[k].name for k in limit.axes}
    assert "link.frame_loss" not in names
    assert {"harvester.speed", "storage.capacitance"} <= names


@pytest.mark.parametrize(
    ("asked", "name"),
    [(Asked(of="cost"), "of"), (Asked(level="lot"), "level"), (Asked(method="guess"), "method"),
     (Asked(target=2.0), "target"), (Asked(budget=10), "budget")],
)  # fmt: skip
def test_what_cannot_be_asked(small: Design, asked: Asked, name: str) -> None:
    with pytest.raises(InputError) as caught:
        tail(small, ONE, HOT, asked)
    assert name in str(caught.value)


def test_a_unit_needs_a_requirement(small: Design) -> None:
    with pytest.raises(InputError, match="nothing is"):
        tail(replace(small, requirement=None), ONE, HOT, Asked(level="unit"))


def test_unit_tail_agrees_with_units_opened_one_by_one(marginal: Design) -> None:
    """Units drawn by their addresses, 300 actuations each; what lies within the noise of so many is left undecided."""
    cell = tail(marginal, ONE, HOT, Asked(level="unit", target=0.1)).cells[0]
    units, presses = 400, 300
    response = Response(marginal, ONE)
    numbers = np.arange(units, dtype=np.int64)
    base, scale = response.unit_base(numbers, HOT)
    rows = np.column_stack([np.repeat(numbers, presses)] * 2 + [np.tile(np.arange(presses), units)])
    _, codes = run(response.kernel, base, scale, rows.astype(np.int64), accuracy=ONE.accuracy)
    short = (codes[:, at.SUFFICED] == 0).reshape(units, presses).sum(axis=1)
    allowed = 1.0 - marginal.requirement.completion
    surely = [clopper_pearson_interval(int(k), presses, 0.999) for k in short]
    least = sum(low > allowed for low, _ in surely)
    most = sum(high >= allowed for _, high in surely)
    assert least < most  # some units are near the edge, as they should be for a test
    assert clopper_pearson_interval(least, units, 1.0 - ALARM)[0] < cell.failure_high
    assert cell.failure_low < clopper_pearson_interval(most, units, 1.0 - ALARM)[1]

"""The same bits whatever the number of threads, the chunking, the order of the work, and what else is in the design."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.yields import yields
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine import cells, execution
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

SMALL = (Path(__file__).parent / "analysis" / "small.toml").read_text(encoding="utf-8")
HOT = Condition(60.0, 10.0)
FEW = Settings(units=40, actuations=5, threads=1)
# A return stroke, channel access, and draws for each attempt, correlated with each other and with the press.
RICHER = """
[[harvester.strokes]]
start = "0 ms"
linkage = 1
[[harvester.strokes]]
start = "12 ms"
linkage = -0.6
[link.backoff]
unit = "320 us"
minimum_exponent = 2
maximum_exponent = 3
maximum_backoffs = 1
busy = "10 %"
idle_current = "1 mA"
assess_time = "128 us"
assess_current = "8 mA"
turnaround = "192 us"
turnaround_current = "8 mA"
[[correlation]]
between = ["harvester.speed", "radio.transmit.current"]
level = "actuation"
rank = 0.5
"""
SENT = (
    'current = { nominal = "9 mA", tolerance = [{ level = "unit", sigma = "2 %" }, '
    '{ level = "actuation", sigma = "3 %" }] }'
)
HARVESTER_END = "[rectifier]\n"


@cache
def rich() -> Design:
    text = SMALL.replace('current = "9 mA"', SENT)
    strokes, rest = RICHER.split("[link.backoff]")
    text = text.replace(HARVESTER_END, strokes + HARVESTER_END)
    text = text.replace("attempts = 2\n", "attempts = 2\n[link.backoff]" + rest)
    return one_cell(design_from_toml(text))


def one_cell(design: Design) -> Design:
    conditions = replace(design.conditions, temperatures=(HOT.temperature,), ages=(HOT.age,))
    return replace(design, conditions=conditions)


def changed(old: str, new: str) -> Design:
    assert SMALL.count(old) == 1
    return design_from_toml(SMALL.replace(old, new))


def small() -> Design:
    return design_from_toml(SMALL)


def told(design: Design, settings: Settings = FEW, over: Any = None) -> str:
    """Everything a yield says, every bit of it, with every number of its histograms."""
    result = yields(design, settings, None, over)
    more = [[cell.reserve.counts, cell.margin.counts] for cell in result.cells]
    return json.dumps([result.as_json(), more], allow_nan=False)


class Backwards:
    """Works on the last task first, and returns answers in the order of the tasks, as a map must."""

    def map(self, function: Callable[[Any], Any], tasks: Iterable[Any], /) -> Iterator[Any]:
        return reversed([function(task) for task in reversed(list(tasks))])


# --- threads, chunks, order -----------------------------------------------------------------------------------------


def test_threads_chunks_and_order_change_no_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(execution, "BLOCK", 8)  # five blocks
    whole = told(rich())
    for threads in (2, 3):
        assert told(rich(), replace(FEW, threads=threads)) == whole
    assert told(rich(), over=Backwards()) == whole
    # negative control: another seed is seen
    assert told(rich(), replace(FEW, seed=1)) != whole


@pytest.mark.parametrize("rows", [1, 7, 64, 1000])
def test_rows_at_a_time_change_no_bit(rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = block(rich(), 24)
    monkeypatch.setattr(cells, "ROWS_AT_A_TIME", rows)
    np.testing.assert_equal(block(rich(), 24), whole)


def block(design: Design, units: int, actuations: int = 4) -> dict[str, Any]:
    answer = run_block(Response(design, Settings()), HOT, np.arange(units), actuations, 0.99)
    assert answer.completion is not None
    assert answer.energy is not None
    return {
        "tally": vars(answer.tally),
        "completion": (answer.completion.low, answer.completion.high),
        "energy": (answer.energy.low, answer.energy.high),
        "sampling": None if answer.completion.sampling is None else vars(answer.completion.sampling),
    }


def test_rows_may_be_run_in_any_order_and_company() -> None:
    response = Response(rich(), Settings())
    base, scale = response.unit_base(np.arange(20), HOT)
    rows = np.array([[u, u, k] for u in range(20) for k in range(6)])
    values, codes = run(response.kernel, base, scale, rows)
    mixed = np.random.default_rng(4).permutation(len(rows))
    shuffled = run(response.kernel, base, scale, rows[mixed])
    np.testing.assert_array_equal(shuffled[0], values[mixed])
    np.testing.assert_array_equal(shuffled[1], codes[mixed])
    for r in (0, 50, 119):
        alone = run(response.kernel, base, scale, rows[r : r + 1])
        np.testing.assert_array_equal(alone[0][0], values[r])
        np.testing.assert_array_equal(alone[1][0], codes[r])


# --- what is drawn does not depend on what else is there --------------------------------------------------------------

ADDRESSES = [(0, 0), (1, 0), (1, 3), (17, 2), (2**33 + 5, 1000)]


def values_at(design: Design, settings: Settings | None = None) -> dict[str, np.ndarray]:
    """Value of every parameter at each of the addresses."""
    response = Response(design, settings or Settings())
    x = np.stack([response.replay(unit, actuation, HOT).x for unit, actuation in ADDRESSES])
    return {name: x[:, column] for name, column in column_of(design).items()}


@pytest.mark.parametrize(
    ("old", "new", "moved"),
    [
        ('esr = "50 mohm"', 'esr = "50 mohm ±20 %"', {"storage.esr"}),
        ('transit_time = "2 ms"',
         'transit_time = { nominal = "2 ms", tolerance = { level = "actuation", sigma = "1 %" } }',
         {"harvester.transit_time"}),
        ('coil_resistance = "90 ohm ±5 %"', 'coil_resistance = "90 ohm"', {"harvester.coil_resistance"}),
        ('tolerance = { level = "actuation", sigma = "4 %", within = "±12 %" }', "", {"harvester.speed"}),
        ('change = "-2 % ±0.5 %"', 'change = "-2 %"', {"storage.capacitance"}),
        ('{ level = "lot", sigma = "2 %" }, ', "", {"storage.capacitance"}),
        ('current = "8 mA"', 'current = { nominal = "8 mA", tolerance = { level = "actuation", sigma = "5 %" } }',
         {"radio.listen.current"}),
        ('title = "Bolt reporter, test size"', 'title = "another"', set()),
        ("attempts = 2", "attempts = 5", set()),
        ('completion = "99 %"', 'completion = "90 %"', set()),
    ],
)  # fmt: skip
def test_adding_or_removing_a_tolerance_leaves_every_other_draw(old: str, new: str, moved: set[str]) -> None:
    before, after = values_at(small()), values_at(changed(old, new))
    assert before.keys() == after.keys()
    different = {name for name in before if not np.array_equal(before[name], after[name])}
    assert different == moved


def test_a_correlation_leaves_draws_outside_it() -> None:
    between = '\n[[correlation]]\nbetween = ["harvester.coil_resistance", "radio.boot.current"]\nrank = -0.6\n'
    before, after = values_at(small()), values_at(design_from_toml(SMALL + between))
    different = {name for name in before if not np.array_equal(before[name], after[name])}
    assert "radio.boot.current" in different
    assert different <= {"harvester.coil_resistance", "radio.boot.current"}


def test_the_link_is_drawn_apart_from_the_parts() -> None:
    # attempts, losses and outcomes of a design keep their draws when a part's tolerance goes
    def attempts(design: Design) -> np.ndarray:
        response = Response(design, Settings())
        base, scale = response.unit_base(np.arange(400), Condition(25.0, 0.0))
        rows = np.array([[u, u, k] for u in range(400) for k in range(5)])
        return run(response.kernel, base, scale, rows)[1][:, at.ATTEMPTS_USED]

    plain = attempts(small())
    assert 0 < (plain == 2).sum() < 100
    tighter = attempts(changed('coil_resistance = "90 ohm ±5 %"', 'coil_resistance = "90 ohm"'))
    np.testing.assert_array_equal(tighter, plain)
    lossier = attempts(changed('frame_loss = "1 %"', 'frame_loss = "5 %"'))
    assert set(np.flatnonzero(plain == 2)) < set(np.flatnonzero(lossier == 2))


def test_more_units_or_actuations_extend_fewer() -> None:
    # up to a hundred actuations stand in the list of the worst, margins to the bit
    response = Response(small(), Settings())
    few = run_block(response, HOT, np.arange(8), 3, None).tally.worst
    many = run_block(response, HOT, np.arange(16), 6, None).tally.worst
    assert len(few) == 24
    assert len(many) == 96
    inside = many[(many[:, 1] < 8) & (many[:, 2] < 3)]
    np.testing.assert_array_equal(inside, few)


def test_the_worked_out_completion_of_a_unit_does_not_depend_on_the_number_of_presses() -> None:
    one, many = block(small(), 16, actuations=1), block(small(), 16, actuations=7)
    np.testing.assert_equal(one["completion"], many["completion"])


# --- one stepper ------------------------------------------------------------------------------------------------------


def test_bits_of_g_are_those_of_the_opened_actuation() -> None:
    design = rich()
    result = yields(design, FEW)
    response = Response(design, FEW)
    base, scale = response.unit_base(np.arange(40), HOT)
    rows = np.array([[u, u, k] for u in range(40) for k in range(5)])
    values, codes = run(response.kernel, base, scale, rows)
    worst = result.addresses["worst"]
    assert len(worst) == 10
    for address in worst:
        row = address.unit * 5 + address.actuation
        opened = actuation(design, FEW, HOT, (address.unit, address.actuation))
        assert opened.voltage_margin_V == address.voltage_margin_V == values[row, at.VOLTAGE_MARGIN]
        assert opened.reserve_V == values[row, at.RESERVE]
        assert opened.outcome == address.outcome == response.outcome_names[int(codes[row, at.OUTCOME])]
    assert [a.voltage_margin_V for a in worst] == np.sort(values[:, at.VOLTAGE_MARGIN])[:10].tolist()
    # every actuation, not the worst alone; margins come from one run, curve and ledger from a second pass
    for row in range(0, 200, 9):
        opened = actuation(design, FEW, HOT, (int(rows[row, 1]), int(rows[row, 2])))
        assert opened.voltage_margin_V == values[row, at.VOLTAGE_MARGIN]

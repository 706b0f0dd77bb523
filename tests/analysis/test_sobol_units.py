"""Yield with units from scrambled Sobol' sets: the same truth as units drawn at random, in narrower bounds."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from yieldsim.analysis import line_shares
from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.alternates import for_each
from yieldsim.analysis.point_sets import whole_sets
from yieldsim.analysis.until import Until
from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.schema import Design
from yieldsim.engine import execution
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.population.scrambled import SCRAMBLES
from yieldsim.words.errors import InputError

UNFILLED = "16 Sobol' sets of a power of two of units each are needed"
OWN_LOT = "each unit of a Sobol' set comes from a lot of its own"
LOOKED_AT = "what is looked at on the way has valid bounds for units drawn at random alone"
FEW = Settings(units=256, actuations=2, threads=1)


def one_cell(design: Design, temperature: float = 60.0, age: float = 0.0) -> Design:
    return replace(design, conditions=replace(design.conditions, temperatures=(temperature,), ages=(age,)))


def aged(design: Design) -> Design:
    return replace(design, conditions=replace(design.conditions, temperatures=(60.0,), ages=(0.0, 10.0)))


def text(result: YieldResult) -> str:
    return json.dumps(result.as_json(), allow_nan=False)


@pytest.fixture(scope="module")
def found(small: Design) -> YieldResult:
    return yields(aged(small), FEW, points="sobol")


def test_agrees_with_units_drawn_at_random_in_narrower_bounds(small: Design) -> None:
    sure = replace(FEW, confidence=0.9999)
    mine, theirs = yields(aged(small), sure, points="sobol"), yields(aged(small), replace(sure, seed=5))
    for here, there in zip(mine.cells, theirs.cells, strict=True):
        for name in ("completion", "energy_sufficed", "unit_yield", "delivered"):
            a, b = getattr(here, name), getattr(there, name)
            # bounds of independent runs at 99.99 %, 16 comparisons: they lie apart in less than one of 600
            assert a.low <= b.high
            assert b.low <= a.high
            assert a.low <= a.value <= a.high
        # several per cent fail, and 512 actuations leave far more open than lines through 256 units
        a, b = here.completion, there.completion
        assert a.high - a.low < 0.2 * (b.high - b.low)
    assert mine.joint is not None
    assert theirs.joint is not None
    assert mine.joint.low <= theirs.joint.high
    assert theirs.joint.low <= mine.joint.high


def test_the_point_set_and_the_methods_are_told(found: YieldResult) -> None:
    answer = json.loads(text(found))
    assert answer["points"] == {"kind": "sobol", "scrambles": 16, "points_each": 16}
    assert answer["settings"]["points"] == "sobol"
    for cell in answer["cells"]:
        assert "16 scrambled Sobol' sets of 16" in cell["method"]
        assert "scrambles" in cell["completion_method"]
        assert "integrated" in cell["completion_method"]
        assert "scrambles" in cell["unit_yield_method"]
        assert cell["actuations"] == 256 * 2
    assert "Sobol' sets" in found.method


def test_units_drawn_at_random_are_told_too_and_are_as_before(small: Design) -> None:
    few = replace(FEW, units=16)
    plain = json.loads(text(yields(one_cell(small), few)))
    assert plain["points"] == {"kind": "random", "scrambles": None, "points_each": None}
    assert "points" not in plain["settings"]
    assert "completion_method" not in plain["cells"][0]
    assert plain == json.loads(text(yields(one_cell(small), few, points="random")))


def test_threads_and_blocks_change_nothing(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    bare = replace(one_cell(small), requirement=None, deratings=())
    whole = text(yields(bare, FEW, points="sobol"))
    monkeypatch.setattr(execution, "BLOCK", 64)  # four blocks
    assert text(yields(bare, FEW, points="sobol")) == whole
    one, two = (text(yields(one_cell(small), replace(FEW, threads=n), points="sobol")) for n in (1, 2))
    assert one == two
    # negative control: another seed is another answer
    assert text(yields(bare, replace(FEW, seed=9), points="sobol")) != whole


def test_more_units_extend_fewer(small: Design) -> None:
    few, many = (Response(small, replace(FEW, units=n), "sobol").population for n in (256, 512))
    units = np.arange(256)
    np.testing.assert_array_equal(few.unit_deviations(units), many.unit_deviations(units))


def test_addresses_open_to_the_same_bits(small: Design, found: YieldResult) -> None:
    for kind in ("worst", "nearest the edge", "median failing"):
        a = found.addresses[kind][0]
        place = Condition(a.temperature_degC, a.age_yr)
        opened = actuation(small, Settings(), place, (a.unit, a.actuation), points="sobol")
        assert (opened.voltage_margin_V, opened.outcome) == (a.voltage_margin_V, a.outcome)
        # negative control: the unit of that number drawn at random is another one
        assert actuation(small, Settings(), place, (a.unit, a.actuation)).voltage_margin_V != a.voltage_margin_V


def test_completion_needs_no_requirement(small: Design) -> None:
    bare = replace(one_cell(small), requirement=None, deratings=())
    cell, with_one = (yields(d, FEW, points="sobol").cells[0] for d in (bare, one_cell(small)))
    assert cell.completion == with_one.completion
    assert cell.unit_yield is None


def test_convergence_is_over_the_first_points_of_every_scramble(small: Design) -> None:
    result = yields(one_cell(small), FEW, points="sobol", convergence=True)
    completion, complying = result.convergence
    assert completion.efforts == complying.efforts == (16, 32, 64, 128, 256)
    cell = result.cells[0]
    assert (completion.value[-1], completion.low[-1], completion.high[-1]) == (
        cell.completion.value,
        cell.completion.low,
        cell.completion.high,
    )
    assert result.joint is not None
    assert (complying.value[-1], complying.low[-1]) == (result.joint.value, result.joint.low)


def test_actuations_that_contradict_the_lines_are_believed(small: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scan that sees no failure anywhere, as one too coarse would: the actuations that were run know better."""
    monkeypatch.setattr("yieldsim.engine.lines.pivot_probability", lambda _, n, **__: (np.ones(n), np.ones(n)))
    design = replace(one_cell(small, 85.0, 10.0), requirement=None, deratings=())
    result = yields(design, replace(FEW, units=1024), points="sobol")
    (cell,) = result.cells
    assert line_shares.DISAGREED in cell.completion.method
    assert cell.completion.value == pytest.approx(cell.outcomes["complete"], abs=1e-12)
    assert result.provenance.warnings[-1] == (
        "at 85 degC, 10 yr the integrated share contradicts the actuations that were run; theirs is given"
    )


def test_alternates_are_run_on_points_too(small: Design) -> None:
    result = for_each(one_cell(small), FEW, points="sobol")
    assert [source.yields.points.kind for source in result.sources] == ["sobol"]


@pytest.mark.parametrize(
    ("more", "until", "points", "message"),
    [
        ({}, None, "halton", 'points = halton: units do not come from there; use "random" or "sobol"'),
        ({"units": 3072}, None, "sobol", f"units = 3072: {UNFILLED}; use 2048 or 4096"),
        ({"units": 2}, None, "sobol", f"units = 2: {UNFILLED}; use 256"),
        ({"lots": 4}, None, "sobol", f"lots = 4: {OWN_LOT}; leave --lots out, or use --points random"),
        (
            {},
            Until(decided=True),
            "sobol",
            f"points = sobol: {LOOKED_AT}; leave --until-... out, or use --points random",
        ),
    ],
)
def test_bad_combinations_are_one_error_with_the_remedy(
    small: Design, more: dict[str, Any], until: Until | None, points: str, message: str
) -> None:
    with pytest.raises(InputError) as error:
        yields(small, replace(FEW, **more), until=until, points=points)
    assert str(error.value) == message


@pytest.mark.parametrize(("units", "filled"), [(1, 256), (256, 256), (257, 512), (4096, 4096), (5000, 8192)])
def test_whole_sets(units: int, filled: int) -> None:
    assert whole_sets(units) == filled
    assert filled % SCRAMBLES == 0

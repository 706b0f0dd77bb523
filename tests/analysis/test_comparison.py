"""Comparison: the same draws in both, exact counts, and what cannot be compared."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.comparison import ComparisonResult, compare
from yieldsim.analysis.comparisons.differing import Differing, differing
from yieldsim.analysis.comparisons.matching import matched
from yieldsim.analysis.yields import YieldResult, yields
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.pairs import merge_pairs, run_pair
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.words.errors import InputError

FEW = Settings(units=48, actuations=6, threads=1)
HOT = Condition(60.0, 10.0)


def with_nominal(design: Design, name: str, nominal: float) -> Design:
    return design.with_parameter(replace(design.parameters[name], nominal=nominal))


def in_cells(design: Design, temperatures: tuple[float, ...], ages: tuple[float, ...] = (10.0,)) -> Design:
    return replace(design, conditions=replace(design.conditions, temperatures=temperatures, ages=ages))


@pytest.fixture(scope="module")
def hot(small: Design) -> Design:
    return in_cells(small, (60.0,))


@pytest.fixture(scope="module")
def smaller(hot: Design) -> Design:
    return with_nominal(hot, "storage.capacitance", 28e-6)


@pytest.fixture(scope="module")
def told(hot: Design, smaller: Design) -> ComparisonResult:
    return compare(hot, smaller, FEW)


@pytest.fixture(scope="module")
def alone(hot: Design, smaller: Design) -> tuple[YieldResult, YieldResult]:
    return yields(hot, FEW), yields(smaller, FEW)


def test_either_side_says_what_it_says_alone(told: ComparisonResult, alone: tuple[YieldResult, YieldResult]) -> None:
    # the same draws by another way through the program, equal but for the rounding of thirds: units one by one here,
    # tables of frequencies there
    pairs = [(told.unit_yield.a, alone[0].joint), (told.unit_yield.b, alone[1].joint)]
    for cell, *own in zip(told.cells, alone[0].cells, alone[1].cells, strict=True):
        for which, one in zip(("a", "b"), own, strict=True):
            for name in ("completion", "energy_sufficed", "unit_yield"):
                pairs.append((getattr(getattr(cell, name), which), getattr(one, name)))
    for here, there in pairs:
        assert here.method == there.method
        assert (here.value, here.low, here.high) == pytest.approx((there.value, there.low, there.high), abs=1e-12)


def test_what_changed_sides_adds_up_to_the_difference(told: ComparisonResult) -> None:
    for cell in told.cells:
        made = told.units * told.actuations
        assert cell.completion.difference.value == pytest.approx((cell.gained - cell.lost) / made, abs=1e-12)
        assert cell.gained + cell.lost == sum(change.actuations for change in cell.outcome_changes)
        for change in cell.outcome_changes:
            assert (change.outcome_a == "complete") != (change.outcome_b == "complete")
        changes = cell.unit_changes
        assert changes.both + changes.neither + changes.only_a + changes.only_b == told.units


def test_an_actuation_that_changed_sides_ends_so_when_it_is_opened(
    told: ComparisonResult, hot: Design, smaller: Design
) -> None:
    assert told.gained or told.lost
    for one in (*told.gained[:2], *told.lost[:2]):
        place = Condition(one.temperature_degC, one.age_yr)
        for design, outcome, margin in (
            (hot, one.outcome_a, one.voltage_margin_a_V),
            (smaller, one.outcome_b, one.voltage_margin_b_V),
        ):
            opened = actuation(design, FEW, place, (one.unit, one.actuation))
            assert (opened.outcome, opened.voltage_margin_V) == (outcome, margin)


def test_the_other_way_round_signs_and_sides_change(told: ComparisonResult, hot: Design, smaller: Design) -> None:
    turned = compare(smaller, hot, FEW)
    assert {told.word, turned.word} in ({"better", "worse"}, {"no difference shown"})
    pairs = [(told.completion, turned.completion), (told.unit_yield, turned.unit_yield)]
    for one, other in pairs:
        assert other.difference.value == pytest.approx(-one.difference.value, abs=1e-12)
        assert other.difference.low == pytest.approx(-one.difference.high, abs=1e-7)
        assert other.apart.low == pytest.approx(-one.apart.high, abs=1e-12)
    assert [c.gained for c in turned.cells] == [c.lost for c in told.cells]
    assert {(x.unit, x.actuation) for x in turned.gained} == {(x.unit, x.actuation) for x in told.lost}


def test_a_design_does_not_differ_from_itself(hot: Design) -> None:
    same = compare(hot, replace(hot, title="Another name"), FEW)
    assert same.word == "the same"
    assert same.differing == same.gained == same.lost == same.independent == ()
    for d in (same.completion, same.energy_sufficed, same.unit_yield, same.cells[0].completion):
        assert (d.difference.value, d.difference.low, d.difference.high, d.word) == (0.0, 0.0, 0.0, "the same")
        assert d.a == d.b
        assert d.apart.low < 0.0 < d.apart.high
    assert same.cells[0].unit_changes.only_a == same.cells[0].unit_changes.only_b == 0


def test_without_losses_on_the_link_no_actuation_gets_worse(hot: Design) -> None:
    # a lost frame costs a second transmission: with the same draws, none lost can never be worse
    lossless = with_nominal(with_nominal(hot, "link.frame_loss", 0.0), "link.acknowledgement_loss", 0.0)
    lossy = with_nominal(hot, "link.frame_loss", 0.3)
    found = compare(lossy, lossless, FEW)
    assert found.lost == ()
    assert found.cells[0].lost == 0
    assert found.cells[0].gained > 0
    assert found.word == "better"
    assert found.reason.startswith("With B at least ")


def test_pairs_are_known_better_than_runs_apart(hot: Design) -> None:
    # a slight change: few units move, while both shares spread over units as before
    found = compare(hot, with_nominal(hot, "storage.esr", 0.1), replace(FEW, units=160, actuations=2))
    assert found.unit_yield is not None
    paired, apart = found.unit_yield.difference, found.unit_yield.apart
    assert paired.high - paired.low < 0.7 * (apart.high - apart.low)


def test_neither_threads_nor_blocks_change_a_bit(
    told: ComparisonResult, hot: Design, smaller: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("yieldsim.engine.rows.ROWS_AT_A_TIME", 36)
    again = compare(hot, smaller, replace(FEW, threads=2))
    assert json.dumps(again.as_json()) == json.dumps(told.as_json())


def test_blocks_of_pairs_merge(hot: Design, smaller: Design) -> None:
    a, b = Response(hot, FEW), Response(smaller, FEW)
    whole = run_pair(a, b, HOT, np.arange(12), 3)
    parts = merge_pairs([run_pair(a, b, HOT, np.arange(k, k + 4), 3) for k in (0, 4, 8)])
    assert np.array_equal(whole.completed, parts.completed)
    assert np.array_equal(whole.sufficed, parts.sufficed)
    assert whole.changes == parts.changes
    assert np.array_equal(whole.gained, parts.gained)
    with pytest.raises(ValueError, match="different actuations"):
        whole.merged(run_pair(a, b, HOT, np.arange(2), 2))


def test_lots_and_a_design_without_a_requirement(hot: Design, smaller: Design) -> None:
    bare = compare(replace(hot, requirement=None), replace(smaller, requirement=None), replace(FEW, lots=6))
    assert bare.decides == "completion"
    assert bare.unit_yield is None
    assert bare.cells[0].unit_changes is None
    assert bare.word == "no difference shown"  # six lots show next to nothing
    assert bare.completion.difference.high - bare.completion.difference.low > 0.5


def test_over_the_mission_the_life_of_a_unit_counts(small: Design) -> None:
    over = replace(small, requirement=replace(small.requirement, applies_to="over the mission"))
    other = with_nominal(over, "storage.capacitance", 28e-6)
    settings = replace(FEW, units=16, actuations=2)
    found = compare(over, other, settings)
    assert found.scope == "over the mission"
    assert (found.unit_yield.a, found.unit_yield.b) == (yields(over, settings).joint, yields(other, settings).joint)


# --- what differs -----------------------------------------------------------------------------------------------------


def test_what_the_files_say_differently_is_listed(small: Design) -> None:
    esr = replace(small.parameters["storage.esr"], tolerances=(Tolerance("unit", "uniform", True, -0.2, 0.2),))
    other = with_nominal(small.with_parameter(esr), "storage.capacitance", 47e-6)
    other = replace(other, link=replace(other.link, attempts=3))
    assert sorted(differing(small, other), key=lambda row: row.name) == [
        Differing("link.attempts", "setting", "2 in all", "3 in all"),
        Differing("storage.capacitance", "nominal", "33 uF", "47 uF"),
        Differing("storage.esr", "tolerance", "", "unit: uniform, within ±20 %"),
    ]


def test_notes_and_titles_are_no_difference(small: Design) -> None:
    named = small.with_parameter(replace(small.parameters["storage.capacitance"], note="third lot", basis="measured"))
    assert differing(small, replace(named, title="Renamed")) == ()


def test_measured_values_that_read_alike_are_told(small: Design) -> None:
    def measured(*values: float) -> Design:
        shape = Tolerance("unit", "measured", True, values=values, file="lot.csv", column="C", sample_size=len(values))
        return small.with_parameter(replace(small.parameters["storage.esr"], tolerances=(shape,)))

    found = differing(measured(-0.1, 0.0, 0.1), measured(-0.1, 0.05, 0.1))
    assert found == (Differing("storage.esr", "values", "its own", "its own"),)


def test_what_one_file_alone_draws_is_named(hot: Design) -> None:
    esr = replace(hot.parameters["storage.esr"], tolerances=(Tolerance("unit", "uniform", True, -0.2, 0.2),))
    found = compare(hot, hot.with_parameter(esr), replace(FEW, units=8, actuations=2))
    assert found.independent == ("storage.esr (unit)",)


# --- what cannot be compared ------------------------------------------------------------------------------------------


def test_conditions_that_both_have_are_compared(small: Design) -> None:
    found = matched(in_cells(small, (25.0, 60.0)), in_cells(small, (60.0, -10.0)), FEW)
    assert found.conditions == (HOT,)
    assert found.scope == "in the one condition of both"
    assert found.notes == (
        "compared where both files have a condition; only A has 25 degC at 10 yr",
        "compared where both files have a condition; only B has -10 degC at 10 yr",
    )


def test_requirements_that_differ_are_refused(small: Design) -> None:
    other = replace(small, source=None, requirement=replace(small.requirement, completion=0.999, unit_yield=None))
    with pytest.raises(InputError) as error:
        matched(small, other, FEW)
    assert str(error.value).splitlines() == [
        "requirement.completion = 99.9 %: A requires 99 %; two files are compared by one requirement; "
        "write the same requirement.completion into both, or leave it out of both",
        "requirement.unit_yield = none: A requires 90 %; two files are compared by one requirement; "
        "write the same requirement.unit_yield into both, or leave it out of both",
    ]


def test_files_without_a_condition_in_common_are_refused(small: Design) -> None:
    with pytest.raises(InputError) as error:
        matched(in_cells(small, (25.0,)), replace(in_cells(small, (60.0,)), source=None), FEW)
    assert str(error.value) == (
        "conditions: it has no condition (temperature and age) in common with A; "
        "give both files one temperature and age alike"
    )


def test_other_lives_are_refused_where_the_life_counts(small: Design) -> None:
    over = replace(small, requirement=replace(small.requirement, applies_to="over the mission"))
    longer = replace(over, source=None, conditions=replace(over.conditions, service_life=12.0))
    with pytest.raises(InputError) as error:
        matched(over, longer, FEW)
    assert str(error.value) == (
        "conditions.service_life: it differs from A's, and the requirement applies over the mission; "
        "give both files the same service_life, or require it in every condition"
    )


def test_the_higher_confidence_of_two_is_used(small: Design) -> None:
    surer = replace(small, requirement=replace(small.requirement, confidence=0.99))
    found = matched(small, surer, FEW)
    assert found.confidence == 0.99
    assert found.notes == ("the requirements differ in their confidence; the higher, 99 %, is used",)

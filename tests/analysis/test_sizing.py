"""Sizing of the small design: what is ruled out, chosen and shown, against plain runs and designed cases."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.sizes.map import MapResult, most_central, size_map
from yieldsim.analysis.sizes.runs import judge_design, look_at
from yieldsim.analysis.sizing import NOTHING, Range, SizeResult, fresh_seed, size
from yieldsim.analysis.yields import yields
from yieldsim.design.preferred import preferred_values
from yieldsim.design.schema import Derating, Design
from yieldsim.design.variation import Candidate, Tie
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.words.errors import InputError

CAPACITANCE = "storage.capacitance"
FEW = Settings(units=64, actuations=8, threads=1)


@pytest.fixture(scope="session")
def sized(small: Design) -> SizeResult:
    return size(small, FEW, CAPACITANCE, Range(low=12e-6, high=50e-6))


@pytest.fixture(scope="session")
def mapped(small: Design) -> MapResult:
    scans = (Range(low=14e-6, high=40e-6, points=3, series="E6"), Range(low=10, high=40, points=3))
    return size_map(small, FEW, (CAPACITANCE, "radio.transmit.octets"), scans)


def test_a_preferred_value_inside_the_window_is_shown(sized: SizeResult) -> None:
    assert sized.word == "met"
    assert sized.choice in preferred_values("E12", 12e-6, 50e-6)
    assert sized.window is not None
    assert sized.choice in sized.window.shown
    # the design as it is, 33 uF, fails
    assert next(s for s in sized.scanned if s.value == 33e-6).look.ruled_out == "unit yield"
    assert sized.window.above is not None
    assert sized.choice < sized.window.above <= 33e-6


def test_the_whole_answer_is_json_and_names_its_parts(sized: SizeResult) -> None:
    answer = json.loads(json.dumps(sized.as_json(), allow_nan=False))
    assert answer["command"] == "size"
    assert answer["choice"]["value"] == sized.choice
    assert [row["value"] for row in answer["scan"]] == [s.value for s in sized.scanned]
    assert answer["judgements"][0]["seed"] == answer["confirm_seed"] == fresh_seed(FEW.seed) != FEW.seed


def test_what_is_shown_is_what_a_plain_run_of_that_seed_says(small: Design, sized: SizeResult) -> None:
    first = sized.judgements[0]
    assert first.value == sized.choice
    plain = yields(small.with_nominal(CAPACITANCE, first.value), replace(FEW, seed=first.seed, actuations=1))
    assert plain.joint is not None
    assert first.unit_yield == plain.joint
    assert first.confidence == sized.confidence == plain.confidence


def test_values_see_the_same_units(small: Design) -> None:
    """Common random numbers: a capacitance twice as large is twice as large in every unit, all else is equal."""
    place = column_of(small)[CAPACITANCE]
    condition, units = Condition(60.0, 10.0), np.arange(32)
    a, b = (Response(small.with_nominal(CAPACITANCE, c), FEW).unit_base(units, condition)[0] for c in (16.5e-6, 33e-6))
    assert np.allclose(2.0 * a[:, place], b[:, place], rtol=1e-12)
    others = np.arange(a.shape[1]) != place
    assert np.array_equal(a[:, others], b[:, others])


def test_the_answer_does_not_depend_on_threads(small: Design, sized: SizeResult) -> None:
    again = size(small, replace(FEW, threads=2), CAPACITANCE, Range(low=12e-6, high=50e-6))
    assert again.payload() == sized.payload()


def test_no_feasible_window_is_said_with_the_best_value(small: Design) -> None:
    """Designed: small stores break the rule, large ones lack the voltage, and no store does neither.

    Nominal peaks are 5.5 V with 15 uF, 3.2 V with 33 uF, of which few units comply, and 2.4 V with 47 uF, with which
    the nominal actuation fails at 60 degC; a rule at 30 % of 10 V therefore leaves nothing.
    """
    strict = replace(small, deratings=(Derating("store.voltage", 0.3, 0.9),))
    result = size(strict, FEW, CAPACITANCE, Range(low=10e-6, high=100e-6, series="E6"))
    assert result.word == NOTHING
    assert (result.choice, result.judgements, result.windows) == (None, (), ())
    reasons = [s.look.ruled_out for s in result.scanned]
    assert set(reasons) == {"store.voltage", "unit yield"}
    assert reasons[0] == "store.voltage"
    assert reasons[-1] == "unit yield"
    assert result.best.look.score == max(s.look.score for s in result.scanned)
    # the gaps beside the best value are looked into before it is said
    assert len(result.scanned) > len(preferred_values("E6", 10e-6, 100e-6)) + 1


def test_a_single_value_that_breaks_a_rule_is_not_asked_for_its_units(small: Design) -> None:
    strict = replace(small, deratings=(Derating("store.voltage", 0.2, 0.9),))
    found = judge_design(strict, 33e-6, FEW, 0.95, Inline())
    assert (found.verdict.word, found.units, found.unit_yield, found.plain_units) == ("not met", 0, None, None)


def test_a_look_is_taken_where_the_nominal_margin_is_least(small: Design) -> None:
    look = look_at(small, FEW, 0.95, 0.99)
    response = Response(small, FEW)
    cells = [Condition(t, a) for a in small.conditions.ages for t in small.conditions.temperatures]
    hardest = min(cells, key=lambda c: response.respond_at({}, c).values[at.VOLTAGE_MARGIN])
    assert (look.temperature_degC, look.age_yr) == (hardest.temperature, hardest.age)
    for rule in look.deratings:
        assert rule.of == "radio.voltage" or rule.temperature_degC == 25.0  # cold magnets give the higher peaks
    assert look.unit_yield is not None
    assert look.unit_yield.low <= look.unit_yield.value <= look.unit_yield.high
    assert look.margin.low <= look.margin.value <= look.margin.high


def test_a_requirement_over_the_mission_is_looked_at_over_the_mission(small: Design) -> None:
    assert small.requirement is not None
    life = replace(small, requirement=replace(small.requirement, applies_to="over the mission"))
    look = look_at(life, FEW, 0.95, 0.99)
    plain = yields(life, replace(FEW, actuations=1))
    assert look.unit_yield == plain.joint


def test_octets_are_whole_and_fewer_are_easier(small: Design) -> None:
    lighter = small.with_nominal(CAPACITANCE, 22e-6)
    result = size(lighter, FEW, "radio.transmit.octets", Range(low=5, high=60, points=4, confirm=False))
    assert all(s.value == round(s.value) for s in result.scanned)
    assert (result.word, result.judgements) == ("undecided", ())
    assert result.choice is not None
    margins = [s.look.margin.value for s in result.scanned if s.look.units == result.scan_units]
    assert margins == sorted(margins, reverse=True)


def test_candidates_are_chosen_among_themselves_and_carry_their_numbers(small: Design) -> None:
    parts = tuple(
        Candidate(name, ((CAPACITANCE, c), ("storage.voltage_rating", rating)))
        for name, c, rating in (("A", 18e-6, 25.0), ("B", 47e-6, 10.0))
    )
    result = size(small, FEW, CAPACITANCE, Range(candidates=parts))
    assert [s.label for s in result.scanned] == ["A", "B"]
    assert result.chosen is not None
    assert (result.chosen.label, result.word) == ("A", "met")
    assert result.chosen.changes == {CAPACITANCE: 18e-6, "storage.voltage_rating": 25.0}
    with pytest.raises(InputError, match="two candidates have one value"):
        size(small, FEW, "storage.voltage_rating", Range(candidates=(parts[0], parts[0])))


def test_ties_reach_every_value(small: Design) -> None:
    scan = Range(low=15e-6, high=33e-6, series="E3", ties=(Tie("storage.esr", -1.0),), confirm=False)
    result = size(small, FEW, CAPACITANCE, scan)
    for s in result.scanned:
        assert s.changes["storage.esr"] == pytest.approx(50e-3 * 33e-6 / s.value)


def test_values_that_make_the_design_impossible_are_told(small: Design) -> None:
    clamped = small.with_nominal("storage.initial_voltage", 0.0)
    scan = Range(low=-1.0, high=2.0, points=4, confirm=False)
    result = size(clamped, FEW, "storage.initial_voltage", scan)
    assert [v for v, _ in result.refused] == [-1.0]
    assert "storage.initial_voltage" in result.refused[0][1]
    assert min(s.value for s in result.scanned) >= 0.0 or all(s.value != -1.0 for s in result.scanned)


@pytest.mark.parametrize(
    ("key", "scan", "said"),
    [
        (CAPACITANCE, Range(low=2e-5, high=1e-5), "it does not rise"),
        (CAPACITANCE, Range(points=1), "use 2 to 60"),
        ("storage.initial_voltage", Range(), "give --from and --to"),
        (CAPACITANCE, Range(low=34e-6, high=38e-6, points=2, series="E77"), "no such series"),
        ("storage.nothing", Range(), "no number of the design has this name"),
    ],
)
def test_ranges_without_sense_are_refused(small: Design, key: str, scan: Range, said: str) -> None:
    with pytest.raises(InputError) as error:
        size(small, FEW, key, scan)
    assert said in str(error.value)


def test_a_design_without_a_requirement_cannot_be_sized(small: Design) -> None:
    bare = replace(small, requirement=None, deratings=())
    with pytest.raises(InputError, match="nothing is required"):
        size(bare, FEW, CAPACITANCE)


def test_a_map_holds_every_pair_and_confirms_one_inside(mapped: MapResult) -> None:
    assert len(mapped.looks) == len(mapped.first_values) * len(mapped.second_values)
    assert mapped.word == "met"
    assert mapped.choice is not None
    i, j = mapped.first_values.index(mapped.choice[0]), mapped.second_values.index(mapped.choice[1])
    look = mapped.look(i, j)
    assert look is not None
    assert look.ruled_out is None
    # more octets on a larger store are harder: the far corner is out, the near one is not
    corner = mapped.look(len(mapped.first_values) - 1, len(mapped.second_values) - 1)
    assert corner is not None
    assert corner.ruled_out == "unit yield"
    json.dumps(mapped.as_json(), allow_nan=False)


def test_a_pair_of_the_map_is_the_look_at_that_pair(small: Design, mapped: MapResult) -> None:
    from yieldsim.design.variation import with_values

    a, b = mapped.first_values[0], mapped.second_values[-1]
    there = with_values(small, {CAPACITANCE: a, "radio.transmit.octets": b})
    family = 1.0 - (1.0 - mapped.confidence) / mapped.tested
    assert mapped.look(0, len(mapped.second_values) - 1) == look_at(
        there, replace(FEW, units=mapped.scan_units, actuations=mapped.scan_actuations), mapped.confidence, family
    )


def test_a_map_of_one_number_twice_is_refused(small: Design) -> None:
    with pytest.raises(InputError, match="one number twice"):
        size_map(small, FEW, (CAPACITANCE, CAPACITANCE))


def test_the_most_central_pair_is_farthest_from_what_is_ruled_out_and_from_the_border(mapped: MapResult) -> None:
    good = next(look for look in mapped.looks if look is not None and look.ruled_out is None and look.score >= 0.0)
    bad = replace(good, ruled_out="unit yield")
    grid = [[good] * 5 for _ in range(5)]
    sold = [[True] * 5 for _ in range(5)]
    assert most_central(grid, sold) == (2, 2)
    grid[2][2] = bad
    assert most_central(grid, sold) in {(1, 1), (1, 3), (3, 1), (3, 3)}
    assert most_central([[bad]], [[True]]) is None
    sold[2] = [False] * 5
    assert most_central([[good] * 5 for _ in range(5)], sold) != (2, 2)

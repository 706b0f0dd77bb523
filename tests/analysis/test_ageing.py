"""Lives of whole designs: closed-form drift, laws switched off, missions, fleets, the grid of ages."""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.analysis.ageing import LifeResult, life
from yieldsim.analysis.lives.ages import ages_until, horizon_of
from yieldsim.analysis.lives.laws import ALL, answering_for, dearest, reserves, without_each_law
from yieldsim.analysis.lives.units import capped, lost_by_the_link, mixed_completion
from yieldsim.analysis.yields import YieldResult
from yieldsim.design.parameter import AgeingLaw, Parameter
from yieldsim.design.schema import Correlation, Design, Site
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.unit_completion import Sampling, UnitCompletion
from yieldsim.words.errors import InputError

FEW = Settings(units=16, actuations=2, threads=1)


@pytest.fixture(scope="module")
def lived(small: Design) -> LifeResult:
    return life(small, FEW, ages=4, nodes=100)


def with_law(design: Design, name: str, *laws: AgeingLaw) -> Design:
    return design.with_parameter(replace(design.parameters[name], ageing=laws))


def change(name: str, value: float) -> Parameter:
    return Parameter(f"{name}.ageing.change", "factor", value)


def bare(design: Design) -> Design:
    """Nothing but the press and the link differs from unit to unit, and no acknowledgement has a latency of its own."""
    design = replace(design, correlations=())
    for name in list(design.parameters):
        parameter = design.parameters.get(name)  # a coefficient goes with its owner's law
        if parameter is not None and (parameter.ageing or any(t.level != "actuation" for t in parameter.tolerances)):
            kept = tuple(t for t in parameter.tolerances if t.level == "actuation")
            design = design.with_parameter(replace(parameter, tolerances=kept, ageing=()))
    return design.with_nominal("radio.listen.spread", 0.0)


# --- against closed forms -------------------------------------------------------------------------------------


def test_units_fall_where_steady_drift_takes_them(small: Design) -> None:
    # A unit of emf e = E (1 + d) drifts as e (1 + c a). It falls below the requirement where e (1 + c a) passes the
    # emf e* at which a unit just complies, so at a* = (e* / e - 1) / c. e* is found with designs that do not age.
    name = "harvester.peak_emf"
    plain = bare(small)
    plain = replace(plain, conditions=replace(plain.conditions, temperatures=(25.0,), ages=(0.0, 10.0)))
    required, here = plain.requirement.completion, Condition(25.0, 0.0)

    def completion(emf: float) -> float:
        response = Response(plain.with_nominal(name, emf), FEW)
        found = run_block(response, here, np.arange(1), 1, required).completion
        assert found is not None
        assert found.sampling is None or found.sampling.standard_error[0] < 1e-12  # draws say the same
        return 0.5 * float(found.low[0] + found.high[0])

    low, high = 6.0, 14.0
    assert completion(low) < required <= completion(high)
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if completion(middle) >= required else (middle, high)
    drift = -0.01
    spread = next(t for t in small.parameters[name].tolerances if t.level == "unit")
    ageing = (AgeingLaw("per year", change(name, drift)),)
    design = plain.with_nominal(name, 1.1 * high)
    design = design.with_parameter(replace(design.parameters[name], tolerances=(spread,), ageing=ageing))
    found = life(design, Settings(units=120, actuations=1, threads=2), ages=6)
    deviations = Response(design, FEW).population.unit_deviations(np.arange(120))[:, 0]
    falls = (high / (1.1 * high * (1.0 + deviations)) - 1.0) / drift
    assert 0.1 < np.mean(falls < 10.0) < 0.9  # the test sees both kinds
    grid = np.array(found.ages_yr)
    expected = Counter(np.searchsorted(grid, falls).tolist())  # seen at the first age at or behind the fall
    counted = [point.first_falls for point in found.binding.points]
    # a unit whose fall is nearer to an age of the grid than the pivot's tolerance may be seen on either side
    near = np.min(np.abs(falls[:, None] - grid), axis=1) < 0.02
    for k, seen in enumerate(counted):
        assert abs((seen or 0) - expected[k]) <= near.sum()
    assert near.sum() < 8
    assert sum(seen or 0 for seen in counted) > 20
    b10 = next(one for one in found.binding.lives if one.share == 0.1)
    truth = np.quantile(falls, 0.1)
    assert b10.low <= truth <= b10.high
    assert b10.value == pytest.approx(truth, abs=np.diff(grid).max())


def test_a_law_off_is_the_unit_when_new(small: Design) -> None:
    # the one law of this design is per decade of hours from 1,000 h on, at which it changes nothing: without it, a unit
    # after ten years is the unit when new, to the bit
    (off,) = without_each_law(small)
    assert (off.parameter, off.law) == ("storage.capacitance", "per decade of hours")
    response = Response(small, FEW)
    units = np.arange(10)
    old = reserves(answering_for(response, off.design), Condition(25.0, 10.0), units, 3)
    new = reserves(response, Condition(25.0, 0.0), units, 3)
    assert np.array_equal(old, new)
    assert not np.array_equal(old, reserves(response, Condition(25.0, 10.0), units, 3))


def test_what_a_law_costs_is_what_ageing_took(small: Design, lived: LifeResult) -> None:
    (law,) = lived.laws
    curve = lived.curve("60 degC")
    assert lived.worst_temperature_degC == 60.0
    first, last = curve.points[0], curve.points[-1]
    assert first.completion is not None
    assert last.completion is not None
    assert law.completion.value == pytest.approx(first.completion.value - last.completion.value, abs=2e-4)
    assert law.completion.low <= law.completion.value <= law.completion.high
    response, units = Response(small, FEW), np.arange(16)
    means = [reserves(response, Condition(60.0, age), units, 2).mean() for age in (0.0, 10.0)]
    assert law.reserve is not None
    assert law.reserve.value == pytest.approx(means[0] - means[1])
    assert law.reserve.low < law.reserve.value < law.reserve.high
    assert law.reserve.value < 0.0  # a store that is too large: its ageing helps
    assert law.reserve_share == 1.0


def test_several_laws_are_switched_off_one_by_one_and_together(small: Design) -> None:
    emf = "harvester.peak_emf"
    laws = (AgeingLaw("per year", change(emf, -0.01)), AgeingLaw("table", years=(0.0, 10.0), factors=(1.0, 0.98)))
    design = with_law(small, emf, *laws)
    found = life(design, FEW, ages=2)
    named = {(law.parameter, law.law): law for law in found.laws}
    assert set(named) == {
        (emf, "per year"), (emf, "table"), ("storage.capacitance", "per decade of hours"), (ALL, "")
    }  # fmt: skip
    worst = dearest(found.laws)
    assert worst is not None
    assert (worst.parameter, worst.law) == (emf, "per year")  # -10 % of the emf against -2 %
    values = [law.reserve.value for law in found.laws if law.reserve is not None]
    assert values == sorted(values, reverse=True)
    assert dearest(()) is None


def test_a_correlated_coefficient_leaves_the_other_draws_alone(small: Design) -> None:
    pair = Correlation(("storage.capacitance.ageing.change", "regulator.output"), 0.8, "unit")
    design = replace(small, correlations=(*small.correlations, pair))
    (off,) = without_each_law(design)
    response = Response(design, FEW)
    units = np.arange(6)
    old = reserves(answering_for(response, off.design), Condition(25.0, 10.0), units, 2)
    assert np.array_equal(old, reserves(response, Condition(25.0, 0.0), units, 2))


def test_without_a_law_every_age_is_like_the_first(small: Design) -> None:
    found = life(with_law(small, "storage.capacitance"), FEW, ages=3)
    assert found.laws == ()
    assert any("no parameter has a law of ageing" in text for text in found.provenance.warnings)
    for curve in found.curves:
        values = {point.unit_yield.value for point in curve.points if point.unit_yield is not None}
        assert len(values) == 1
        assert sum(point.first_falls or 0 for point in curve.points[1:]) == 0


# --- beside the other commands --------------------------------------------------------------------------------


def test_stated_conditions_are_those_of_a_yield(small: Design, found: YieldResult) -> None:
    result = life(small, Settings(units=64, actuations=2, threads=1), ages=2)
    assert result.ages_yr == (0.0, 10.0)
    for cell in found.cells:
        curve = result.curve(f"{cell.temperature_degC:g} degC")
        point = next(p for p in curve.points if p.age_yr == cell.age_yr)
        assert point.unit_yield is not None
        assert cell.unit_yield is not None
        assert point.unit_yield.value == pytest.approx(cell.unit_yield.value, abs=1.0 / 64)
        assert point.completion is not None
        assert cell.completion.low <= point.completion.value <= cell.completion.high


def test_survivors_and_falls_add_up(lived: LifeResult) -> None:
    assert lived.curves[0].place == "every condition"
    assert lived.binding is lived.curves[0]
    for curve in lived.curves:
        assert curve.outliving is not None
        assert curve.below_when_new is not None
        first = curve.points[0]
        assert first.surviving is not None
        assert curve.below_when_new.value == pytest.approx(1.0 - first.surviving.value)
        assert sum(point.first_falls or 0 for point in curve.points) <= 16
        for a, b in pairwise(curve.points):
            assert a.surviving is not None
            assert b.surviving is not None
            assert b.surviving.value <= a.surviving.value
        assert [one.share for one in curve.lives] == [0.01, 0.1]  # the requirement allows 10 %, as B10 does
        assert len(curve.lives_energy) == 2
    # every condition is no kinder than any of them
    for curve in lived.temperatures:
        if curve.temperature_degC in (25.0, 60.0):
            assert lived.curves[0].outliving.value <= curve.outliving.value + 1e-9


def test_the_requirement_is_judged_by_who_outlives_the_horizon(small: Design, lived: LifeResult) -> None:
    assert lived.binding.outliving is not None
    (judged,) = lived.judged
    assert judged.reached == lived.binding.outliving
    assert lived.verdict.word == "not met"
    assert "keep to 99 % completion in every condition up to 10 yr" in lived.verdict.reason
    over = replace(small, requirement=replace(small.requirement, applies_to="over the mission"))
    mission = life(over, FEW, ages=2)
    assert mission.binding.place == "over the mission"
    assert mission.judged[0].reached == mission.binding.outliving


# --- missions and fleets --------------------------------------------------------------------------------------


def test_a_mission_mixes_its_temperatures(lived: LifeResult) -> None:
    # small.toml: 80 % at 25 degC, 20 % at 45 degC, which is no condition of its own
    mission, warm, hot = (lived.curve(place) for place in ("over the mission", "25 degC", "45 degC"))
    for k, point in enumerate(mission.points):
        a, b = warm.points[k].completion, hot.points[k].completion
        assert point.completion is not None
        assert a is not None
        assert b is not None
        assert point.completion.value == pytest.approx(0.8 * a.value + 0.2 * b.value, abs=1e-12)
        assert point.actuations == pytest.approx(20.0 * 365.0 * point.age_yr)


def test_units_of_a_site_live_there(small: Design) -> None:
    sites = (Site("hall", 0.5, ((25.0, 1.0),)), Site("yard", 0.5, ((60.0, 1.0),)))
    found = life(replace(small, conditions=replace(small.conditions, sites=sites)), FEW, ages=2)
    ends = [found.curve(place).points[-1].completion for place in ("60 degC", "over the mission", "25 degC")]
    values = [end.value for end in ends if end is not None]
    assert values == sorted(values)
    assert len(set(values)) == 3


def test_a_fleet_loses_what_its_units_do(small: Design, lived: LifeResult) -> None:
    fleet = lived.fleet
    assert fleet.reports_per_yr == 100 * 20 * 365
    ages = [one.age_yr for one in fleet.by_age]
    lost = [one.lost_share.value for one in fleet.by_age]
    assert fleet.lost_share.value == pytest.approx(np.trapezoid(lost, ages) / ages[-1], abs=1e-12)
    assert fleet.lost_per_yr is not None
    assert fleet.energy_lost_per_yr is not None
    assert fleet.lost_per_yr.value == pytest.approx(fleet.reports_per_yr * fleet.lost_share.value)
    assert fleet.lost_per_yr.low <= fleet.lost_per_yr.value <= fleet.lost_per_yr.high
    assert fleet.energy_lost_per_yr.value < fleet.lost_per_yr.value
    # both of two frames, or their acknowledgements, lost: (1 - 0.99 * 0.995)^2 of the reports, whatever the supply
    link = (1.0 - 0.99 * 0.995) ** 2
    assert fleet.lost_share.value >= link
    assert fleet.most is not None
    assert 0.0 <= fleet.most.units.low <= fleet.most.units.value <= fleet.most.units.high <= 1.0
    assert lost_by_the_link(Response(small, FEW), Condition(25.0, 0.0), np.arange(3)) == pytest.approx([link] * 3)


def test_reports_are_not_counted_where_their_number_is_not_stated(small: Design) -> None:
    found = life(replace(small, conditions=replace(small.conditions, actuations_per_day=None)), FEW, ages=2)
    assert found.fleet.reports_per_yr is None
    assert found.fleet.lost_per_yr is None
    assert found.fleet.lost_share.value > 0.0
    assert found.curves[0].points[-1].actuations is None
    assert found.as_json()["fleet"]["lost_reports_per_yr"] is None


def test_no_requirement_leaves_completion_alone(small: Design) -> None:
    found = life(replace(small, requirement=None), FEW, ages=2)
    assert found.verdict.word == "none"
    assert found.binding.place == "over the mission"
    for curve in found.curves:
        assert curve.lives == ()
        assert curve.outliving is None
        assert all(point.unit_yield is None for point in curve.points)
    assert found.curve("25 degC").points[0].completion is not None
    assert found.laws[0].unit_yield is None
    assert found.fleet.lost_per_yr is not None


def test_a_mixture_takes_the_draws_of_what_it_knows_least() -> None:
    n = 2
    few = UnitCompletion(np.full(n, 0.9), np.full(n, 0.9), Sampling(np.full(n, 0.01), np.full((2, n), 0.9), 4))
    many = UnitCompletion(
        np.full(n, 0.5), np.full(n, 0.5), Sampling(np.array([0.1, 0.001]), np.full((2, n), 0.5), 4, np.array([64, 64]))
    )
    mixed = mixed_completion([few, many], np.full((2, n), 0.5))
    assert mixed.low == pytest.approx([0.7, 0.7])
    assert mixed.sampling is not None
    assert mixed.sampling.counts.tolist() == [64, 4]


def test_a_cap_moves_the_halves_with_the_middle() -> None:
    units = UnitCompletion(np.array([0.9, 0.9]), np.array([1.0, 0.94]), Sampling(np.zeros(2), np.full((2, 2), 0.95), 4))
    found = capped(units, np.array([0.98, 0.98]))
    assert found.high == pytest.approx([0.98, 0.94])
    assert found.sampling is not None
    assert found.sampling.halves == pytest.approx(np.array([[0.94, 0.95], [0.94, 0.95]]))
    assert capped(units, np.array([0.0, 0.0])).high == pytest.approx([0.9, 0.9])  # a bracket stays one


# --- the same every time --------------------------------------------------------------------------------------


def test_threads_change_no_bit(small: Design, lived: LifeResult) -> None:
    told: list[tuple[int, int]] = []
    two = life(small, replace(FEW, threads=2), ages=4, nodes=100, progress=lambda done, of: told.append((done, of)))
    assert two == lived
    assert life(small, FEW, ages=4, nodes=100, over=Inline()) == lived
    assert told[-1][0] <= told[-1][1]
    assert [done for done, _ in told] == sorted(done for done, _ in told)


def test_lots_are_clusters(small: Design) -> None:
    alone, lots = (life(small, Settings(units=16, actuations=2, lots=n, threads=1), ages=2) for n in (None, 4))
    assert lots.judged[0].more_units is None
    a, b = alone.curve("60 degC").outliving, lots.curve("60 degC").outliving
    assert a is not None
    assert b is not None
    assert b.high - b.low > a.high - a.low


def test_the_answer_is_plain_json(lived: LifeResult) -> None:
    answer = json.loads(json.dumps(lived.as_json(), allow_nan=False))
    assert answer["command"] == "life"
    assert answer["ages_yr"] == list(lived.ages_yr)
    (b1, b10) = answer["curves"][0]["lives"]
    assert (b1["name"], b10["name"]) == ("B1", "B10")
    beyond = next(one for curve in answer["curves"] for one in curve["lives"] if one["beyond_horizon"])
    assert beyond["age_yr"] is None
    assert beyond["horizon_yr"] == 10.0
    assert answer["laws"][0]["reserve_cost_V"] == lived.laws[0].reserve.value


# --- ages -----------------------------------------------------------------------------------------------------


def test_ages_are_closer_where_ageing_is_fast(small: Design) -> None:
    grid = ages_until(small, 10.0, 9)
    assert grid[0] == 0.0
    assert grid[-1] == 10.0
    assert len(grid) == 9
    steps = np.diff(grid)
    assert steps[0] < 0.15 * steps[-1]
    even = ages_until(with_law(small, "storage.capacitance"), 8.0, 9)
    assert even == pytest.approx(np.arange(9.0))


@settings(max_examples=40)
@given(st.floats(1e-3, 200.0), st.integers(2, 40), st.lists(st.floats(0.0, 200.0), min_size=1, max_size=4, unique=True))
def test_ages_ascend_and_hold_what_is_stated(small: Design, horizon: float, count: int, stated: list[float]) -> None:
    design = replace(small, conditions=replace(small.conditions, ages=tuple(stated)))
    grid = ages_until(design, horizon, count)
    assert grid[0] == 0.0
    assert grid[-1] == horizon
    assert all(b > a for a, b in pairwise(grid))
    assert {a for a in stated if a <= horizon} <= set(grid)
    assert len(grid) == max(count, len({0.0, horizon, *(a for a in stated if a < horizon)}))


def test_the_last_age_is_the_service_life_or_the_one_asked_for(small: Design) -> None:
    assert horizon_of(small, None) == 10.0
    assert horizon_of(small, 3.0) == 3.0
    assert life(small, FEW, until=3.0, ages=2).ages_yr == (0.0, 3.0)


@pytest.mark.parametrize("until", [-1.0, 0.0, math.nan, math.inf, 1000.0])
def test_a_last_age_out_of_range_is_refused(small: Design, until: float) -> None:
    with pytest.raises(InputError, match=r"until|age"):
        life(small, FEW, until=until)


def test_other_bad_input_is_refused(small: Design) -> None:
    with pytest.raises(InputError, match="one age says nothing of ageing"):
        life(small, FEW, ages=1)
    with pytest.raises(InputError, match="use 2 to 200"):
        life(small, FEW, ages=201)
    with pytest.raises(InputError, match="a fleet has one node or more"):
        life(small, FEW, nodes=0)
    with pytest.raises(InputError, match="no age above 0 yr is stated"):
        life(replace(small, conditions=replace(small.conditions, ages=(0.0,), service_life=0.0)), FEW)
    fading = with_law(small, "harvester.peak_emf", AgeingLaw("per year", change("harvester.peak_emf", -0.05)))
    with pytest.raises(InputError, match=r"harvester\.peak_emf"):
        life(fading, FEW, until=30.0)

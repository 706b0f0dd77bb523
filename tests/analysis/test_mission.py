"""Which cells are run, and what each weighs in a life."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.mission import age_weights, life_weights, lifetime, plan_of
from yieldsim.design.schema import Design, Site
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.unit_yield import Sampling, UnitCompletion

CELLS = [(25.0, 0.0), (60.0, 0.0), (25.0, 10.0), (60.0, 10.0)]


def over(design: Design, **changes: object) -> Design:
    requirement = replace(design.requirement, applies_to="over the mission")
    return replace(design, requirement=requirement, conditions=replace(design.conditions, **changes))


def places(design: Design) -> list[tuple[float, float]]:
    return [(c.temperature, c.age) for c in plan_of(design).conditions]


def test_every_condition_runs_and_binds_temperatures_times_ages(small: Design) -> None:
    plan = plan_of(small)
    assert places(small) == CELLS
    assert plan.binding == (0, 1, 2, 3)
    assert plan.excursions == (False, True, False, True)  # the mission reaches 45 degC


def test_without_a_stated_mission_nothing_is_an_excursion(small: Design) -> None:
    bare = replace(small.conditions, mission=((25.0, 1.0),), mission_given=False)
    assert not any(plan_of(replace(small, conditions=bare)).excursions)


def test_the_mission_brings_its_own_cells(small: Design) -> None:
    assert places(over(small)) == [
        (25.0, 0.0),
        (45.0, 0.0),
        (60.0, 0.0),
        (25.0, 10.0),
        (45.0, 10.0),
        (60.0, 10.0),
    ]
    # neither the beginning nor the end of the life is among the ages
    added = places(over(small, ages=(4.0,), service_life=8.0, temperatures=(25.0,)))
    assert [a for t, a in added if t == 25.0] == [0.0, 4.0, 8.0]


@pytest.mark.parametrize("ages", [[0.0], [0.0, 10.0], [0.0, 1.0, 4.0, 12.0]])
def test_age_weights_are_the_trapezoidal_rule(ages: list[float]) -> None:
    weights = age_weights(ages)
    assert weights.sum() == pytest.approx(1.0, abs=1e-15)
    y = np.cos(np.array(ages))
    mean = np.trapezoid(y, ages) / ages[-1] if len(ages) > 1 else y[0]
    assert weights @ y == pytest.approx(mean, abs=1e-14)


def test_a_life_weighs_mission_shares_and_years(small: Design) -> None:
    design = over(small)
    plan = plan_of(design)
    weights = life_weights(Response(design, Settings()), plan, np.arange(3))
    by_place = dict(zip(places(design), weights[:, 0], strict=True))
    assert by_place[25.0, 0.0] == pytest.approx(0.8 * 0.5)
    assert by_place[45.0, 10.0] == pytest.approx(0.2 * 0.5)
    assert by_place[60.0, 10.0] == 0.0
    assert np.allclose(weights.sum(axis=0), 1.0)


def test_each_unit_lives_at_its_own_site(small: Design) -> None:
    sites = (Site("hall", 0.5, ((25.0, 1.0),)), Site("yard", 0.5, ((45.0, 1.0),)))
    design = over(small, sites=sites)
    response = Response(design, Settings())
    units = np.arange(200)
    weights = life_weights(response, plan_of(design), units)
    hot = np.array([t == 45.0 for t, _ in places(design)])
    assert np.array_equal(weights[hot].sum(axis=0) > 0.5, response.site_of(units) == 1)
    assert 40 < int((response.site_of(units) == 1).sum()) < 160


def test_errors_of_a_life_add_up() -> None:
    def cell(low: float, error: float) -> UnitCompletion:
        return UnitCompletion(np.array([low]), np.array([low]), Sampling(np.array([error]), np.full((2, 1), low), 4))

    life = lifetime([cell(1.0, 0.02), cell(0.5, 0.06)], np.array([[0.75], [0.25]]))
    assert life.low[0] == pytest.approx(0.875)
    assert life.sampling is not None
    # the cells share their draws: an uncorrelated sum would give less
    assert life.sampling.standard_error[0] == pytest.approx(0.75 * 0.02 + 0.25 * 0.06)
    assert life.sampling.halves.shape == (2, 1)

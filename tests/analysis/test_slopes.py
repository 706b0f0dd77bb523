"""Changes of a yield with nominals and tolerances: against runs of the changed design on the same random numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from yieldsim.analysis.rankings.failing import PlainSample, plain_sample
from yieldsim.analysis.rankings.input_laws import deviations_of, inputs_of
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.analysis.rankings.slopes import Slope, completion_slopes, unit_yield_slopes
from yieldsim.analysis.rankings.unit_changes import ranked_unit_changes, units_at
from yieldsim.design.parameter import Tolerance
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.settled import sure_and_possible
from yieldsim.kernel import layout as at

HOT = Condition(60.0, 10.0)


@pytest.fixture(scope="module")
def weak(small: Design) -> Design:
    """A source so weak that one actuation in eight fails where it is hot."""
    return small.with_nominal("harvester.peak_emf", 10.3)


@pytest.fixture(scope="module")
def sample(weak: Design) -> PlainSample:
    return plain_sample(Scene(Response(weak, Settings(threads=1)), HOT, Inline()), 64, wanted=10**9)


@pytest.fixture(scope="module")
def slopes(weak: Design, sample: PlainSample) -> dict[tuple[str, str], Slope]:
    found = completion_slopes(Response(weak, Settings()), sample, 0.95)
    return {(row.name, row.level): row for row in found}


def completion_of(design: Design, points: np.ndarray) -> np.ndarray:
    codes = Response(design, Settings()).respond(points, HOT)[1]
    return (codes[:, at.OUTCOME] == at.COMPLETE).astype(float)


def with_offset(design: Design, name: str, level: str, shift: float) -> Design:
    parameter = design.parameters[name]
    tolerances = tuple(replace(t, offset=t.offset + shift) if t.level == level else t for t in parameter.tolerances)
    return design.with_parameter(replace(parameter, tolerances=tolerances))


@pytest.mark.parametrize(
    ("name", "level"),
    [
        ("harvester.peak_emf", "unit"),  # normal
        ("harvester.coil_resistance", "unit"),  # uniform
        ("storage.capacitance", "unit"),  # truncated normal
        ("harvester.speed", "actuation"),
    ],
)
def test_nominal_agrees_with_a_rerun(
    weak: Design, sample: PlainSample, slopes: dict[tuple[str, str], Slope], name: str, level: str
) -> None:
    # central difference of 1 % on the same points; what the two differ by in sampling is the interval's own concern,
    # the difference of the rerun itself adds two standard errors
    both = [completion_of(with_offset(weak, name, level, shift), sample.points) for shift in (0.005, -0.005)]
    change = both[0] - both[1]
    error = change.std() / math.sqrt(change.size)
    row = slopes[name, level]
    assert row.nominal_low - 2.0 * error <= change.mean() <= row.nominal_high + 2.0 * error
    assert np.sign(change.mean()) == np.sign(row.nominal)


@pytest.mark.parametrize("name", ["harvester.peak_emf", "harvester.coil_resistance"])
def test_a_narrower_tolerance_agrees_with_a_rerun(
    weak: Design, sample: PlainSample, slopes: dict[tuple[str, str], Slope], name: str
) -> None:
    parameter = weak.parameters[name]
    t = parameter.tolerances[0]
    narrow = replace(t, **{k: 0.9 * v for k in ("sigma", "low", "high") if (v := getattr(t, k)) is not None})
    design = weak.with_parameter(replace(parameter, tolerances=(narrow,)))
    change = completion_of(design, sample.points) - completion_of(weak, sample.points)
    error = change.std() / math.sqrt(change.size)
    row = slopes[name, "unit"]
    assert row.narrowed_low - 2.0 * error <= change.mean() <= row.narrowed_high + 2.0 * error


def test_the_sample_is_what_the_response_gives(weak: Design, sample: PlainSample) -> None:
    assert np.array_equal(completion_of(weak, sample.points[:500]), sample.complete[:500].astype(float))


def test_rows_without_numbers_say_why(slopes: dict[tuple[str, str], Slope]) -> None:
    row = slopes["regulator.quiescent", "unit"]
    assert math.isnan(row.nominal)
    assert row.problem == "it is drawn together with regulator.dropout"
    assert not row.shown
    # a nominal has one change, told at the level that spreads most
    assert math.isnan(slopes["storage.capacitance", "lot"].nominal)
    assert math.isfinite(slopes["storage.capacitance", "lot"].narrowed)
    # no tolerance, no row
    assert ("regulator.stop_voltage", "unit") not in slopes


def test_a_parameter_without_influence_shows_no_change(weak: Design) -> None:
    stop = replace(weak.regulator.stop_voltage, tolerances=(Tolerance("unit", "normal", True, sigma=0.01),))
    response = Response(weak.with_parameter(stop), Settings(threads=1))
    found = completion_slopes(response, plain_sample(Scene(response, HOT, Inline()), 32, wanted=10**9), 0.95)
    rows = {row.name: row for row in found}
    assert not rows["regulator.stop_voltage"].shown
    assert rows["harvester.peak_emf"].shown  # negative control


def test_nothing_fails_nothing_is_known(weak: Design) -> None:
    strong = weak.with_nominal("harvester.peak_emf", 40.0).with_nominal("link.frame_loss", 0.0)
    strong = strong.with_nominal("link.acknowledgement_loss", 0.0)
    response = Response(strong, Settings(threads=1))
    found = completion_slopes(response, plain_sample(Scene(response, HOT, Inline()), 32), 0.95)
    assert not any(row.shown for row in found)
    assert all(math.isnan(row.nominal) for row in found)


def test_unit_yield_rises_with_the_emf_and_falls_with_the_resistance(weak: Design) -> None:
    response = Response(weak, Settings(units=256, threads=1))
    units = units_at(response, Condition(25.0, 0.0), 0.99, Inline())
    found = unit_yield_slopes(response, units, np.arange(256), 0.99, 0.95)
    rows = {(row.name, row.level): row for row in found}
    assert rows["harvester.peak_emf", "unit"].nominal_low > 0.0
    assert rows["harvester.coil_resistance", "unit"].nominal_high < 0.0
    assert all(row.level != "actuation" for row in found)
    assert {row.of for row in found} == {"unit yield"}


@pytest.fixture(scope="module")
def borderline(weak: Design) -> Design:
    """A source with which about half of the units comply on the bench, where nothing but the unit decides."""
    return weak.with_nominal("harvester.peak_emf", 9.9)


def share_of_units(design: Design) -> np.ndarray:
    """Whether each unit complies, half for those in doubt."""
    response = Response(design, Settings(units=512, threads=1))
    surely, possibly = sure_and_possible(units_at(response, Condition(25.0, 0.0), 0.99, Inline()), 0.99)
    return 0.5 * (surely.astype(float) + possibly)


@pytest.mark.parametrize("name", ["harvester.peak_emf", "harvester.coil_resistance", "storage.capacitance"])
def test_change_of_unit_yield_agrees_with_a_rerun(borderline: Design, name: str) -> None:
    # the same units with every centre 0.5 % of the nominal higher and lower: a central difference of 1 %
    response = Response(borderline, Settings(units=512, threads=1))
    changes = ranked_unit_changes(response, Condition(25.0, 0.0), Inline(), 0.95)
    assert changes is not None
    assert 0.2 < changes.unit_yield < 0.8
    assert changes.unit_yield_low < changes.unit_yield < changes.unit_yield_high
    both = [share_of_units(with_offset(borderline, name, "unit", shift)) for shift in (0.005, -0.005)]
    change = both[0] - both[1]
    error = change.std() / math.sqrt(change.size)
    row = next(r for r in changes.slopes if (r.name, r.level) == (name, "unit"))
    assert row.nominal_low - 2.0 * error <= change.mean() <= row.nominal_high + 2.0 * error
    assert np.sign(change.mean()) == np.sign(row.nominal)
    assert row.shown


def test_too_few_units_decide_is_said(weak: Design) -> None:
    strong = weak.with_nominal("harvester.peak_emf", 11.0)
    changes = ranked_unit_changes(
        Response(strong, Settings(units=256, threads=1)), Condition(25.0, 0.0), Inline(), 0.95
    )
    assert changes is not None
    assert 0 < changes.units * (1.0 - changes.unit_yield) < 5.0
    known = [row for row in changes.slopes if math.isfinite(row.narrowed)]
    assert all(row.narrowed_few and not row.shown for row in known)
    assert all(row.problem is not None and row.problem.startswith("too few units decide it") for row in known)
    # an interval is given all the same, and a wide one
    assert all(row.narrowed_low < 0.0 < row.narrowed_high for row in known)


def test_units_over_the_mission_are_judged_by_their_lives(weak: Design) -> None:
    response = Response(weak, Settings(units=64, threads=1))
    changes = ranked_unit_changes(response, None, Inline(), 0.95)
    alone = ranked_unit_changes(response, HOT, Inline(), 0.95)
    assert changes is not None
    assert alone is not None
    assert (changes.where, alone.where) == ("over the mission", "")
    assert changes.unit_yield > alone.unit_yield  # the mission has milder conditions than the hottest


def test_without_a_required_completion_there_are_no_units_to_judge(weak: Design) -> None:
    response = Response(replace(weak, requirement=None), Settings(units=64, threads=1))
    assert ranked_unit_changes(response, HOT, Inline(), 0.95) is None


def test_laws_are_those_of_the_draws(weak: Design) -> None:
    # every drawn value lies in its law's range, and the probability integral of it is uniform (Kolmogorov distance of
    # 4,000 points at most 0.026 with a probability of 99 %: 1.63 / sqrt(n))
    response = Response(weak, Settings())
    points = np.random.default_rng(8).random((4000, len(response.dimensions)))
    deviations = deviations_of(response, points)
    grid = np.linspace(-8.0, 8.0, 4001)
    checked = 0
    for k, one in enumerate(inputs_of(weak, response.population)):
        if one.law is None:
            continue
        x = np.sort(one.values(deviations[:, k]))
        at_grid = one.law.centre + one.law.spread * grid
        density = np.exp(one.law.log_density(at_grid))
        below = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(at_grid))])
        share = np.interp(x, at_grid, below)
        assert np.max(np.abs(share - (np.arange(4000) + 0.5) / 4000)) < 0.026, one.variable.name
        checked += 1
    assert checked >= 5

"""What tolerances are worth: against a closed form of one normal input, and against the units worked out in full."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from yieldsim.analysis.allocation import allocate
from yieldsim.analysis.allocations.cheapest_grades import cheapest_grades
from yieldsim.analysis.allocations.grade_costs import Grade, GradedParameter, graded_design, read_grades
from yieldsim.analysis.allocations.unit_trials import Trials, mean_difference
from yieldsim.analysis.allocations.widest import ANY, LARGEST, NARROWED, NOT_WITHOUT, POSSIBLE, WIDENED, Widest, widest
from yieldsim.analysis.verdict import judge
from yieldsim.analysis.yields import yields
from yieldsim.design.parameter import Tolerance
from yieldsim.design.reading import read_design
from yieldsim.design.scaling import scaled
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.report.figures import figure_of
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import text_of
from yieldsim.words.errors import InputError

SMALL = Path(__file__).parent / "small.toml"
EMF = "harvester.peak_emf"
UNITS, SIGMA = 128, 0.03
SETTINGS = Settings(units=UNITS, actuations=2, threads=1)


def one_input(nominal: float, required_yield: float) -> Design:
    """The small design in which the emf alone differs between units, normal with a sigma of 3 %, in one condition."""
    design = replace(read_design(SMALL), correlations=(), deratings=())
    design = replace(
        design,
        conditions=replace(design.conditions, temperatures=(60.0,), ages=(0.0,)),
        requirement=Requirement(0.99, required_yield),
    )
    for parameter in design.parameters.values():
        if parameter.tolerances and parameter.name not in (EMF, "harvester.speed"):
            design = design.with_parameter(replace(parameter, tolerances=()))
    return design.with_nominal(EMF, nominal)


def scores(design: Design, units: int = UNITS) -> np.ndarray:
    """Standard normal score of each unit's emf."""
    population = Response(design, SETTINGS).population
    (place,) = [k for k, v in enumerate(population.unit_variables) if v.name == EMF]
    return population.unit_deviations(np.arange(units))[:, place] / SIGMA


@pytest.fixture(scope="module")
def least_emf() -> float:
    """The emf [V] below which a unit does not comply, by bisection on a unit without any spread of its own."""
    bare = one_input(11.0, 0.9)
    bare = bare.with_parameter(scaled(bare.parameters[EMF], 0.0))

    def complies(emf: float) -> bool:
        found = yields(bare.with_nominal(EMF, emf), Settings(units=2, actuations=1, threads=1)).cells[0].unit_yield
        return found is not None and found.value > 0.5

    low, high = 9.0, 16.0
    assert complies(high)
    assert not complies(low)
    while high - low > 2e-3:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if complies(middle) else (middle, high)
    return high


def test_half_and_twice_a_normal_tolerance(least_emf):
    # units comply where nominal * (1 + f * sigma * z) >= least: the count of scores is the closed form, unit by unit
    nominal = least_emf * 1.045
    design = one_input(nominal, 0.9)
    found = allocate(design, SETTINGS, units=UNITS)
    assert found.tolerances[0].name == EMF
    assert found.units == UNITS
    worth, z = found.tolerances[0], scores(design)
    stated = np.mean(nominal * (1 + SIGMA * z) >= least_emf)
    assert found.unit_yield.value == pytest.approx(stated, abs=2 / UNITS)
    for changed, factor in ((worth.halved, 0.5), (worth.doubled, 2.0)):
        expected = np.mean(nominal * (1 + factor * SIGMA * z) >= least_emf)
        assert changed.unit_yield.value == pytest.approx(expected, abs=2 / UNITS)
        assert changed.unit_yield_change.value == pytest.approx(expected - stated, abs=3 / UNITS)
        # the exact share, Phi(margin / (factor * sigma)), lies within bounds at 95 % each (seed fixed)
        exact = [stats.norm.cdf((1 - least_emf / nominal) / (f * SIGMA)) for f in (factor, 1.0)]
        assert changed.unit_yield.low <= exact[0] <= changed.unit_yield.high
        assert changed.unit_yield_change.low <= exact[0] - exact[1] <= changed.unit_yield_change.high


@pytest.mark.parametrize(("above", "word"), [(1.08, WIDENED), (1.03, NARROWED)])
def test_the_widest_tolerance_is_that_of_the_order_statistic(least_emf, above, word):
    # k failing of n still show 90 % by Clopper and Pearson; the k + 1-th lowest score then gives the factor
    nominal = least_emf * above
    design = one_input(nominal, 0.9)
    found = alone(design)
    failing = max(k for k in range(UNITS) if clopper_pearson_bounds(UNITS - k, UNITS, 0.95)[0] >= 0.9)
    factor = (1 - least_emf / nominal) / (SIGMA * -np.sort(scores(design))[failing])
    assert found.word == word
    # a unit within 0.5 % of the least emf may be on either side of it: its actuations decide
    slack = 0.005 / (above - 1.0)
    assert found.factor <= factor * (1.0 + slack)
    assert factor <= found.beyond * (1.0 + slack)
    assert found.beyond - found.factor <= max(0.11 * found.factor, 0.035)
    assert found.tolerance == f"unit: normal, sigma {100 * SIGMA * found.factor:.6g} %"


def alone(design: Design) -> Widest:
    """The widest emf."""
    trials = Trials(design, SETTINGS, 0.95, Inline())
    stated = trials.estimate(trials.stated).low >= 0.9
    return widest(design, design.parameters[EMF], 0.9, trials, {1.0: stated})


def test_a_nominal_too_low_is_not_met_even_without_the_tolerance(least_emf):
    found = allocate(one_input(least_emf * 0.97, 0.9), SETTINGS, units=UNITS)
    assert {worth.widest.word for worth in found.tolerances} == {NOT_WITHOUT}
    assert found.verdict == "not met"
    assert "No tolerance alone decides" in text_of(found)
    assert max(len(line) for line in text_of(found).splitlines()) <= 100
    table = table_of(found)
    assert list(table["parameter"]) == [worth.name for worth in found.tolerances]
    assert set(table) - {"confidence"} == set(found.payload()["tolerances"][0])
    left, right = figure_of(found).axes
    assert left.get_xlabel() == "change of the share [percentage points]"
    assert right.get_xlabel() == "widest alone, of the stated width [1]"


def test_ample_energy_is_met_as_wide_as_a_value_is_possible(least_emf):
    found = alone(one_input(least_emf * 1.9, 0.9))
    assert (found.word, found.beyond) == (POSSIBLE, None)
    # an emf below 0 V with a probability of 1e-12 is impossible: 7.03 sigma of a normal, 1 / (7.03 * 3 %) = 4.74
    assert found.factor == pytest.approx(-1.0 / (stats.norm.ppf(1e-12) * SIGMA), abs=0.02)


def test_a_tolerance_without_influence_is_met_at_any_width_tried(least_emf):
    design = one_input(least_emf * 1.2, 0.9)
    without = design.parameters["regulator.output_capacitance"]
    design = design.with_parameter(replace(without, tolerances=(Tolerance("unit", "uniform", True, -0.001, 0.001),)))
    trials = Trials(design, SETTINGS, 0.95, Inline())
    found = widest(design, design.parameters[without.name], 0.9, trials, {1.0: True})
    assert (found.word, found.factor, found.beyond) == (ANY, LARGEST, None)


# --- units settled by their critical actuation ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def near() -> Design:
    """The small design with all its tolerances, near what it is required to do."""
    return read_design(SMALL).with_nominal(EMF, "12.4 V")


def test_settled_units_are_those_that_a_full_run_settles(near):
    settings = Settings(units=96, threads=1)
    quick, full = (Trials(near, settings, 0.95, Inline(), in_full=flag) for flag in (False, True))
    middle = [0.5 * (t.stated.completion.low + t.stated.completion.high) for t in (quick, full)]
    complies = [(m >= 0.99).all(axis=0) for m in middle]
    assert 0.2 < complies[1].mean() < 0.98  # both kinds are there
    assert np.array_equal(*complies)
    assert quick.stated.worked_out.mean() < 0.3 < full.stated.worked_out.mean() == 1.0
    whole = yields(near, replace(settings, actuations=1)).joint
    for trials in (quick, full):
        found = trials.estimate(trials.stated)
        assert found.value == pytest.approx(whole.value, abs=0.02)
        assert (found.low, found.high) == pytest.approx((whole.low, whole.high), abs=0.03)
    other = near.with_parameter(scaled(near.parameters[EMF], 2.0))
    differences = [trials.difference(trials.run(other)).value for trials in (quick, full)]
    assert differences[0] == pytest.approx(differences[1], abs=0.01)
    assert quick.run(other).checked > 0


def test_over_the_mission_the_units_are_judged_by_their_lives(near):
    design = replace(near, requirement=replace(near.requirement, applies_to="over the mission"))
    settings = Settings(units=48, threads=1)
    trials = Trials(design, settings, 0.95, Inline())
    whole = yields(design, replace(settings, actuations=1)).joint
    assert trials.estimate(trials.stated).value == pytest.approx(whole.value, abs=0.03)


def test_the_answer_is_the_same_on_any_number_of_threads(near):
    one = replace(near, correlations=())
    for parameter in near.parameters.values():
        if parameter.tolerances and parameter.name not in (EMF, "regulator.output"):
            one = one.with_parameter(replace(parameter, tolerances=()))
    few = [allocate(one, Settings(units=64, actuations=2, threads=n), units=64) for n in (1, 3)]
    assert few[0].payload() == few[1].payload()


# --- pairs ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [10, 300])
def test_no_difference_seen_is_bounded_as_if_one_unit_had_changed_unseen(n):
    # D_0 of a Dirichlet on n + 1 places is Beta(1, n) with the quantile 1 - (1 - gamma)**(1 / n)
    found = mean_difference(np.zeros(n), None, 0.95)
    reach = 1.0 - 0.05 ** (1.0 / n)
    assert (found.value, found.low, found.high) == pytest.approx((0.0, -reach, reach), abs=1e-6)


def test_bounds_of_paired_differences_hold():
    # 40 samples of 200 pairs, each gained with 6 % and lost with 2 %: 5 % of the bounds may fail on either side
    rng = np.random.default_rng(5)
    drawn = rng.choice([1.0, -1.0, 0.0], p=[0.06, 0.02, 0.92], size=(40, 200))
    found = [mean_difference(row, None, 0.95) for row in drawn]
    assert sum(e.low > 0.04 for e in found) <= 5
    assert sum(e.high < 0.04 for e in found) <= 5
    assert np.mean([e.high - e.low for e in found]) < 0.13


# --- without a requirement ------------------------------------------------------------------------------------------


def test_without_a_requirement_completion_alone_is_compared(near):
    found = allocate(replace(near, requirement=None), Settings(actuations=4, threads=1), units=64)
    assert found.verdict == "none"
    assert found.unit_yield is None
    assert all(worth.widest is None for worth in found.tolerances)
    assert (found.temperature_degC, found.age_yr) == (60.0, 0.0)
    assert "NO REQUIREMENT" in text_of(found)


def test_a_design_without_tolerances_is_refused(near):
    for parameter in list(near.parameters.values()):
        near = replace(near, correlations=()).with_parameter(replace(parameter, tolerances=()))
    with pytest.raises(InputError, match="no parameter has a tolerance; give the tolerances of the parts"):
        allocate(near, SETTINGS)


# --- grades and their costs -----------------------------------------------------------------------------------------


def test_the_cheapest_grade_is_the_widest_that_meets_it_and_is_run_again(least_emf):
    design = one_input(least_emf * 1.08, 0.9)
    most = alone(design).factor
    between = (0.5, 0.9 * most, 1.15 * most)
    grades = GradedParameter(EMF, tuple(Grade(f, c) for f, c in zip(between, (5.0, 2.0, 1.0), strict=True)))
    speed = GradedParameter("harvester.speed", (Grade(0.5, 3.0), Grade(1.0, 1.0)))
    trials = Trials(design, SETTINGS, 0.95, Inline())
    best = cheapest_grades(design, SETTINGS, (grades, speed), trials, Inline())
    assert {g.parameter: g.factor for g in best.grades}[EMF] == between[1]
    assert best.exact
    assert best.cost == 3.0
    assert best.dearest_cost == 8.0
    chosen = graded_design(design, [g.parameter for g in best.grades], [g.factor for g in best.grades])
    again = yields(chosen, replace(SETTINGS, seed=SETTINGS.seed + 1, actuations=Settings.actuations))
    assert best.confirmed == again.joint
    assert best.confirmed_verdict == judge(again.joint.low, again.joint.high, 0.9)
    assert best.confirmed_whole == again.verdict
    assert best.confirmed_seed != SETTINGS.seed


def test_no_set_of_grades_may_do(least_emf):
    grades = (GradedParameter(EMF, (Grade(0.5, 2.0), Grade(1.0, 1.0))),)
    found = allocate(one_input(least_emf * 0.97, 0.9), SETTINGS, grades, units=UNITS)
    assert found.cheapest.grades == ()
    assert found.cheapest.confirmed is None
    assert "no set of these grades is shown to meet the requirement (2 tried)" in " ".join(text_of(found).split())


def test_grades_from_a_file(near, tmp_path):
    path = tmp_path / "grades.csv"
    path.write_text(
        "parameter,factor,grade,cost\nregulator.output,,±1 %,1.7\nregulator.output,1,,1\n"
        "harvester.peak_emf,,1.5 %,4\nregulator.output,2,,0.8\nrectifier.forward_drop,,±60 mV,1\n",
        encoding="utf-8",
    )
    found = {graded.name: graded.grades for graded in read_grades(path, near)}
    assert found == {
        "regulator.output": (Grade(0.5, 1.7), Grade(1.0, 1.0), Grade(2.0, 0.8)),
        EMF: (Grade(0.5, 4.0),),
        "rectifier.forward_drop": (Grade(2.0, 1.0),),
    }


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "parameter,cost\nregulator.output,1\n",
            "column factor: missing, and grade too; add factor (on the stated width)",
        ),
        ("parameter,factor,price\na,1,2\n", "column price: unknown column; known here: parameter, factor, grade, cost"),
        (
            "parameter,factor,cost\nregulator.outptu,1,1\n",
            "row 1 below the header, parameter = regulator.outptu: no parameter of the design has this name; "
            "did you mean regulator.output?",
        ),
        ("parameter,factor,cost\nregulator.stop_voltage,1,1\n", "it has no tolerance that could be graded"),
        (
            "parameter,factor,cost\nregulator.output,0,1\n",
            "factor = 0: a factor on the stated width is a number above 0",
        ),
        ("parameter,factor,cost\nregulator.output,1,-1\n", "cost = -1: a cost is a number of 0 or more"),
        ("parameter,factor,cost\nregulator.output,1,1\nregulator.output,1,2\n", "one grade given twice"),
        ("parameter,factor,grade,cost\nregulator.output,1,±1 %,1\n", "a factor and a grade; fill one of the two in"),
        ("parameter,grade,cost\nstorage.capacitance,±1 %,1\n", "spreads at more than one level"),
        ("parameter,grade,cost\nregulator.output,1 %,1\n", "limits need a sign on each side"),
    ],
)
def test_what_a_file_of_costs_is_refused_for(near, tmp_path, text, told):
    path = tmp_path / "grades.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_grades(path, near)
    assert told in str(caught.value)
    assert str(path) in str(caught.value)


def test_costs_need_a_requirement_that_they_could_meet(near):
    bare = replace(near, requirement=replace(near.requirement, unit_yield=None))
    with pytest.raises(InputError, match="costs are given, but no unit yield is required"):
        allocate(bare, SETTINGS, (GradedParameter(EMF, (Grade(1.0, 1.0),)),))

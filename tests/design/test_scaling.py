"""A tolerance made narrower or wider moves every deviation by the factor, at the same draw, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.design.parameter import Parameter, Tolerance
from yieldsim.design.reading import read_design
from yieldsim.design.scaling import NEXT_TO_NOTHING, scaled
from yieldsim.design.tree import with_replaced
from yieldsim.population.population import Population
from yieldsim.words.errors import InputError

VALVE = read_design(Path(__file__).parents[2] / "configs" / "valve-turn.toml")
NAME = "harvester.coil_resistance"
SHAPES = {
    "normal": Tolerance("unit", "normal", True, sigma=0.02),
    "truncated normal": Tolerance("unit", "truncated normal", True, -0.05, 0.06, sigma=0.03, mode=0.01),
    "uniform, unequal": Tolerance("unit", "uniform", True, -0.02, 0.08),
    "triangular": Tolerance("unit", "triangular", True, -0.04, 0.05, mode=0.02),
    "trapezoidal": Tolerance("unit", "trapezoidal", True, -0.05, 0.05, flat=0.4),
    "sorted": Tolerance("unit", "sorted", True, -0.1, 0.1, sigma=0.05, removed=(-0.05, 0.05)),
    "measured": Tolerance("unit", "measured", True, -0.03, 0.05, values=(-0.03, -0.01, 0.0, 0.02, 0.05), sample_size=5),
    "absolute": Tolerance("unit", "uniform", False, -3.0, 4.0),
    "lot": Tolerance("lot", "normal", True, sigma=0.02),
}
FACTORS = st.floats(0.01, 3.0)
PLACES = st.floats(1e-6, 1.0 - 1e-6)


def deviation(parameter: Parameter, u: float) -> np.ndarray:
    """Deviations of the parameter, level by level, where every draw is u."""
    population = Population(with_replaced(VALVE, parameter), 1)
    found = population.deviations_at(np.full((1, len(population.unit_variables)), u))[0]
    return np.array([x for x, v in zip(found, population.unit_variables, strict=True) if v.name == parameter.name])


def with_tolerances(*tolerances: Tolerance) -> Parameter:
    return replace(VALVE.parameters[NAME], tolerances=tolerances)


@pytest.mark.parametrize("shape", list(SHAPES))
@settings(max_examples=25)
@given(factor=FACTORS, u=PLACES)
def test_every_deviation_is_multiplied(shape, factor, u):
    stated = with_tolerances(SHAPES[shape])
    expected = factor * deviation(stated, u)
    assert deviation(scaled(stated, factor), u) == pytest.approx(expected, rel=1e-9, abs=1e-15)


@settings(max_examples=25)
@given(factor=FACTORS, u=PLACES)
def test_a_lognormal_is_raised_to_the_power(factor, u):
    # x / median = exp(sigma z), so that sigma times a factor is a power of it
    stated = with_tolerances(Tolerance("unit", "lognormal", True, sigma=0.3))
    expected = (1.0 + deviation(stated, u)) ** factor
    assert 1.0 + deviation(scaled(stated, factor), u) == pytest.approx(expected, rel=1e-9)


@settings(max_examples=25)
@given(factor=FACTORS, u=PLACES)
def test_a_shift_of_the_mean_is_no_spread_and_stays(factor, u):
    stated = with_tolerances(replace(SHAPES["normal"], offset=0.01))
    expected = 0.01 + factor * (deviation(stated, u) - 0.01)
    assert deviation(scaled(stated, factor), u) == pytest.approx(expected, rel=1e-9, abs=1e-15)


@settings(max_examples=25)
@given(factor=FACTORS, u=PLACES)
def test_sorted_lots_keep_their_proportion_to_the_limits_of_the_sum(factor, u):
    lot, unit = Tolerance("lot", "normal", True, sigma=0.02), Tolerance("unit", "normal", True, sigma=0.04)
    stated = replace(with_tolerances(lot, unit), within_total=(-0.05, 0.05, True))
    made = scaled(stated, factor)
    assert made.within_total == pytest.approx((-0.05 * factor, 0.05 * factor, True))
    expected = factor * deviation(stated, u)
    assert deviation(made, u) == pytest.approx(expected, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("shape", list(SHAPES))
def test_a_factor_of_nothing_leaves_the_nominal(shape):
    stated = with_tolerances(SHAPES[shape])
    for u in (1e-3, 0.5, 0.999):
        left = deviation(scaled(stated, 0.0), u)
        assert np.abs(left).max() <= NEXT_TO_NOTHING * np.abs(deviation(stated, u)).max() * (1 + 1e-6)


def test_nothing_else_changes():
    stated = VALVE.parameters["storage.capacitance"]
    made = scaled(stated, 2.0)
    assert replace(made, tolerances=stated.tolerances) == stated
    assert [t.level for t in made.tolerances] == ["lot", "unit"]
    assert made.coefficients == stated.coefficients
    assert scaled(stated, 1.0) is stated
    plain = VALVE.parameters["harvester.transit_time"]
    assert scaled(plain, 2.0) is plain


@pytest.mark.parametrize("factor", [-0.5, float("nan"), float("inf")])
def test_other_factors_are_refused(factor):
    with pytest.raises(InputError) as caught:
        scaled(VALVE.parameters[NAME], factor)
    told = f"{NAME} = {factor:g}: a tolerance is made 0 or more times as wide; give a factor of 0 or more"
    assert str(caught.value) == told


def test_a_width_that_reaches_the_impossible_is_refused_by_the_design():
    with pytest.raises(InputError, match=r"its tolerance reaches below 0 V"):
        VALVE.with_parameter(scaled(VALVE.parameters["regulator.dropout"], 3.0))

"""Temperature and ageing laws against closed forms and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.interpolate import pchip_interpolate

from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw
from yieldsim.engine import laws

TABLE = TemperatureLaw("table", temperatures=(-55.0, 25.0, 85.0, 125.0), factors=(0.88, 1.0, 0.93, 0.86))


def aged(law: AgeingLaw, change: float, age: float, **given: object) -> float:
    settings = {"mission": ((25.0, 1.0),), "since_soldering": 1000.0, "actuations_per_day": 30.0} | given
    return float(laws.ageing_factor(law, change, age, **settings))  # type: ignore[arg-type]


def test_no_law_changes_nothing() -> None:
    assert laws.temperature_factor(None, 85.0) == 1.0
    assert laws.temperature_shift(None, 85.0) == 0.0


def test_linear_law_is_one_at_its_reference() -> None:
    law = TemperatureLaw("linear", coefficient=-0.0011)
    assert laws.temperature_factor(law, 25.0) == 1.0
    assert laws.temperature_factor(law, 60.0) == pytest.approx(1 - 0.0011 * 35, rel=1e-15)
    assert laws.temperature_shift(law, 60.0) == 0.0


def test_shift_law_adds_volts() -> None:
    law = TemperatureLaw("shift", coefficient=-0.0013)
    assert laws.temperature_shift(law, 60.0) == pytest.approx(-0.0455, rel=1e-15)
    assert laws.temperature_factor(law, 60.0) == 1.0


def test_doubling_law() -> None:
    law = TemperatureLaw("doubling", doubles_per=11.0)
    assert laws.temperature_factor(law, 25.0 + 33.0) == 8.0
    assert laws.temperature_factor(law, 25.0 - 11.0) == 0.5


def test_table_is_a_shape_preserving_cubic_flat_beyond_its_ends() -> None:
    for t in (-55.0, -20.0, 5.0, 60.0, 125.0):
        expected = float(pchip_interpolate(TABLE.temperatures, TABLE.factors, t))
        assert laws.temperature_factor(TABLE, t) == pytest.approx(expected, rel=1e-15)
    assert laws.temperature_factor(TABLE, -80.0) == 0.88
    assert laws.temperature_factor(TABLE, 200.0) == 0.86


@given(st.floats(-60, 130))
def test_table_does_not_overshoot(t: float) -> None:
    assert 0.86 <= laws.temperature_factor(TABLE, t) <= 1.0


def test_per_year_is_linear() -> None:
    assert aged(AgeingLaw("per year"), -0.002, 12.0) == pytest.approx(0.976, rel=1e-15)


def test_per_decade_of_actuations() -> None:
    law = AgeingLaw("per decade of actuations", start=100.0)
    # 30 a day for 12 years of 365 days: 131,400 actuations, log10(1,314) decades above 100.
    assert aged(law, -0.025, 12.0) == pytest.approx(1 - 0.025 * math.log10(1314.0), rel=1e-14)
    assert aged(law, -0.025, 0.0) == 1.0
    # 100 actuations are reached after 100/10,950 years: nothing before.
    assert aged(law, -0.025, 99.0 / 10_950.0) == 1.0
    assert aged(law, -0.025, 1000.0 / 10_950.0) == pytest.approx(0.975, rel=1e-12)


def test_ageing_table_runs_in_real_time() -> None:
    law = AgeingLaw("table", years=(0.0, 5.0, 10.0), factors=(1.0, 0.97, 0.95))
    hot, cold = ((85.0, 1.0),), ((-20.0, 1.0),)
    assert aged(law, 0.0, 5.0, mission=hot) == aged(law, 0.0, 5.0, mission=cold) == 0.97
    assert aged(law, 0.0, 40.0) == 0.95
    assert laws.ageing_factor(
        law, np.zeros(3), 5.0, mission=hot, since_soldering=1.0, actuations_per_day=None
    ).shape == (3,)


def test_coefficient_differs_from_unit_to_unit() -> None:
    factors = laws.ageing_factor(
        AgeingLaw("per year"),
        np.array([-0.01, 0.0, 0.02]),
        10.0,
        mission=((25.0, 1.0),),
        since_soldering=1000.0,
        actuations_per_day=None,
    )
    np.testing.assert_allclose(factors, [0.9, 1.0, 1.2], rtol=1e-15)


def test_arrhenius_acceleration() -> None:
    # exp(Ea/k (1/T1 - 1/T2)) with k in eV/K from scipy.constants (CODATA); Ea = 0.83155 eV doubles from 95 to
    # 105 degC.
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, activation_energy=0.83155)
    boltzmann = constants.k / constants.e
    expected = 8760.0 * math.exp(0.83155 / boltzmann * (1 / 378.15 - 1 / 368.15))
    assert laws.equivalent_hours(law, 1.0, ((95.0, 1.0),)) == pytest.approx(expected, rel=1e-12)
    assert expected / 8760.0 == pytest.approx(0.5, rel=2e-5)


def test_mission_shares_add_their_wear() -> None:
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, doubling=10.0)
    mission = ((85.0, 0.25), (65.0, 0.75))
    assert laws.equivalent_hours(law, 2.0, mission) == pytest.approx(2 * 8760 * (0.25 / 4 + 0.75 / 16), rel=1e-14)


@pytest.mark.parametrize(
    "law",
    [
        AgeingLaw("per decade of actuations", start=100.0),
        AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0),
        AgeingLaw("no such law"),
    ],
)
def test_a_law_without_its_numbers_is_refused(law: AgeingLaw) -> None:
    with pytest.raises(ValueError, match="law"):
        aged(law, -0.1, 1.0, actuations_per_day=None)


def test_unknown_temperature_law_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown temperature law 'cubic'"):
        laws.temperature_factor(TemperatureLaw("cubic"), 25.0)


# --- dielectrics ------------------------------------------------------------------------------------------------


def dielectric(code: str, place: float = 0.5) -> TemperatureLaw:
    return TemperatureLaw("dielectric", code=code, place=Parameter("c.dielectric", "factor", place))


# Published: EIA-198, X7R stays within 15 % from -55 to 125 degC, Y5V within +22/-82 % from -30 to 85 degC.
@pytest.mark.parametrize(("code", "low", "high"), [("X7R", 0.85, 1.15), ("Y5V", 0.18, 1.22)])
def test_class_2_reaches_its_limits_and_not_beyond(code: str, low: float, high: float) -> None:
    for temperature in (-30.0, 24.9, 85.0):
        factors = laws.dielectric_factor(dielectric(code), np.array([0.0, 0.5, 1.0]), temperature)
        np.testing.assert_allclose(factors, [low, (low + high) / 2, high], rtol=1e-14)
    np.testing.assert_array_equal(laws.dielectric_factor(dielectric(code), np.array([0.0, 1.0]), 25.0), [1.0, 1.0])


# Published: C0G is 0 +- 30 ppm/K about 25 degC, so that 100 K above a part is at most 0.3 % away.
def test_class_1_follows_a_coefficient() -> None:
    factors = laws.dielectric_factor(dielectric("C0G"), np.array([0.0, 0.5, 1.0]), 125.0)
    np.testing.assert_allclose(factors, [0.997, 1.0, 1.003], rtol=1e-14)
    cold = laws.dielectric_factor(dielectric("C0G"), np.array([0.0, 1.0]), -55.0)
    np.testing.assert_allclose(cold, [1.0024, 0.9976], rtol=1e-14)
    assert laws.temperature_factor(dielectric("U2J"), 45.0) == pytest.approx(1 - 750e-6 * 20, rel=1e-14)


def test_a_nominal_part_lies_in_the_middle() -> None:
    assert laws.temperature_factor(dielectric("X5R"), 60.0) == pytest.approx(1.0, abs=1e-15)
    assert laws.temperature_factor(dielectric("X7T"), 60.0) == pytest.approx(1 + (0.22 - 0.33) / 2, rel=1e-14)
    assert laws.temperature_factor(dielectric("X5R", 0.0), 60.0) == pytest.approx(0.85, rel=1e-14)
    assert laws.temperature_shift(dielectric("X5R"), 60.0) == 0.0


def test_a_law_without_its_code_or_place_is_refused() -> None:
    with pytest.raises(ValueError, match="no dielectric code ''"):
        laws.dielectric_factor(TemperatureLaw("dielectric"), 0.5, 60.0)
    with pytest.raises(ValueError, match="the law lacks a parameter that it needs"):
        laws.temperature_factor(TemperatureLaw("dielectric", code="X7R"), 60.0)


@given(st.floats(-55.0, 85.0), st.floats(0.0, 1.0))
def test_factor_grows_with_the_place(temperature: float, place: float) -> None:
    law = dielectric("X5R")
    low, here = laws.dielectric_factor(law, np.array([0.0, place]), temperature)
    assert 0.85 - 1e-12 <= low <= here <= 1.15 + 1e-12

"""End-of-life drift of an electrolytic capacitor by its endurance."""

import math

import numpy as np
import pytest
from scipy import constants

from yieldsim.design.parameter import AgeingLaw
from yieldsim.design.reading import design_from_toml
from yieldsim.engine.columns import Condition, column_of, unit_columns
from yieldsim.engine.laws import equivalent_hours
from yieldsim.population.population import Population

DESIGN = """
title = "electrolytic store"
[conditions]
temperatures = ["-20 degC", "60 degC"]
ages = ["0 yr", "5 yr", "10 yr"]
[[conditions.mission]]
temperature = "15 degC"
share = "70 %"
[[conditions.mission]]
temperature = "55 degC"
share = "30 %"
[harvester]
kind = "electromagnetic"
peak_emf = "10 V"
transit_time = "3 ms"
coil_resistance = "100 ohm"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
[storage.esr]
nominal = "0.3 ohm"
temperature = [["-20 degC", 3.0], ["25 degC", 1.0], ["60 degC", 0.8]]
[storage.esr.ageing]
law = "endurance"
change = "100 %"
rated_life = "2000 h"
rated_temperature = "105 degC"
doubling = "10 K"
[storage.capacitance]
nominal = "100 uF"
temperature = "0.2 %/K"
[storage.capacitance.ageing]
law = "endurance"
change = "-20 %"
rated_life = "2000 h"
rated_temperature = "105 degC"
doubling = "10 K"
[regulator]
kind = "direct"
start_voltage = "2.6 V"
[radio]
minimum_supply = "1.9 V"
[[radio.sequence]]
step = "transmit"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9 mA"
"""


@pytest.fixture(scope="module")
def values() -> dict[tuple[str, float, float], float]:
    design = design_from_toml(DESIGN)
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    result = {}
    for temperature in (-20.0, 60.0):
        for age in (0.0, 5.0, 10.0):
            base, _ = unit_columns(design, Condition(temperature, age), population, zero)
            for name, column in column_of(design).items():
                result[name, temperature, age] = float(base[0, column])
    return result


@pytest.mark.parametrize("name", ["storage.capacitance", "storage.esr"])
@pytest.mark.parametrize("age", [5.0, 10.0])
def test_ages_alike_in_the_hot_and_the_cold_cell(
    values: dict[tuple[str, float, float], float], name: str, age: float
) -> None:
    # The wear comes from where the part has lived, not from the temperature it is looked at.
    hot = values[name, 60.0, age] / values[name, 60.0, 0.0]
    cold = values[name, -20.0, age] / values[name, -20.0, 0.0]
    assert hot == pytest.approx(cold, rel=1e-14)
    assert hot != 1.0
    # The cells themselves differ, by the temperature laws.
    assert values[name, 60.0, age] != pytest.approx(values[name, -20.0, age], rel=0.05)


def test_drift_is_the_mission_worn_share_of_the_rated_life(
    values: dict[tuple[str, float, float], float],
) -> None:
    worn = 5 * 8760 * (0.7 * 2 ** ((15 - 105) / 10) + 0.3 * 2 ** ((55 - 105) / 10)) / 2000
    ratio = values["storage.capacitance", 60.0, 5.0] / values["storage.capacitance", 60.0, 0.0]
    assert ratio == pytest.approx(1 - 0.2 * worn, rel=1e-13)
    ratio = values["storage.esr", -20.0, 5.0] / values["storage.esr", -20.0, 0.0]
    assert ratio == pytest.approx(1 + worn, rel=1e-13)


def test_ten_degree_rule() -> None:
    # Capacitor makers' technical notes: 2,000 h at 105 degC are 16,000 h at 75 degC.
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, doubling=10.0)
    assert equivalent_hours(law, 16_000 / 8760, ((75.0, 1.0),)) == pytest.approx(2000.0, rel=1e-14)


@pytest.mark.parametrize(("energy", "factor"), [(0.83155, 2.0), (0.94, 2.189), (0.6, 1.649), (0.4, 1.396)])
def test_activation_energy_that_halves_the_life_in_ten_kelvin(energy: float, factor: float) -> None:
    # Arrhenius between 95 and 105 degC, with k/e of the 2019 SI from scipy.constants.
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, activation_energy=energy)
    slower = equivalent_hours(law, 1.0, ((95.0, 1.0),)) / equivalent_hours(law, 1.0, ((105.0, 1.0),))
    assert 1 / slower == pytest.approx(factor, rel=5e-4)
    exact = math.exp(energy * constants.e / constants.k * (1 / 368.15 - 1 / 378.15))
    assert 1 / slower == pytest.approx(exact, rel=1e-12)

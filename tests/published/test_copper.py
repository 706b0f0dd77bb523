"""Resistance of copper against temperature."""

import numpy as np
import pytest

from yieldsim.design.reading import design_from_toml
from yieldsim.engine.columns import Condition, column_of, unit_columns
from yieldsim.population.population import Population

DESIGN = """
title = "copper"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[harvester]
kind = "electromagnetic"
peak_emf = "10 V"
transit_time = "3 ms"
coil_resistance = "100 ohm"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
capacitance = "47 uF"
esr = "40 mohm"
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
# Ratio R(T)/R(20 degC) with 0.00393 per kelvin about 20 degC, constant mass: value from memory of IEC 60028.
RATIOS = {-40.0: 0.7642, -20.0: 0.8428, 0.0: 0.9214, 20.0: 1.0, 25.0: 1.01965, 60.0: 1.1572, 85.0: 1.25545}


def resistance(temperature: float) -> float:
    """Of the coil of 100 ohm at 20 degC, its coefficient left out of the file."""
    design = design_from_toml(DESIGN)
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    base, _ = unit_columns(design, Condition(temperature, 0.0), population, zero)
    return float(base[0, column_of(design)["harvester.coil_resistance"]])


@pytest.mark.parametrize(("temperature", "ratio"), RATIOS.items())
def test_coil_follows_the_standard_coefficient(temperature: float, ratio: float) -> None:
    assert resistance(temperature) == pytest.approx(100.0 * ratio, rel=1e-12)


@pytest.mark.parametrize("temperature", [0.0, 60.0, 85.0, 100.0])
def test_agrees_with_the_inferred_zero_resistance_form(temperature: float) -> None:
    # (234.5 + T)/254.5, the form in use for windings: common practice, no published source here. It rounds
    # the coefficient to 1/254.5 = 0.0039293.
    assert resistance(temperature) == pytest.approx(100.0 * (234.5 + temperature) / 254.5, rel=1e-4)

"""Ageing of class II ceramic capacitors per decade of hours."""

import math

import numpy as np
import pytest

from yieldsim.design.parameter import AgeingLaw
from yieldsim.design.reading import design_from_toml
from yieldsim.engine.columns import Condition, column_of, unit_columns
from yieldsim.engine.laws import ageing_factor
from yieldsim.kernel.shapes import UNIFORM, deviations
from yieldsim.population.population import Population

LAW = AgeingLaw("per decade of hours")


def factor(change: float, age: float, since_soldering: float) -> float:
    return float(
        ageing_factor(
            LAW,
            change,
            age,
            mission=((25.0, 1.0),),
            since_soldering=since_soldering,
            actuations_per_day=None,
        )
    )


def test_one_hour_after_soldering_a_part_reads_high() -> None:
    # EIA-198: values are referred to 1,000 h after the last heat; 2.5 % a decade, three decades: 7.5 %.
    assert factor(-0.025, 0.0, 1.0) == pytest.approx(1.075, rel=1e-15)
    assert factor(-0.025, 0.0, 1000.0) == 1.0


def test_less_than_an_hour_counts_as_one() -> None:
    assert factor(-0.025, 0.0, 0.01) == factor(-0.025, 0.0, 1.0)


@pytest.mark.parametrize(
    ("change", "expected"), [(-0.01, 0.980575), (-0.025, 0.951437), (-0.04, 0.922300), (-0.07, 0.864025)]
)
def test_from_a_thousand_hours_to_ten_years(change: float, expected: float) -> None:
    # 87,600 h is log10(87.6) = 1.942504 decades beyond 1,000 h (EIA-198: 1.5-4 % a decade for X7R and X5R, 7
    # % for Y5V).
    assert factor(change, (87_600 - 1000) / 8760, 1000.0) == pytest.approx(expected, abs=5e-7)
    assert factor(change, (87_600 - 1000) / 8760, 1000.0) == pytest.approx(1 + change * math.log10(87.6), rel=1e-14)


DESIGN = """
title = "class II store"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr", "10 yr"]
[harvester]
kind = "electromagnetic"
peak_emf = "10 V"
transit_time = "3 ms"
coil_resistance = "100 ohm"
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "40 mohm"
since_soldering = "1 h"
[storage.capacitance]
nominal = "47 uF"
tolerance = "±20 %"
ageing = { law = "per decade of hours", change = "-2.5 %" }
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


def test_the_store_of_a_design_ages_from_its_soldering() -> None:
    design = design_from_toml(DESIGN)
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    column = column_of(design)["storage.capacitance"]
    new, old = (unit_columns(design, Condition(25.0, age), population, zero)[0][0, column] for age in (0.0, 10.0))
    assert new == pytest.approx(47e-6 * 1.075, rel=1e-14)
    assert old == pytest.approx(47e-6 * (1 - 0.025 * math.log10((1 + 87_600) / 1000)), rel=1e-14)


# Tolerance letters of IEC 60062: values from memory of IEC 60062.
LETTERS = {"F": (-1, 1), "G": (-2, 2), "J": (-5, 5), "K": (-10, 10), "M": (-20, 20), "Z": (-20, 80)}


@pytest.mark.parametrize(("letter", "limits"), LETTERS.items())
def test_tolerance_letters_as_limits(letter: str, limits: tuple[int, int]) -> None:
    low, high = limits
    text = f"±{high} %" if low == -high else f"+{high}/{low} %"
    design = design_from_toml(DESIGN.replace("±20 %", text))
    population = Population(design, 1)
    (variable,) = population.unit_variables
    assert variable.code == UNIFORM
    row = np.array(variable.parameters)
    edge = deviations(variable.code, row, np.empty(0), np.array([2.0**-53, 1 - 2.0**-53]))
    np.testing.assert_allclose(edge, [low / 100, high / 100], rtol=1e-12)
    drawn = population.unit_deviations(np.arange(5000))[:, 0]
    assert np.all((drawn > low / 100) & (drawn < high / 100))
    # 5,000 units leave neither outer hundredth of the band empty: 2 * 0.99^5000 < 1e-21.
    assert drawn.min() < (low + 0.01 * (high - low)) / 100
    assert drawn.max() > (high - 0.01 * (high - low)) / 100

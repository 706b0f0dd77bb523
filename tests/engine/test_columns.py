"""Kernel columns against values worked out by hand from the file."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import pchip_interpolate

from yieldsim.design.parameter import Tolerance
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import (
    Condition,
    column_of,
    kernel_design,
    unit_columns,
    width,
)
from yieldsim.engine.part_tables import drop_line, drop_line_error, unloaded_peak_current
from yieldsim.kernel import layout
from yieldsim.population.population import Population
from yieldsim.population.slots import slot_keys

CONDITIONS = """
title = "columns"
[conditions]
temperatures = ["-20 degC", "25 degC", "60 degC"]
ages = ["0 yr", "12 yr"]
actuations_per_day = 30
[[conditions.mission]]
temperature = "5 degC"
share = "40 %"
[[conditions.mission]]
temperature = "60 degC"
share = "60 %"
"""
HARVESTER = """
[harvester]
kind = "electromagnetic"
transit_time = "2.4 ms"
coil_resistance = "100 ohm ±5 %"
coil_inductance = "27 mH"
[harvester.peak_emf]
nominal = "16 V"
tolerance = { level = "unit", sigma = "3 %" }
temperature = "-0.11 %/K"
ageing = { law = "per decade of actuations", change = "-2.5 %", from = 100 }
[harvester.speed]
nominal = 1
tolerance = { level = "actuation", sigma = "5 %", within = "±15 %" }
[[harvester.strokes]]
start = "0 ms"
linkage = 1
[[harvester.strokes]]
start = "80 ms"
linkage = -0.9
transit_time = "3 ms"
[harvester.strokes.speed]
nominal = 1
tolerance = { level = "actuation", sigma = "8 %", within = "±20 %" }
"""
STORE = """
[rectifier]
kind = "full bridge"
[rectifier.forward_drop]
points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]
tolerance = "±30 mV"
temperature = "-1.3 mV/K"
[rectifier.reverse_leakage]
nominal = "2 uA"
temperature = { doubles_per = "11 K" }
[storage]
esr = "40 mohm"
since_soldering = "1000 h"
[storage.capacitance]
nominal = "47 uF"
tolerance = [{ level = "lot", sigma = "3 %" }, { level = "unit", sigma = "5 %", within = "±20 %" }]
temperature = [["-55 degC", 0.88], ["25 degC", 1.0], ["85 degC", 0.93], ["125 degC", 0.86]]
bias = [["0 V", 1.0], ["4 V", 0.87], ["8 V", 0.58], ["16 V", 0.27]]
[storage.capacitance.ageing]
law = "per decade of hours"
change = { nominal = "-2.5 %", tolerance = "±0.7 %" }
"""
REGULATOR = """
[regulator]
kind = "linear"
output = "2.5 V ±2 %"
start_voltage = "2.6 V ±3 %"
dropout = { nominal = "0.28 V", at = "20 mA", temperature = "0.35 %/K" }
"""
RADIO = """
[radio]
minimum_supply = "1.9 V"
[[radio.sequence]]
step = "boot"
duration = "3.8 ms"
minimum_supply = "1.8 V"
current = { nominal = "3.4 mA" }
[[radio.sequence]]
step = "transmit"
frame = { octets = 31, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = { nominal = "9 mA", tolerance = { level = "actuation", sigma = "4 %" }, temperature = "0.08 %/K" }
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.544 ms", spread = "0.3 ms", timeout = "0.864 ms" }
current = "8.2 mA"
[[radio.sequence]]
step = "store"
duration = "1 ms"
current = "2 mA"
"""
LINK = """
[link]
attempts = 3
frame_loss = "0.4 %"
[link.backoff]
unit = "320 us"
minimum_exponent = 3
maximum_exponent = 5
maximum_backoffs = 4
busy = "5 %"
idle_current = "1.1 mA"
assess_time = "128 us"
assess_current = "8.2 mA"
turnaround = "192 us"
turnaround_current = "8.2 mA"
"""


def read(*parts: str, folder: Path | None = None) -> Design:
    return design_from_toml("".join(parts), folder=folder)


@pytest.fixture(scope="module")
def design() -> Design:
    return read(CONDITIONS, HARVESTER, STORE, REGULATOR, RADIO, LINK)


def nominal(design: Design, temperature: float = 25.0, age: float = 0.0) -> np.ndarray:
    """Values of a unit without deviations."""
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    return unit_columns(design, Condition(temperature, age), population, zero)[0][0]


# --- columns ------------------------------------------------------------------------------------------------


def test_every_parameter_with_a_column_has_its_own(design: Design) -> None:
    columns = column_of(design)
    assert len(set(columns.values())) == len(columns)
    missing = set(design.parameters) - set(columns)
    assert missing == {"harvester.peak_emf.ageing.change", "storage.capacitance.ageing.change"}
    assert width(design) == layout.FIXED + 2 * layout.PER_STROKE + 4 * layout.PER_STEP


def test_values_without_laws_are_the_nominals(design: Design) -> None:
    row, columns = nominal(design), column_of(design)
    for name, column in columns.items():
        if name != "harvester.coil_resistance":  # refers to 20 degC
            assert row[column] == pytest.approx(design.parameters[name].nominal, rel=1e-15), name
    base = layout.FIXED + 2 * layout.PER_STROKE
    assert columns["radio.boot.duration"] == base
    assert columns["radio.listen.timeout"] == base + 2 * layout.PER_STEP + layout.STEP_TIMEOUT
    # Air time (31 + 6) * 8 bit / 250 kbit/s.
    assert row[base + layout.PER_STEP + layout.STEP_DURATION] == pytest.approx(1.184e-3, rel=1e-15)


def test_columns_that_nothing_fills(design: Design) -> None:
    row = nominal(design)
    assert row[layout.INSULATION] == math.inf
    assert row[layout.CLAMP_VOLTAGE] == math.inf
    assert row[layout.EFFICIENCY] == 1.0
    assert row[layout.WAVEFORM_SCALE] == 1.0
    assert row[layout.SIGNAL_TO_NOISE] == 0.0


def test_temperature_laws(design: Design) -> None:
    row = nominal(design, 60.0)
    assert row[layout.PEAK_EMF] == pytest.approx(16.0 * (1 - 0.0011 * 35), rel=1e-14)
    assert row[layout.FORWARD_DROP] == pytest.approx(0.42 - 0.0013 * 35, rel=1e-14)
    assert row[layout.REVERSE_LEAKAGE] == pytest.approx(2e-6 * 2 ** (35 / 11), rel=1e-14)
    assert row[layout.DROPOUT] == pytest.approx(0.28 * (1 + 0.0035 * 35), rel=1e-14)
    factor = pchip_interpolate([-55.0, 25.0, 85.0, 125.0], [0.88, 1.0, 0.93, 0.86], 60.0)
    assert row[layout.CAPACITANCE] == pytest.approx(47e-6 * float(factor), rel=1e-14)


def test_ageing_laws_run_over_the_mission(design: Design) -> None:
    hours = 1000 + 12 * 8760
    for temperature in (-20.0, 60.0):
        new, old = nominal(design, temperature), nominal(design, temperature, 12.0)
        ratio = np.divide(old, new, out=np.ones_like(old), where=(new != 0.0) & np.isfinite(new))
        assert ratio[layout.PEAK_EMF] == pytest.approx(1 - 0.025 * math.log10(12 * 30 * 365 / 100), rel=1e-13)
        assert ratio[layout.CAPACITANCE] == pytest.approx(1 - 0.025 * math.log10(hours / 1000), rel=1e-13)
        assert ratio[layout.FORWARD_DROP] == 1.0


def test_deviations_of_the_levels_add_before_the_laws(design: Design) -> None:
    population = Population(design, 1)
    place = {(v.name, v.level): i for i, v in enumerate(population.unit_variables)}
    deviations = np.zeros((2, len(place)))
    deviations[1, place["storage.capacitance", "lot"]] = 0.03
    deviations[1, place["storage.capacitance", "unit"]] = -0.1
    deviations[1, place["storage.capacitance.ageing.change", "unit"]] = -0.007
    deviations[1, place["rectifier.forward_drop", "unit"]] = 0.02
    deviations[1, place["harvester.coil_resistance", "unit"]] = 0.05
    base, scale = unit_columns(design, Condition(60.0, 12.0), population, deviations)
    plain = nominal(design, 60.0, 12.0)
    np.testing.assert_array_equal(base[0], plain)
    decades = math.log10((1000 + 12 * 8760) / 1000)
    change = design.parameters["storage.capacitance.ageing.change"]
    (tolerance,) = change.tolerances
    assert not tolerance.relative
    own = -0.025 - 0.007
    expected = plain[layout.CAPACITANCE] * (1 + 0.03 - 0.1) * (1 + own * decades) / (1 - 0.025 * decades)
    assert base[1, layout.CAPACITANCE] == pytest.approx(expected, rel=1e-13)
    assert base[1, layout.FORWARD_DROP] == pytest.approx(plain[layout.FORWARD_DROP] + 0.02, rel=1e-13)
    assert base[1, layout.COIL_RESISTANCE] == pytest.approx(plain[layout.COIL_RESISTANCE] * 1.05, rel=1e-14)
    assert not np.any(scale[:, layout.CAPACITANCE])


def test_an_actuation_deviation_goes_through_the_laws(design: Design) -> None:
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    base, scale = unit_columns(design, Condition(60.0, 12.0), population, zero)
    column = column_of(design)["radio.transmit.current"]
    # x = base + scale * d is (nominal * (1 + d)) * (1 + 0.08 %/K * 35 K).
    assert base[0, column] + scale[0, column] * 0.07 == pytest.approx(9e-3 * 1.07 * 1.028, rel=1e-14)
    assert scale[0, layout.SPEED] == 1.0
    assert set(np.flatnonzero(scale[0])) == {
        layout.SPEED,
        layout.FIXED + layout.PER_STROKE + layout.STROKE_SPEED,
        column,
    }


def test_an_absolute_actuation_deviation_scales_with_the_laws_alone(design: Design) -> None:
    from dataclasses import replace

    old = design.parameters["regulator.dropout"]
    noisy = design.with_parameter(replace(old, tolerances=(Tolerance("actuation", "uniform", False, -0.01, 0.01),)))
    population = Population(noisy, 1)
    _, scale = unit_columns(noisy, Condition(60.0, 0.0), population, np.zeros((1, len(population.unit_variables))))
    assert scale[0, layout.DROPOUT] == pytest.approx(1 + 0.0035 * 35, rel=1e-14)


def test_another_mission_can_be_handed_in() -> None:
    text = STORE.replace('law = "per decade of hours"', 'law = "endurance"').replace(
        'change = { nominal = "-2.5 %", tolerance = "±0.7 %" }',
        'change = "-20 %"\nrated_life = "100000 h"\nrated_temperature = "60 degC"\ndoubling = "10 K"',
    )
    design = read(CONDITIONS, HARVESTER, text, REGULATOR, RADIO)
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    own, _ = unit_columns(design, Condition(25.0, 10.0), population, zero)
    hot, _ = unit_columns(design, Condition(25.0, 10.0), population, zero, mission=((60.0, 1.0),))
    wear = 10 * 8760 / 100_000
    assert hot[0, layout.CAPACITANCE] == pytest.approx(47e-6 * (1 - 0.2 * wear), rel=1e-13)
    mixed = 0.4 * 2**-5.5 + 0.6
    assert own[0, layout.CAPACITANCE] == pytest.approx(47e-6 * (1 - 0.2 * wear * mixed), rel=1e-13)


def test_deviations_of_another_width_are_refused(design: Design) -> None:
    with pytest.raises(ValueError, match=r"deviations have shape \(4, 1\)"):
        unit_columns(design, Condition(25.0, 0.0), Population(design, 1), np.zeros((4, 1)))


# --- the constant part --------------------------------------------------------------------------------------


def test_constant_part_of_a_linear_design(design: Design) -> None:
    population = Population(design, 7)
    kernel = kernel_design(design, population)
    second = layout.FIXED + layout.PER_STROKE
    assert (kernel.source, kernel.junctions, kernel.regulator) == (layout.HALF_SINE, 2, layout.LINEAR)
    np.testing.assert_array_equal(
        kernel.strokes,
        [
            [layout.TRANSIT_TIME, layout.SPEED, 0],
            [second + layout.STROKE_TRANSIT_TIME, second + layout.STROKE_SPEED, 0],
        ],
    )
    assert kernel.waveform.shape == (2, 0)
    base = layout.FIXED + 2 * layout.PER_STROKE
    np.testing.assert_array_equal(
        kernel.steps,
        [
            [layout.FIXED_STEP, layout.ONCE, 1, base + layout.STEP_MINIMUM_SUPPLY],
            [layout.FRAME_STEP, layout.EACH_ATTEMPT, 1, layout.MINIMUM_SUPPLY],
            [layout.LISTEN_STEP, layout.EACH_ATTEMPT, 1, layout.MINIMUM_SUPPLY],
            [layout.FIXED_STEP, layout.AFTER, 0, layout.MINIMUM_SUPPLY],
        ],
    )
    assert kernel.dropout_current == 0.02
    assert (kernel.attempts, kernel.use_backoff, kernel.use_signal_to_noise) == (3, True, False)
    np.testing.assert_array_equal(kernel.octets, [[31, 31, 5]])
    np.testing.assert_array_equal(kernel.exponents, [3, 5, 4])
    columns = column_of(design)
    names = ["harvester.speed", "harvester.stroke_2.speed", "radio.transmit.current"]
    assert population.actuation_variables.names == tuple(names)
    np.testing.assert_array_equal(kernel.variable_column, [columns[name] for name in names])
    np.testing.assert_array_equal(kernel.variable_each, [0, 0, 1])
    np.testing.assert_array_equal(kernel.keys, slot_keys(design, 7))
    assert kernel.keys.shape == (3 + 3 + 5 + 5 + 2, 2)


def test_drop_line_is_fitted_over_the_unloaded_peak(design: Design) -> None:
    # Inductance and resistance in series: 16 V / |100 ohm + j pi 27 mH / 2.4 ms|; the second stroke is 0.9 of
    # the emf over 3 ms, which is less.
    peaks = [
        16 / abs(complex(100, math.pi * 0.027 / 2.4e-3)),
        0.9 * 16 / abs(complex(100, math.pi * 0.027 / 3e-3)),
    ]
    assert unloaded_peak_current(design) == pytest.approx(max(peaks), rel=1e-14)
    line = drop_line(((0.01, 0.32), (0.1, 0.42)), max(peaks))
    kernel = kernel_design(design, Population(design, 1))
    np.testing.assert_allclose(kernel.drop_line, [line.intercept, line.slope, 0.42], rtol=1e-12)
    assert drop_line_error(design) == pytest.approx((line.largest, line.mean), rel=1e-12)


def test_a_drop_without_a_table_is_constant() -> None:
    text = STORE.replace('points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]', 'nominal = "0.35 V"')
    design = read(CONDITIONS, HARVESTER, text, REGULATOR, RADIO)
    np.testing.assert_array_equal(kernel_design(design, Population(design, 1)).drop_line, [0.35, 0.0, 0.35])
    assert drop_line_error(design) == (0.0, 0.0)


def test_direct_supply_without_a_harvester() -> None:
    text = '[regulator]\nkind = "direct"\nstart_voltage = "2.6 V ±3 %"\n'
    store = STORE.replace('esr = "40 mohm"', 'esr = "40 mohm"\ninitial_voltage = "4 V"')
    design = read(CONDITIONS, store.replace("full bridge", "single diode"), text, RADIO)
    population = Population(design, 1)
    kernel = kernel_design(design, population)
    assert (kernel.source, kernel.junctions, kernel.regulator) == (layout.NO_SOURCE, 1, layout.DIRECT)
    assert kernel.strokes.shape == (0, 3)
    assert kernel.dropout_current == 0.0
    assert (kernel.attempts, kernel.use_backoff) == (1, False)
    assert unloaded_peak_current(design) == 0.0
    # Without a harvester the line is fitted between the ends of the table.
    assert kernel.drop_line[1] == pytest.approx(drop_line(((0.01, 0.32), (0.1, 0.42)), None).slope, rel=1e-12)
    base, _ = unit_columns(design, Condition(25.0, 0.0), population, population.unit_deviations(np.arange(5)))
    np.testing.assert_array_equal(base[:, layout.OUTPUT], base[:, layout.START_VOLTAGE])
    assert len(np.unique(base[:, layout.OUTPUT])) == 5
    assert base[0, layout.INITIAL_VOLTAGE] == 4.0
    assert base[0, layout.SPEED] == 1.0


def test_buck_and_measured_waveform(tmp_path: Path) -> None:
    (tmp_path / "emf.csv").write_text("t,e\n0.0,0.0\n0.001,8.0\n0.002,-6.0\n0.003,0.0\n")
    harvester = """
[harvester]
kind = "electromagnetic"
coil_resistance = "200 ohm"
[harvester.emf_waveform]
file = "emf.csv"
time = "t"
emf = "e"
scale = { nominal = 1.5, tolerance = "±10 %" }
"""
    regulator = """
[regulator]
kind = "buck"
output = "2.5 V"
start_voltage = "3 V"
efficiency = "88 % ±3 %"
dropout = { nominal = "0.1 V", at = "10 mA" }
"""
    design = read(CONDITIONS, harvester, STORE, regulator, RADIO, folder=tmp_path)
    kernel = kernel_design(design, Population(design, 1))
    assert (kernel.source, kernel.regulator) == (layout.SAMPLED, layout.BUCK)
    np.testing.assert_allclose(kernel.waveform, [[0, 1e-3, 2e-3, 3e-3], [0, 8, -6, 0]])
    assert kernel.strokes.shape == (0, 3)
    assert unloaded_peak_current(design) == pytest.approx(8.0 * 1.5 / 200.0)
    row = nominal(design)
    assert row[layout.WAVEFORM_SCALE] == 1.5
    assert row[layout.EFFICIENCY] == pytest.approx(0.88)
    assert width(design) == layout.FIXED + 4 * layout.PER_STEP


def test_current_that_depends_on_the_supply() -> None:
    current = 'current = { nominal = "3.4 mA", slope = "0.4 mA/V", at = "2.5 V" }'
    text = RADIO.replace('current = { nominal = "3.4 mA" }', current)
    design = read(CONDITIONS, HARVESTER, STORE, REGULATOR, text)
    assert text != RADIO
    kernel = kernel_design(design, Population(design, 1))
    np.testing.assert_allclose(kernel.slopes[0], [4e-4, 2.5], rtol=1e-15)
    np.testing.assert_array_equal(kernel.slopes[1], [0.0, 0.0])


def test_store_without_bias_is_exact() -> None:
    text = STORE.replace('bias = [["0 V", 1.0], ["4 V", 0.87], ["8 V", 0.58], ["16 V", 0.27]]\n', "")
    design = read(CONDITIONS, HARVESTER, text, REGULATOR, RADIO)
    kernel = kernel_design(design, Population(design, 1))
    np.testing.assert_array_equal(kernel.bias, [[0.0, 1.0], [1.0, 1.0]])
    assert kernel.bias_step == 1.0

"""Kernel columns of sources, banks, curves, messages and residuals against values worked out by hand from the file."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition, column_of, kernel_design, unit_columns, width
from yieldsim.engine.part_tables import drop_line_error, unloaded_peak_current
from yieldsim.engine.placement import part_base
from yieldsim.kernel import layout
from yieldsim.population.population import Population

CONFIGS = Path(__file__).parents[2] / "configs"
NAMES = ("seat-counter", "lid-tally", "vent-flap")
# Nominal values that the tests below work with, whatever the demo has
PINNED = {
    "harvester.open_circuit_swing": 130.0,
    "harvester.source_capacitance": 1.5e-6,
    "storage.ceramic.capacitance": 10e-6,
    "storage.polymer.capacitance": 22e-6,
    "precharge.current": 4e-6,
}


def read(name: str, *edits: tuple[str, str]) -> Design:
    text = (CONFIGS / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text, f"{old!r} is not in the demo"
        text = text.replace(old, new, 1)
    design = design_from_toml(text)
    for parameter, value in PINNED.items():
        if parameter in design.parameters:
            design = design.with_nominal(parameter, value)
    return design


def nominal(design: Design, temperature: float = 25.0, age: float = 0.0) -> np.ndarray:
    """Values of a unit without deviations."""
    population = Population(design, 1)
    zero = np.zeros((1, len(population.unit_variables)))
    return unit_columns(design, Condition(temperature, age), population, zero)[0][0]


@pytest.fixture(scope="module")
def seat() -> Design:
    return read("seat-counter")


@pytest.fixture(scope="module")
def lid() -> Design:
    return read("lid-tally")


@pytest.fixture(scope="module")
def vent() -> Design:
    return read("vent-flap")


# --- columns --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_every_parameter_but_those_of_laws_has_its_own_column(name: str) -> None:
    design = read(name)
    columns = column_of(design)
    assert len(set(columns.values())) == len(columns)
    missing = set(design.parameters) - set(columns)
    assert all(n.endswith((".ageing.change", ".dielectric")) for n in missing)
    assert max(columns.values()) < width(design)
    row = nominal(design)
    for n, column in columns.items():
        if n != "harvester.coil_resistance":  # refers to 20 degC
            assert row[column] == pytest.approx(design.parameters[n].nominal, rel=1e-14), n


def test_what_stands_where_there_is_nothing() -> None:
    row = nominal(read("hatch-latch"))
    assert (row[layout.LOSS_RESISTANCE], row[layout.PRECHARGE_LIMIT]) == (math.inf, math.inf)
    assert (row[layout.TRAVEL], row[layout.PACKET_EFFICIENCY]) == (1.0, 1.0)
    for column in ("PARTIAL_SHARE", "PRECHARGE_CURRENT", "PRECHARGE_TIME", "TIME_SINCE", "RETRY_ABOVE"):
        assert row[getattr(layout, column)] == 0.0, column
    for column in ("OPEN_SWING", "SOURCE_CAPACITANCE", "PACKET_ENERGY", "DELIVERY_TIME"):
        assert row[getattr(layout, column)] == 0.0, column


def test_columns_of_a_bank(seat: Design) -> None:
    assert width(seat) == layout.FIXED + 2 * layout.PER_STROKE + 3 * layout.PER_STEP + 2 * layout.PER_PART
    columns = column_of(seat)
    first, second = part_base(seat, 0), part_base(seat, 1)
    assert second == first + layout.PER_PART == width(seat) - layout.PER_PART
    assert columns["storage.ceramic.capacitance"] == first + layout.PART_CAPACITANCE
    assert columns["storage.polymer.insulation"] == second + layout.PART_INSULATION
    row = nominal(seat)
    assert row[layout.CAPACITANCE] == pytest.approx(32e-6, rel=1e-14)
    assert row[layout.ESR] == pytest.approx(1 / (1 / 8e-3 + 1 / 45e-3), rel=1e-14)
    # The conductance of a bank is the sum of C_k/(RC)_k; its own product is that of the whole.
    assert row[layout.INSULATION] == pytest.approx(32e-6 / (10e-6 / 100 + 22e-6 / 12), rel=1e-14)


def test_a_bank_with_a_part_that_leaks_nothing_or_resists_nothing() -> None:
    tight = read("seat-counter", ('insulation = "100 ohm*F"\n', ""), ('esr = "8 mohm"\n', ""))
    row = nominal(tight)
    assert row[part_base(tight, 0) + layout.PART_INSULATION] == math.inf
    assert row[layout.INSULATION] == pytest.approx(32e-6 / (22e-6 / 12), rel=1e-14)
    assert row[layout.ESR] == 0.0
    tighter = read(
        "seat-counter",
        ('insulation = "100 ohm*F"\n', ""),
        ('insulation = { nominal = "12 ohm*F", tolerance = { shape = "lognormal", sigma = 0.3 } }\n', ""),
    )
    assert nominal(tighter)[layout.INSULATION] == math.inf


def test_the_place_of_a_dielectric_moves_its_unit(seat: Design) -> None:
    population = Population(seat, 1)
    place = {(v.name, v.level): i for i, v in enumerate(population.unit_variables)}
    deviations = np.zeros((3, len(place)))
    deviations[:, place["storage.ceramic.capacitance.dielectric", "unit"]] = (-0.5, 0.0, 0.5)
    column = column_of(seat)["storage.ceramic.capacitance"]
    hot, scale = unit_columns(seat, Condition(45.0, 0.0), population, deviations)
    # X7R: +-15 % anywhere between -55 and 125 degC, and the nominal at 25 degC.
    np.testing.assert_allclose(hot[:, column], [8.5e-6, 10e-6, 11.5e-6], rtol=1e-14)
    assert not scale[:, column].any()
    at_reference, _ = unit_columns(seat, Condition(25.0, 0.0), population, deviations)
    np.testing.assert_allclose(at_reference[:, column], 10e-6, rtol=1e-14)
    other = column_of(seat)["storage.polymer.capacitance"]
    assert len(set(hot[:, other])) == 1


def test_units_spread_over_the_limits_of_a_code(lid: Design) -> None:
    population = Population(lid, 3)
    base, _ = unit_columns(lid, Condition(60.0, 0.0), population, population.unit_deviations(np.arange(4000)))
    flat, _ = unit_columns(lid, Condition(25.0, 0.0), population, population.unit_deviations(np.arange(4000)))
    ratio = base[:, layout.CAPACITANCE] / flat[:, layout.CAPACITANCE]
    assert 0.85 <= ratio.min() < 0.8501 + 0.3 * 20 / 4000
    assert 1.15 - 0.3 * 20 / 4000 < ratio.max() <= 1.15
    # Mean of 4,000 uniform draws, six standard errors: false alarm 2e-9.
    assert abs(ratio.mean() - 1.0) < 6 * 0.3 / math.sqrt(12 * 4000)


def test_a_preset_ages_by_its_rule(vent: Design) -> None:
    column = layout.CAPACITANCE
    ratio = nominal(vent, 25.0, 8.0)[column] / nominal(vent, 25.0, 0.0)[column]
    # Half as fast per 10 K below 105 degC, over the mission: 18 degC for 75 %, 40 degC for 25 %.
    hours = 8 * 8760 * (0.75 * 2 ** ((18 - 105) / 10) + 0.25 * 2 ** ((40 - 105) / 10))
    assert ratio == pytest.approx(1 - 0.2 * hours / 2000, rel=1e-12)


def test_residual_and_precharge(vent: Design) -> None:
    row = nominal(vent)
    assert row[layout.INITIAL_VOLTAGE] == pytest.approx(1.6)
    assert row[layout.TIME_SINCE] == 20.0
    assert row[layout.PRECHARGE_CURRENT] == pytest.approx(4e-6)
    assert (row[layout.PRECHARGE_LIMIT], row[layout.PRECHARGE_TIME]) == (pytest.approx(2.1), 40.0)
    drawn = Population(vent, 1).actuation_variables
    assert {"precharge.current", "storage.residual.time_since", "harvester.stroke_2.dwell"} <= set(drawn.names)
    assert not drawn.each_attempt[drawn.names.index("storage.residual.voltage")]


# --- the constant part ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "source", "strokes"),
    [("seat-counter", layout.PIEZO, 2), ("lid-tally", layout.PACKET, 0), ("vent-flap", layout.HALF_SINE, 2)],
)
def test_sources(name: str, source: int, strokes: int) -> None:
    design = read(name)
    kernel = kernel_design(design, Population(design, 1))
    assert kernel.source == source
    assert kernel.strokes.shape == (strokes, 3)
    assert kernel.strokes.dtype == np.int64
    assert kernel.strokes[:, layout.STROKE_DWELLS].tolist() == [0, 1][:strokes]
    assert kernel.waveform.shape == (2, 0)


def test_a_dwell_stands_in_the_column_of_the_start(seat: Design) -> None:
    base = layout.FIXED + layout.PER_STROKE
    assert column_of(seat)["harvester.stroke_2.dwell"] == base + layout.STROKE_START
    assert nominal(seat)[base + layout.STROKE_START] == pytest.approx(0.12)


def test_unloaded_peak_current_of_a_piezoelectric_element(seat: Design, lid: Design) -> None:
    # C_p ds/dt of s = swing (1 - cos(pi t/w))/2, numerically; the return stroke of 0.9 is less.
    t = np.linspace(0.0, 14e-3, 200_001)
    swing = 130 * (1 - np.cos(math.pi * t / 14e-3)) / 2
    assert unloaded_peak_current(seat) == pytest.approx(1.5e-6 * np.max(np.gradient(swing, t)), rel=1e-6)
    assert unloaded_peak_current(lid) == 0.0
    assert drop_line_error(lid) == (0.0, 0.0)


def test_restart(seat: Design, vent: Design) -> None:
    assert kernel_design(vent, Population(vent, 1)).restart is True
    assert kernel_design(seat, Population(seat, 1)).restart is False


def test_curves(seat: Design, lid: Design) -> None:
    kernel = kernel_design(seat, Population(seat, 1))
    np.testing.assert_array_equal(kernel.quiescent_curve, [[2.0, 1.0], [4.0, 1.15], [7.0, 1.5]])
    np.testing.assert_array_equal(kernel.dropout_curve, [[1.7, 1.4], [2.0, 1.0]])
    assert kernel.off_curve.shape == kernel.efficiency_curve.shape == (0, 2)
    kernel = kernel_design(lid, Population(lid, 1))
    np.testing.assert_allclose(kernel.efficiency_curve[:, 0], [1e-3, 3e-3, 8e-3, 20e-3], rtol=1e-15)
    np.testing.assert_array_equal(kernel.off_curve, [[1.0, 0.4], [3.0, 1.0], [12.0, 1.6]])
    assert kernel.dropout_curve.shape == kernel.quiescent_curve.shape == (0, 2)


def test_messages(lid: Design) -> None:
    kernel = kernel_design(lid, Population(lid, 1))
    np.testing.assert_allclose(kernel.message_shares, [0.94, 1.0], rtol=1e-15)
    assert kernel.message_shares[-1] == 1.0
    np.testing.assert_array_equal(kernel.step_runs, [[1, 1], [0, 1], [1, 1], [1, 1], [0, 1]])
    np.testing.assert_array_equal(kernel.octets, [[23, 15, 5], [58, 22, 5]])
    # (octets + 6) * 8 bit / 250 kbit/s = (octets + 6) * 32 us
    expected = np.array([[23, 15], [58, 22]])
    np.testing.assert_allclose(kernel.air_time[2], (expected + 6) * 32e-6, rtol=1e-14)
    assert not kernel.air_time[[0, 1, 3, 4]].any()
    base = layout.FIXED + 2 * layout.PER_STEP
    assert nominal(lid)[base + layout.STEP_DURATION] == pytest.approx(29 * 32e-6, rel=1e-14)


def test_one_message_without_a_list(seat: Design) -> None:
    kernel = kernel_design(seat, Population(seat, 1))
    np.testing.assert_array_equal(kernel.message_shares, [1.0])
    np.testing.assert_array_equal(kernel.step_runs, np.ones((3, 1)))
    np.testing.assert_array_equal(kernel.octets, [[19, 19, 5]])
    np.testing.assert_allclose(kernel.air_time[1], [[25 * 32e-6] * 2], rtol=1e-14)


def test_shares_that_do_not_quite_add_up_are_scaled() -> None:
    design = read("lid-tally", ('share = "94 %"', 'share = "94.1 %"'))
    shares = kernel_design(design, Population(design, 1)).message_shares
    np.testing.assert_allclose(shares, [0.941 / 1.001, 1.0], rtol=1e-14)
    assert shares[-1] == 1.0


def test_frames_of_a_step_that_does_not_run_do_not_count() -> None:
    long = (
        'frame = { octets = 80, bit_rate = "250 kbit/s", overhead_octets = 6 }\ncurrent = "9 mA"\nmessage = "report"\n'
    )
    design = read(
        "lid-tally",
        (
            '[[radio.sequence]]\nstep = "listen"',
            f'[[radio.sequence]]\nstep = "log"\n{long}[[radio.sequence]]\nstep = "listen"',
        ),
    )
    np.testing.assert_array_equal(kernel_design(design, Population(design, 1)).octets, [[23, 15, 5], [116, 44, 5]])


def test_tables_of_a_bank(seat: Design, lid: Design) -> None:
    kernel = kernel_design(seat, Population(seat, 1))
    parts, nodes, two = kernel.bank.shape
    assert (parts, two) == (2, 2)
    assert (nodes - 1) * kernel.bank_step == pytest.approx(16.0, rel=1e-14)
    assert kernel.bias.shape[1] == 2
    assert len(kernel.bias) <= 1025
    single = kernel_design(lid, Population(lid, 1))
    assert single.bank.shape == (0, 0, 0)

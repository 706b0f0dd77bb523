"""Codes of ceramic dielectrics against their published limits, and what they make of a capacitance."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.design.dielectrics import CHANGES, FIGURES, HIGHEST, LOWEST, MULTIPLIERS, PRESETS, SPREADS, dielectric_of
from yieldsim.design.reading import design_from_toml

# --- codes ----------------------------------------------------------------------------------------------------------


# Published: EIA-198, classes II and III, as public tables of the code list them.
@pytest.mark.parametrize(
    ("code", "lowest", "highest", "low", "high"),
    [
        ("X5R", -55, 85, -15, 15),
        ("X7R", -55, 125, -15, 15),
        ("X8R", -55, 150, -15, 15),
        ("X6S", -55, 105, -22, 22),
        ("X7S", -55, 125, -22, 22),
        ("X7T", -55, 125, -33, 22),
        ("Y5V", -30, 85, -82, 22),
        ("Z5U", 10, 85, -56, 22),
        ("Z4P", 10, 65, -10, 10),
        ("Y5P", -30, 85, -10, 10),
        ("X5F", -55, 85, -7.5, 7.5),
    ],
)
def test_class_2_codes(code, lowest, highest, low, high):
    found = dielectric_of(code)
    assert (found.lowest, found.highest) == (lowest, highest)
    assert (found.low, found.high) == pytest.approx((low / 100, high / 100), rel=1e-15)
    assert not found.per_kelvin
    assert found.limits(lowest) == found.limits(highest) == pytest.approx((1 + low / 100, 1 + high / 100))
    assert found.limits(25.0) == (1.0, 1.0)
    assert not found.holds(lowest - 0.1)
    assert not found.holds(highest + 0.1)


# C0G is published as 0 +- 30 ppm/K; the others are from memory of EIA-198 class I, where N470 is T2H, N750 is U2J and
# P100 is M7G in the older letters.
@pytest.mark.parametrize(
    ("code", "nominal", "spread"),
    [("C0G", 0, 30), ("C0H", 0, 60), ("S2H", -330, 60), ("T2H", -470, 60), ("U2J", -750, 120), ("M7G", 100, 30)],
)
def test_class_1_codes(code, nominal, spread):
    found = dielectric_of(code)
    assert found.per_kelvin
    assert (found.low, found.high) == pytest.approx(((nominal - spread) * 1e-6, (nominal + spread) * 1e-6), rel=1e-12)
    # 60 K above the reference
    expected = (1 + (nominal - spread) * 60e-6, 1 + (nominal + spread) * 60e-6)
    assert found.limits(85.0) == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize("text", ["", "X7", "X7RR", "x7r", "COG", "NP0", "X3R", "X7G", "C4G", "C0R", "Q5R", "X7R\n"])
def test_what_is_no_code(text):
    assert dielectric_of(text) is None


@given(st.sampled_from([*LOWEST]), st.sampled_from([*HIGHEST]), st.sampled_from([*CHANGES]))
def test_every_code_of_the_classes_2_and_3_is_read(first, second, third):
    found = dielectric_of(first + second + third)
    assert found.lowest < 25.0 < found.highest
    assert -0.82 <= found.low < 0.0 < found.high <= 0.22


@given(
    st.sampled_from([*FIGURES]), st.sampled_from([*MULTIPLIERS]), st.sampled_from([*SPREADS]), st.floats(-55.0, 125.0)
)
def test_limits_of_class_1_grow_from_the_reference(first, second, third, temperature):
    found = dielectric_of(first + second + third)
    low, high = found.limits(temperature)
    assert abs(low - high) == pytest.approx(2e-6 * SPREADS[third] * abs(temperature - 25.0), abs=1e-12)
    assert (low <= high) is (temperature >= 25.0)


# --- in a file ------------------------------------------------------------------------------------------------------

LAW, BIAS = 'temperature = [["-55 degC", 0.88]', "bias = [["
AGEING = (
    '[storage.capacitance.ageing]\nlaw = "per decade of hours"\nchange = { nominal = "-2.5 %", tolerance = "±0.7 %" }\n'
)


def of(changed, code: str, *more: tuple[str, str]):
    """The valve-turn reporter whose capacitance has a dielectric and no temperature law of its own."""
    return changed((LAW, f'dielectric = "{code}"\n# {LAW}'), *more)


def test_a_code_becomes_a_law_with_a_drawn_place(changed):
    design = of(changed, "X7R")
    capacitance = design.storage.capacitance
    assert capacitance.dielectric == "X7R"
    assert (capacitance.temperature.kind, capacitance.temperature.code) == ("dielectric", "X7R")
    place = design.parameters["storage.capacitance.dielectric"]
    assert place is capacitance.temperature.place
    assert (place.dimension, place.nominal, place.levels, place.basis) == ("factor", 0.5, ("unit",), "datasheet")
    (tolerance,) = place.tolerances
    assert (tolerance.shape, tolerance.relative, tolerance.low, tolerance.high) == ("uniform", False, -0.5, 0.5)
    assert design.warnings == ()
    moved = design.with_parameter(type(place)(place.name, "factor", 0.2))
    assert moved.storage.capacitance.temperature.place.nominal == 0.2
    assert moved.hash != design.hash


def test_a_law_of_the_file_stands_in_its_place(changed):
    design = changed((BIAS, f'dielectric = "X7R"\n{BIAS}'))
    assert design.storage.capacitance.temperature.kind == "table"
    assert "storage.capacitance.dielectric" not in design.parameters
    assert design.warnings == ("storage.capacitance: its own temperature law stands in place of the limits of X7R",)


def test_presets_bring_an_assumed_drift(changed):
    design = changed((BIAS, f'dielectric = "polymer"\n{BIAS}'), (AGEING, ""))
    (drift,) = design.storage.capacitance.ageing
    preset = PRESETS["polymer"]
    assert (drift.law, drift.rated_life, drift.rated_temperature) == ("endurance", 2000.0, 105.0)
    assert drift.doubling == preset.doubling
    assert (drift.change.name, drift.change.nominal) == ("storage.capacitance.ageing.change", -0.2)
    assert (drift.change.basis, drift.change.defaulted) == ("assumed", True)
    assert drift.change.note == "generic polymer: common practice, no published source"


def test_a_preset_that_says_nothing_is_told(changed):
    design = of(changed, "aluminium electrolytic")
    assert design.storage.capacitance.temperature is None
    assert design.warnings == (
        'storage.capacitance: its own ageing law stands in place of the generic one of "aluminium electrolytic"',
        'storage.capacitance: "aluminium electrolytic" says nothing of the temperature, so it stays as it is',
    )


# Common practice, no published source: a life that halves per 10 K, and one that falls to a tenth per 20 K.
def test_generic_lives():
    assert PRESETS["aluminium electrolytic"].doubling == 10.0
    assert 2.0 ** (20.0 / PRESETS["polymer"].doubling) == pytest.approx(10.0, rel=0.02)


def test_codes_differ_in_the_hash(changed):
    hashes = {of(changed, code).hash for code in ("X7R", "X5R", "X7S", "C0G", "polymer")}
    assert len(hashes) == 5


def test_the_range_of_a_code_binds_every_condition(edited):
    text = edited((LAW, f'dielectric = "Y5P"\n# {LAW}'))
    assert design_from_toml(text).storage.capacitance.temperature.code == "Y5P"
    with pytest.raises(ValueError, match="Y5P holds from -30 to 85 degC, and actuations are computed at -40 degC"):
        design_from_toml(text.replace('"-20 degC"', '"-40 degC"', 1))

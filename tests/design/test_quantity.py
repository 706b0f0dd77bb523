"""The reader of quantities against pint, an independent library of units."""

import math
import unicodedata

import pint
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from yieldsim.design.quantity import (
    Limits,
    format_quantity,
    read_limits,
    read_quantity,
    read_toleranced,
    si_value,
)
from yieldsim.design.units import DIMENSIONS
from yieldsim.words.errors import InputError

UNITS = pint.UnitRegistry()
# pint's own year is the Julian one of 365.25 days; the configuration's year has 8,760 hours.
UNITS.define("calendar_year = 365 * day")
SPELLED_FOR_PINT = {
    "yr": "calendar_year",
    "%/K": "percent / kelvin",
    "ppm/K": "ppm / kelvin",
    "": "dimensionless",
}
EVERY_SPELLING = [(name, unit) for name, dimension in DIMENSIONS.items() for unit in dimension.units]


def by_pint(value: float, unit: str, dimension: str) -> float:
    target = next(iter(DIMENSIONS[dimension].units)) or "dimensionless"
    target = "dimensionless" if dimension == "change" else target
    unit = unicodedata.normalize("NFKC", unit)  # pint knows one of the two code points of ohm and of micro
    quantity = UNITS.Quantity(value, SPELLED_FOR_PINT.get(unit, unit))
    return float(quantity.to(SPELLED_FOR_PINT.get(target, target)).magnitude)


@pytest.mark.parametrize(("dimension", "unit"), EVERY_SPELLING)
@pytest.mark.parametrize("number", ["47", "-2.5", "1e-3", "0.333333333333"])
def test_every_unit_spelling_means_what_pint_says(dimension, unit, number):
    read = read_quantity(f"{number} {unit}", dimension)
    assert read == pytest.approx(by_pint(float(number), unit, dimension), rel=1e-14)


def test_all_units_of_the_format_are_there():
    # the spellings that the file format promises
    promised = {
        "V": "V mV",
        "A": "A mA uA µA nA",
        "ohm": "ohm Ω mohm kohm Mohm",
        "F": "F mF uF µF nF pF",
        "H": "H mH uH µH",
        "s": "s ms us µs ns min h d yr",
        "degC": "degC °C",
        "K": "K",
        "J": "J mJ uJ µJ",
        "W": "W mW uW",
        "Hz": "Hz kHz MHz",
        "bit/s": "bit/s kbit/s Mbit/s",
        "share": "% ppm",
        "1/K": "%/K ppm/K 1/K",
        "V/K": "V/K mV/K",
        "ohm*F": "ohm*F",
        "dB": "dB",
        "eV": "eV",
    }
    for dimension, units in promised.items():
        assert set(units.split()) <= set(DIMENSIONS[dimension].units), dimension


@given(
    st.sampled_from([d for d in DIMENSIONS if d != "count"]),
    st.floats(min_value=-1e12, max_value=1e12, allow_nan=False),
)
def test_a_formatted_quantity_reads_back_to_the_same_double(dimension, value):
    assume(value == 0.0 or abs(value) > 1e-290)
    assert read_quantity(format_quantity(value, dimension, digits=None), dimension) == value


@given(st.sampled_from(["V", "A", "F", "s", "ohm"]), st.floats(min_value=1e-9, max_value=1e6))
def test_formatting_keeps_six_digits_and_an_engineering_prefix(dimension, value):
    text = format_quantity(value, dimension)
    assert read_quantity(text, dimension) == pytest.approx(value, rel=5.1e-6)
    assert 1.0 <= float(text.split()[0]) <= 1000.0 or value >= 999.9 or value < 1e-3


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (4.7e-5, "F", "47 uF"),
        (0.0, "V", "0 V"),
        (0.999, "share", "99.9 %"),
        (-0.0011, "1/K", "-0.11 %/K"),
        (-0.0013, "V/K", "-1.3 mV/K"),
        (0.864e-3, "s", "864 us"),
        (25.0, "degC", "25 degC"),
        (1.0, "factor", "1"),
        (250e3, "bit/s", "250 kbit/s"),
        (1e30, "V", "1e+30 V"),
    ],
)
def test_how_a_quantity_is_written(value, dimension, text):
    assert format_quantity(value, dimension) == text


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("\u221220 degC", "degC", -20.0),  # a typographic minus
        ("+3.3V", "V", 3.3),
        (" 47\tuF ", "F", 47e-6),
        ("1.5e\u22123 A", "A", 1.5e-3),
        ("5eV", "eV", 5.0),
        ("12 yr", "s", 12 * 8760 * 3600.0),
        (".5 V", "V", 0.5),
        (0.999, "share", 0.999),
        ("0.999", "share", 0.999),
        (1, "factor", 1.0),
    ],
)
def test_accepted_spellings(text, dimension, value):
    assert read_quantity(text, dimension) == value


def test_the_nearest_double_is_read():
    # 47e-6 as a literal is correctly rounded; 47 * 1e-6 is not always
    for number in range(1, 2000):
        assert read_quantity(f"{number} uF", "F") == float(f"{number}e-6")


def test_in_another_unit():
    assert read_quantity("12 yr", "s", unit="yr") == 12.0
    assert read_quantity("1000 h", "s", unit="h") == 1000.0
    assert read_quantity("2 d", "s", unit="h") == 48.0


@pytest.mark.parametrize(
    ("value", "dimension", "told"),
    [
        ("47 UF", "F", '"47 UF": "UF" is not a unit here; did you mean "47 uF"?'),
        (
            "1,5 V",
            "V",
            '"1,5 V": a comma inside the number; use a decimal point and no thousands mark: "1.5 V"',
        ),
        ("25 C", "degC", '"25 C": "C" is not a unit here; write "25 degC" or "25 °C"'),
        (16, "V", '16: a number without its unit; write the unit too, for example "2.5 V"'),
        ("16", "V", '"16": a number without its unit; write the unit too, for example "2.5 V"'),
        ("nan V", "V", '"nan V": not a finite number; write a finite one, for example "2.5 V"'),
        ("-inf V", "V", '"-inf V": not a finite number; write a finite one, for example "2.5 V"'),
        (math.inf, "V", 'inf: not a finite number; write a finite one, for example "2.5 V"'),
        (
            "1.5 kohm",
            "V",
            '"1.5 kohm": kohm belongs to a resistance, but a voltage is due here; write it in V, mV',
        ),
        ("9**9**9 V", "V", '"9**9**9 V": not one number with one unit; write "2.5 V"'),
        ("1 000 V", "V", '"1 000 V": not one number with one unit; write "2.5 V"'),
        ("1_000 V", "V", '"1_000 V": not one number with one unit; write "2.5 V"'),
        ("", "V", '"": no number at its beginning; write one number and one unit, for example "2.5 V"'),
        ("V 5", "V", '"V 5": no number at its beginning; write one number and one unit, for example "2.5 V"'),
        (
            "5 parsec",
            "s",
            '"5 parsec": "parsec" is not a unit here; units here: s, ms, us, ns, min, h, d, yr',
        ),
        (True, "V", 'true: a voltage is due here; write "2.5 V"'),
        ([1], "V", '[1]: a voltage is due here; write "2.5 V"'),
        ("1e999 V", "V", '"1e999 V": beyond the range of numbers; write "2.5 V"'),
        ("1e-999 V", "V", '"1e-999 V": beyond the range of numbers; write "2.5 V"'),
        ("5 %", "V", '"5 %": % belongs to a share, but a voltage is due here; write it in V, mV'),
        (
            "\u0663 V",
            "V",
            '"\u0663 V": no number at its beginning; write one number and one unit, for example "2.5 V"',
        ),
    ],
)
def test_what_is_refused_and_how_it_is_told(value, dimension, told):
    with pytest.raises(InputError) as caught:
        read_quantity(value, dimension)
    assert str(caught.value) == told


def test_a_long_text_is_refused_without_work():
    with pytest.raises(InputError, match="longer than 100 characters"):
        read_quantity("9" * 10_000 + " V", "V")


@given(st.text(max_size=30), st.sampled_from(list(DIMENSIONS)))
def test_any_text_reads_to_a_finite_number_or_one_clear_error(text, dimension):
    problems = ()
    number = 0.0
    try:
        number = read_quantity(text, dimension)
    except InputError as error:
        problems = error.problems
    assert math.isfinite(number)
    assert len(problems) <= 1
    assert all(problem.reason and problem.remedy for problem in problems)


# Tolerance letters of IEC 60062: limits in per cent.
LETTERS = {
    "B": ("±0.1 %", -0.001, 0.001),
    "F": ("±1 %", -0.01, 0.01),
    "J": ("±5 %", -0.05, 0.05),
    "K": ("±10 %", -0.1, 0.1),
    "M": ("±20 %", -0.2, 0.2),
    "Z": ("+80/-20 %", -0.2, 0.8),
}


@pytest.mark.parametrize("letter", LETTERS)
def test_limits_of_the_tolerance_letters(letter):
    text, low, high = LETTERS[letter]
    assert read_toleranced(f"100 nF {text}", "F") == (1e-7, Limits(low, high, True))


@pytest.mark.parametrize(
    ("text", "dimension", "limits"),
    [
        ("±5 %", "V", Limits(-0.05, 0.05, True)),
        ("±500 ppm", "V", Limits(-500e-6, 500e-6, True)),
        ("±30 mV", "V", Limits(-0.03, 0.03, False)),
        ("+-5 %", "V", Limits(-0.05, 0.05, True)),
        ("+/-5 %", "V", Limits(-0.05, 0.05, True)),
        ("-20/+80 %", "F", Limits(-0.2, 0.8, True)),
        ("+80 %/-20 %", "F", Limits(-0.2, 0.8, True)),
        ("+0.1/\u22120.3 V", "V", Limits(-0.3, 0.1, False)),
        ("+0/-3 %", "V", Limits(-0.03, 0.0, True)),
        ("±0.7 %", "change", Limits(-0.007, 0.007, False)),  # points of a change that is itself in per cent
        ("±3 %", "share", Limits(-0.03, 0.03, False)),
        ("±3 %", "factor", Limits(-0.03, 0.03, True)),
        ("±2 dB", "dB", Limits(-2.0, 2.0, False)),
    ],
)
def test_limits(text, dimension, limits):
    assert read_limits(text, dimension) == limits


@pytest.mark.parametrize(
    ("text", "dimension", "told"),
    [
        (
            "5 %",
            "V",
            '"5 %": limits need a sign on each side; write "±5 %" or "+80/-20 %", or an absolute width in mV',
        ),
        ("±5", "V", '"±5": a width without its unit; write "5 %", or an absolute width in mV'),
        ("±-5 %", "V", '"±-5 %": a second sign behind ±; write "±5 %"'),
        (
            "+5/+3 %",
            "V",
            '"+5/+3 %": both limits on one side of the nominal; write one with + and one with -: "+80/-20 %"',
        ),
        (
            "+5 %/-30 mV",
            "V",
            '"+5 %/-30 mV": one limit relative, the other absolute; write both in one unit: "+80/-20 %"',
        ),
        ("±5 %", "dB", '"±5 %": a width in % means nothing for a level; write it in dB'),
        ("±x", "V", '"±x": no width that can be read; write "5 %", or an absolute width in mV'),
    ],
)
def test_limits_that_are_refused(text, dimension, told):
    with pytest.raises(InputError) as caught:
        read_limits(text, dimension)
    assert str(caught.value) == told


def test_a_pint_quantity_is_taken_by_the_python_interface():
    assert si_value(UNITS.Quantity(27, "microfarad"), "F") == pytest.approx(27e-6, rel=1e-15)
    assert si_value(UNITS.Quantity(300.0, "kelvin"), "degC") == pytest.approx(26.85)
    with pytest.raises(InputError, match="does not convert to F"):
        si_value(UNITS.Quantity(27, "volt"), "F", key="storage.capacitance")

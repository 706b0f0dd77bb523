"""How numbers are written: prefixes of the SI brochure, and bounds that stay bounds."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.estimate.intervals import Estimate
from yieldsim.report.numbers import (
    ABSENT,
    MINUS,
    condition,
    count,
    engineering,
    fixed,
    plain,
    share,
    share_with_bounds,
    small_share,
    stated,
)

# BIPM, The International System of Units, 9th edition (2019), table 7: the prefixes and their factors
PREFIXES = {"G": 9, "M": 6, "k": 3, "": 0, "m": -3, "\u00b5": -6, "n": -9, "p": -12}


@pytest.mark.parametrize(("prefix", "exponent"), PREFIXES.items())
def test_prefixes_are_those_of_the_si(prefix, exponent):
    assert engineering(4.7 * 10.0**exponent, "F") == f"4.70 {prefix}F"


@given(st.floats(1e-11, 1e10), st.sampled_from([-1.0, 1.0]))
def test_an_engineering_number_reads_back_within_its_digits(size, sign):
    text = engineering(sign * size, "V", digits=3).replace(",", "").replace(MINUS, "-")
    number, unit = text.split(" ")
    value = float(number) * 10.0 ** PREFIXES[unit.removesuffix("V")]
    assert value == pytest.approx(sign * size, rel=0.00501)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0 %"),
        (1.0, "100 %"),
        (0.5, "50.0 %"),
        (0.999312, "99.931 %"),
        (0.99999966, "99.999966 %"),
        (0.00077, "0.077 %"),
    ],
)
def test_a_share_tells_two_digits_of_what_is_missing(value, text):
    assert share(value) == text


@given(st.floats(0.0, 1.0))
def test_a_rounded_bound_is_still_a_bound(value):
    exact = Decimal(repr(value)) * 100
    assert Decimal(share(value, "down").removesuffix(" %")) <= exact
    assert Decimal(share(value, "up").removesuffix(" %")) >= exact


@given(st.floats(1e-10, 0.9))
def test_a_small_share_reads_back_within_its_digits(value):
    number, unit = small_share(value).split(" ")
    scale = {"%": 1e-2, "ppm": 1e-6, "ppb": 1e-9}[unit]
    assert float(number) * scale == pytest.approx(value, rel=0.0501)


def test_small_shares_change_their_unit():
    assert [small_share(x) for x in (0.0077, 1.2e-4, 3e-8, 0.0)] == ["0.77 %", "120 ppm", "30 ppb", "0 %"]


def test_what_was_said_is_written_as_it_was_said():
    # 1 - 0.999 is 0.0010000000000000009 as a double
    assert [stated(x) for x in (0.999, 0.995, 0.7, 1 - 0.999)] == ["99.9 %", "99.5 %", "70 %", "0.1 %"]


def test_bounds_are_rounded_away_from_the_estimate():
    estimate = Estimate(0.99, 0.98765, 0.99123, 0.95, "")
    assert share_with_bounds(estimate) == "99.0 % (98.7 % to 99.13 %)"


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
def test_what_does_not_apply_is_a_dash(value):
    assert {engineering(value, "V"), share(value), small_share(value), plain(value), fixed(value, 2)} == {ABSENT}


def test_plain_numbers_and_names():
    assert plain(-20.0) == MINUS + "20"
    assert plain(123456.0, 3) == "123000"
    assert fixed(-0.0004, 2, signed=True) == "0.00"
    assert count(1179648) == "1,179,648"
    assert condition(60.0, 12.0) == "60 \u00b0C after 12 yr"
    assert condition(25.0, 0.0) == "25 \u00b0C when new"

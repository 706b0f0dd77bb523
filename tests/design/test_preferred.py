"""Preferred values against IEC 60063 (values from memory of the standard, see facts in the module)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.design.preferred import SERIES, preferred_values
from yieldsim.words.errors import InputError

# IEC 60063, from memory of the standard; the same three rows stand in every component catalogue
E6 = (10, 15, 22, 33, 47, 68)
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


@pytest.mark.parametrize(("name", "published"), [("E6", E6), ("E12", E12), ("E24", E24)])
def test_a_decade_is_the_published_one(name: str, published: tuple[int, ...]) -> None:
    assert preferred_values(name, 10.0, 99.0) == tuple(float(v) for v in published)


def test_the_exceptions_are_those_that_are_not_the_rounded_geometric_series() -> None:
    rounded = [round(10.0 * 10.0 ** (i / 24.0)) for i in range(24)]
    differing = {v: r for v, r in zip(SERIES["E24"], rounded, strict=True) if v != r}
    assert differing == {27: 26, 30: 29, 33: 32, 36: 35, 39: 38, 43: 42, 47: 46, 82: 83}


def test_a_coarser_series_is_every_other_value_of_the_finer_one() -> None:
    assert SERIES["E24"][::2] == SERIES["E12"]
    assert SERIES["E12"][::2] == SERIES["E6"]
    assert SERIES["E6"][::2] == SERIES["E3"]


def test_values_are_the_doubles_that_the_file_would_give() -> None:
    assert preferred_values("E12", 20e-6, 50e-6) == (22e-6, 27e-6, 33e-6, 39e-6, 47e-6)
    assert preferred_values("E6", 47e-6, 47e-6) == (47e-6,)
    assert preferred_values("E6", 8.2, 120.0) == (10.0, 15.0, 22.0, 33.0, 47.0, 68.0, 100.0)
    assert preferred_values("E6", 48.0, 67.0) == ()


@given(st.sampled_from(["E6", "E12", "E24"]), st.integers(-12, 6), st.floats(1.0, 9.99))
def test_neighbours_are_at_most_a_half_step_from_equal_ratios(name: str, decade: int, lead: float) -> None:
    low = lead * 10.0**decade
    values = preferred_values(name, low, low * 10.0)
    n = int(name[1:])
    assert n <= len(values) <= n + 1
    ratios = [b / a for a, b in pairwise(values)]
    # the rule is 10**(1 / n); rounding to two digits moves a value by 5 % at the most
    assert all(abs(r / 10.0 ** (1.0 / n) - 1.0) < 0.06 for r in ratios)


@pytest.mark.parametrize(("series", "low", "high"), [("E7", 1.0, 2.0), ("E6", 0.0, 2.0), ("E6", 3.0, 2.0)])
def test_what_is_no_series_or_no_range_is_refused(series: str, low: float, high: float) -> None:
    with pytest.raises(InputError, match=r"use E3, E6, E12, E24|0 < from <= to"):
        preferred_values(series, low, high)

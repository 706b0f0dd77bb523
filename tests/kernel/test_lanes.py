"""Lanes: what is done to eight numbers side by side is what is done to each of them, to the last bit."""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from yieldsim.kernel import lanes
from yieldsim.kernel.lanes import (
    any_of,
    choose,
    first_of,
    four_at,
    greater,
    is_set,
    keep,
    lesser,
    load,
    magnitude,
    no,
    root,
    whole,
)
from yieldsim.kernel.stepper import half_sine

Floats = NDArray[np.float64]
WIDTH = lanes.WIDTH

pytestmark = pytest.mark.skipif(WIDTH == 1, reason="no compiler, and so no lanes")
numbers = hnp.arrays(
    np.float64, (2, WIDTH), elements=st.floats(-1e6, 1e6) | st.sampled_from([0.0, -0.0, math.inf, -math.inf])
)


def compiled(function: Any) -> Any:
    return numba.njit(cache=False, error_model="numpy")(function)


@compiled
def together(x: Floats, y: Floats) -> None:
    """Rows of ``y``: what the lanes make of the two rows of ``x``."""
    a, b = load(x, 0), load(x, 1)
    keep(y, 0, a + b)
    keep(y, 1, a - b)
    keep(y, 2, a * b)
    keep(y, 3, a / b)
    keep(y, 4, -a)
    keep(y, 5, lesser(a, b))
    keep(y, 6, greater(a, b))
    keep(y, 7, magnitude(a))
    keep(y, 8, root(magnitude(a)))
    keep(y, 9, choose((a < b) | (a == 0.0), 2.0 * a, 1.0 - b))
    keep(y, 10, choose((a <= b) & no(b > 7.0), a, 0.25))
    keep(y, 11, whole(lesser(magnitude(b), 1e9)))
    keep(y, 12, half_sine(lesser(magnitude(a), 3.0)))


@compiled
def in_turn(x: Floats, y: Floats) -> None:
    """The same of one number after another, by the same functions."""
    for k in range(x.shape[1]):
        a, b = x[0, k], x[1, k]
        y[0, k], y[1, k], y[2, k], y[3, k], y[4, k] = a + b, a - b, a * b, a / b, -a
        y[5, k], y[6, k], y[7, k], y[8, k] = lesser(a, b), greater(a, b), magnitude(a), root(magnitude(a))
        y[9, k] = choose((a < b) | (a == 0.0), 2.0 * a, 1.0 - b)
        y[10, k] = choose((a <= b) & no(b > 7.0), a, 0.25)
        y[11, k] = whole(lesser(magnitude(b), 1e9))
        y[12, k] = half_sine(lesser(magnitude(a), 3.0))


@given(numbers)
def test_lanes_give_the_bits_of_one_number_after_another(x: Floats) -> None:
    side, turn = np.zeros((13, WIDTH)), np.zeros((13, WIDTH))
    together(x, side)
    in_turn(x, turn)
    np.testing.assert_array_equal(side, turn)


@given(numbers)
def test_lanes_agree_with_numpy(x: Floats) -> None:
    """numpy is the reference for IEEE 754 arithmetic on arrays."""
    y = np.zeros((13, WIDTH))
    together(x, y)
    a, b = x
    with np.errstate(all="ignore"):
        for row, expected in enumerate((a + b, a - b, a * b, a / b, -a, np.minimum(a, b), np.maximum(a, b), np.abs(a))):
            np.testing.assert_array_equal(y[row], expected)
        np.testing.assert_array_equal(y[8], np.sqrt(np.abs(a)))
        np.testing.assert_array_equal(y[11], np.trunc(np.minimum(np.abs(b), 1e9)))


@compiled
def conditions(x: Floats, limit: float, count: int, found: Floats) -> bool:
    below = (load(x, 0) < limit) & first_of(count)
    for k in range(x.shape[1]):
        found[k] = 1.0 if is_set(below, k) else 0.0
    return any_of(below)


@given(numbers, st.floats(-1e6, 1e6), st.integers(0, WIDTH))
def test_a_condition_is_told_lane_by_lane(x: Floats, limit: float, count: int) -> None:
    found = np.zeros(WIDTH)
    seen = conditions(x, limit, count, found)
    expected = (x[0] < limit) & (np.arange(WIDTH) < count)
    assert np.array_equal(found, expected.astype(float))
    assert seen == expected.any()


@compiled
def fours(table: Floats, first: int, pairs: Floats, found: Floats) -> None:
    a, b, c, d = four_at(table, first, load(pairs, 0))
    keep(found, 0, a)
    keep(found, 1, b)
    keep(found, 2, c)
    keep(found, 3, d)


@given(hnp.arrays(np.float64, (1, WIDTH), elements=st.floats(0.0, 40.9)), st.integers(0, 9))
def test_each_lane_reads_its_own_part_of_a_table(pairs: Floats, first: int) -> None:
    table, found = np.arange(100.0), np.zeros((4, WIDTH))
    fours(table, first, pairs, found)
    begin = first + 2 * np.floor(pairs[0])
    assert np.array_equal(found, begin + np.arange(4.0)[:, None])

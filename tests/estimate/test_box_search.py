"""Searches of a box: vertices where functions are monotone, interior points where they are not."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.estimate.box_search import search_box


@given(st.lists(st.floats(-3.0, 3.0).filter(lambda a: abs(a) > 1e-3), min_size=1, max_size=12), st.integers(0, 5))
def test_a_linear_function_is_least_at_the_vertex_of_its_signs(slopes: list[float], seed: int) -> None:
    a = np.array(slopes)
    found = search_box(lambda x: x @ a, np.full(len(a), 0.5), seed=seed, tolerance=1e-9)
    assert found.value == pytest.approx(a[a < 0.0].sum(), abs=1e-12)
    np.testing.assert_array_equal(found.point, (a < 0.0).astype(float))
    assert not found.interior_won
    assert found.alone[:, 1] - found.alone[:, 0] == pytest.approx(a)


def test_a_corner_inside_is_found_and_named() -> None:
    """Two axes whose worst lies inside, coupled; the closed form of the least value is -1."""

    def f(x: np.ndarray) -> np.ndarray:
        return (
            x @ np.array([1.0, -1.0, 0.5, 0.0, 0.0])
            + 3.0 * (x[:, 3] - 0.37) ** 2
            + 5.0 * (x[:, 4] - 0.6 * x[:, 3] - 0.3) ** 2
        )

    found = search_box(f, np.full(5, 0.5), seed=1, tolerance=1e-3)
    assert found.interior == (3, 4)
    assert found.value == pytest.approx(-1.0, abs=1e-3)
    assert found.point[3:] == pytest.approx([0.37, 0.522], abs=0.03)
    best = min(float(f(np.array([v], dtype=float))[0]) for v in itertools.product((0, 1), repeat=5))
    assert found.vertex_value == pytest.approx(best)
    assert found.value < best - 0.5


def test_signs_alone_would_miss_a_vertex_that_needs_two_turns() -> None:
    """Each axis alone makes it worse to leave (0, 0), both together make it least: the least of the four vertices."""

    def f(x: np.ndarray) -> np.ndarray:
        return x[:, 0] + x[:, 1] - 4.0 * x[:, 0] * x[:, 1]

    found = search_box(f, np.array([0.05, 0.05]), seed=3, tolerance=1e-6)
    assert found.value == pytest.approx(-2.0)
    assert tuple(found.point) == (1.0, 1.0)


def test_a_narrow_jump_is_found_from_the_sample() -> None:
    """A step down over a tenth of one axis, of which the start shows nothing."""

    def f(x: np.ndarray) -> np.ndarray:
        return x[:, 0] - np.where(np.abs(x[:, 1] - 0.72) < 0.05, 5.0, 0.0)

    found = search_box(f, np.full(2, 0.5), seed=2, tolerance=1e-3)
    assert found.value == pytest.approx(-5.0, abs=1e-3)
    assert found.interior == (1,)


@given(st.integers(0, 20))
def test_is_never_beaten_by_a_sample_of_a_smooth_function(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b, c = rng.normal(size=4), rng.normal(size=(4, 4)), rng.uniform(0.2, 0.8, 4)

    def f(x: np.ndarray) -> np.ndarray:
        return x @ a + (((x - c) @ b) ** 2).sum(axis=1)

    found = search_box(f, np.full(4, 0.5), seed=seed, tolerance=1e-3)
    sample = np.concatenate([rng.random((2000, 4)), rng.integers(0, 2, (200, 4)).astype(float)])
    assert found.value <= f(sample).min() + 2e-3


def test_counts_what_it_computes_and_takes_no_lost_number_for_the_least() -> None:
    asked = []

    def f(x: np.ndarray) -> np.ndarray:
        asked.append(len(x))
        return np.where(x[:, 0] > 0.8, np.nan, -x[:, 0])

    found = search_box(f, np.full(2, 0.5), seed=0, tolerance=1e-4)
    assert found.evaluations == sum(asked)
    assert found.not_finite > 0
    assert found.value == pytest.approx(-0.8, abs=0.02)


def test_same_seed_same_answer_and_an_axis_that_does_nothing_stands_at_a_limit() -> None:
    def f(x: np.ndarray) -> np.ndarray:
        return (x[:, 0] - 0.4) ** 2

    first, again = (search_box(f, np.full(3, 0.5), seed=4, tolerance=1e-4) for _ in range(2))
    np.testing.assert_array_equal(first.point, again.point)
    assert first.interior == (0,)
    assert set(first.point[1:]) <= {0.0, 1.0}


def test_known_points_are_started_from() -> None:
    """A needle that no sample meets, handed over."""

    def f(x: np.ndarray) -> np.ndarray:
        return -np.exp(-((x - 0.3) ** 2).sum(axis=1) / 1e-6)

    found = search_box(f, np.full(6, 0.5), seed=1, tolerance=1e-3, also=np.full((1, 6), 0.3))
    assert found.value == pytest.approx(-1.0)


def test_no_axis_at_all() -> None:
    found = search_box(lambda x: np.full(len(x), 2.0), np.zeros(0), seed=1, tolerance=1e-3)
    assert (found.value, found.interior) == (2.0, ())


def test_refuses() -> None:
    with pytest.raises(ValueError, match="unit box"):
        search_box(lambda x: x[:, 0], np.array([1.5]), seed=1, tolerance=1e-3)
    with pytest.raises(ValueError, match="shape"):
        search_box(lambda x: x, np.array([0.5]), seed=1, tolerance=1e-3)
    with pytest.raises(ValueError, match="starts"):
        search_box(lambda x: x[:, 0], np.array([0.5]), seed=1, tolerance=1e-3, starts=0)

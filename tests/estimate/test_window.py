"""Windows of a requirement: closed forms, what is asked, and the confidence of the whole family."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri
from scipy.stats import binom

from yieldsim.estimate.window import (
    Answer,
    Block,
    blocks_of,
    central,
    halfway,
    merged,
    room,
    search,
    shown_outwards,
    spaced,
)

REQUIRED = 0.995


def linear_gaussian(value: float) -> float:
    """Yield of a linear-Gaussian design: a margin N(value - 20, 1) and one N(35 - value, 1), independent."""
    return float(ndtr(value - 20.0) * ndtr(35.0 - value))


def edges() -> tuple[float, float]:
    """Closed form: the other factor is 1 within 1e-13 where one decides, so each edge is a normal quantile away."""
    z = float(ndtri(REQUIRED))
    return 20.0 + z, 35.0 - z


def asking(share: Callable[[float], float], asked: list[float]) -> Callable[[Sequence[float]], list[Answer]]:
    def ask(values: Sequence[float]) -> list[Answer]:
        asked.extend(values)
        return [Answer(v, share(v) >= REQUIRED, share(v)) for v in values]

    return ask


def test_the_edges_of_a_linear_gaussian_design_are_bracketed() -> None:
    asked: list[float] = []
    found = search(spaced(5.0, 80.0, 9), asking(linear_gaussian, asked), rounds=20, at_most=60)
    (block,) = blocks_of(found)
    low, high = edges()
    assert block.below is not None
    assert block.above is not None
    assert block.below <= low <= block.values[0]
    assert block.values[-1] <= high <= block.above
    # 20 halvings of a gap of ratio (80 / 5)**(1 / 8) = 2**0.5
    assert math.log(block.values[0] / block.below) < 2e-6
    assert block.ends == pytest.approx((low, high), rel=1e-6)
    assert len(asked) == len(set(asked)) == len(found)


def test_a_window_between_two_values_of_the_list_is_found_from_the_best_one() -> None:
    def narrow(value: float) -> float:
        return float(math.exp(-((value - 27.0) ** 2)))

    asked: list[float] = []
    values = (10.0, 15.0, 22.0, 33.0, 47.0)
    assert not any(narrow(v) >= REQUIRED for v in values)
    found = search(values, asking(narrow, asked), rounds=8, at_most=40)
    assert [b for b in blocks_of(found) if b.values[0] < 27.05 and b.values[-1] > 26.95]


def test_two_windows_are_two_blocks() -> None:
    def share(value: float) -> float:
        return 0.5 if 4.0 < value < 6.0 else 1.0

    found = search((2.0, 5.0, 8.0), asking(share, []), rounds=0, at_most=0)
    assert blocks_of(found) == (Block((2.0,), None, 5.0), Block((8.0,), 5.0, None))


def test_no_feasible_window_is_no_block() -> None:
    found = search(spaced(1.0, 10.0, 5), asking(lambda v: 0.9 - 0.01 * v, []), rounds=3, at_most=6)
    assert blocks_of(found) == ()
    assert max(found, key=lambda a: a.score).value == 1.0
    assert len(found) <= 11


def test_no_more_values_are_added_than_allowed() -> None:
    for at_most in (0, 1, 3):
        found = search(spaced(5.0, 80.0, 9), asking(linear_gaussian, []), rounds=9, at_most=at_most)
        assert len(found) == 9 + at_most


def test_whole_numbers_are_halved_to_neighbours() -> None:
    found = search((1.0, 100.0), asking(lambda v: float(v >= 37.0), []), rounds=20, at_most=60, rounded=round)
    (block,) = blocks_of(found)
    assert (block.below, block.values[0]) == (36.0, 37.0)
    assert all(a.value == round(a.value) for a in found)


@given(
    st.lists(st.booleans(), min_size=1, max_size=12),
)
def test_blocks_hold_every_possible_value_once(flags: list[bool]) -> None:
    answers = [Answer(float(k), flag, 0.0) for k, flag in enumerate(flags)]
    blocks = blocks_of(answers)
    assert [v for b in blocks for v in b.values] == [float(k) for k, flag in enumerate(flags) if flag]
    for b in blocks:
        for neighbour in (b.below, b.above):
            assert neighbour is None or not flags[int(neighbour)]


@given(st.floats(1e-9, 1e3), st.floats(1.001, 1e3), st.integers(2, 30))
def test_spaced_values_have_equal_ratios(low: float, ratio: float, points: int) -> None:
    values = np.array(spaced(low, low * ratio, points))
    assert len(values) == points
    assert (values[0], values[-1]) == (low, low * ratio)
    assert np.allclose(values[1:] / values[:-1], ratio ** (1.0 / (points - 1)), rtol=1e-9)


def test_spaced_values_have_equal_steps_where_an_end_is_not_positive() -> None:
    assert spaced(-2.0, 2.0, 5) == (-2.0, -1.0, 0.0, 1.0, 2.0)
    with pytest.raises(ValueError, match="two or more"):
        spaced(2.0, 1.0, 5)


def test_near_values_give_way_to_preferred_ones() -> None:
    assert merged((10.0, 22.0), (10.5, 15.0, 21.9), 0.06) == (10.0, 15.0, 22.0)


def test_the_central_value_is_the_one_farthest_from_the_nearer_end() -> None:
    assert central((22.0, 27.0, 33.0, 39.0), (20.0, 40.0)) == 27.0  # sqrt(20 * 40) = 28.3
    assert central((22.0, 27.0), (30.0, 40.0)) is None
    assert central((-1.0, 0.0, 3.0), (-2.0, 4.0)) == 0.0
    assert room(20.0, (10.0, 80.0)) == pytest.approx(math.log(2.0))
    assert halfway(4.0, 9.0) == pytest.approx(6.0)
    assert halfway(-4.0, 9.0) == 2.5


def test_showing_stops_at_the_first_value_of_a_side_that_is_not_shown() -> None:
    asked: list[tuple[float, float]] = []

    def show(value: float, confidence: float) -> bool:
        asked.append((value, confidence))
        return value in (3.0, 4.0, 5.0, 7.0, 1.0)

    assert shown_outwards(4.0, (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0), show, 0.9) == (3.0, 4.0, 5.0)
    half = 0.95
    assert asked == [(4.0, 0.9), (5.0, pytest.approx(half)), (6.0, pytest.approx(half)), (3.0, pytest.approx(half)),
                     (2.0, pytest.approx(half))]  # fmt: skip
    assert shown_outwards(2.0, (1.0, 3.0), show, 0.9) == ()


@pytest.mark.parametrize("bad", [(0,), (1, 3), (0, 1, 2, 3, 4), (4,)])
def test_the_whole_family_is_wrong_no_oftener_than_its_confidence_allows(bad: tuple[int, ...]) -> None:
    """Values 0 to 4, centre 2; untrue ones are exactly at the edge of being wrong, the hardest case."""
    rng = np.random.default_rng(60063)
    n, confidence, rounds = 2000, 0.9, 4000
    # P(X >= k) at the required share is the p-value of the exact test
    p_value = cache(lambda k: float(binom.sf(k - 1, n, REQUIRED)))
    wrong = 0
    for _ in range(rounds):
        draws = {float(k): rng.binomial(n, REQUIRED - 1e-9 if k in bad else 0.9995) for k in range(5)}

        def show(value: float, level: float, draws: dict[float, int] = draws) -> bool:
            return p_value(draws[value]) <= 1.0 - level

        shown = shown_outwards(2.0, [float(k) for k in range(5)], show, confidence)
        wrong += any(int(v) in bad for v in shown)
    assert wrong / rounds <= 0.1 + 3.0 * math.sqrt(0.1 * 0.9 / rounds)
    if bad == (1, 3):  # the rule is not idle: both sides together use a good part of what they may
        assert wrong / rounds > 0.04

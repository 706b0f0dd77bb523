"""The cheapest grades: the exact search against brute force, the greedy one against what it promises."""

from __future__ import annotations

from itertools import product
from math import isnan, prod

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.estimate.grades import MOST_EXACT, cheapest, total

COSTS = st.lists(st.lists(st.integers(0, 9), min_size=1, max_size=3), min_size=1, max_size=4)


def choices(costs):
    return list(product(*(range(len(grades)) for grades in costs)))


@given(COSTS, st.integers(0, 2**31))
def test_the_exact_search_finds_the_cheapest_of_any_set_of_passing_choices(costs, seed):
    # brute force; the passing choices have no order at all
    every = choices(costs)
    passing = {c for k, c in enumerate(every) if (seed >> (k % 31)) & 1}
    asked = []
    found = cheapest(costs, lambda c: asked.append(c) or c in passing, most_exact=10_000)
    assert found.exact
    assert len(asked) == len(set(asked)) == found.asked
    if passing:
        assert found.choice in passing
        assert found.cost == min(total(costs, c) for c in passing)
        assert all(total(costs, c) <= found.cost for c in asked)
    else:
        assert found.choice is None
        assert isnan(found.cost)
        assert found.asked == len(every)


@given(COSTS, st.integers(0, 2**31))
def test_no_single_step_from_the_greedy_choice_saves_and_passes(costs, seed):
    every = choices(costs)
    passing = {c for k, c in enumerate(every) if (seed >> (k % 31)) & 1}
    found = cheapest(costs, lambda c: c in passing, most_exact=0)
    start = tuple(0 for _ in costs)
    assert not found.exact
    if start not in passing:
        assert found.choice is None
        assert found.asked == 1
        return
    assert found.choice in passing
    assert found.cost == total(costs, found.choice) <= total(costs, start)
    for i, grades in enumerate(costs):
        for k in range(len(grades)):
            step = (*found.choice[:i], k, *found.choice[i + 1 :])
            assert step not in passing or total(costs, step) >= found.cost


def test_root_sum_square_allocation():
    # Widths that combine as root sum of squares (common practice in tolerance allocation): 3, 4 and 12 wide make 13;
    # with the grades below, brute force by hand: {6, 4, 12} makes 14 and costs 1 + 3 + 2, {3, 8, 12} makes 14.73.
    widths, costs = [(3, 6), (4, 8), (12, 24)], [(5, 1), (3, 1), (2, 1)]
    found = cheapest(costs, lambda c: sum(w[k] ** 2 for w, k in zip(widths, c, strict=True)) <= 14.0**2)
    assert (found.choice, found.cost, found.exact) == ((1, 0, 0), 6.0, True)


def test_few_choices_are_searched_exactly_and_many_are_not():
    two = [[2.0, 1.0]] * 6
    assert prod(len(g) for g in two) == MOST_EXACT
    assert cheapest(two, lambda _: True).exact
    many = cheapest([[2.0, 1.0]] * 7, lambda _: True)
    assert (many.exact, many.cost, many.choice) == (False, 7.0, (1,) * 7)


@pytest.mark.parametrize("costs", [[], [[]], [[1.0], []], [[float("nan")]], [[float("inf"), 1.0]]])
def test_what_cannot_be_searched_is_refused(costs):
    with pytest.raises(ValueError, match="must be"):
        cheapest(costs, lambda _: True)

"""The cheapest choice of one grade an item that passes a test: exact for few choices, greedy for many.

The test may be anything: that a tighter grade never fails where a wider one passes is not assumed. The exact search
asks choices in the order of their cost and ends at the first that passes, so that every cheaper one has been asked.
The greedy one starts at the first grades and takes, again and again, the step to another grade of one item that saves
most and still passes; where it ends no single step saves anything, which a step of two items at once still might.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

Choice = tuple[int, ...]

#: The exact search is made up to so many choices in all.
MOST_EXACT = 64


@dataclass(frozen=True)
class Cheapest:
    """What a search found.

    Attributes
    ----------
    choice : index of the grade of each item; None where no choice that was asked passes
    cost : of the choice; NaN without one
    asked : how many choices were tested
    exact : whether no cheaper choice passes the test; else no single step from here does
    """

    choice: Choice | None
    cost: float
    asked: int
    exact: bool


def cheapest(
    costs: Sequence[Sequence[float]], passes: Callable[[Choice], bool], *, most_exact: int = MOST_EXACT
) -> Cheapest:
    """Find the cheapest choice of grades that passes.

    Parameters
    ----------
    costs : sequence of sequences of float
        ``costs[i][k]``: cost of grade k of item i, any finite numbers; grade 0 is the one most likely to pass, at which
        the greedy search begins.
    passes : callable
        ``passes(choice)``, asked once for each choice at most.
    most_exact : int
        The search is exact up to so many choices in all.

    Returns
    -------
    Cheapest

    Raises
    ------
    ValueError
        For no items, an item without grades, or costs that are not finite.
    """
    if not costs or any(not grades for grades in costs):
        raise ValueError("each item needs at least one grade, and there must be at least one item")
    if not all(math.isfinite(cost) for grades in costs for cost in grades):
        raise ValueError("costs must be finite numbers")
    if math.prod(len(grades) for grades in costs) <= most_exact:
        return _exact(costs, passes)
    return _greedy(costs, passes)


def total(costs: Sequence[Sequence[float]], choice: Choice) -> float:
    """Return the cost of a choice: the sum of those of its grades."""
    return math.fsum(grades[k] for grades, k in zip(costs, choice, strict=True))


def _exact(costs: Sequence[Sequence[float]], passes: Callable[[Choice], bool]) -> Cheapest:
    choices = sorted(product(*(range(len(grades)) for grades in costs)), key=lambda c: (total(costs, c), c))
    for asked, choice in enumerate(choices, start=1):
        if passes(choice):
            return Cheapest(choice, total(costs, choice), asked, True)
    return Cheapest(None, math.nan, len(choices), True)


def _greedy(costs: Sequence[Sequence[float]], passes: Callable[[Choice], bool]) -> Cheapest:
    here: Choice = tuple(0 for _ in costs)
    known = {here: passes(here)}
    if not known[here]:
        return Cheapest(None, math.nan, 1, False)
    while True:
        steps = [
            (*here[:i], k, *here[i + 1 :])
            for i, grades in enumerate(costs)
            for k in range(len(grades))
            if grades[k] < grades[here[i]]
        ]
        for step in sorted(steps, key=lambda c: (total(costs, c), c)):
            if step not in known:
                known[step] = passes(step)
            if known[step]:
                here = step
                break
        else:
            return Cheapest(here, total(costs, here), len(known), False)

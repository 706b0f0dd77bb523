"""Checks rank correlations: names, levels, and whether a set of them can hold at once."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from yieldsim.design.parameter import Parameter
from yieldsim.design.quantity import shown
from yieldsim.words.errors import Problem
from yieldsim.words.spelling import nearest

if TYPE_CHECKING:
    from yieldsim.design.schema import Correlation

_SINGULAR = 1e-10  # a pivot of the factorisation below this counts as none


def normal_correlation(rank: float) -> float:
    """Correlation of the normal scores that gives a Spearman rank correlation, 2 sin(pi*rank/6).

    Source: K. Pearson, "On further methods of determining correlation", Drapers' Company Research
    Memoirs, 1907.
    """
    return 2.0 * math.sin(math.pi * rank / 6.0)


def correlation_problems(correlations: tuple[Correlation, ...], parameters: dict[str, Parameter]) -> Iterator[Problem]:
    """Tell what is wrong with the correlations of a design."""
    sound = []
    pairs: set[tuple[str, frozenset[str]]] = set()
    for i, correlation in enumerate(correlations, start=1):
        problems = list(_of_one(i, correlation, parameters))
        for a, b in _pairs(correlation):
            if (correlation.level, frozenset((a, b))) in pairs:
                remedy = "leave one of them out"
                problems.append(Problem(None, f"correlation[{i}].between", None, f"{a} and {b} given twice", remedy))
            pairs.add((correlation.level, frozenset((a, b))))
        yield from problems
        if not problems:
            sound.append((i, correlation))
    yield from _together(sound)


def _pairs(correlation: Correlation) -> Iterator[tuple[str, str]]:
    names = correlation.between
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            yield a, b


def _of_one(i: int, correlation: Correlation, parameters: dict[str, Parameter]) -> Iterator[Problem]:
    for name in correlation.between:
        key = f"correlation[{i}].between"
        if name not in parameters:
            remedy = nearest(name, parameters) if len(parameters) < 12 else _nearest_only(name, parameters)
            yield Problem(None, key, shown(name), "no parameter has this name", remedy)
        elif not parameters[name].levels:
            remedy = "give it a tolerance, or take it out"
            yield Problem(
                None, key, shown(name), "the parameter has no tolerance, so nothing can be correlated", remedy
            )
        elif correlation.level not in parameters[name].levels:
            levels = " and ".join(shown(level) for level in parameters[name].levels)
            reason = f'it has no tolerance at the level "{correlation.level}", only at {levels}'
            yield Problem(None, key, shown(name), reason, "correlate parameters that spread at one common level")


def _nearest_only(name: str, parameters: dict[str, Parameter]) -> str:
    found = nearest(name, parameters)
    return found if found.startswith("did you mean") else "write a dotted path such as regulator.dropout"


def _together(sound: list[tuple[int, Correlation]]) -> Iterator[Problem]:
    """Refuses sets of correlations that no joint distribution has, naming each set."""
    for level in dict.fromkeys(c.level for _, c in sound):
        entries = [(i, c) for i, c in sound if c.level == level]
        for names, members in _sets(entries):
            if not _positive_definite(names, [c for _, c in entries]):
                reason = f"these cannot hold at once, their matrix is not positive definite: {', '.join(names)}"
                remedy = "use weaker ranks, or fewer pairs"
                yield Problem(None, f"correlation[{members[0]}]", None, reason, remedy)


def _sets(entries: list[tuple[int, Correlation]]) -> list[tuple[list[str], list[int]]]:
    """Collect connected sets of names, and the entries that make each."""
    sets: list[tuple[list[str], list[int]]] = []
    for i, correlation in entries:
        names, members = list(correlation.between), [i]
        for other in [s for s in sets if set(s[0]) & set(names)]:
            sets.remove(other)
            names = other[0] + [name for name in names if name not in other[0]]
            members = other[1] + members
        sets.append((names, members))
    return sets


def _positive_definite(names: list[str], correlations: list[Correlation]) -> bool:
    """Whether the matrix of normal scores has a Cholesky factor; pairs that nobody names are uncorrelated."""
    place = {name: i for i, name in enumerate(names)}
    matrix = [[1.0 if i == j else 0.0 for j in range(len(names))] for i in range(len(names))]
    for correlation in correlations:
        for a, b in _pairs(correlation):
            if a in place and b in place:
                matrix[place[a]][place[b]] = matrix[place[b]][place[a]] = normal_correlation(correlation.rank)
    factor: list[list[float]] = []
    for i, row in enumerate(matrix):
        line: list[float] = []
        for j in range(i + 1):
            rest = row[j] - sum(line[k] * (factor[j][k] if j < i else line[k]) for k in range(j))
            if j == i:
                if rest < _SINGULAR:
                    return False
                line.append(math.sqrt(rest))
            else:
                line.append(rest / factor[j][j])
        factor.append(line)
    return True

"""Rank correlation of variables of one level by a Gaussian copula."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.correlation import normal_correlation
from yieldsim.design.schema import Design
from yieldsim.population.variables import Variable
from yieldsim.words.errors import InputError, Problem


def groups(design: Design, level: str) -> list[tuple[list[str], NDArray[np.float64]]]:
    """Return the sets of names joined by correlations at a level, each with its matrix of score correlations.

    Names stand in the order of the design's parameters. A set is worked on alone, so that its numbers do not
    depend on what else is in the design.
    """
    order = {name: i for i, name in enumerate(design.parameters)}
    joined: list[set[str]] = []
    rows = [c for c in design.correlations if c.level == level]
    for correlation in rows:
        names = set(correlation.between)
        touching = [group for group in joined if group & names]
        joined = [group for group in joined if not group & names]
        joined.append(names.union(*touching))
    result = []
    for group in joined:
        members = sorted(group, key=lambda name: order.get(name, len(order)))
        matrix = np.eye(len(members))
        for correlation in rows:
            inside = [members.index(name) for name in correlation.between if name in group]
            for i in inside:
                for j in inside:
                    if i != j:
                        matrix[i, j] = normal_correlation(correlation.rank)
        result.append((members, matrix))
    return result


def factor(design: Design, variables: Sequence[Variable]) -> NDArray[np.float64]:
    """Return the lower Cholesky factor of the normal scores of some variables; levels do not mix.

    Parameters
    ----------
    design : Design
    variables : (V) variables of one or more levels, in the order of `variables_of`

    Returns
    -------
    (V, V) float64; rows of variables without correlation are those of the unit matrix. (0, 0) when none is
    correlated.

    Raises
    ------
    InputError
        A correlated name has no tolerance at the level, or a set of correlations is not positive definite.
    """
    source = design.source.name if design.source is not None else None
    place = {(variable.name, variable.level): i for i, variable in enumerate(variables)}
    result = np.eye(len(variables))
    correlated = False
    for level in sorted({variable.level for variable in variables}):
        for members, matrix in groups(design, level):
            correlated = True
            missing = [name for name in members if (name, level) not in place]
            if missing:
                raise InputError(
                    Problem(
                        source,
                        "correlation.between",
                        ", ".join(missing),
                        f"no tolerance at level {level} to correlate",
                        "give it one, or take the name out",
                    )
                )
            where = np.array([place[name, level] for name in members])
            result[np.ix_(where, where)] = _cholesky(matrix, members, source)
    return result if correlated else np.empty((0, 0))


def _cholesky(matrix: NDArray[np.float64], members: list[str], source: str | None) -> NDArray[np.float64]:
    try:
        return np.asarray(np.linalg.cholesky(matrix), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise InputError(
            Problem(
                source,
                "correlation",
                ", ".join(members),
                "these correlations contradict one another (their matrix is not positive definite)",
                "bring the ranks nearer to 0",
            )
        ) from None

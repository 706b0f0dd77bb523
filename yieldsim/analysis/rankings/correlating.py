"""Rank correlations of what is drawn with a response, from points that are there for its indices already."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from yieldsim.analysis.rankings.groups import Group
from yieldsim.analysis.rankings.scene import Scene
from yieldsim.design.schema import Design
from yieldsim.estimate.rank_correlation import rank_correlations
from yieldsim.estimate.shapley import shapley_effects
from yieldsim.population.correlation import factor

FloatArray = NDArray[np.float64]

_PARTS = 8  # independent scrambles behind a Shapley effect
_LEAST_POINTS = 16  # of each
_INSIDE = 1e-15  # what parts a point from the faces of the cube


@dataclass(frozen=True)
class Correlation:
    """Rank and partial rank correlation of one axis, each with its two-sided interval [-]."""

    rank_correlation: float
    rank_correlation_low: float
    rank_correlation_high: float
    partial_rank_correlation: float
    partial_rank_correlation_low: float
    partial_rank_correlation_high: float


@dataclass(frozen=True)
class Shapley:
    """Shapley effect of one of several correlated parameters with its two-sided interval [share of variance]."""

    shapley: float | None = None
    shapley_low: float | None = None
    shapley_high: float | None = None


@dataclass(frozen=True)
class Member:
    """One of several parameters that are drawn together.

    Attributes
    ----------
    name, basis : of it
    rank_correlation, partial_rank_correlation : of its own value, with their two-sided intervals; they overlap [-]
    shapley : its effect, with its two-sided interval [share of variance]: what it explains on average over all orders
        in which the parameters, and everything else at once, become known; through its neighbours, too. None where
        the effort is too small
    """

    name: str
    basis: str
    rank_correlation: float
    rank_correlation_low: float
    rank_correlation_high: float
    partial_rank_correlation: float
    partial_rank_correlation_low: float
    partial_rank_correlation_high: float
    shapley: float | None = None
    shapley_low: float | None = None
    shapley_high: float | None = None


def correlations_of(
    scene: Scene, points: FloatArray, values: FloatArray, confidence: float
) -> tuple[Correlation, ...] | None:
    """Correlate every axis with the response; those of correlated parameters stand for the parameter's own value.

    Sobol' points scatter less than independent ones, so that the intervals are no narrower than they claim.

    Parameters
    ----------
    scene : Scene
    points, values : (n, d) points of the unit cube, (n,) response
    confidence : of the two-sided intervals

    Returns
    -------
    tuple of Correlation, or None where points are too few or the response does not vary
    """
    try:
        found = rank_correlations(_own_scores(scene, points), values, confidence=confidence)
    except ValueError:
        return None
    columns = (
        found.rank,
        found.rank_low,
        found.rank_high,
        found.partial,
        found.partial_low,
        found.partial_high,
    )
    return tuple(Correlation(*(float(x) for x in row)) for row in zip(*columns, strict=True))


def members_of(
    design: Design, group: Group, correlations: tuple[Correlation, ...] | None, effects: dict[int, Shapley]
) -> tuple[Member, ...]:
    """Return the correlated parameters of a group one by one; none for a single variable."""
    if correlations is None:
        return ()
    return tuple(
        Member(name, design.parameters[name].basis, **vars(correlations[k]), **vars(effects.get(k, Shapley())))
        for k, name in zip(group.columns, group.members, strict=False)
    )


def shapley_of(
    scene: Scene,
    groups: tuple[Group, ...],
    model: Callable[[FloatArray], FloatArray],
    effort: int,
    confidence: float,
) -> dict[int, Shapley]:
    """Return the Shapley effects of correlated parameters of lots and units, by their axes.

    All that is not correlated becomes known at once, as one player beside them: that is cheap, and the same as
    all by themselves but for what interacts. The cost is the effort times the correlated parameters and 2.

    Parameters
    ----------
    scene : Scene
    groups : of its axes
    model : response (n,) at points (n, d) of the unit cube
    effort : points in all, in eight parts; none are computed below 128, or without a correlated parameter
    confidence : of the two-sided intervals
    """
    first = sum(axis.attempt < 0 for axis in scene.response.dimensions)
    columns = sorted(k for g in groups if g.members for k in g.columns if k < first)
    if not columns or effort // _PARTS < _LEAST_POINTS:
        return {}
    mixed = np.eye(scene.dimension)
    mixed[:first, :first] = factor(scene.response.design, scene.response.population.unit_variables)
    rest = [k for k in range(scene.dimension) if k not in columns]
    players = [[k] for k in columns] + ([rest] if rest else [])

    def independent(u: FloatArray) -> FloatArray:
        scores = np.linalg.solve(mixed, ndtri(u).T).T
        return model(np.ascontiguousarray(np.clip(ndtr(scores), _INSIDE, 1.0 - _INSIDE)))

    found = shapley_effects(
        independent,
        scene.dimension,
        effort // _PARTS,
        correlation=mixed @ mixed.T,
        groups=players,
        replicates=_PARTS,
        seed=scene.response.settings.seed,
        confidence=confidence,
    )
    return {
        k: Shapley(float(found.effect[j]), float(found.low[j]), float(found.high[j])) for j, k in enumerate(columns)
    }


def _own_scores(scene: Scene, points: FloatArray) -> FloatArray:
    """Normal scores (n, d) of what each axis moves; correlated ones mixed as the population mixes them."""
    z: FloatArray = ndtri(points)
    response, axes = scene.response, scene.response.dimensions
    of_units = factor(response.design, response.population.unit_variables)
    first = [k for k, a in enumerate(axes) if a.level == "actuation" and a.attempt == 0]
    for mixed, columns in (
        (of_units, [k for k, a in enumerate(axes) if a.attempt < 0]),
        (response.population.actuation_variables.factor, first),
    ):
        if len(mixed):
            z[:, columns] = z[:, columns] @ mixed.T
    return z

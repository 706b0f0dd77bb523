"""What takes a quantity from its nominal value to its worst one: contributions, and how they combine.

Worst-case practice keeps two kinds apart. What has a known sign (the temperature law at a given temperature, drift with
age, the number of attempts) is a *bias* and adds algebraically; what differs from part to part is *random* and combines
by the root of the sum of squares: worst = nominal + sum of biases +- sqrt(sum of squares). Common practice, as
reliability handbooks print it.

A response is not additive, so what a contribution is worth depends on what is there already. Told is the mean of what
it does when it comes first and when it comes last, the others at their nominal or at their worst: exact where
contributions meet in pairs, in whatever order; what is left over is told too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.worst_cases.box import WorstCaseBox, law_groups
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Dimension
from yieldsim.engine.strata import Stratum
from yieldsim.population.correlation import groups

FloatArray = NDArray[np.float64]
#: base and scale (n, K), uniforms (n, A, slots), outcome of the link -> what is asked (n, m)
Measure = Callable[[FloatArray, FloatArray, FloatArray, Stratum], FloatArray]

BIAS, RANDOM = "bias", "random"
LINK, TEMPERATURE, AGEING, TOLERANCE, TOGETHER = "link", "temperature", "ageing", "tolerance", "acting together"
BENCH = Condition(25.0, 0.0)


@dataclass(frozen=True)
class Share:
    """One contribution, in the columns of its `Measure`.

    Attributes
    ----------
    name, level : of the parameter; empty level for a bias
    kind : ``bias`` or ``random``
    source : ``link``, ``temperature``, ``ageing``, ``tolerance`` or ``acting together``
    effect : (m,) what it changes, signed
    place : of a tolerance, where it stands between its extremes, from 0 to 1; None otherwise
    axis : of a tolerance, which one; None otherwise
    """

    name: str
    level: str
    kind: str
    source: str
    effect: FloatArray
    place: float | None = None
    axis: Dimension | None = None


def root_sum_square(effects: FloatArray, correlation: FloatArray | None = None) -> float:
    """Return sqrt(e' R e) of effects (n,), signed by the direction of the deviation; R the unit matrix when None."""
    if correlation is None:
        return float(np.sqrt(effects @ effects))
    return float(np.sqrt(max(float(effects @ correlation @ effects), 0.0)))


def bias_and_random(nominal: float, biases: FloatArray, randoms: FloatArray) -> tuple[float, float]:
    """Return the worst values below and above: nominal + sum of the biases of each sign -+ root of the sum of squares.

    Parameters
    ----------
    nominal : before anything
    biases : (n,) signed; those below 0 make the lower value, those above it the upper one
    randoms : (k,) half widths
    """
    spread = root_sum_square(randoms)
    return nominal + float(biases[biases < 0.0].sum()) - spread, nominal + float(biases[biases > 0.0].sum()) + spread


def adverse_effects(start: float, alone: FloatArray) -> FloatArray:
    """Return the signed worst effect (d,) of each axis alone on a value that is bad when low.

    Parameters
    ----------
    start : value with every axis at its nominal
    alone : (d, 2) value with one axis at its lower, upper extreme

    Returns
    -------
    (d,) how far the worse end takes it down: negative where that is the lower end, positive where it is the upper one;
    0 where neither end is worse than the nominal, or gives no number
    """
    loss = np.maximum(start - np.where(np.isfinite(alone), alone, np.inf).min(axis=1), 0.0)
    return np.asarray(np.where(alone[:, 0] <= alone[:, 1], -loss, loss))


def correlation_of(design: Design, axes: list[Dimension]) -> FloatArray | None:
    """Return the correlation (d, d) of the normal scores of axes; None where all are independent."""
    matrix = np.eye(len(axes))
    for level in sorted({axis.level for axis in axes} - {"event"}):
        for members, scores in groups(design, level):
            for i, a in enumerate(axes):
                for j, b in enumerate(axes):
                    both = a.level == b.level == level and a.name in members and b.name in members
                    if i != j and both and (a.attempt == b.attempt or a.attempt < 0):
                        matrix[i, j] = scores[members.index(a.name), members.index(b.name)]
    return matrix if np.any(matrix != np.eye(len(axes))) else None


def biases(
    box: WorstCaseBox, condition: Condition, stratum: Stratum, link: str, measure: Measure, bench: FloatArray
) -> list[Share]:
    """Return what link, temperature and age do to the nominal part, the largest first.

    Parameters
    ----------
    box, condition, stratum : where to
    link : the outcome of the link in words
    measure : what is asked
    bench : (m,) the nominal actuation's: at 25 degC, new, one attempt without losses
    """
    point = box.middle[None]
    u = box.uniforms(point)
    cold, tempered, aged, both = (
        box.base(point, Condition(t, a))[0][0]
        for t, a in (
            (BENCH.temperature, BENCH.age),
            (condition.temperature, BENCH.age),
            (BENCH.temperature, condition.age),
            (condition.temperature, condition.age),
        )
    )
    rows, found = [cold, both], []
    for name, columns in law_groups(box.response).items():
        where = list(columns)
        for source, first, last in ((TEMPERATURE, tempered, aged), (AGEING, aged, tempered)):
            if not (np.array_equal(first[where], cold[where]) and np.array_equal(both[where], last[where])):
                found.append((name, source))
                came, left = cold.copy(), both.copy()
                came[where], left[where] = first[where], last[where]
                rows += [came, left]
    base = np.array(rows)
    values = measure(base, np.zeros_like(base), np.repeat(u, len(base), axis=0), stratum)
    first, last = values[2::2] - values[0], values[1] - values[3::2]
    shares = [Share(name, "", BIAS, source, e) for (name, source), e in zip(found, 0.5 * (first + last), strict=True)]
    shares.sort(key=lambda share: -abs(float(share.effect[0])))
    return [Share(link, "", BIAS, LINK, values[0] - bench), *_closed(shares, values[1] - values[0], BIAS)]


def randoms(
    box: WorstCaseBox, condition: Condition, stratum: Stratum, worst: FloatArray, measure: Measure
) -> tuple[list[Share], FloatArray]:
    """Return what each tolerance does on the way to the worst point (d,), the largest first, and the values there (m,).

    Parameters
    ----------
    box, condition, stratum : where
    worst : (d,) the worst point
    measure : what is asked
    """
    middle, d = box.middle, len(worst)
    points = np.concatenate([middle[None], worst[None], np.repeat(middle[None], d, 0), np.repeat(worst[None], d, 0)])
    points[np.arange(2, 2 + d), np.arange(d)] = worst
    points[np.arange(2 + d, 2 + 2 * d), np.arange(d)] = middle
    base, scale = box.base(points, condition)
    values = measure(base, scale, box.uniforms(points), stratum)
    effects = 0.5 * (values[2 : 2 + d] - values[0] + values[1] - values[2 + d :])
    shares = [
        Share(_named(axis), axis.level, RANDOM, TOLERANCE, effects[k], float(worst[k]), axis)
        for k, axis in enumerate(box.axes)
    ]
    shares.sort(key=lambda share: -abs(float(share.effect[0])))
    return _closed(shares, values[1] - values[0], RANDOM), values[1]


def _closed(shares: list[Share], whole: FloatArray, kind: str) -> list[Share]:
    """Add what is left over, so that they add up to the whole."""
    left = whole - (np.sum([share.effect for share in shares], axis=0) if shares else 0.0)
    return [*shares, Share(TOGETHER, "", kind, TOGETHER, np.asarray(left))]


def _named(axis: Dimension) -> str:
    return axis.name if axis.attempt < 1 else f"{axis.name}, attempt {axis.attempt + 1}"

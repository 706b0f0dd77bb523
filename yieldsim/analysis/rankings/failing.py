"""Actuations that fail for want of energy: of a plain sample, or outcome by outcome of the link where rare."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from yieldsim.analysis.rankings.scene import Scene
from yieldsim.analysis.tail import Asked, Search
from yieldsim.engine.execution import Progress
from yieldsim.engine.given_outcome import draws_given
from yieldsim.engine.limit_states import CAUSES, ActuationLimit
from yieldsim.engine.strata import Stratum, chances_of
from yieldsim.estimate.intervals import clopper_pearson_bounds
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

PLAIN, SEARCHED = "plain sample", "by outcomes of the link"
#: Failing samples from which a ranking says something, with which it tells neighbours apart, and from which more are
#: not waited for. With 131, 20 to 61 % of rankings left some of the first three tied, with 360 at most 8 %
#: (`tests/benchmarks/results/failure_causes.md`).
FEW, ENOUGH, PLENTY = 30, 300, 500
#: Actuations of a plain sample at the most, for each point of the effort.
MOST_A_POINT = 128
_BLOCK = 4096
SEARCH = Asked(target=0.2, budget=20_000)  # a ranking needs failing points, not an exact probability
_OUTCOMES, _SEARCHES = 12, 3  # of the link that are looked into, and whose tails are searched
_MATTERS = 0.1  # share of the failures that an outcome may carry unseen
_UNSEEN = "too few failures seen"
_UNITS = 1024  # over which the chances of the link are averaged


@dataclass(frozen=True)
class PlainSample:
    """Independent actuations of the population.

    Attributes
    ----------
    points : (n, d) points of the unit cube
    failing : (n,) whether the energy did not suffice
    complete : (n,) whether it completed
    """

    points: FloatArray
    failing: NDArray[np.bool_]
    complete: NDArray[np.bool_]


@dataclass(frozen=True)
class FailingSample:
    """Actuations that fail, as normal scores.

    Attributes
    ----------
    scores : (n, d), one column an axis
    weights : (n,) to any common factor; None for equal ones
    sources : (n,) label of what was drawn independently; None for each by itself
    drawn : actuations computed
    probability, low, high : that an actuation fails for want of energy, with its two-sided interval
    kind : `PLAIN` or `SEARCHED`
    flag : what keeps the search from being trusted, or None
    """

    scores: FloatArray
    weights: FloatArray | None
    sources: IntArray | None
    drawn: int
    probability: float
    low: float
    high: float
    kind: str
    flag: str | None = None


def plain_sample(scene: Scene, effort: int, progress: Progress | None = None, wanted: int = PLENTY) -> PlainSample:
    """Draw actuations until so many have failed, at most `MOST_A_POINT` times the effort; whole blocks of 4,096.

    Parameters
    ----------
    scene : Scene
    effort : base points of a ranking
    progress : called with failing actuations met and wanted
    wanted : failing actuations
    """
    blocks = max(1, MOST_A_POINT * effort // _BLOCK)
    parts: list[PlainSample] = []
    met = 0
    for k in range(blocks):
        points = _inside(np.random.default_rng([scene.response.settings.seed, 0xFA11, k]), scene.dimension)
        codes = scene.run(points)[1]
        sample = PlainSample(points, codes[:, at.SUFFICED] != 1, codes[:, at.OUTCOME] == at.COMPLETE)
        parts.append(sample)
        met += int(sample.failing.sum())
        if progress is not None:
            progress(max(k + 1, min(met * blocks // wanted, blocks)), blocks)
        if met >= wanted:
            break
    return PlainSample(
        np.concatenate([part.points for part in parts]),
        np.concatenate([part.failing for part in parts]),
        np.concatenate([part.complete for part in parts]),
    )


def _inside(rng: np.random.Generator, dimension: int) -> FloatArray:
    return np.asarray(np.clip(rng.random((_BLOCK, dimension)), 1e-15, 1.0 - 1e-15))


def from_plain(sample: PlainSample, confidence: float) -> FailingSample:
    """Return the failing actuations of a plain sample."""
    n, k = len(sample.failing), int(sample.failing.sum())
    low, high = clopper_pearson_bounds(k, n, 0.5 + 0.5 * confidence)
    scores: FloatArray = ndtri(sample.points[sample.failing])
    return FailingSample(scores, None, None, n, k / n, low, high, PLAIN)


@dataclass(frozen=True)
class _Outcome:
    """What is known of one outcome of the link: failing points of its own axes, and how probable failing is there."""

    stratum: Stratum
    weight: float
    limit: ActuationLimit
    u: FloatArray
    u_weight: FloatArray
    source: NDArray[np.intp]
    probability: float
    low: float
    high: float
    drawn: int
    flag: str | None = None
    searched: bool = False

    @property
    def may_carry(self) -> float:
        """Probability of failing in this outcome: at most, where it is hardly known."""
        return self.weight * (self.high if self.flag == _UNSEEN else self.probability)


def from_search(scene: Scene, effort: int, confidence: float) -> FailingSample:
    """Look for failures outcome by outcome of the link, and return the failing points of all of them together.

    Each outcome gets a plain sample of its own: a retry that is met once in a hundred actuations is met in all of
    these. Where one still shows fewer than 300 failures and matters, its tail is searched, of three outcomes at the
    most. Axes that an outcome leaves unused, later attempts for example, have no influence there: they are drawn
    as the population has them. Those that it forces are drawn given the outcome.

    Parameters
    ----------
    scene : at one condition
    effort : base points of a ranking; an outcome gets eight actuations for each
    confidence : of the interval

    Raises
    ------
    ValueError : over the mission, where there is not one condition
    """
    if scene.condition is None:
        raise ValueError("a tail search belongs to one condition")
    search = Search(scene.response, scene.condition, SEARCH, confidence, scene.over, {})
    found = [
        _plain_outcome(scene, search, k, 8 * effort, confidence) for k in range(min(len(search.strata), _OUTCOMES))
    ]
    for _ in range(_SEARCHES):
        so_far = sum(one.weight * one.probability for one in found)
        open_ones = [k for k, one in enumerate(found) if not one.searched and len(one.u) < ENOUGH]
        most = max(open_ones, key=lambda k: found[k].may_carry, default=None)
        if most is None or found[most].may_carry <= _MATTERS * so_far:
            break
        answer = _searched_outcome(search, found[most])
        doubted = answer.flag is not None and found[most].flag is None
        found[most] = replace(found[most], searched=True) if doubted else answer
    return _together(scene, search, found)


def _plain_outcome(scene: Scene, search: Search, k: int, n: int, confidence: float) -> _Outcome:
    limit = ActuationLimit(scene.response, search.condition, search.strata[k], scene.over)
    rng = np.random.default_rng([scene.response.settings.seed, 0xFA11, 1 << 21, k])
    u = rng.standard_normal((n, len(limit.axes)))
    g = limit(u)
    failing = ((g < 0.0) | np.isnan(g)).any(axis=1)
    met = int(failing.sum())
    low, high = clopper_pearson_bounds(met, n, 0.5 + 0.5 * confidence)
    even = np.full(met, 1.0 / max(met, 1))
    flag = _UNSEEN if met < FEW else None
    weight = float(search.weights[k])
    return _Outcome(search.strata[k], weight, limit, u[failing], even, np.arange(met), met / n, low, high, n, flag)


def _searched_outcome(search: Search, known: _Outcome) -> _Outcome:
    answer = search.answer(known.limit, known.stratum, CAUSES)
    return _Outcome(
        known.stratum,
        known.weight,
        known.limit,
        answer.failing.reshape(-1, len(known.limit.axes)),
        answer.failing_weight,
        answer.failing_source,
        answer.probability,
        answer.low,
        answer.high,
        known.drawn + answer.calls,
        answer.flag,
        searched=True,
    )


def _together(scene: Scene, search: Search, found: list[_Outcome]) -> FailingSample:
    """Join the outcomes, each with what it carries of the failures."""
    response = scene.response
    base, scale = response.unit_base(np.arange(_UNITS, dtype=np.int64), search.condition)
    chances = chances_of(response, base, scale)
    scores, weights, sources = [np.zeros((0, scene.dimension))], [np.zeros(0)], [np.zeros(0, dtype=np.intp)]
    begin = 0
    for number, one in enumerate(found):
        n = len(one.u_weight)
        rng = np.random.default_rng([response.settings.seed, 0xFA11, 1 << 20, number])
        z = rng.standard_normal((n, scene.dimension))
        z[:, list(one.limit.axes)] = one.u
        for axis, u in draws_given(response, chances, one.stratum, n, rng).items():
            z[:, axis] = ndtri(u)
        scores.append(z)
        weights.append(one.weight * one.probability * one.u_weight)
        sources.append(begin + one.source)
        begin += int(one.source.max(initial=-1)) + 1
    failure = sum(one.weight * one.probability for one in found)
    below = math.sqrt(sum((one.weight * (one.probability - one.low)) ** 2 for one in found))
    above = math.sqrt(sum((one.weight * (one.high - one.probability)) ** 2 for one in found))
    left = max(1.0 - sum(one.weight for one in found), 0.0)
    return FailingSample(
        np.concatenate(scores),
        np.concatenate(weights),
        np.concatenate(sources),
        sum(one.drawn for one in found),
        failure,
        max(failure - below, 0.0),
        min(failure + above + left, 1.0),
        SEARCHED,
        _doubt(found, failure, left),
    )


def _doubt(found: list[_Outcome], failure: float, left: float) -> str | None:
    """What of the outcomes keeps the whole from being trusted."""
    said = dict.fromkeys(
        one.flag
        for one in found
        if one.flag is not None and one.flag != _UNSEEN and one.weight * one.high > 0.05 * failure
    )
    unseen = left + sum(one.weight * one.high for one in found if one.flag == _UNSEEN)
    if unseen > failure:
        told = "outcomes of the link that were not searched"
        said[f"{told} may add failures with a probability of up to {unseen:.1g}"] = None
    return "; ".join(text for text in said if text) or None

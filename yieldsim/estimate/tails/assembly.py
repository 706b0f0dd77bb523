"""Puts an answer together from what the methods found, and says what is wrong with it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from yieldsim.estimate.tails.adaptation import Sampled
from yieldsim.estimate.tails.answer import FailurePoint, MethodAnswer, TailAnswer
from yieldsim.estimate.tails.exploration import NEGLIGIBLE, Exploration
from yieldsim.estimate.tails.handover import handed_on
from yieldsim.estimate.tails.limit_state import Floats, LimitState
from yieldsim.estimate.tails.mixture import interval, weigh
from yieldsim.estimate.tails.monte_carlo import Counted
from yieldsim.estimate.tails.subset import SubsetRun, interval_of_runs

#: Ratio of two methods' estimates below which a difference is not called one.
_TOLERATED = 1.3


def from_counts(counts: Counted, level: float, calls: int) -> MethodAnswer:
    """Answer of plain Monte Carlo; points that are not a number count as failing in the estimate."""
    low, high = counts.interval(level)
    return MethodAnswer("monte-carlo", (counts.failing + counts.unknown) / counts.trials, low, high, calls)


def from_subset(runs: list[SubsetRun], level: float, calls: int) -> MethodAnswer:
    """Answer of independent subset runs."""
    p, low, high = interval_of_runs(np.array([run.probability for run in runs]), level)
    return MethodAnswer("subset", p, low, high, calls)


def from_mixture(result: Sampled, level: float, calls: int) -> MethodAnswer:
    """Answer of the mixture; the lower end leaves out points that are not a number."""
    low, high = interval(result.found, level)
    certain = weigh(result.sample, result.sample.certain)
    if certain.probability < result.found.probability:
        low = interval(certain, level)[0]
    return MethodAnswer("mixture", result.found.probability, low, high, calls)


def assemble(
    limit_state: LimitState,
    method: str,
    answers: tuple[MethodAnswer, ...],
    level: float,
    seen: Exploration,
    *,
    target: float,
    result: Sampled | None = None,
    counts: Counted | None = None,
    runs: list[SubsetRun] | None = None,
) -> TailAnswer:
    """Build the answer; `answers` holds the chosen method's first."""
    chosen = answers[0]
    d, k = limit_state.dimension, limit_state.scale.size
    points, indices = _points(result, d)
    causes, unknown = _by_cause(result, counts, chosen, k)
    reached = min([run.reached for run in (runs or []) + seen.runs], default=1.0 / max(limit_state.calls, 1))
    differ, note = _disagreement(answers, seen.runs, result)
    flags = [
        differ,
        *_doubts(method, chosen, seen, result, counts, runs, target, unknown),
    ]
    said = "; ".join(text for text in flags if text)
    return TailAnswer(
        chosen.probability,
        chosen.low,
        chosen.high,
        level,
        limit_state.calls,
        method,
        answers,
        said or None,
        points,
        indices,
        _importance(result, counts, runs, d),
        causes,
        reached,
        _farthest(result, counts, runs),
        seen.searches,
        unknown,
        note,
        *(handed_on(limit_state, result) if result is not None else (tuple(seen.regions), np.zeros((0, 0)))),
        seen.sentinels,
        *_failing(result, counts, runs),
        _sources(result, counts, runs),
    )


def _region_shares(result: Sampled) -> Floats:
    """Share of the failure probability that each region carries."""
    terms = result.sample.weight * result.sample.fails
    share = np.bincount(result.mixture.owner, terms @ result.sample.responsibility, len(result.regions))
    return np.asarray(share / share.sum() if share.sum() > 0.0 else share)


def _points(result: Sampled | None, d: int) -> tuple[Floats, tuple[FailurePoint, ...]]:
    if result is None:
        return np.zeros((0, d)), ()
    shares = _region_shares(result)
    distance = np.array([np.linalg.norm(region.point) for region in result.regions])
    order = np.argsort(distance, kind="stable")
    points = np.array([result.regions[i].point for i in order])
    told = tuple(
        FailurePoint(float(distance[i]), result.regions[i].cause, float(shares[i]), result.regions[i].converged)
        for i in order
    )
    return points, told


def _by_cause(result: Sampled | None, counts: Counted | None, chosen: MethodAnswer, k: int) -> tuple[Floats, float]:
    """Probability of each cause, and of points that are not a number."""
    if counts is not None:
        return counts.by_cause / counts.trials, counts.unknown / counts.trials
    if result is None:
        return (np.array([chosen.probability]) if k == 1 else np.full(k, np.nan)), 0.0
    sample = result.sample
    each = (sample.weight[:, None] * (sample.values < 0.0)).sum(axis=0) / sample.weight.size
    unknown = float((sample.weight * (sample.fails - sample.certain)).sum()) / sample.weight.size
    return np.asarray(each), unknown


def _failing(result: Sampled | None, counts: Counted | None, runs: list[SubsetRun] | None) -> tuple[Floats, Floats]:
    """Failing points and their weights, adding up to 1, of the method that answers."""
    if runs:
        found = [run for run in runs if run.failures.shape[0]]
        if found:
            u = np.concatenate([run.failures for run in found])
            w = np.concatenate([np.full(len(run.failures), run.probability / len(run.failures)) for run in found])
            return u, w / w.sum()
    if result is not None:
        terms = result.sample.weight * result.sample.fails
        rows = terms > 0.0
        return result.sample.u[rows], terms[rows] / max(terms.sum(), 1e-300)
    if counts is not None and counts.u.shape[0]:
        return counts.u, np.full(counts.u.shape[0], 1.0 / counts.u.shape[0])
    return np.zeros((0, 1)), np.zeros(0)


def _sources(result: Sampled | None, counts: Counted | None, runs: list[SubsetRun] | None) -> NDArray[np.intp]:
    """What each of the failing points comes from: its subset run, or itself."""
    lengths = [run.failures.shape[0] for run in runs or [] if run.failures.shape[0]]
    if lengths:
        return np.repeat(np.arange(len(lengths)), lengths)
    return np.arange(_failing(result, counts, runs)[1].size)


def _importance(result: Sampled | None, counts: Counted | None, runs: list[SubsetRun] | None, d: int) -> Floats:
    """Squared direction cosines: of most probable points where there are any, else of the failing points' centre."""
    if result is not None and all(region.converged for region in result.regions):
        return np.asarray(_region_shares(result) @ np.array([region.normal**2 for region in result.regions]))
    u, w = _failing(result, counts, runs)
    if w.size == 0:
        return np.zeros(d)
    centre = w @ u
    size = float(centre @ centre)
    return np.asarray(centre**2 / size if size > 0.0 else np.zeros(d))


def _farthest(result: Sampled | None, counts: Counted | None, runs: list[SubsetRun] | None) -> float:
    u, w = _failing(result, counts, runs)
    if w.size == 0:
        return 0.0
    reach = np.abs(u).max(axis=1)
    order = np.argsort(reach)
    return float(reach[order][np.searchsorted(np.cumsum(w[order]), 0.95).clip(0, w.size - 1)])


def _disagreement(
    answers: tuple[MethodAnswer, ...], explorers: list[SubsetRun], result: Sampled | None
) -> tuple[str | None, str | None]:
    """Say where two methods differ by more than both their errors allow: as a flag, or as a note when it is explained.

    Subset runs that never reached a region cannot have counted it. The mixture cannot count what is not there:
    its estimate of a region is made of failing points. Where the runs agree with what the mixture says of the
    regions they did reach, a lower estimate of theirs is no reason for doubt.
    """
    first, flag, note = answers[0], None, None
    for other in answers[1:]:
        text = f"{first.name} and {other.name} disagree: {first.probability:.3g} and {other.probability:.3g}"
        if first.probability <= 0.0 or other.probability <= 0.0:
            if max(first.low, other.low) > min(first.high, other.high):
                flag = text
            continue
        wide = sum(_log_error(answer, explorers) ** 2 for answer in (first, other)) ** 0.5
        bound = max(float(np.log(_TOLERATED)), 4.0 * wide)
        difference = float(np.log(other.probability / first.probability))
        if abs(difference) <= bound:
            continue
        flag = text
        if difference < 0.0 and other.name == "subset" and first.name == "mixture" and result is not None:
            reached, expected = _reached_regions(result, explorers)
            if expected > 0.0 and abs(float(np.log(other.probability / expected))) <= bound:
                flag = None
                note = (
                    f"the subset runs reached {reached} of {len(result.regions)} regions, those that carry "
                    f"{expected / first.probability:.0%} of the probability, and agree with the mixture on these"
                )
    return flag, note


def _reached_regions(result: Sampled, explorers: list[SubsetRun]) -> tuple[int, float]:
    """How many regions any run reached, and what the mixture says the runs should have found on average."""
    shares = _region_shares(result)
    visited = np.zeros((len(explorers), len(result.regions)), dtype=bool)
    for row, run in zip(visited, explorers, strict=True):
        if run.failures.shape[0]:
            depth = np.stack([region.depth(run.failures) for region in result.regions], axis=1)
            row[np.unique(np.argmax(depth, axis=1))] = True
    return int(visited.any(axis=0).sum()), float(result.found.probability * (visited @ shares).mean())


def _log_error(answer: MethodAnswer, explorers: list[SubsetRun]) -> float:
    """Standard error of the logarithm of an estimate, as its interval tells; subset runs are given no less than theory.

    The theoretical error of a run with n points a level and m levels, (1 - p0)(1 + gamma) m / (p0 n) with the
    chains' correlation gamma about 3 (Au and Beck 2001), keeps a lucky agreement of few runs from passing for
    precision.
    """
    if answer.name != "subset":
        return float(np.log(answer.high / max(answer.low, 1e-300))) / 4.0
    estimates = np.array([run.probability for run in explorers if run.probability > 0.0])
    r = max(len(explorers), 2)
    if estimates.size < 2:
        return np.inf
    own = float(np.log(answer.high / max(answer.low, 1e-300))) / 2.0 / float(stdtrit(r - 1, 0.975))
    levels = max(1.0, -np.log10(max(answer.probability, 1e-300)))
    theory = float(np.sqrt(9.0 * 4.0 * levels / 400.0 / r))
    return max(own, theory)


def _doubts(
    method: str,
    chosen: MethodAnswer,
    seen: Exploration,
    result: Sampled | None,
    counts: Counted | None,
    runs: list[SubsetRun] | None,
    target: float,
    unknown: float,
) -> list[str]:
    """What else keeps the answer from being trusted, in plain words."""
    said = []
    if seen.plateau:
        said.append(
            "the limit state takes the same value at nearly all points of the population, so that nothing leads "
            "towards failure there"
            + (
                ": only plain Monte Carlo bounds the probability"
                if method == "monte-carlo"
                else ": the regions were found by looking wider, and others may have been missed"
            )
        )
    if chosen.probability <= 0.0:
        said.append(f"no failure was seen; the probability is below {chosen.high:.2g}")
        return said
    if counts is not None and counts.failing == counts.trials:
        said.append(f"every point failed; the probability is above {chosen.low:.6g}")
    if unknown > NEGLIGIBLE * chosen.probability:
        said.append(
            f"the limit state is not a number on a part of the population with a probability of {unknown:.2g}, "
            f"counted as failing in the estimate and the upper end, not in the lower end"
        )
    if method == "mixture" and result is not None:
        if not seen.settled:
            said.append("explorations still found failures outside the known regions when they ended")
        if not result.quiet:
            said.append("sampling still met failures outside the known regions when it ended")
        if not result.met:
            said.append(f"a relative standard error of {result.found.error:.2g} was reached, {target:.2g} asked for")
        if result.found.heaviest > 0.1:
            said.append(f"one point carries {result.found.heaviest:.0%} of the estimate")
    if method == "subset":
        error = np.log(max(chosen.high, 1e-300) / max(chosen.low, 1e-300)) / 4.0
        if error > 1.5 * target:
            said.append(f"a relative standard error of about {error:.2g} was reached, {target:.2g} asked for")
        if runs and any(run.stuck for run in runs):
            said.append("some runs met a margin too flat to go on")
    return said

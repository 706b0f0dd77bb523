"""Failure probability down to 1e-9 and below, by methods that check each other.

The way of an answer: a sample of the population; gradient searches; independent subset runs; explorations of
what the regions found leave over; importance sampling over all of them; and the subset runs once more, as a
check that shares nothing with the sampling but the limit state.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from yieldsim.estimate.tails import monte_carlo
from yieldsim.estimate.tails.adaptation import Sampled, sample_regions
from yieldsim.estimate.tails.answer import MethodAnswer, TailAnswer
from yieldsim.estimate.tails.assembly import assemble, from_counts, from_mixture, from_subset
from yieldsim.estimate.tails.exploration import Exploration, explain, explore_rest, first_searches
from yieldsim.estimate.tails.limit_state import Floats, Function, Gradient, LimitState
from yieldsim.estimate.tails.subset import SHARE, SubsetRun, run_subset
from yieldsim.estimate.tails.warm import warm_start

Method = Literal["auto", "mixture", "subset", "monte-carlo"]
METHODS = ("auto", "mixture", "subset", "monte-carlo")

#: Independent subset runs that explore and check, and the points a level of each.
EXPLORERS, EXPLORER_SIZE = 5, 400
#: Runs and points a level when subset simulation itself answers.
RUNS, RUN_SIZE = 10, 1000
#: Explorations of what is left over: points a level, and how many at most.
REST_SIZE, REST_MOST = 300, 24
#: Failing points of the first sample from which plain Monte Carlo is as good as anything.
PLENTY = 150


def failure_probability(
    limit_state: Function,
    dimension: int,
    *,
    seed: int,
    target: float = 0.05,
    causes: Sequence[str] | None = None,
    start_points: TailAnswer | Floats | None = None,
    method: Method = "auto",
    level: float = 0.95,
    budget: int = 200_000,
    gradient: Gradient | None = None,
) -> TailAnswer:
    """Probability that ``limit_state(u) < 0`` for independent standard normal u.

    Parameters
    ----------
    limit_state : callable
        ``g(u)`` for u of shape (n, d) gives (n,) or (n, k): failing where any of the k causes is negative. It
        need not be smooth, may be infinite, and may be NaN where it cannot be computed: such points count as
        failing in the estimate and the upper end, as not failing in the lower end.
    dimension : int
        d, at least 1. Inputs of other distributions are mapped by the caller, through the normal quantile.
    seed : int
        The same seed gives the same answer.
    target : float
        Relative standard error aimed at.
    causes : sequence of str, optional
        Names of the causes, used in messages.
    start_points : TailAnswer or (m, d) array, optional
        What is known from a neighbouring condition: its answer, or most probable points. Explorations are then
        left out, so that a few hundred calls suffice, and the answer rests on the regions handed in and those
        met while sampling.
    method : {"auto", "mixture", "subset", "monte-carlo"}
        The method that answers. ``auto`` takes plain Monte Carlo where failures are common, else the mixture,
        and subset simulation where the mixture does not settle.
    level : float
        Of the two-sided interval.
    budget : int
        Calls of the limit state after which no new effort is begun.
    gradient : callable, optional
        ``gradient(u)`` gives (n, d) or (n, k, d).

    Returns
    -------
    TailAnswer

    Raises
    ------
    ValueError
        For an argument out of its range, or a limit state that returns another shape.
    """
    _check(dimension, target, method, level, budget)
    counted = LimitState(limit_state, dimension, gradient)
    rng = np.random.default_rng([seed, dimension])
    if start_points is not None and method in ("auto", "mixture"):
        seen, shares = warm_start(counted, start_points, dimension)
        if seen.regions:
            return _continued(counted, rng, seen, shares, target, level, budget)
    if method == "subset":
        return _by_subset(counted, rng, Exploration(), level, target, budget, (), None)
    u = rng.standard_normal((EXPLORERS * EXPLORER_SIZE, dimension))
    values = counted.values(u)
    counted.compare_by(values)
    if causes is not None and len(causes) != values.shape[1]:
        raise ValueError(f"causes: {len(causes)} names for a limit state of {values.shape[1]} columns")
    first = monte_carlo.count(u, values)
    if method == "monte-carlo" or (method == "auto" and first.failing + first.unknown >= PLENTY):
        return _by_counting(counted, rng, first, method, target, level, budget)
    return _by_regions(counted, rng, u, values, first, target, level, budget)


def _check(dimension: int, target: float, method: str, level: float, budget: int) -> None:
    if int(dimension) != dimension or dimension < 1:
        raise ValueError(f"dimension = {dimension}: a whole number of at least 1 is needed")
    if not 0.0 < target < 1.0:
        raise ValueError(f"target = {target}: a relative standard error between 0 and 1 is needed")
    if not 0.5 <= level < 1.0:
        raise ValueError(f"level = {level}: a level from 0.5 to below 1 is needed")
    if method not in METHODS:
        raise ValueError(f"method = {method!r}: one of {', '.join(METHODS)} is needed")
    if budget < 1000:
        raise ValueError(f"budget = {budget}: at least 1000 calls are needed")


def _by_counting(
    counted: LimitState,
    rng: np.random.Generator,
    first: monte_carlo.Counted,
    method: str,
    target: float,
    level: float,
    budget: int,
    *,
    beside: tuple[MethodAnswer, ...] = (),
    seen: Exploration | None = None,
    all_of_it: bool = False,
) -> TailAnswer:
    """Plain Monte Carlo: as many points as the target asks for, judged by the first sample, within the budget.

    The size is chosen from the first sample, which is then not used again, so that the count keeps its law.
    """
    share = (first.failing + first.unknown + 1) / (first.trials + 2)
    wanted = (1.0 - share) / share / target**2
    room = max(budget - counted.calls, 1000)
    n = room if all_of_it or (method == "monte-carlo" and first.failing == 0) else int(min(1.2 * wanted + 200, room))
    before = counted.calls
    counts = monte_carlo.run_monte_carlo(counted, rng, n)
    own = from_counts(counts, level, counted.calls - before)
    return assemble(counted, "monte-carlo", (own, *beside), level, seen or Exploration(), counts=counts, target=target)


def _explorers(counted: LimitState, rng: np.random.Generator, u: Floats, values: Floats) -> list[SubsetRun]:
    """Independent subset runs, each starting from its own part of the first sample."""
    margin = counted.least(values)
    parts = np.array_split(np.arange(u.shape[0]), EXPLORERS)
    return [run_subset(counted, rng, EXPLORER_SIZE, share=SHARE, first=(u[part], margin[part])) for part in parts]


def _by_regions(
    counted: LimitState,
    rng: np.random.Generator,
    u: Floats,
    values: Floats,
    first: monte_carlo.Counted,
    target: float,
    level: float,
    budget: int,
) -> TailAnswer:
    """Explore, sample the regions found, and check by the explorers' own estimate."""
    seen = Exploration()
    begin = counted.calls
    counted.fails_at_origin = bool(counted.margin(np.zeros((1, counted.dimension)))[0] < 0.0)
    seen.runs = _explorers(counted, rng, u, values)
    explorer_calls = counted.calls - begin + u.shape[0]
    seen.plateau = all(run.stuck for run in seen.runs)
    first_searches(counted, u, values, seen, 8)
    failures = np.concatenate([run.failures for run in seen.runs] + [first.u])
    if failures.shape[0]:
        explain(counted, seen, failures)
    if seen.regions or seen.plateau:
        # on a plateau only a wider population may show where it ends
        explore_rest(counted, rng, seen, size=REST_SIZE, most=REST_MOST)
    beside = () if seen.plateau else (from_subset(seen.runs, level, explorer_calls),)
    if not seen.regions:
        return _by_counting(
            counted, rng, first, "auto", target, level, budget, beside=beside, seen=seen, all_of_it=True
        )
    least = max(500, 3 * counted.calls // 4)
    begin = counted.calls
    result = sample_regions(counted, rng, seen, target=target, pilot=150, least=least, budget=budget)
    own = from_mixture(result, level, counted.calls - begin)
    hard = not result.met and (result.found.error > 3.0 * target or result.found.heaviest > 0.2)
    if hard or (not seen.settled and (not result.met or seen.estimate() > 1.5 * own.probability)):
        return _by_subset(counted, rng, seen, level, target, 2 * budget, (own, *beside), result)
    return assemble(counted, "mixture", (own, *beside), level, seen, result=result, target=target)


def _by_subset(
    counted: LimitState,
    rng: np.random.Generator,
    seen: Exploration,
    level: float,
    target: float,
    budget: int,
    beside: tuple[MethodAnswer, ...],
    result: Sampled | None,
) -> TailAnswer:
    """Independent subset runs, more of them until the target or the budget is met."""
    begin = counted.calls
    u = rng.standard_normal((RUN_SIZE, counted.dimension))
    values = counted.values(u)
    counted.compare_by(values)
    runs = [run_subset(counted, rng, RUN_SIZE, first=(u, counted.least(values)))]
    while len(runs) < RUNS and not (len(runs) >= 3 and all(run.stuck for run in runs)):
        runs.append(run_subset(counted, rng, RUN_SIZE))
    # the number of runs is settled once: stopping when the spread happens to be small would bias it
    estimates = np.array([run.probability for run in runs])
    if estimates.any():
        wanted = np.var(estimates, ddof=1) / np.mean(estimates) ** 2 / target**2
        room = (budget - counted.calls) / ((counted.calls - begin) / len(runs))
        more = int(np.clip(1.2 * wanted - len(runs), 0, max(room, 0)))
        runs += [run_subset(counted, rng, RUN_SIZE) for _ in range(more)]
    own = from_subset(runs, level, counted.calls - begin)
    return assemble(counted, "subset", (own, *beside), level, seen, result=result, target=target, runs=runs)


def _continued(
    counted: LimitState,
    rng: np.random.Generator,
    seen: Exploration,
    shares: Floats | None,
    target: float,
    level: float,
    budget: int,
) -> TailAnswer:
    """Sample regions that are known from elsewhere, without explorations."""
    least = max(80, int(1.6 / target**2))
    result = sample_regions(counted, rng, seen, target=target, pilot=75, least=least, budget=budget, shares=shares)
    own = from_mixture(result, level, counted.calls)
    return assemble(counted, "mixture", (own,), level, seen, result=result, target=target)

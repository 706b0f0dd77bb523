"""Shapes the mixture from a pilot, samples it until the target is met, and starts again when a region shows up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from yieldsim.estimate.tails.curvature import learn_spread, refit
from yieldsim.estimate.tails.design_points import search
from yieldsim.estimate.tails.exploration import Exploration, pulled, spread_out, supports
from yieldsim.estimate.tails.limit_state import Floats, LimitState
from yieldsim.estimate.tails.mixture import SPLIT, Mixture, Sample, Weighed, best_shares, draw, mixture_over, weigh
from yieldsim.estimate.tails.region import Region, explained

#: A failing point with this share of the estimate, or unexplained ones together with it, starts a search.
_HEAVY = 0.03
_RESTARTS = 8
#: So many failing points of subset runs say as much as an independent one.
_ALIKE = 15.0
#: Variance of a point's contribution over the squared probability from which a mixture is shaped once more.
_FITS_BADLY = 3.0


@dataclass(frozen=True)
class Sampled:
    """The final sample of a mixture.

    Attributes
    ----------
    regions : list of Region
        With the curvature fitted.
    mixture : Mixture
    sample : Sample
    found : Weighed
    met : bool
        Whether the relative standard error asked for was reached.
    quiet : bool
        Whether sampling ended without failing points outside all regions that matter.
    """

    regions: list[Region]
    mixture: Mixture
    sample: Sample
    found: Weighed
    met: bool
    quiet: bool


def spread_of_sample(regions: list[Region], sample: Sample, *, again: bool = True) -> list[Region]:
    """Learn where each region's failing points lie; a point belongs to the region that is most responsible for it."""
    terms = sample.weight * sample.fails
    owner = np.argmax(sample.responsibility.reshape(terms.size, len(regions), -1).sum(axis=2), axis=1)
    mine = [(owner == i) & (terms > 0.0) for i in range(len(regions))]
    return [
        learn_spread(one, sample.u[rows], terms[rows], again=again) for one, rows in zip(regions, mine, strict=True)
    ]


def _spread_of_runs(seen: Exploration) -> list[Region]:
    """Learn the same from the failing points of the subset runs, which follow the population where it fails.

    Their chains are correlated: about fifteen points say as much as one.
    """
    failures = [run.failures for run in seen.runs if run.failures.shape[0]]
    if not failures:
        return seen.regions
    u = np.concatenate(failures)
    owner = np.argmax(np.stack([region.depth(u) for region in seen.regions], axis=1), axis=1)
    return [
        learn_spread(region, u[owner == i], np.ones(np.count_nonzero(owner == i)), _ALIKE)
        if (owner == i).any()
        else region
        for i, region in enumerate(seen.regions)
    ]


def newcomers(
    limit_state: LimitState, seen: Exploration, regions: list[Region], sample: Sample, *, thorough: bool = True
) -> int:
    """Look for regions at failing points that weigh too much or that nothing explains; return how many are new.

    A point is tried once. Unless `thorough`, one that weighs much and lies within a known region is let be: in a
    small sample it is no sign of another.
    """
    terms = sample.weight * sample.fails
    total = terms.sum()
    if total <= 0.0:
        return 0
    stray = (sample.fails > 0.0) & ~explained(regions, sample.u, 0.5) & ~explained(seen.regions, sample.u, 0.5)
    heavy = terms > max(_HEAVY * total, 8.0 * total / max(sample.fails.sum(), 1.0))
    if not thorough:
        heavy &= stray
    suspects = np.flatnonzero(heavy | (stray if terms[stray].sum() > _HEAVY * total else False))
    starts = sample.u[suspects]
    if seen.suspects.shape[0] and starts.shape[0]:
        starts = starts[~(starts[:, None, 0] == seen.suspects[None, :, 0]).any(axis=1)]
    if starts.shape[0] == 0:
        return 0
    starts = starts[spread_out(starts, 4)]
    seen.suspects = np.concatenate([seen.suspects.reshape(-1, starts.shape[1]), starts])
    seen.searches += starts.shape[0]
    before = len(seen.regions)
    seen.add(search(limit_state, starts))
    unexplained = ~explained(seen.regions, starts, 0.5)
    if unexplained.any():
        seen.add(supports(limit_state, pulled(limit_state, starts[unexplained])))
    return len(seen.regions) - before


def sample_regions(
    limit_state: LimitState,
    rng: np.random.Generator,
    seen: Exploration,
    *,
    target: float,
    pilot: int,
    least: int,
    budget: int,
    shares: Floats | None = None,
) -> Sampled:
    """Importance sampling over the regions of `seen` until the relative standard error is `target`.

    Parameters
    ----------
    limit_state, rng, seen
        `seen.regions` grows when sampling meets failures outside them.
    target : float
        Relative standard error wanted.
    pilot : int
        Points of the pilot for each region.
    least : int
        Fewest points of the final sample.
    budget : int
        Most calls of the limit state in all, counted from its own counter.
    shares : (m, 7) array, optional
        How the effort was shared where the regions come from. They are then sampled as they are, without a pilot;
        only when that proves hard are they shaped anew.
    """
    if shares is not None:
        known = list(seen.regions)
        mixture = mixture_over(known, shares)
        known_budget = min(budget, 6 * least)
        result = _to_target(limit_state, rng, seen, known, mixture, target, least, known_budget, thorough=False)
        if result.met:
            return result
    seen.regions = _spread_of_runs(seen)
    shares = np.tile(SPLIT, (len(seen.regions), 1))
    left = _RESTARTS
    while True:
        left -= 1
        last = left == 0 or limit_state.calls > budget
        shares = _shared_with_new(shares, len(seen.regions))
        shaped = _pilots(limit_state, rng, seen, shares, pilot * min(shares.shape[0], 12), least)
        if shaped is None and not last:
            continue
        shares = _shared_with_new(shares, len(seen.regions))
        if shaped is None:
            shaped = refit(seen.regions, *limit_state.history())
        mixture = mixture_over(shaped, shares)
        result = _to_target(limit_state, rng, seen, shaped, mixture, target, least, budget)
        if result.quiet or last or limit_state.calls > budget:
            return result


def _shared_with_new(shares: Floats, m: int) -> Floats:
    """Give regions that were met since, up to ``m`` in all, the mean share of those before them."""
    mean = shares.sum() / shares.shape[0]
    return np.concatenate([shares, mean * np.tile(SPLIT, (m - shares.shape[0], 1))])


def _pilots(
    limit_state: LimitState, rng: np.random.Generator, seen: Exploration, shares: Floats, size: int, least: int
) -> list[Region] | None:
    """Shape regions and shares (changed in place) by pilots, three where one shows a mixture that fits badly.

    A larger one, of an eighth of the final sample, follows where that is more. Returns the regions with their
    curvature fitted, None when a pilot met a new one.
    """
    shaped = refit(seen.regions, *limit_state.history())
    sizes = [size] * 3
    while sizes:
        n = sizes.pop()
        tried = draw(limit_state, mixture_over(shaped, shares), rng, n)
        if newcomers(limit_state, seen, shaped, tried):
            return None
        seen.regions = spread_of_sample(seen.regions, tried)
        shaped = refit(seen.regions, *limit_state.history())
        terms = tried.weight * tried.fails
        rows = np.flatnonzero(terms > 0.0)
        shares[:] = best_shares(mixture_over(shaped, shares), tried.u[rows], terms[rows]).reshape(shares.shape)
        fits = weigh(tried, tried.fails).error ** 2 * tried.weight.size < _FITS_BADLY
        if n == size and (fits or not sizes):
            sizes = [least // 8] if least // 8 > size else []
    return shaped


def _to_target(
    limit_state: LimitState,
    rng: np.random.Generator,
    seen: Exploration,
    regions: list[Region],
    mixture: Mixture,
    target: float,
    least: int,
    budget: int,
    *,
    thorough: bool = True,
) -> Sampled:
    """Sample one mixture in growing batches until the error is met, the budget is used, or a region shows up."""
    sample = draw(limit_state, mixture, rng, least)
    # one heavy point of a small sample overrates what is still needed
    growth = 3.0 if thorough else 0.7
    while True:
        found = weigh(sample, sample.fails)
        if newcomers(limit_state, seen, regions, sample, thorough=thorough):
            return Sampled(regions, mixture, sample, found, False, False)
        met = found.error <= target and found.heaviest < max(0.1, 2.5 * target)
        left = budget - limit_state.calls
        if met or left < 50:
            return Sampled(regions, mixture, sample, found, met, True)
        n = sample.weight.size
        wanted = n * ((found.error / target) ** 2 - 1.0) * 1.1 if np.isfinite(found.error) else n
        sample = sample.joined(
            draw(limit_state, mixture, rng, int(np.clip(wanted, max(60.0, 0.1 * n), max(60.0, min(growth * n, left)))))
        )

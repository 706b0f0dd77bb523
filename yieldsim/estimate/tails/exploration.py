"""Where does it fail? Searches, subset explorations, and explorations of what the regions found leave over.

Three ways of looking are combined because each is blind somewhere: gradient searches follow the cause that is
active where they start; subset explorations follow the margin, which a steep cause may dominate; explorations
with the known regions masked out see only what is missing, and cost nothing for the points they refuse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

from yieldsim.estimate.tails.components import Beyond
from yieldsim.estimate.tails.curvature import refit
from yieldsim.estimate.tails.design_points import search
from yieldsim.estimate.tails.limit_state import Bools, Floats, LimitState
from yieldsim.estimate.tails.region import Region, explained, is_new
from yieldsim.estimate.tails.subset import SubsetRun, run_subset

#: A region not yet found may carry this share of the failure probability before it matters.
NEGLIGIBLE = 0.02
#: Widths of the population in the explorations of what is left over. Far out a steep cause shows that hides behind
#: flatter ones nearer by; near by, islands and regions bent away show that are small from afar.
WIDTHS = (3.0, 1.7, 1.0)
_MOST_REGIONS = 40


@dataclass
class Exploration:
    """What is known about where the limit state fails.

    Attributes
    ----------
    regions : list of Region
        Converged most probable points first found first, and points of the limit state that are none but
        support failing samples that no most probable point explains.
    runs : list of SubsetRun
        Independent subset runs over the whole population.
    searches : int
        Gradient searches begun.
    settled : bool
        Whether the last explorations found nothing new that matters.
    residual : float
        Estimate of the failure probability outside the masks at the last exploration; 0 when none was seen.
    sentinels : (s, d) array
        Points far from the known regions where the margin is smallest: where another condition may fail next.
    plateau : bool
        Whether the margin was too flat for an exploration.
    minor : list of Region
        Regions so far out that they carry a negligible share; they are masked, not sampled.
    unexplained : bool
        Whether an exploration of the population itself met failing points that no region explains.
    learnt : int
        How many regions have had their curvature fitted.
    suspects : (s, d) array
        Failing points met while sampling from which a search was begun.
    """

    regions: list[Region] = field(default_factory=list)
    runs: list[SubsetRun] = field(default_factory=list)
    searches: int = 0
    settled: bool = False
    residual: float = 0.0
    sentinels: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    plateau: bool = False
    minor: list[Region] = field(default_factory=list)
    unexplained: bool = False
    learnt: int = 0
    suspects: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    def horizon(self) -> float:
        """Distance beyond which a half-space carries a negligible share of the estimate."""
        return float(-ndtri(max(NEGLIGIBLE * self.estimate(), 1e-300)))

    def estimate(self) -> float:
        """Rough failure probability: the mean of the subset runs, or what the tangent planes add up to."""
        runs = [run.probability for run in self.runs]
        planes = [float(np.exp(log_ndtr(-region.distance))) for region in self.regions if region.distance > 0.0]
        # planes before which the limit state bends away overrate it: the runs bound how much is believed of them
        # and a lucky run of few is not believed
        typical = min(float(np.mean(runs)), float(np.median(runs))) if runs else 0.0
        return max(typical, 0.1 * max(planes, default=0.0))

    def add(self, found: list[Region]) -> int:
        """Add the regions that are new; return how many were, those too far out to matter included."""
        before = len(self.regions) + len(self.minor)
        for region in sorted(found, key=lambda one: float(np.linalg.norm(one.point))):
            if not is_new(self.regions + self.minor, region):
                continue
            if self.regions and region.distance > self.horizon() + 0.5:
                if len(self.minor) < _MOST_REGIONS:
                    self.minor.append(region)
            elif len(self.regions) < _MOST_REGIONS:
                self.regions.append(region)
        return len(self.regions) + len(self.minor) - before


def first_searches(limit_state: LimitState, u: Floats, values: Floats, seen: Exploration, count: int) -> None:
    """Search from the origin, from the smallest values of each cause, and from points spread over the population.

    Half of the spread ones are moved outwards, where other causes are active.
    """
    k = values.shape[1]
    starts, causes = [], []
    rank = np.argsort(np.where(np.isfinite(values), values, np.inf), axis=0, kind="stable")
    for j in range(k):
        starts += [np.zeros(u.shape[1]), u[rank[0, j]]]
        causes += [j, j]
    spread = u[:count] * np.where(np.arange(count) % 2 == 0, 1.0, 1.6)[: u[:count].shape[0], None]
    active = search_cause(limit_state, values[:count])
    starts += list(spread)
    causes += list(active)
    seen.searches += len(starts)
    seen.add(search(limit_state, np.array(starts), np.array(causes, dtype=np.intp)))


def search_cause(limit_state: LimitState, values: Floats) -> NDArray[np.intp]:
    """Column with the smallest scaled value at each point."""
    return np.asarray(np.argmin(np.where(np.isnan(values), np.inf, values / limit_state.scale), axis=1))


def spread_out(u: Floats, most: int) -> NDArray[np.intp]:
    """Indices of at most `most` points: the one nearest to the origin, then each farthest from those chosen."""
    if u.shape[0] <= most:
        return np.arange(u.shape[0])
    chosen = [int(np.argmin((u**2).sum(axis=1)))]
    apart = ((u - u[chosen[0]]) ** 2).sum(axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(apart)))
        apart = np.minimum(apart, ((u - u[chosen[-1]]) ** 2).sum(axis=1))
    return np.array(chosen)


def explain(
    limit_state: LimitState, seen: Exploration, failures: Floats, *, rounds: int = 6, most: int = 4, near: bool = True
) -> Bools:
    """Search from failing points (m, d) that no region explains, until all are explained or nothing new is found.

    Returns which points are explained in the end. Where searches lead back to known regions only and the points
    are those of the population (`near`), the limit state between the origin and the point is taken as a region of
    its own, so that sampling covers it.
    """
    known = explained(seen.regions + seen.minor, failures)
    for _ in range(rounds):
        rest = np.flatnonzero(~known)
        if rest.size == 0 or rest.size < 0.01 * failures.shape[0]:
            break
        starts = failures[rest][spread_out(failures[rest], most)]
        seen.searches += starts.shape[0]
        # from where the line to the origin leaves the region: the far side of an island leads astray
        edge = pulled(limit_state, starts)
        new = seen.add(search(limit_state, edge))
        known = explained(seen.regions + seen.minor, failures)
        left = ~explained(seen.regions + seen.minor, starts)
        if near and left.any():
            new += seen.add(supports(limit_state, edge[left]))
            known = explained(seen.regions + seen.minor, failures)
        if new == 0:
            break
    return known


def pulled(limit_state: LimitState, failures: Floats, halvings: int = 7) -> Floats:
    """Failing points (m, d) moved towards the origin, each to just within the limit state."""
    low, high = np.zeros(failures.shape[0]), np.ones(failures.shape[0])
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        fails = limit_state.margin(middle[:, None] * failures) < 0.0
        high, low = np.where(fails, middle, high), np.where(fails, low, middle)
    return np.asarray(high[:, None] * failures)


def supports(limit_state: LimitState, points: Floats) -> list[Region]:
    """Tangent planes of the limit state at points (m, d) on it that are no most probable ones.

    Where the slope is lost (a jump) the plane across the line to the origin is taken.
    """
    values = limit_state.values(points)
    cause = search_cause(limit_state, values)
    slopes = limit_state.gradients(points, values, 0.01)[np.arange(points.shape[0]), cause]
    found = []
    for point, slope, j in zip(points, slopes, cause, strict=True):
        steep, size = float(np.linalg.norm(slope)), float(np.linalg.norm(point))
        if size == 0.0:
            continue
        normal = -slope / steep if steep > 0.0 else point / size
        jump = steep == 0.0 or steep > 1e3 * limit_state.scale[j]
        if not jump and normal @ point > 0.3 * size:
            found.append(Region(point, normal, int(j), steep, False))
        if jump or normal @ point < 0.9 * size:
            # where surfaces meet in an edge, the plane of one of them says little about the failures between them
            found.append(Region(point, point / size, int(j), max(steep, float(limit_state.scale[j])), False))
    return found


def masked(regions: list[Region]) -> Callable[[Floats], Bools]:
    """Return the function that says which points (n, d) an exploration may look at: those well before every surface."""

    def allowed(u: Floats) -> Bools:
        free = np.ones(u.shape[0], dtype=np.bool_)
        for region in regions:
            # where a surface bent towards the origin is extrapolated, it hides no more than it may
            edge = np.maximum(region.boundary(u), 0.4 * region.distance)
            free &= u @ region.normal < np.maximum(0.7 * edge, edge - 1.5)
        return free

    return allowed


def learn(limit_state: LimitState, rng: np.random.Generator, seen: Exploration) -> bool:
    """Fit the curvature of regions not yet learnt to points drawn at them; return whether there were any."""
    if seen.learnt == len(seen.regions):
        return False
    size = 40 + 2 * limit_state.dimension
    for region in seen.regions[seen.learnt :]:
        limit_state.values(Beyond(region, 1.0 / max(region.distance, 1.0)).draw(rng, size))
    seen.regions = refit(seen.regions, *limit_state.history())
    seen.learnt = len(seen.regions)
    return True


def explore_rest(limit_state: LimitState, rng: np.random.Generator, seen: Exploration, *, size: int, most: int) -> None:
    """Explore what the masks leave, at each width of the population, until all are silent in a row.

    Parameters
    ----------
    limit_state, rng, seen
        Regions found are added to `seen`.
    size : int
        Points a level.
    most : int
        Most runs. Fewer than what it takes leaves `seen.settled` False.
    """
    quiet, turn = 0, 0
    for _ in range(most):
        if quiet >= len(WIDTHS):
            break
        sigma = WIDTHS[turn % len(WIDTHS)]
        allowed = masked(seen.regions + seen.minor)
        # where a half-space that just matters lies, seen in a population of this width
        stop = float(ndtr(-seen.horizon() / sigma)) * (1.0 if sigma == 1.0 else 0.2)
        run = run_subset(limit_state, rng, size, floor=stop, allowed=allowed, sigma=sigma)
        if sigma == 1.0 and run.nearest.size:
            seen.sentinels = np.concatenate([seen.sentinels.reshape(-1, run.nearest.shape[1]), run.nearest[:4]])[-20:]
            seen.residual = run.probability
        if run.failures.shape[0] == 0 or (sigma == 1.0 and run.probability < stop):
            quiet, turn = quiet + 1, turn + 1
            continue
        before = len(seen.regions), len(seen.minor)
        explain(limit_state, seen, run.failures, near=sigma == 1.0)
        if len(seen.regions) > before[0]:
            quiet = 0
        elif len(seen.minor) == before[1] and not learn(limit_state, rng, seen):
            # failing points that nothing new explains; what matters is whether the population itself has them
            seen.unexplained = seen.unexplained or sigma == 1.0
            quiet, turn = quiet + 1, turn + 1
    seen.settled = quiet >= len(WIDTHS) and not seen.unexplained

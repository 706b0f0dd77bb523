"""What one condition teaches the next, and how effort is shared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from yieldsim.estimate.tails import failure_probability
from yieldsim.estimate.tails.curvature import learn_spread, widened
from yieldsim.estimate.tails.limit_state import LimitState
from yieldsim.estimate.tails.mixture import SPLIT, best_shares, mixture_over
from yieldsim.estimate.tails.region import Region
from yieldsim.estimate.tails.warm import warm_start


def plane(normal, beta, cause=0):
    return Region(beta * np.asarray(normal), np.asarray(normal, dtype=float), cause, 1.0, True)


def test_best_shares_against_a_general_optimiser():
    # scipy's SLSQP on the same convex problem is the oracle; three tenths stay where they were split at first
    regions = [plane([1.0, 0.0], 3.0), plane([0.0, 1.0], 3.4)]
    mixture = mixture_over(regions, np.tile(SPLIT, (2, 1)) / 2.0)
    u = np.random.default_rng(3).standard_normal((4000, 2)) + np.array([3.0, 0.0])
    u[2000:] = u[2000:, ::-1] + np.array([0.0, 0.4])
    fails = (u[:, 0] > 3.0) | (u[:, 1] > 3.4)
    u = u[fails]
    terms = np.exp(-(mixture.log_ratios(u) - np.log(mixture.shares)).max(axis=1))
    found = best_shares(mixture, u, terms)
    ratio = np.exp(mixture.log_ratios(u) - np.log(mixture.shares))
    floor = 0.3 * np.tile(SPLIT, 2) / 2.0

    def moment(a):
        return float((terms / (ratio @ a)).sum() / terms.sum())

    m = mixture.shares.size
    best = minimize(
        lambda a: moment(floor + 0.7 * a),
        np.full(m, 1.0 / m),
        method="SLSQP",
        bounds=[(0.0, 1.0)] * m,
        constraints={"type": "eq", "fun": lambda a: a.sum() - 1.0},
        options={"maxiter": 500, "ftol": 1e-12},
    )
    assert found.sum() == pytest.approx(1.0)
    assert np.all(found >= floor - 1e-12)
    assert moment(found) < moment(mixture.shares)
    assert moment(found) == pytest.approx(best.fun, rel=5e-3)


def test_shares_stay_where_too_few_failed():
    mixture = mixture_over([plane([1.0, 0.0], 3.0)], SPLIT[None, :])
    assert best_shares(mixture, np.full((9, 2), 4.0), np.ones(9)) is mixture.shares


@pytest.mark.parametrize("directions", [1, 10, 100])
def test_widening_costs_the_same_in_any_number_of_directions(directions):
    # E[phi²/q²] under q = N(0, s²) for phi = N(0, 1) is s / sqrt(2 - 1/s²) in each direction (Gaussian integral)
    s = widened(0.1, directions)
    assert (s / np.sqrt(2.0 - s**-2)) ** directions == pytest.approx(1.0175, abs=2.5e-3)


def test_a_heavy_point_is_no_direction():
    # failing points spread as the population; one far point with a fifth of the weight makes a large moment
    rng = np.random.default_rng(8)
    u = rng.standard_normal((400, 6)) + 3.0 * np.eye(6)[0]
    weight = np.ones(400)
    u[0, 1:] = [0.0, 9.0, 0.0, 0.0, 0.0]
    weight[0] = 20.0
    learnt = learn_spread(plane(np.eye(6)[0], 3.0), u, weight)
    assert learnt.spread_axes.shape[1] == 0 or np.all(learnt.spread_deviation < 1.5)
    # negative control: a direction in which all of them are spread twice as wide is one
    u = rng.standard_normal((400, 6)) * [1.0, 1.0, 2.0, 1.0, 1.0, 1.0] + 3.0 * np.eye(6)[0]
    learnt = learn_spread(plane(np.eye(6)[0], 3.0), u, np.ones(400))
    assert learnt.spread_deviation.max() == pytest.approx(2.0, rel=0.2)


def test_fewer_points_do_not_replace_what_many_taught():
    rng = np.random.default_rng(9)
    u = rng.standard_normal((4000, 3)) * [1.0, 0.5, 1.0] + [3.0, 0.0, 0.0]
    learnt = learn_spread(plane([1.0, 0.0, 0.0], 3.0), u, np.ones(4000))
    assert learnt.learnt_from == pytest.approx(4000.0)
    assert learn_spread(learnt, u[:100], np.ones(100), again=False) is learnt
    assert learn_spread(learnt, u[:100], np.ones(100)).learnt_from == pytest.approx(100.0)


def two_planes(first, second):
    return lambda u: np.stack([first - u[:, 0], second - u[:, 1]], axis=1)


def test_shares_follow_the_planes_whatever_the_order():
    # 4.5 and 4.7 become 4.8 and 4.3: the nearer region is another one, and its share grows by its plane
    before = failure_probability(two_planes(4.5, 4.7), 4, seed=1)
    assert [region.cause for region in before.regions] == [0, 1]
    limit_state = LimitState(two_planes(4.8, 4.3), 4)
    seen, shares = warm_start(limit_state, before, 4)
    assert [region.cause for region in seen.regions] == [1, 0]
    assert shares.sum() == pytest.approx(1.0)
    old = before.shares.sum(axis=1)
    change = norm.sf([4.8, 4.3]) / norm.sf([4.5, 4.7])
    moved = old * change / (old @ change)
    assert shares.sum(axis=1)[::-1] == pytest.approx(0.9 * moved + 0.05, rel=0.02)
    for region in seen.regions:
        # the centre of the failing points goes with the surface
        own = next(one for one in before.regions if one.cause == region.cause)
        assert region.cloud_centre - own.cloud_centre == pytest.approx(region.point - own.point)


def test_regions_that_changed_are_shared_anew():
    before = failure_probability(two_planes(4.5, 4.7), 4, seed=1)
    fewer = replace(before, shares=before.shares[:1])
    assert warm_start(LimitState(two_planes(4.5, 4.7), 4), fewer, 4)[1] is None


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_row_of_conditions_is_cheap(seed):
    # curved in many directions: what the first condition learnt of the surface serves the others. The truth is that
    # of the second-order form with equal curvatures, one integral over a chi-squared variable
    def function(beta):
        return lambda u: beta - u[:, 0] + 0.1 * (u[:, 1:9] ** 2).sum(axis=1)

    rng = np.random.default_rng([seed, 77])
    chi = rng.chisquare(8, 1_000_000)
    known = failure_probability(function(4.0), 20, seed=seed, target=0.1)
    errors = []
    for beta in (4.05, 4.1, 4.15, 4.2, 4.25, 4.3):
        known = failure_probability(function(beta), 20, seed=seed, target=0.1, start_points=known)
        truth = float(norm.sf(beta + 0.1 * chi).mean())
        errors.append(np.log(known.probability / truth))
        assert known.calls <= 500
        assert known.flag is None
    # each asked for 10 %: the mean of six within five standard errors, and the truth's own half a per cent
    assert abs(np.mean(errors)) < 5.0 * 0.1 / np.sqrt(6.0) + 0.005

"""Searches for most probable points, and the curvature learnt about them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from yieldsim.estimate.tails.curvature import complement, fit_curvature
from yieldsim.estimate.tails.design_points import search
from yieldsim.estimate.tails.limit_state import LimitState

STARTS = np.random.default_rng(3).standard_normal((6, 2))


def test_resistance_and_load():
    # R ~ N(200, 10), S ~ N(100, 20): reliability index 100 / sqrt(500) = 4.472136, direction cosines of the limit
    # state (0.4472136, -0.8944272): closed form of two normal variables
    found = search(LimitState(lambda u: 100.0 + 10.0 * u[:, 0] - 20.0 * u[:, 1], 2), STARTS)
    assert len(found) == 6
    for region in found:
        assert region.converged
        assert region.distance == pytest.approx(4.472136, abs=1e-6)
        assert region.normal == pytest.approx([-0.4472136, 0.8944272], abs=1e-6)
        assert region.slope == pytest.approx(np.sqrt(500.0), rel=1e-6)


@pytest.mark.parametrize("bend", [-0.6, -0.2, 0.2, 1.0])
def test_curved_limit_state_against_a_general_optimiser(bend):
    def function(u):
        return 3.0 + 0.5 * bend / 3.0 * u[:, 1] ** 2 + 0.1 * np.sin(u[:, 2]) - u[:, 0]

    # scipy.optimize's sequential quadratic programming is the oracle for the distance
    constraint = {"type": "eq", "fun": lambda u: function(u[None])[0]}
    oracle = minimize(lambda u: u @ u, [3.0, 0.0, 0.0], constraints=constraint, method="SLSQP", tol=1e-12)
    found = search(LimitState(function, 3), np.array([[1.0, 0.5, 0.5], [0.0, 0.0, 0.0]]))
    nearest = min(np.linalg.norm(region.point) for region in found)
    assert nearest == pytest.approx(np.sqrt(oracle.fun), abs=0.01)


def test_calls_are_counted_and_a_gradient_saves_them():
    normal = np.ones(30) / np.sqrt(30.0)

    def function(u):
        return 4.0 - u @ normal

    plain, own = LimitState(function, 30), LimitState(function, 30, lambda u: np.tile(-normal, (len(u), 1)))
    starts = np.zeros((1, 30))
    assert search(plain, starts)[0].distance == pytest.approx(4.0)
    assert search(own, starts)[0].distance == pytest.approx(4.0)
    assert own.calls < 10 < plain.calls < 100


def test_nothing_is_found_where_nothing_leads():
    assert search(LimitState(lambda u: np.ones(len(u)), 2), STARTS) == []
    assert search(LimitState(lambda u: np.full(len(u), np.nan), 2), STARTS) == []


def test_each_cause_is_followed_by_itself():
    limit_state = LimitState(lambda u: np.stack([3.0 - u[:, 0], 400.0 - 100.0 * u[:, 1]], axis=1), 2)
    first, second = search(limit_state, np.zeros((2, 2)), np.array([0, 1]))
    assert (first.cause, second.cause) == (0, 1)
    assert first.point == pytest.approx([3.0, 0.0])
    assert second.point == pytest.approx([0.0, 4.0])


def test_curvature_of_a_paraboloid_is_recovered():
    rng = np.random.default_rng(5)
    normal = rng.standard_normal(8)
    normal /= np.linalg.norm(normal)
    basis = complement(normal)
    assert basis.T @ basis == pytest.approx(np.eye(7), abs=1e-12)
    assert normal @ basis == pytest.approx(np.zeros(7), abs=1e-12)

    def function(u):
        return 2.0 * (4.0 - u @ normal + 0.1 * (u @ basis[:, 0]) ** 2 - 0.05 * (u @ basis[:, 3]) ** 2)

    region = search(LimitState(function, 8), np.zeros((1, 8)))[0]
    u = region.point + rng.standard_normal((500, 8))
    fitted = fit_curvature(region, u, function(u), [])
    strong = np.abs(fitted.curvatures) > 0.02
    assert np.sort(fitted.curvatures[strong]) == pytest.approx([-0.1, 0.2], abs=0.01)
    assert (
        np.abs(
            fitted.depth(u) - (u @ normal - 4.0 - 0.1 * (u @ basis[:, 0]) ** 2 + 0.05 * (u @ basis[:, 3]) ** 2)
        ).max()
        < 0.2
    )


def test_a_flat_limit_state_is_given_no_curvature():
    region = search(LimitState(lambda u: 4.0 - u[:, 0], 5), np.zeros((1, 5)))[0]
    u = region.point + np.random.default_rng(6).standard_normal((300, 5))
    assert fit_curvature(region, u, 4.0 - u[:, 0], []).curvatures.size == 0

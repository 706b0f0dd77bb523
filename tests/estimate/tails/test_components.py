"""Sampling densities: their ratio to the population's, and their draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest, multivariate_normal, truncnorm

from yieldsim.estimate.tails.components import Beyond, Population, Shifted
from yieldsim.estimate.tails.region import Region

SEEDS = [11, 12, 13]


def region(beta: float = 2.0, bend: float = 0.3) -> Region:
    normal = np.array([2.0, 1.0, -2.0]) / 3.0
    axis = np.array([1.0, 2.0, 2.0]) / 3.0
    return Region(beta * normal, normal, 0, 1.0, True, axis[:, None], np.array([bend]), 0.05, 0.1 * axis, 0.02)


COMPONENTS = {
    "population": Population(3),
    "shifted": Shifted(np.array([1.0, -0.5, 0.7])),
    "stretched": Shifted(np.array([1.0, -0.5, 0.7]), 1.4),
    "plane": Beyond(region().flat(), 0.2),
    "bent away": Beyond(region(), 0.2),
    "bent towards": Beyond(region(bend=-0.2), 0.2, 1.1),
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", COMPONENTS)
def test_ratio_is_a_density_and_draws_follow_it(name, seed):
    # any function's mean over the draws is its ratio-weighted mean over the population; 1 checks the density's
    # integral. 5.5 standard errors of either: false alarm below 1e-6 over the six functions
    component, rng = COMPONENTS[name], np.random.default_rng(seed)
    u, drawn = rng.standard_normal((400_000, 3)), component.draw(rng, 100_000)
    ratio = np.exp(component.log_ratio(u))
    for function in (lambda x: np.ones(len(x)), lambda x: x[:, 0], lambda x: np.sin(x).sum(axis=1)):
        weighed, direct = ratio * function(u), function(drawn)
        error = np.hypot(weighed.std() / np.sqrt(weighed.size), direct.std() / np.sqrt(direct.size))
        assert abs(weighed.mean() - direct.mean()) < 5.5 * error + 1e-12


@pytest.mark.parametrize("seed", SEEDS)
def test_a_wrong_ratio_is_noticed(seed):
    # negative control of the test above: the ratio of another slack
    rng = np.random.default_rng(seed)
    u, drawn = rng.standard_normal((400_000, 3)), Beyond(region(), 0.2).draw(rng, 100_000)
    weighed = np.exp(Beyond(region(), 0.9).log_ratio(u)) * u[:, 0]
    error = np.hypot(weighed.std() / np.sqrt(weighed.size), drawn[:, 0].std() / np.sqrt(len(drawn)))
    assert abs(weighed.mean() - drawn[:, 0].mean()) > 5.5 * error


@pytest.mark.parametrize("beta", [0.5, 4.0, 9.0, 30.0])
def test_plane_draws_a_truncated_normal(beta):
    # scipy.stats.truncnorm is the oracle; level 1e-6 of the Kolmogorov-Smirnov test
    normal = np.array([0.6, 0.8])
    drawn = Beyond(Region(beta * normal, normal, 0, 1.0, True).flat(), 0.0).draw(np.random.default_rng(1), 20_000)
    t = drawn @ normal
    assert t.min() >= beta
    assert kstest((t - beta) * beta, lambda x: truncnorm.cdf(beta + x / beta, beta, np.inf)).pvalue > 1e-6


def test_shifted_ratio_against_scipy():
    centre = np.array([2.0, -1.0, 0.5])
    u = np.random.default_rng(2).standard_normal((50, 3))
    expected = multivariate_normal(centre).logpdf(u) - multivariate_normal(np.zeros(3)).logpdf(u)
    assert Shifted(centre).log_ratio(u) == pytest.approx(expected, rel=1e-12)

"""Reweighted means: the tail of combined exponentials and the bounds made from it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from yieldsim.estimate import dirichlet
from yieldsim.estimate.dirichlet import (
    condense,
    lower_mean_bound,
    upper_mean_bound,
    weighted_exponential_tail,
)

SEEDS = [11, 12, 13]
WEIGHTS = st.floats(0.01, 100.0)


@given(st.lists(WEIGHTS, min_size=1, max_size=6), WEIGHTS)
def test_tail_against_laplace_transform(positive, negative):
    # closed form: P(sum a_i E_i < b E) = E exp(-sum a_i E_i / b) = prod 1 / (1 + a_i / b), the Laplace
    # transform of exponentials
    closed = 1.0 - np.prod(1.0 / (1.0 + np.array(positive) / negative))
    tail = weighted_exponential_tail(np.array([*positive, -negative]), np.ones(len(positive) + 1))
    assert tail == pytest.approx(closed, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("n", [1, 2, 5, 50, 5000, 200_000])
@pytest.mark.parametrize("share", [0.0, 0.001, 0.1, 0.5, 1.0])
def test_tail_of_zeros_and_ones_is_a_beta(n, share):
    # a Dirichlet vector's partial sums are beta distributed; scipy.stats.beta is the oracle
    k = round(n * share)
    for t in beta.ppf([1e-6, 0.05, 0.4, 0.95], k + 1, n - k) if k < n else []:
        tail = weighted_exponential_tail(np.array([0.0, 1.0]) - t, np.array([n - k, k + 1.0]))
        assert tail == pytest.approx(beta.sf(t, k + 1, n - k), rel=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_halved_step_changes_nothing(seed, monkeypatch):
    rng = np.random.default_rng(seed)
    for _ in range(60):
        n = int(rng.choice([2, 5, 50, 500]))
        x = np.append(rng.beta(rng.choice([0.05, 0.5, 2.0]), 3.0, n), float(rng.integers(2)))
        t = rng.uniform(0.5 * x.mean(), 0.5 * (1.0 + x.mean()))
        monkeypatch.setattr(dirichlet, "_STEP", 0.125)
        whole = weighted_exponential_tail(x - t, np.ones(n + 1))
        monkeypatch.setattr(dirichlet, "_STEP", 0.03125)
        assert whole == pytest.approx(weighted_exponential_tail(x - t, np.ones(n + 1)), rel=1e-9, abs=1e-13)


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_against_simulated_weights(seed):
    rng = np.random.default_rng(seed)
    x = rng.beta(0.3, 20.0, 40)
    weights = rng.dirichlet(np.ones(41), 40_000)
    above = np.mean(weights @ np.append(x, 1.0) > upper_mean_bound(x, 0.95))
    below = np.mean(weights @ np.append(x, 0.0) < lower_mean_bound(x, 0.95))
    # 5 standard errors of a share of 5 % in 40,000: false alarm 6e-7 a comparison
    assert above == pytest.approx(0.05, abs=5.0 * 1.09e-3)
    assert below == pytest.approx(0.05, abs=5.0 * 1.09e-3)
    # negative control: without the unseen worst value the share is another
    assert abs(np.mean(weights[:, :40] @ x > upper_mean_bound(x, 0.95)) - 0.05) > 5.0 * 1.09e-3


def test_gathering_keeps_the_bounds():
    rng = np.random.default_rng(5)
    x = np.concatenate([rng.beta(0.05, 5.0, 5000), 1.0 - rng.beta(0.05, 5.0, 60), np.zeros(300), np.ones(3)])
    groups, weights, counts = condense(x)
    assert groups.size < 2500
    assert counts.sum() == x.size
    assert groups @ counts == pytest.approx(x.sum(), rel=1e-12)
    assert np.all(weights == 1.0)
    exact_high = dirichlet._solve(np.append(x, 1.0), np.ones(x.size + 1), np.ones(x.size + 1), 0.05, upwards=True)
    width = exact_high - x.mean()
    assert upper_mean_bound(x, 0.95) == pytest.approx(exact_high, abs=1e-4 * width)


def test_gathering_does_not_mix_weights():
    x = np.full(5000, 0.25)
    _, weights, counts = condense(x, np.where(np.arange(5000) < 1000, 0.5, 1.0))
    assert sorted(zip(weights, counts, strict=True)) == [(0.5, 1000.0), (1.0, 4000.0)]


@pytest.mark.parametrize("t", [-1e-6, -1e-9, 0.0, 1e-12, 1e-6])
def test_tail_beside_many_equal_values(t):
    # 1021 values of 0.6379 beside two 0, a 1 and an unseen 0: near t = 0.6379 they all but cancel. P(sum > 0) of the
    # others alone, G ~ Gamma: closed form P(a E > b G_3) = (1 + b / a)**-3 with E exponential, once 1021 terms of order
    # |t| are negligible
    atom = 0.6379301420184539
    c, counts = np.array([0.0, atom, 1.0, 0.0]) - atom - t, np.array([2.0, 1021.0, 1.0, 1.0])
    closed = (1.0 + atom / (1.0 - atom)) ** -3
    assert weighted_exponential_tail(c, counts) == pytest.approx(closed, rel=4e3 * abs(t) + 1e-8)


@pytest.mark.parametrize("seed", SEEDS)
def test_tail_of_coefficients_of_any_size_against_simulation(seed):
    rng = np.random.default_rng(seed)
    for _ in range(40):
        k = int(rng.integers(2, 6))
        c, counts = rng.choice([-1.0, 1.0], k) * 10.0 ** rng.uniform(-9, 0, k), np.round(10.0 ** rng.uniform(0, 4, k))
        share = np.mean(rng.gamma(counts, 1.0, (20_000, k)) @ c > 0.0)
        # 6.1 standard errors and the granularity of 20,000: false alarm 1e-9 a comparison
        tail = weighted_exponential_tail(c, counts)
        assert abs(share - tail) < 6.1 * np.sqrt(tail * (1.0 - tail) / 20_000) + 1e-3


def test_unseen_value_may_be_other_than_0_and_1():
    # scaling by hand: values, bound and unseen value halved
    x = np.array([0.2, 0.5, 0.5, 0.9])
    assert upper_mean_bound(0.5 * x, 0.95, unseen=0.5) == pytest.approx(0.5 * upper_mean_bound(x, 0.95), rel=1e-9)
    low = lower_mean_bound(0.5 * x + 0.5, 0.95, unseen=0.5)
    assert low == pytest.approx(0.5 * lower_mean_bound(x, 0.95) + 0.5, rel=1e-9)

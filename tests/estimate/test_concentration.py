"""Which share of the units produces most of the losses: Lorenz curves in closed form, and what noise does to them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from yieldsim.estimate.concentration import concentration

Floats = NDArray[np.float64]

# The top share x of exponential losses holds x (1 - ln x) of them, that of losses uniform from 0 holds 2 x - x^2:
# from the Lorenz curve L(p) = integral of the quantile function over the mean (Gastwirth 1971).
EXPONENTIAL = brentq(lambda x: x * (1.0 - math.log(x)) - 0.8, 1e-6, 1.0)
UNIFORM = 1.0 - math.sqrt(0.2)


@pytest.mark.parametrize(("law", "truth"), [("exponential", EXPONENTIAL), ("uniform", UNIFORM), ("alike", 0.8)])
def test_lorenz_curves_in_closed_form(law: str, truth: float) -> None:
    u = (np.arange(2000) + 0.5) / 2000
    losses = {"exponential": -np.log(u), "uniform": u, "alike": np.ones(2000)}[law]
    found = concentration(losses)
    assert found is not None
    assert found.units.value == pytest.approx(truth, abs=2e-3)
    assert found.units.low <= truth <= found.units.high
    assert found.units.high - found.units.low < 0.05
    x, y = np.array(found.curve).T
    assert np.interp(0.8, y, x) == pytest.approx(truth, abs=0.01)
    assert found.curve == found.crossed


def test_what_few_actuations_do_is_between_the_bounds() -> None:
    # all units alike, five losses in a thousand actuations of each half: counted, few units seem to lose everything
    rng = np.random.default_rng(3)
    halves = rng.poisson(0.5, (2, 500)).astype(np.float64)
    found = concentration(halves.mean(axis=0), halves)
    assert found is not None
    plain = np.interp(0.8, *np.array(found.curve).T[::-1])
    assert plain < 0.55  # what a plain count would say
    assert found.units.low < 0.55
    assert found.units.value > plain + 0.05
    assert found.units.high > 0.78


def test_bounds_cover_the_truth_though_losses_are_noisy() -> None:
    rng = np.random.default_rng(5)
    missed = np.zeros(2)
    repeats = 50
    for _ in range(repeats):
        true = rng.exponential(1.0, 200)
        halves = rng.gamma(4.0 * np.stack([true, true]), 0.25)  # mean of the unit's own loss, as a few draws would be
        found = concentration(halves.mean(axis=0), halves, seed=1)
        assert found is not None
        missed += [found.units.low > EXPONENTIAL, found.units.high < EXPONENTIAL]
    assert np.all(missed / repeats <= 0.05 + 3.0 * math.sqrt(0.05 * 0.95 / repeats))


def test_lots_widen_the_bounds() -> None:
    lots = np.repeat(np.arange(30), 20)
    losses = np.random.default_rng(7).exponential(1.0, 30)[lots]
    alone, together = concentration(losses), concentration(losses, clusters=lots)
    assert alone is not None
    assert together is not None
    assert together.units.value == alone.units.value
    assert together.units.high - together.units.low > 2.0 * (alone.units.high - alone.units.low)


def test_few_losers_bound_nothing_from_below() -> None:
    # with 3 losers among 100 units nobody knows what a rarer, worse unit would do to the share
    found = concentration(np.repeat([1.0, 0.0], [3, 97]))
    assert found is not None
    assert found.units.low == 0.0
    assert found.units.value == pytest.approx(0.8 * 3 / 100)
    many = concentration(np.repeat([1.0, 0.0], [30, 970]))
    assert many is not None
    assert 0.0 < many.units.low < 0.8 * 30 / 1000 < many.units.high


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=40), st.floats(1e-3, 1e3), st.integers(0, 99))
def test_units_of_measure_and_order_do_not_matter(losses: list[float], scale: float, seed: int) -> None:
    x = np.round(np.array(losses), 3)
    found = concentration(x)
    assert (found is None) == (x.sum() == 0.0)
    if found is None:
        return
    other = concentration(scale * np.random.default_rng(seed).permutation(x))
    assert other is not None
    assert other.units.value == pytest.approx(found.units.value, abs=1e-9)
    assert found.units.low <= found.units.value <= found.units.high
    # as many units as losses at the most: those that lose most hold at least their share
    assert 0.0 < found.units.value <= 0.8 + 1e-9
    assert np.all(np.diff(np.array(found.curve)[:, 1]) >= -1e-12)


def test_the_same_seed_gives_the_same_bounds() -> None:
    losses = np.random.default_rng(9).exponential(1.0, 50)
    assert concentration(losses, seed=4) == concentration(losses, seed=4)
    assert concentration(losses, seed=4) != concentration(losses, seed=5)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        concentration([-1.0, 1.0])
    with pytest.raises(ValueError, match="finite"):
        concentration([math.nan])
    with pytest.raises(ValueError, match=r"halves \(2, 3\)"):
        concentration([1.0, 2.0], np.ones((2, 3)))
    with pytest.raises(ValueError, match="of_losses = 1"):
        concentration([1.0], of_losses=1.0)
    with pytest.raises(ValueError, match="3 labels for 2 units"):
        concentration([1.0, 2.0], clusters=[1, 2, 3])
    assert concentration([0.0, 0.0]) is None
    assert concentration([1.0, 0.0], [[0.0, 0.0], [2.0, 0.0]]) is None

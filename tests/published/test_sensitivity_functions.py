"""Sensitivity indices of the Ishigami and Sobol' g functions.

Ishigami: Saltelli et al. (2008), Global Sensitivity Analysis: The Primer, with a = 7 and b = 0.1; Sobol' g:
Saltelli and Sobol' (1995), V_i = 1 / (3 (1 + a_i)**2).
"""

from __future__ import annotations

import numpy as np
import pytest

from yieldsim.estimate.indices import sobol_indices

SEEDS = [101, 102, 103]


def ishigami(u):
    x = np.pi * (2.0 * u - 1.0)
    return np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])


ISHIGAMI_VARIANCE = 13.844587941
ISHIGAMI_FIRST = [0.3139051911, 0.4424111448, 0.0]
ISHIGAMI_TOTAL = [0.5575888552, 0.4424111448, 0.2436836641]

G_COEFFICIENTS = np.array([0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0])
G_FIRST = [0.7161921689, 0.1790480422, 0.0236757742, 0.0071619217] + [7.16192e-5] * 4
G_TOTAL = [0.7871441267, 0.2421981928, 0.0343169102, 0.0104603871] + [1.049491e-4] * 4


def sobol_g(u):
    return np.prod((np.abs(4.0 * u - 2.0) + G_COEFFICIENTS) / (1.0 + G_COEFFICIENTS), axis=1)


def assert_within(estimate, low, high, truth, widths):
    """The truth lies within so many half-widths of the estimate."""
    half = 0.5 * (high - low)
    assert np.all(np.abs(estimate - np.asarray(truth)) <= widths * half + 1e-12), (estimate, truth, half)


@pytest.mark.parametrize("seed", SEEDS)
def test_ishigami(seed):
    result = sobol_indices(ishigami, 3, [[0], [1], [2]], 1024, 16, seed)
    # 16 replicates: 6.4 half-widths of the 95 % interval are 13.6 standard errors, Student t with 15 degrees
    # of freedom: false alarm below 1e-9 a comparison
    assert_within(result.first, result.first_low, result.first_high, ISHIGAMI_FIRST, 6.4)
    assert_within(result.total, result.total_low, result.total_high, ISHIGAMI_TOTAL, 6.4)
    # the interval itself is narrow enough to tell the truth from something else
    assert np.max(result.first_high - result.first_low) < 0.02
    assert np.max(result.total_high - result.total_low) < 0.02
    assert result.variance == pytest.approx(ISHIGAMI_VARIANCE, rel=5e-3)
    assert result.mean == pytest.approx(3.5, abs=5e-3)
    assert result.model_calls == 16 * 1024 * 5


@pytest.mark.parametrize("seed", SEEDS)
def test_sobol_g(seed):
    result = sobol_indices(sobol_g, 8, [[i] for i in range(8)], 1024, 16, seed)
    # as above: false alarm below 1e-9 a comparison
    assert_within(result.first, result.first_low, result.first_high, G_FIRST, 6.4)
    assert_within(result.total, result.total_low, result.total_high, G_TOTAL, 6.4)
    assert np.max(result.first_high - result.first_low) < 0.01
    assert np.max(result.total_high - result.total_low) < 0.01


def test_wrong_indices_are_refused():
    # negative control: the total indices are not the first-order ones
    result = sobol_indices(ishigami, 3, [[0], [1], [2]], 1024, 16, SEEDS[0])
    with pytest.raises(AssertionError):
        assert_within(result.first, result.first_low, result.first_high, ISHIGAMI_TOTAL, 6.4)


def test_error_falls_faster_than_plain_monte_carlo():
    # scrambled nets (Owen 1997): 16 times the points must cut the error by clearly more than the 4 of plain
    # Monte Carlo
    def error(points):
        runs = [sobol_indices(sobol_g, 8, [[i] for i in range(8)], points, 8, [7, k]) for k in range(6)]
        return np.sqrt(np.mean([(r.first - G_FIRST) ** 2 for r in runs]))

    assert error(64) > 8.0 * error(1024)

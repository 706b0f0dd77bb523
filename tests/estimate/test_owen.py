"""Nested uniform scrambling: what it must keep, and what it must make of the first point."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest

from yieldsim.estimate.orthonormal import legendre
from yieldsim.estimate.owen import OwenSobol, scrambled

SEEDS = [11, 12, 13]


def leading_digits_in_common(a, b):
    different = np.bitwise_xor(a, b).astype(np.float64)
    return np.where(different == 0.0, 32, 31 - np.floor(np.log2(np.maximum(different, 1.0)))).astype(int)


@pytest.mark.parametrize("seed", SEEDS)
def test_leading_digits_in_common_are_kept(seed):
    # the definition of nested scrambling (Owen 1995)
    rng = np.random.default_rng(seed)
    a = rng.integers(0, 2**32, (2000, 3), dtype=np.uint32)
    b = a ^ (np.uint32(1) << rng.integers(0, 32, a.shape, dtype=np.uint32))
    seeds = rng.integers(0, 2**32, (2, 3), dtype=np.uint32)
    kept = leading_digits_in_common(scrambled(a, seeds), scrambled(b, seeds))
    assert np.array_equal(kept, leading_digits_in_common(a, b))
    # negative control: a scramble with another seed has nothing in common with it
    other = leading_digits_in_common(scrambled(a, seeds), scrambled(b, seeds[::-1]))
    assert not np.array_equal(other, kept)


@pytest.mark.parametrize("seed", SEEDS)
def test_nets_stay_nets(seed):
    # each of 2**m points of a coordinate falls into a cell of its own; the first two coordinates of Sobol' points
    # are a (0, m, 2)-net: one point in every elementary interval (Niederreiter 1992)
    m = 6
    points = OwenSobol(5, [seed]).next(1 << m)
    assert np.all((points > 0.0) & (points < 1.0))
    for column in points.T:
        assert sorted(np.floor(column * 2**m)) == list(range(2**m))
    for k in range(m + 1):
        cells = np.floor(points[:, 0] * 2**k) * 2 ** (m - k) + np.floor(points[:, 1] * 2 ** (m - k))
        assert sorted(cells) == list(range(2**m))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_point_is_uniform_over_scrambles(seed):
    # Kolmogorov-Smirnov, false alarm 1e-7 a coordinate
    firsts = np.array([OwenSobol(3, [seed, k]).next(2)[1] for k in range(1500)])
    for column in firsts.T:
        assert kstest(column, "uniform").pvalue > 1e-7
    # coordinates are scrambled independently: correlation of 1,500 pairs, 6 standard errors, false alarm 2e-9
    assert np.max(np.abs(np.corrcoef(firsts, rowvar=False) - np.eye(3))) < 6.0 / np.sqrt(1500)
    # negative control: the same point without scrambling is not uniform
    assert kstest(np.full(1500, 0.5), "uniform").pvalue < 1e-7


def test_more_points_extend_fewer():
    one = OwenSobol(4, [3])
    assert np.array_equal(np.concatenate([one.next(8), one.next(8)]), OwenSobol(4, [3]).next(16))


def test_polynomials_are_orthonormal():
    # Gauss-Legendre quadrature of numpy, exact for these degrees
    nodes, weights = np.polynomial.legendre.leggauss(12)
    p = legendre(0.5 * (nodes + 1.0)[:, None], 6)[:, 0]
    assert p.T @ (0.5 * weights[:, None] * p) == pytest.approx(np.eye(6), abs=1e-12)
    assert 0.5 * weights @ p == pytest.approx(np.zeros(6), abs=1e-12)

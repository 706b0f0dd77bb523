"""The normal quantile and distribution function against scipy.special."""

import math

import numpy as np
import pytest
from scipy import special

from yieldsim.kernel.normal import centred_ndtr, ndtr, ndtri, ndtri_centre

TAIL = np.concatenate([10.0 ** np.arange(-300, -16, 7.3), np.geomspace(1e-16, 0.45, 400)])


def test_quantile_in_the_lower_tail() -> None:
    ours = np.array([ndtri(u) for u in TAIL])
    np.testing.assert_allclose(ours, special.ndtri(TAIL), rtol=4e-15)


def test_quantile_in_the_upper_tail_is_the_mirror_image() -> None:
    # 1 - u is exact for the multiples of 2**-53 that the generator gives.
    for v in (2.0**-53, 2.0**-40, 2.0**-20, 0.03125, 0.25):
        assert ndtri(1.0 - v) == -ndtri(v)


def test_quantile_near_the_median_is_accurate_relative_to_itself() -> None:
    q = np.array([1e-300, 1e-12, 1e-6, 1e-3, 0.1, 0.4])
    ours = np.array([ndtri_centre(x) for x in q])
    # The inverse error function: z = sqrt(2) erfinv(2 q).
    np.testing.assert_allclose(ours, math.sqrt(2.0) * special.erfinv(2.0 * q), rtol=4e-15)


def test_quantile_at_published_points() -> None:
    # Values from memory of the check values printed with Algorithm AS 241 (Applied Statistics 37, 1988).
    assert ndtri(0.25) == pytest.approx(-0.6744897501960817, rel=1e-15)
    assert ndtri(0.001) == pytest.approx(-3.090232306167814, rel=1e-15)
    assert ndtri(1e-20) == pytest.approx(-9.262340089798408, rel=1e-15)


def test_quantile_at_the_ends() -> None:
    assert ndtri(0.0) == -math.inf
    assert ndtri(1.0) == math.inf
    assert math.isnan(ndtri(-0.1))
    assert math.isnan(ndtri(1.1))
    assert math.isnan(ndtri(math.nan))


def test_distribution_function() -> None:
    z = np.linspace(-37.0, 8.0, 500)
    ours = np.array([ndtr(x) for x in z])
    np.testing.assert_allclose(ours, special.ndtr(z), rtol=2e-13)
    small = np.array([1e-200, 1e-9, 1e-3, 0.5])
    np.testing.assert_allclose([centred_ndtr(x) for x in small], 0.5 * special.erf(small / math.sqrt(2.0)), rtol=4e-16)

"""Probabilities of impossible values against scipy's distributions, and how they are used."""

import math

import numpy as np
import pytest
from scipy import integrate, stats

from yieldsim.design.parameter import Parameter, Tolerance
from yieldsim.design.probability import probability_below, reach


def tolerance(shape, level="unit", **more):
    return Tolerance(level, shape, True, **more)


SHAPES = [
    (tolerance("normal", sigma=0.2), stats.norm(0, 0.2)),
    (tolerance("normal", sigma=0.15, offset=-0.1), stats.norm(-0.1, 0.15)),
    (tolerance("lognormal", sigma=0.4), stats.lognorm(0.4, loc=-1)),
    (tolerance("uniform", low=-0.2, high=0.8), stats.uniform(-0.2, 1.0)),
    (tolerance("triangular", low=-0.3, high=0.5, mode=0.1), stats.triang(0.5, -0.3, 0.8)),
    (tolerance("triangular", low=-0.3, high=0.5, mode=0.5), stats.triang(1.0, -0.3, 0.8)),
    (tolerance("triangular", low=-0.3, high=0.5, mode=-0.3), stats.triang(0.0, -0.3, 0.8)),
    (tolerance("trapezoidal", low=-0.5, high=0.5, flat=0.4), stats.trapezoid(0.3, 0.7, -0.5, 1.0)),
    (
        tolerance("truncated normal", low=-0.3, high=0.5, sigma=0.2, mode=0.1),
        stats.truncnorm(-2.0, 2.0, 0.1, 0.2),
    ),
]


@pytest.mark.parametrize(("shape", "oracle"), SHAPES, ids=lambda x: getattr(x, "shape", ""))
def test_one_tolerance_has_scipys_distribution(shape, oracle):
    parameter = Parameter("x", "V", 2.0, (shape,))
    for deviation in np.linspace(-0.6, 0.9, 31):
        expected = oracle.cdf(deviation)
        assert probability_below(parameter, 2.0 * (1 + deviation)) == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_a_sorted_band_has_nothing_between():
    parameter = Parameter("x", "V", 1.0, (tolerance("sorted", low=-0.1, high=0.1, removed=(-0.05, 0.05)),))
    # uniform over the two outer pieces of 0.05 each: half of the mass lies on either side
    assert probability_below(parameter, 0.925) == pytest.approx(0.25)
    assert probability_below(parameter, 0.95) == pytest.approx(0.5)
    assert probability_below(parameter, 1.049) == pytest.approx(0.5)
    assert probability_below(parameter, 1.075) == pytest.approx(0.75)


def test_measured_values_count():
    parameter = Parameter("x", "V", 1.0, (tolerance("measured", low=-0.2, high=0.2, values=(-0.2, -0.1, 0.2)),))
    assert probability_below(parameter, 0.95) == pytest.approx(2 / 3)


def test_a_negative_nominal_is_mirrored():
    parameter = Parameter("x", "factor", -1.0, (tolerance("uniform", low=-0.2, high=0.8),))
    # deviations of -0.2 to 0.8 of -1 give values from -1.8 to -0.8
    assert probability_below(parameter, -1.3) == pytest.approx(0.5)


def test_two_normal_levels_add_in_quadrature():
    levels = (tolerance("normal", "lot", sigma=0.12), tolerance("normal", "unit", sigma=0.09))
    parameter = Parameter("x", "V", 1.0, levels)
    for value in (0.0, 0.1, 0.4, 0.9, 1.2):
        expected = stats.norm(1.0, 0.15).cdf(value)
        assert probability_below(parameter, value) == pytest.approx(expected, rel=0.02)


def test_a_normal_and_a_uniform_level_against_quadrature():
    levels = (tolerance("normal", "lot", sigma=0.1), tolerance("uniform", "unit", low=-0.5, high=0.5))
    parameter = Parameter("x", "V", 1.0, levels)
    for value in (0.0, 0.05, 0.3):
        expected, _ = integrate.quad(
            lambda u, v=value: stats.norm(0, 0.1).cdf(v - 1.0 - u), -0.5, 0.5, epsabs=0, epsrel=1e-10
        )
        assert probability_below(parameter, value) == pytest.approx(expected, rel=0.02)


def test_absolute_and_relative_levels_and_a_limit_on_their_sum():
    levels = (tolerance("uniform", "lot", low=-0.4, high=0.4), Tolerance("unit", "uniform", False, -0.8, 0.8))
    parameter = Parameter("x", "V", 1.0, levels)
    # The sum of U(-0.4, 0.4) and U(-0.8, 0.8) is trapezoidal on +-1.2; below -1 lies a triangle of base 0.2.
    assert probability_below(parameter, 0.0) == pytest.approx(0.2**2 / 2 / (0.8 * 1.6), rel=1e-3)
    sorted_by_maker = Parameter("x", "V", 1.0, levels, within_total=(-0.9, 0.9, True))
    assert probability_below(sorted_by_maker, 0.0) == 0.0


def test_the_threshold_of_a_normal_lies_at_seven_sigma(told, changed):
    # P(Z < -7.03) = 1.03e-12, P(Z < -7.05) = 8.9e-13
    edge = stats.norm.isf(1e-12)
    assert 7.03 < edge < 7.05
    old = 'tolerance = { sigma = "8 %" }'
    assert changed((old, f'tolerance = {{ sigma = "{100 / (edge + 0.005):.6f} %" }}'))
    (line,) = told((old, f'tolerance = {{ sigma = "{100 / (edge - 0.005):.6f} %" }}'))
    assert "with probability 1.0e-12" in line


def test_a_share_may_not_pass_one(told, changed):
    (line,) = told(('busy = "5 %"', 'busy = { nominal = "95 %", tolerance = "±6 %" }'))
    assert "its tolerance reaches above 100 % with probability 8.3e-02" in line
    assert changed(('busy = "5 %"', 'busy = { nominal = "95 %", tolerance = "±5 %" }'))


def test_how_far_a_tolerance_reaches():
    assert reach(tolerance("uniform", low=-0.1, high=0.3), 2.0) == pytest.approx((-0.2, 0.6))
    assert reach(tolerance("normal", sigma=0.1), 1.0) == pytest.approx((-0.6, 0.6))
    assert reach(tolerance("lognormal", sigma=0.5), 1.0) == pytest.approx((math.exp(-3) - 1, math.exp(3) - 1))

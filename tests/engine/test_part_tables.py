"""Bias tables of stores and banks, and junction line, against quadrature and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize
from scipy.interpolate import PchipInterpolator

from yieldsim.engine.part_tables import bank_bias, bank_table, bias_table, drop_line, hermite, junction_drop

CERAMIC = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38), (16.0, 0.27))


def read(table: np.ndarray, step: float, s: float) -> float:
    return float(hermite(table, step, np.array([s]))[0])


@pytest.mark.parametrize(
    "points", [CERAMIC, ((0.0, 1.0), (3.0, 0.36)), ((0.0, 1.0), (1.0, 0.7), (2.0, 0.4), (6.0, 0.08))]
)
def test_bias_table_inverts_the_charge(points: tuple[tuple[float, float], ...]) -> None:
    table, step, error = bias_table(points)
    assert error <= 1e-9
    assert len(table) <= 4096
    voltages, factors = zip(*points, strict=True)
    factor = PchipInterpolator(voltages, factors)
    for s in np.linspace(0.0, (len(table) - 1) * step, 37)[1:-1]:
        # Charge by adaptive quadrature of b, inverted by bisection: no part of the table's own making.
        def excess(v: float, s: float = s) -> float:
            inside = [p for p in voltages if 0.0 < p < v]
            return float(integrate.quad(factor, 0.0, v, points=inside or None, epsabs=1e-13, epsrel=1e-13)[0] - s)

        exact = optimize.brentq(excess, 0.0, voltages[-1], xtol=1e-13)
        assert read(table, step, s) == pytest.approx(exact, abs=1e-9)


def test_bias_table_rises_and_ends_with_the_slope_of_the_last_factor() -> None:
    table, _, _ = bias_table(CERAMIC)
    assert np.all(np.diff(table[:, 0]) > 0.0)
    np.testing.assert_array_equal(table[0], [0.0, 1.0])
    np.testing.assert_allclose(table[-1], [16.0, 1.0 / 0.27], rtol=1e-12)


@pytest.mark.parametrize("points", [None, ((0.0, 1.0), (10.0, 1.0))])
def test_store_without_bias_effect_is_exact(points: tuple[tuple[float, float], ...] | None) -> None:
    table, step, error = bias_table(points)
    assert error == 0.0
    for s in (0.0, 0.1, 0.3, 0.77, 1.0):
        assert read(table, step, s) == s


def test_tables_handed_out_do_not_share_memory() -> None:
    table, _, _ = bias_table(CERAMIC)
    table[:] = 0.0
    assert bias_table(CERAMIC)[0][-1, 0] == pytest.approx(16.0)


def test_junction_drop_of_two_points_is_the_exponential_law() -> None:
    # V = n kT/q ln(I/I_s): 0.1 V a decade through (10 mA, 0.32 V).
    current = np.array([1e-4, 1e-3, 1e-2, 0.1, 1.0])
    np.testing.assert_allclose(
        junction_drop(((0.01, 0.32), (0.1, 0.42)), current), 0.32 + 0.1 * np.log10(current / 0.01), rtol=1e-13
    )


def line_by_quadrature(a: float, b: float, peak: float) -> tuple[float, float]:
    """Least-squares line of V = a + b ln(I) with weight sin, by scipy's adaptive quadrature in theta."""
    start = math.asin(0.05)

    def mean(f):  # type: ignore[no-untyped-def]
        return integrate.quad(lambda x: math.sin(x) * f(x), start, math.pi / 2, epsabs=1e-14, epsrel=1e-13)[0]

    def current(x: float) -> float:
        return peak * math.sin(x)

    def drop(x: float) -> float:
        return a + b * math.log(current(x))

    matrix = [[mean(lambda x: 1.0), mean(current)], [mean(current), mean(lambda x: current(x) ** 2)]]
    right = [mean(drop), mean(lambda x: drop(x) * current(x))]
    intercept, slope = np.linalg.solve(matrix, right)
    return float(intercept), float(slope)


@pytest.mark.parametrize("peak", [0.002, 0.0929, 0.8])
def test_line_of_an_exponential_junction(peak: float) -> None:
    points = ((0.01, 0.32), (0.1, 0.42))
    b = 0.1 / math.log(10.0)
    intercept, slope = line_by_quadrature(0.32 - b * math.log(0.01), b, peak)
    line = drop_line(points, peak)
    assert line.intercept == pytest.approx(intercept, rel=1e-9)
    assert line.slope == pytest.approx(slope, rel=1e-9)


def test_line_error_is_the_distance_from_the_law() -> None:
    points = ((0.001, 0.21), (0.01, 0.32), (0.1, 0.42))
    line = drop_line(points, 0.09)
    current = np.linspace(0.05 * 0.09, 0.09, 200_001)
    distance = np.abs(line.intercept + line.slope * current - junction_drop(points, current))
    assert line.largest == pytest.approx(np.max(distance), rel=1e-6)
    # Mean over charge: dq goes with sin(theta) d(theta) = I dI / (I_pk sqrt(I_pk^2 - I^2)).
    theta = np.linspace(math.asin(0.05), math.pi / 2, 200_001)
    i = np.clip(0.09 * np.sin(theta), current[0], 0.09)
    away = np.abs(line.intercept + line.slope * i - junction_drop(points, i))
    expected = np.trapezoid(away * np.sin(theta), theta) / np.trapezoid(np.sin(theta), theta)
    assert line.mean == pytest.approx(expected, rel=1e-4)


def test_line_of_an_ohmic_junction_is_that_line() -> None:
    # Many points on V = 0.2 V + 1.5 ohm * I: the log-linear pieces between them hug the line.
    currents = np.geomspace(0.001, 0.1, 400)
    points = tuple((float(i), float(0.2 + 1.5 * i)) for i in currents)
    line = drop_line(points, 0.1)
    assert line.intercept == pytest.approx(0.2, abs=1e-5)
    assert line.slope == pytest.approx(1.5, rel=1e-4)
    assert line.largest < 2e-5


@given(st.floats(1e-4, 10.0), st.floats(0.02, 0.2), st.floats(0.1, 0.6))
def test_line_shifts_with_the_curve(peak: float, decade: float, drop: float) -> None:
    low, high = ((0.01, drop), (0.1, drop + decade)), ((0.01, drop + 0.05), (0.1, drop + decade + 0.05))
    below, above = drop_line(low, peak), drop_line(high, peak)
    assert above.intercept - below.intercept == pytest.approx(0.05, abs=1e-12)
    assert above.slope == pytest.approx(below.slope, rel=1e-9)


def test_without_a_peak_current_the_table_gives_the_range() -> None:
    points = ((0.005, 0.32), (0.1, 0.42))
    assert drop_line(points, None) == drop_line(points, 0.0)
    assert drop_line(points, None).slope == pytest.approx(drop_line(points, 0.1).slope, rel=1e-12)


# --- banks ------------------------------------------------------------------------------------------------------

CERAMICS = (CERAMIC, None, ((0.0, 1.0), (3.0, 0.36)), ((0.0, 1.0), (10.0, 1.0)))


def charge(points: tuple[tuple[float, float], ...] | None, v: float) -> float:
    """Integral of b from 0 to v by adaptive quadrature, b flat beyond the last point."""
    if points is None:
        return v
    voltages, factors = zip(*points, strict=True)
    factor = PchipInterpolator(voltages, factors)
    end = min(v, voltages[-1])
    inside = [p for p in voltages if 0.0 < p < end]
    whole = integrate.quad(factor, 0.0, end, points=inside or None, epsabs=1e-13, epsrel=1e-13, limit=200)[0]
    return float(whole + factors[-1] * (v - end))


def test_bank_table_holds_the_charge_of_each_part() -> None:
    table, step, error = bank_table(CERAMICS)
    assert error <= 1e-9
    assert table.shape[0] == 4
    assert (table.shape[1] - 1) * step == pytest.approx(16.0, rel=1e-14)
    for v in np.linspace(0.0, 16.0, 41)[1:-1]:
        for part, points in zip(table, CERAMICS, strict=True):
            assert read(part, step, v) == pytest.approx(charge(points, v), abs=1e-9)
    np.testing.assert_array_equal(table[:, 0], [[0.0, 1.0]] * 4)
    np.testing.assert_allclose(table[:, -1, 1], [0.27, 1.0, 0.36, 1.0], rtol=1e-12)


def test_bank_without_any_bias_effect_is_exact() -> None:
    table, step, error = bank_table((None, ((0.0, 1.0), (10.0, 1.0))))
    np.testing.assert_array_equal(table, [[[0.0, 1.0], [1.0, 1.0]]] * 2)
    assert (step, error) == (1.0, 0.0)
    bias, bias_step = bank_bias((None, None), (1e-5, 2e-5))
    np.testing.assert_array_equal(bias, [[0.0, 1.0], [1.0, 1.0]])
    assert bias_step == 1.0


def test_bank_of_one_is_that_store() -> None:
    store, store_step, _ = bias_table(CERAMIC)
    bank, bank_step = bank_bias((CERAMIC,), (3.3e-5,))
    assert len(bank) <= 1025
    s = np.linspace(0.0, (len(bank) - 1) * bank_step, 311)[:-1]
    np.testing.assert_allclose(hermite(bank, bank_step, s), hermite(store, store_step, s), atol=3e-9)


@given(
    st.lists(st.tuples(st.floats(0.2, 1.0), st.floats(0.3, 1.0)), min_size=1, max_size=3),
    st.lists(st.floats(1e-6, 1e-3), min_size=3, max_size=3),
)
def test_bank_inverts_the_sum_of_the_charges(curves: list[tuple[float, float]], farads: list[float]) -> None:
    parts = tuple(
        ((0.0, 1.0), (4.0 + k, first), (9.0 + 2 * k, first * second)) for k, (first, second) in enumerate(curves)
    )
    capacitances = tuple(farads[: len(parts)])
    bias, step = bank_bias(parts, capacitances)
    for k in (0, 1, len(bias) // 3, len(bias) - 2, len(bias) - 1):
        v, slope = bias[k]
        q = sum(c * charge(points, v) for c, points in zip(capacitances, parts, strict=True))
        assert q == pytest.approx(sum(capacitances) * k * step, rel=1e-10, abs=1e-18)
        assert slope >= 1.0 - 1e-12
    assert np.all(np.diff(bias[:, 0]) > 0.0)


def test_bank_tables_handed_out_do_not_share_memory() -> None:
    table, _, _ = bank_table(CERAMICS)
    table[:] = 0.0
    assert bank_table(CERAMICS)[0][0, -1, 1] == pytest.approx(0.27)

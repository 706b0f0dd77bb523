"""A load empties a store, against closed forms and quadrature.

A linear regulator takes a constant current from its store, t = C (V1 - V2) / I; a buck converter a constant
power, t = eta C (V1^2 - V2^2) / (2 P) (both follow from dq = i dt, any textbook of circuit theory). With a
bias table t = integral of C(v) dv / i(v), by scipy.integrate.quad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from kernel_node import run_node
from reference_node import LoadStep, ReferenceNode
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from yieldsim.kernel import layout as at

TIGHTEST = 1e-9
STORE, FULL, EMPTY = 47e-6, 5.0, 2.0
BIAS = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38))  # a class II ceramic
LONG, SHORT = 60e-3, 1e-3


def node(duration: float, **changes: object) -> ReferenceNode:
    """47 uF at 5 V without a source; one step of 10 mA that needs 2 V at V_in."""
    step = LoadStep("run", duration, 10e-3, EMPTY)
    whole = ReferenceNode(
        sequence=(step,), capacitance=STORE, initial_voltage=FULL, output_voltage=EMPTY, start_voltage=4.0
    )
    return replace(whole, **changes)


def buck(duration: float, **changes: object) -> ReferenceNode:
    """18 mW out of a converter of 90 % that stops at 2 V."""
    whole = node(
        duration,
        sequence=(LoadStep("run", duration, 10e-3, 1.8),),
        regulator="buck",
        output_voltage=1.8,
        efficiency=0.9,
        stop_voltage=EMPTY,
    )
    return replace(whole, **changes)


Make = Callable[..., ReferenceNode]


def run_times(make: Make, accuracy: float = TIGHTEST, **changes: object) -> tuple[float, ...]:
    """Time to the lowest V_in [s] three times: brown-out, what a long step lacks, what a short one leaves."""
    long, codes = run_node(make(LONG, **changes), accuracy)
    assert codes[at.OUTCOME] == at.BROWN_OUT
    assert codes[at.HOLD_UP_CAPPED] == 0
    short, codes = run_node(make(SHORT, **changes), accuracy)
    assert codes[at.OUTCOME] == at.COMPLETE
    assert codes[at.HOLD_UP_CAPPED] == 0
    assert short[at.RUN_TIME] == pytest.approx(SHORT + short[at.HOLD_UP], rel=1e-12)
    return float(long[at.BROWN_OUT_TIME]), LONG + float(long[at.HOLD_UP]), float(short[at.RUN_TIME])


def by_quadrature(current: Callable[[float], float], low: float, high: float = FULL) -> float:
    """Integral of C(v) dv / i(v) [s], the bias factor a shape-preserving cubic, flat at its end."""
    volts, factors = zip(*BIAS, strict=True)
    factor = PchipInterpolator(volts, factors)

    def integrand(v: float) -> float:
        return STORE * float(factor(min(v, volts[-1]))) / current(v)

    knots = [v for v in volts if low < v < high]
    return float(quad(integrand, low, high, points=knots, epsabs=0.0, epsrel=1e-12, limit=200)[0])


def test_constant_current() -> None:
    # 47 uF from 5 V to 2 V at 10 mA: 14.1 ms
    assert run_times(node) == pytest.approx([14.1e-3] * 3, rel=1e-9)
    # negative control: a current that is 1e-7 off is seen
    wrong = replace(node(LONG), quiescent=1e-9)
    assert run_node(wrong, TIGHTEST)[0][at.BROWN_OUT_TIME] != pytest.approx(14.1e-3, rel=1e-9)


def test_constant_current_at_the_default_accuracy() -> None:
    # a steady drain of charge has no step whose accuracy could matter
    assert run_times(node, 0.5e-3) == pytest.approx([14.1e-3] * 3, rel=1e-9)


def test_currents_of_a_linear_regulator_add_up() -> None:
    # 10 mA, 2 % of it to ground, 0.1 mA quiescent: 10.3 mA; 20 ohm of dropout raise the lowest V_in to 2.2 V
    changes = {"ground_share": 0.02, "quiescent": 0.1e-3, "pass_resistance": 20.0}
    assert run_times(node, **changes) == pytest.approx([STORE * 2.8 / 10.3e-3] * 3, rel=1e-9)
    # reverse leakage of the rectifier takes its own
    assert run_times(node, reverse_leakage=0.2e-3) == pytest.approx([STORE * 3.0 / 10.2e-3] * 3, rel=1e-9)


def test_constant_power() -> None:
    # 0.9 * 47 uF (25 - 4) V^2 / (2 * 18 mW) = 24.675 ms
    assert run_times(buck) == pytest.approx([24.675e-3] * 3, rel=1e-9)
    wrong = buck(LONG, efficiency=0.9 * (1.0 + 1e-7))
    assert run_node(wrong, TIGHTEST)[0][at.BROWN_OUT_TIME] != pytest.approx(24.675e-3, rel=1e-9)


def test_constant_power_at_the_default_accuracy() -> None:
    # within the time in which V_in moves by the accuracy: 0.5 mV at 10 mA / 47 uF
    assert run_times(buck, 0.5e-3) == pytest.approx([24.675e-3] * 3, abs=0.5e-3 * STORE / 10e-3)


def test_buck_that_passes_through_below_its_output() -> None:
    # constant power down to V_set / eta = 3 V, from there the load's own current
    changes = {"output_voltage": 2.7, "sequence": (LoadStep("run", LONG, 10e-3, EMPTY),)}
    converting = 0.9 * STORE * (FULL**2 - 9.0) / (2.0 * 2.7 * 10e-3)
    passing = STORE * (3.0 - EMPTY) / 10e-3
    found = run_node(buck(LONG, **changes), TIGHTEST)[0][at.BROWN_OUT_TIME]
    assert found == pytest.approx(converting + passing, rel=1e-9)


@pytest.mark.parametrize("full", [5.0, 14.0])
def test_constant_current_from_a_biased_store(full: float) -> None:
    # 14 V begins beyond the table's last point, where the factor is flat
    time = by_quadrature(lambda v: 10e-3, EMPTY, full)
    assert run_times(node, bias=BIAS, initial_voltage=full) == pytest.approx([time] * 3, rel=1e-9)
    # negative control: without the bias the store holds more
    assert STORE * (full - EMPTY) / 10e-3 > 1.05 * time


def test_constant_power_from_a_biased_store_behind_esr() -> None:
    esr, quiescent, power = 0.8, 20e-6, 18e-3 / 0.9

    def current(v: float) -> float:
        # V_in = V - ESR i with i = P/V_in + I_q: the upper root
        v_in = np.roots([1.0, -(v - esr * quiescent), esr * power]).real.max()
        return float(power / v_in + quiescent)

    lowest = EMPTY + esr * (power / EMPTY + quiescent)
    time = by_quadrature(current, lowest)
    changes = {"bias": BIAS, "esr": esr, "quiescent": quiescent}
    assert run_times(buck, **changes) == pytest.approx([time] * 3, rel=1e-9)


def test_leakage_of_a_biased_store_beside_a_current() -> None:
    # the insulation's current is V C_s / (ohm farad product): 47 uF of 0.5 s leak 0.47 mA at 5 V
    product = 0.5
    time = by_quadrature(lambda v: 10e-3 + v * STORE / product, EMPTY)
    assert run_times(node, bias=BIAS, insulation=product) == pytest.approx([time] * 3, rel=1e-9)


def test_direct_supply_has_no_dropout() -> None:
    direct = {"regulator": "direct", "quiescent": 0.5e-3}
    assert run_times(node, **direct) == pytest.approx([STORE * 3.0 / 10.5e-3] * 3, rel=1e-9)

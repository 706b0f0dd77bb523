"""Banks, curves, restarts, retries and the exponential law in the independent integration, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from reference_branches import solve_branches
from reference_node import Capacitor, LoadStep, ReferenceNode, Stroke, solve, trace
from reference_parts import factor
from scipy.integrate import quad, solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

BIAS = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38))


def discharger(current: float = 10e-3, duration: float = 20e-3, **changes: object) -> ReferenceNode:
    """47 uF at 5 V, no source, one step that needs 2 V at V_in."""
    step = (LoadStep("run", duration, current, 2.0),)
    node = ReferenceNode(sequence=step, capacitance=47e-6, initial_voltage=5.0, output_voltage=2.0, start_voltage=4.0)
    return replace(node, **changes)


# ---- bank -------------------------------------------------------------------------------------------

BANK = (
    Capacitor(22e-6, BIAS, esr=0.02, insulation=500.0),
    Capacitor(10e-6, None, esr=0.5, insulation=50.0),
)


def test_bank_gives_the_charge_under_the_sum_of_its_curves():
    """t = integral of the sum of C_k(v) dv / I, by quadrature."""
    bare = tuple(replace(part, esr=0.0, insulation=math.inf) for part in BANK)
    volts, factors = zip(*BIAS, strict=True)
    curve = PchipInterpolator(volts, factors)
    charge = 22e-6 * quad(curve, 2.0, 5.0, points=[4.0], epsrel=1e-12)[0] + 10e-6 * 3.0
    assert solve(discharger(bank=bare)).brown_out_time == pytest.approx(charge / 10e-3, rel=1e-9)


def test_bank_has_the_parallel_resistance_and_the_sum_of_leakages():
    node = discharger(bank=tuple(replace(part, bias=None) for part in BANK), current=0.0, duration=0.5)
    # 1/(1/0.02 + 1/0.5) = 0.5/26 ohm; 22 uF/500 s + 10 uF/50 s = 0.244 uS
    assert node.series_resistance == pytest.approx(0.5 / 26.0, rel=1e-12)
    assert node.conductance == pytest.approx(0.244e-6, rel=1e-12)
    assert solve(node).reserve == pytest.approx(5.0 * math.exp(-0.5 * 0.244e-6 / 32e-6) - 2.0, rel=1e-9)


def test_a_bank_of_equal_capacitors_is_one_of_them_many_times_over():
    node = discharger(esr=0.1, bias=BIAS, insulation=100.0, quiescent=1e-6, duration=10e-3)
    three = replace(node, bank=(Capacitor(47e-6 / 3.0, BIAS, 0.3, 100.0),) * 3)
    single, bank, branches = solve(node), solve(three), solve_branches(three)
    for name in ("reserve", "run_margin", "start_margin"):
        assert getattr(bank, name) == pytest.approx(getattr(single, name), abs=1e-9)
        assert getattr(branches, name) == pytest.approx(getattr(single, name), abs=1e-8)


def test_branches_relax_as_the_two_capacitor_equation_says():
    """Two capacitors discharged by a constant current through their own ESR (linear network, by superposition).

    The difference of their voltages settles to I (C_2 R_2 - C_1 R_1)/(C_1 + C_2) with the time constant
    (R_1 + R_2) C_1 C_2/(C_1 + C_2); the sum of the charges falls in a straight line.
    """
    c1, r1, c2, r2, amperes, time = 22e-6, 2.0, 10e-6, 30.0, 10e-3, 1.0e-3
    node = discharger(bank=(Capacitor(c1, esr=r1), Capacitor(c2, esr=r2)), duration=time, start_voltage=1.0)
    tau = (r1 + r2) * c1 * c2 / (c1 + c2)
    gap = amperes * (c2 * r2 - c1 * r1) / (c1 + c2) * -math.expm1(-time / tau)  # V_2 - V_1
    mean = 5.0 - amperes * time / (c1 + c2)
    first, second = mean - gap * c2 / (c1 + c2), mean + gap * c1 / (c1 + c2)
    at_terminal = (first / r1 + second / r2 - amperes) / (1.0 / r1 + 1.0 / r2)
    found = solve_branches(node)
    assert found.reserve == pytest.approx(at_terminal - 2.0, rel=1e-8)
    # one voltage behind the parallel ESR is another answer here
    assert solve(node).reserve == pytest.approx(mean - amperes * r1 * r2 / (r1 + r2) - 2.0, rel=1e-9)
    assert abs(found.reserve - solve(node).reserve) > 1e-3


# ---- curves -----------------------------------------------------------------------------------------


def test_factor_is_linear_between_its_points_and_flat_beyond():
    curve = ((1.0, 2.0), (3.0, 1.0))
    assert [factor(curve, x) for x in (0.0, 1.0, 2.0, 3.0, 9.0)] == [2.0, 2.0, 1.5, 1.0, 1.0]
    assert factor((), 2.0) == 1.0


def test_quiescent_current_that_hangs_on_the_voltage():
    """I = I_q (a + b V) over the whole range: C V' = -I, an exponential (first-order equation)."""
    node = discharger(current=0.0, duration=30e-3, quiescent=1e-3, quiescent_curve=((0.0, 1.0), (10.0, 6.0)))
    left = (5.0 + 2.0) * math.exp(-1e-3 * 0.5 * 30e-3 / 47e-6) - 2.0  # a = 1, b = 0.5/V
    assert solve(node).reserve == pytest.approx(left - 2.0, rel=1e-8)
    # behind ESR the terminal solves V_in = V - R I(V_in)
    first = trace(replace(node, esr=3.0)).steps[0][0]
    assert first.v_in(0.0) == pytest.approx((5.0 - 3.0 * 1e-3) / (1.0 + 3.0 * 0.5e-3), rel=1e-12)


def test_off_current_that_hangs_on_the_voltage():
    node = discharger(off_current=1e-4, off_curve=((0.0, 0.0), (10.0, 10.0)), start_voltage=100.0)
    run = trace(node)
    # I = 1e-4 V: a resistor of 10 kohm
    assert run.off[-1].state(0.3)[0] == pytest.approx(5.0 * math.exp(-0.3 / 0.47), rel=1e-8)


def test_need_of_a_dropout_that_hangs_on_the_voltage():
    """V = V_min + R f(V) I with f linear: a linear equation."""
    node = discharger(pass_resistance=50.0, dropout_curve=((2.0, 1.6), (4.0, 0.6)))
    # f = 1.6 - 0.5 (V - 2): V = 2 + 0.5 (2.6 - 0.5 V)
    assert node.need(node.sequence[0]) == pytest.approx((2.0 + 0.5 * 2.6) / 1.25, rel=1e-12)
    beyond = replace(node, dropout_curve=((0.5, 1.6), (1.0, 0.6)))
    assert beyond.need(node.sequence[0]) == pytest.approx(2.0 + 0.5 * 0.6, rel=1e-12)
    assert replace(node, stop_voltage=3.0).need(node.sequence[0]) == 3.0


def test_efficiency_that_hangs_on_the_load():
    """Constant power at the efficiency of the load current: t = eta C (V1^2 - V2^2)/(2 P)."""
    curve = ((1e-3, 0.5), (21e-3, 1.0))
    node = discharger(regulator="buck", output_voltage=1.6, efficiency=0.9, efficiency_curve=curve, duration=40e-3)
    node = replace(node, sequence=(LoadStep("run", 40e-3, 5e-3, 1.6),), stop_voltage=3.0)
    eta = 0.9 * (0.5 + 4.0 / 20.0 * 0.5)
    assert solve(node).brown_out_time == pytest.approx(eta * 47e-6 * (25.0 - 9.0) / (2.0 * 1.6 * 5e-3), rel=1e-9)


# ---- a current that hangs on the supply -------------------------------------------------------------


def test_direct_connection_of_a_load_with_a_slope():
    """I = I_0 + G (V - V_ref), held below the minimum: an exponential, then a straight line."""
    step = LoadStep("run", 60e-3, 4e-3, 2.0, slope=1e-3, reference=3.0)
    node = discharger(regulator="direct", sequence=(step,))
    rest = 4e-3 / 1e-3 - 3.0  # I = G (V + rest)
    fall = 47e-6 / 1e-3 * math.log((5.0 + rest) / (2.0 + rest))
    result = solve(node)
    assert result.brown_out_time == pytest.approx(fall, rel=1e-8)
    assert result.reserve == pytest.approx(-(60e-3 - fall) * 3e-3 / 47e-6, rel=1e-8)


def test_series_regulator_holds_the_current_until_it_drops_out():
    """V_out = V_set down to V_set + R I_s; below that V_in = V_out + R I(V_out), by quadrature over V_out."""
    step = LoadStep("run", 60e-3, 10e-3, 2.0, slope=3e-3, reference=3.0)
    node = discharger(sequence=(step,), output_voltage=3.0, pass_resistance=40.0)
    assert node.need(step) == pytest.approx(2.0 + 40.0 * 7e-3, rel=1e-12)
    held = (5.0 - 3.4) * 47e-6 / 10e-3
    # dV_in = (1 + R G) dV_out and the current is I(V_out)
    dropped = quad(lambda v: 47e-6 * (1.0 + 40.0 * 3e-3) / (10e-3 + 3e-3 * (v - 3.0)), 2.0, 3.0, epsrel=1e-12)[0]
    assert solve(node).brown_out_time == pytest.approx(held + dropped, rel=1e-8)


# ---- restart and retry ------------------------------------------------------------------------------


def restarter(**changes: object) -> ReferenceNode:
    """Two strokes into 20 uF; the first wakes a load that empties it."""
    return replace(
        ReferenceNode(
            sequence=(LoadStep("boot", 4e-3, 5e-3, 2.0), LoadStep("transmit", 4e-3, 8e-3, 2.0)),
            strokes=(Stroke(0.0, 9.0, 4e-3), Stroke(60e-3, -13.0, 4e-3)),
            coil_resistance=200.0,
            junction_voltage=0.3,
            capacitance=20e-6,
            output_voltage=2.0,
            start_voltage=2.4,
            restart=True,
        ),
        **changes,
    )


def test_restarted_node_is_judged_by_its_best_start():
    once, again = solve(restarter(restart=False)), solve(restarter())
    assert once.outcome.startswith("brown-out")
    assert again.starts == 2
    assert again.start_time > 60e-3
    assert again.run_margin == max(again.run_margins)
    assert again.run_margins[0] == pytest.approx(once.run_margin, abs=1e-12)
    assert again.start_margin == pytest.approx(once.start_margin, abs=1e-12)
    # the second start is that of a node that begins with what the first left behind
    left = trace(restarter()).runs[0]
    found = next(p for pieces in left.steps for p in pieces if p.begin <= once.brown_out_time <= p.end)
    begin = found.state(once.brown_out_time)[0]
    late = solve(restarter(restart=False, strokes=(Stroke(60e-3, -13.0, 4e-3),), initial_voltage=begin))
    assert late.start_time == pytest.approx(again.start_time, abs=1e-9)
    assert late.run_margin == pytest.approx(again.run_margins[1], abs=1e-8)


def test_shedding_the_load_is_no_restart():
    """ESR lifts V_in above V_start when the load goes: it has to fall and rise again."""
    node = discharger(current=30e-3, duration=40e-3, esr=20.0, restart=True, start_voltage=2.2)
    result = solve(node)
    assert result.brown_out_time is not None
    assert result.starts == 1


def test_retry_runs_only_above_its_gate():
    attempt = (LoadStep("transmit", 2e-3, 10e-3, 2.0), LoadStep("listen", 1e-3, 8e-3, 2.0))
    second = (replace(attempt[0], duration=1e-3, gate=4.0), attempt[1])
    node = discharger(sequence=(*attempt, *second))
    end = 5.0 - (20e-6 + 8e-6) / 47e-6
    tried = solve(node)
    assert tried.outcome == "complete"
    assert tried.gate_margins == (pytest.approx(end - 4.0, rel=1e-9),)
    assert tried.reserve == pytest.approx(end - 18e-6 / 47e-6 - 2.0, rel=1e-9)
    above = replace(node, sequence=(*attempt, replace(second[0], gate=end + 1e-6), second[1]))
    refused = solve(above)
    assert refused.outcome == "unacknowledged"
    assert refused.complete_time is None
    assert refused.reserve == pytest.approx(end - 2.0, rel=1e-9)


# ---- the exponential law ----------------------------------------------------------------------------


@pytest.mark.parametrize("henry", [0.0, 20e-3])
def test_exponential_law_against_a_plain_integration(henry):
    """V_F = a ln(1 + I/I_s) (Shockley 1949), all in one call of solve_ivp with the law inverted by a root."""
    points = ((1e-3, 0.30), (100e-3, 0.48))
    node = ReferenceNode(
        sequence=(LoadStep("idle", 1e-3, 0.0, 0.0),),
        strokes=(Stroke(0.0, 9.0, 4e-3),),
        coil_resistance=150.0,
        coil_inductance=henry,
        junction_law=points,
        capacitance=22e-6,
        start_voltage=1e3,
    )
    a = 0.18 / math.log(100.0)
    saturation = 1e-3 * math.exp(-0.30 / a)

    def drop(j: float) -> float:
        return 2.0 * a * math.log1p(j / saturation)

    def emf(t: float) -> float:
        return 9.0 * math.sin(math.pi * t / 4e-3) if t < 4e-3 else 0.0

    def rates(t: float, y: np.ndarray) -> list[float]:
        if henry:
            j = max(y[1], -0.5 * saturation)
            return [j / 22e-6, (emf(t) - 150.0 * j - y[0] - drop(j)) / henry]
        push = emf(t) - y[0]
        if push <= 0.0:
            return [0.0]
        return [brentq(lambda j: 150.0 * j + drop(j) - push, 0.0, push / 150.0, xtol=1e-18) / 22e-6]

    def ends(t: float, y: np.ndarray) -> float:
        return y[1] if henry else 1.0

    ends.terminal, ends.direction = True, -1.0  # type: ignore[attr-defined]
    start = [0.0, 0.0] if henry else [0.0]
    plain = solve_ivp(rates, (0.0, 8e-3), start, "Radau", rtol=1e-8, atol=1e-12, max_step=2e-5, events=ends)
    assert solve(node).unloaded_peak == pytest.approx(plain.y[0, -1], abs=2e-6)
    # negative control: the line through the two points is not the law
    line = replace(node, junction_law=None, junction_slope=0.18 / 99e-3, junction_voltage=0.30 - 1e-3 * 0.18 / 99e-3)
    assert abs(solve(line).unloaded_peak - solve(node).unloaded_peak) > 2e-3


def test_exponential_law_of_a_piezoelectric_element():
    """A stiff pair (store and element) in one call of solve_ivp with its own implicit stepper."""
    points, c_p = ((10e-6, 0.20), (1e-3, 0.32)), 40e-9
    node = ReferenceNode(
        sequence=(LoadStep("idle", 1e-3, 0.0, 0.0),),
        strokes=(Stroke(0.0, 25.0, 3e-3),),
        source_capacitance=c_p,
        junction_law=points,
        capacitance=1e-6,
        esr=1.0,
        start_voltage=1e3,
    )
    a = 0.12 / math.log(100.0)
    saturation = 10e-6 * math.exp(-0.20 / a)

    def rates(t: float, y: np.ndarray) -> list[float]:
        swing = 12.5 * math.pi / 3e-3 * math.sin(math.pi * t / 3e-3) if t < 3e-3 else 0.0
        push = y[1] - y[0]
        if push <= 0.0:
            return [0.0, swing]
        j = brentq(lambda j: j + 2.0 * a * math.log1p(j / saturation) - push, 0.0, push, xtol=1e-18)
        return [j / 1e-6, swing - j / c_p]

    plain = solve_ivp(rates, (0.0, 3e-3), [0.0, 0.0], "Radau", rtol=1e-8, atol=1e-10, max_step=2e-5)
    piece = next(p for p in trace(node).off if p.begin <= 3e-3 <= p.end)
    assert piece.state(3e-3)[0] == pytest.approx(plain.y[0, -1], abs=2e-6)

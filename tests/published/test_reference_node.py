"""The independent integration itself, against closed forms and conservation of energy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from reference_examples import BIAS, charger, discharger, starter
from reference_node import (
    LoadStep,
    Stroke,
    solve,
    trace,
    unloaded,
)
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.linalg import expm
from scipy.optimize import brentq

# ---- charging ---------------------------------------------------------------------------------------


def charged(emf: float, width: float, tau: float, drop: float, v0: float = 0.0) -> float:
    """Final voltage of R, C behind an ideal rectifier after one half-sine from ``v0``.

    The linear first-order equation tau V' + V = emf sin(wt) - drop, from the instant at which the emf
    exceeds V + drop until the current is zero (any textbook of differential equations).
    """
    w = math.pi / width
    a = emf / (1.0 + (w * tau) ** 2)
    t1 = math.asin((drop + v0) / emf) / w

    def v(t: float) -> float:
        part = a * (math.sin(w * t) - w * tau * math.cos(w * t)) - drop
        free = v0 - a * (math.sin(w * t1) - w * tau * math.cos(w * t1)) + drop
        return part + free * math.exp(-(t - t1) / tau)

    return v(brentq(lambda t: emf * math.sin(w * t) - drop - v(t), 0.5 * width, width, xtol=1e-16))


# closed form above, evaluated beforehand to ten digits: emf, width, coil, drop of the bridge, store, volts
CHARGED = [
    (10.0, 5e-3, 100.0, 0.6, 10e-6, 8.044616412),
    (8.0, 10e-3, 500.0, 0.6, 22e-6, 2.851011897),
    (10.0, 4e-3, 300.0, 0.6, 10e-6, 4.663328238),
    (5.0, 8e-3, 300.0, 0.6, 10e-6, 3.045670340),
]


@pytest.mark.parametrize(("emf", "width", "coil", "drop", "store", "volts"), CHARGED)
def test_half_sine_charges_as_in_closed_form(emf, width, coil, drop, store, volts):
    node = charger(
        strokes=(Stroke(0.7e-3, emf, width),),
        coil_resistance=coil,
        junction_voltage=0.5 * drop,
        capacitance=store,
    )
    result = solve(node)
    assert result.unloaded_peak == pytest.approx(charged(emf, width, coil * store, drop), rel=1e-9)
    assert result.unloaded_peak == pytest.approx(volts, rel=1e-8)
    # negative control: a drop 1 uV off is seen
    off = solve(replace(node, junction_voltage=0.5 * drop + 0.5e-6))
    assert off.unloaded_peak != pytest.approx(volts, rel=1e-8)


def test_return_stroke_through_a_bridge_and_blocked_by_a_single_diode():
    strokes = (Stroke(0.0, 8.0, 10e-3), Stroke(12e-3, -10.0, 4e-3))
    node = charger(strokes=strokes, coil_resistance=500.0, junction_voltage=0.3, capacitance=22e-6)
    tau = 500.0 * 22e-6
    first = charged(8.0, 10e-3, tau, 0.6)
    both = solve(node).stroke_peaks
    assert both == pytest.approx((first, charged(10.0, 4e-3, tau, 0.6, first)), rel=1e-9)
    single = solve(replace(node, bridge=False))
    assert single.unloaded_peak == pytest.approx(charged(8.0, 10e-3, tau, 0.3), rel=1e-9)
    assert math.isnan(single.stroke_peaks[1])


def test_slope_of_the_junctions_and_esr_are_in_series_with_the_coil():
    # two junctions of 1.5 ohm and 2 ohm ESR: tau = (100 + 3 + 2) C
    node = charger(
        strokes=(Stroke(0.0, 10.0, 5e-3),),
        coil_resistance=100.0,
        junction_voltage=0.3,
        junction_slope=1.5,
        esr=2.0,
        capacitance=10e-6,
    )
    off = unloaded(node)
    assert off[-1].state(off[-1].end)[0] == pytest.approx(charged(10.0, 5e-3, 105.0 * 10e-6, 0.6), rel=1e-9)


def test_rectangular_waveform_charges_as_in_closed_form():
    # constant emf from the first sample to the last: V = (E - drop)(1 - exp(-T/tau)), first-order step
    node = charger(waveform=((1e-3, 6.0), (4e-3, 6.0)), coil_resistance=200.0, junction_voltage=0.25, capacitance=10e-6)
    volts = (6.0 - 0.5) * -math.expm1(-3e-3 / 2e-3)
    assert solve(node).unloaded_peak == pytest.approx(volts, rel=1e-9)
    # with ESR the coil's last current is seen at the terminal before it stops
    whole = 205.0 * 10e-6
    held = 5.5 * -math.expm1(-3e-3 / whole)
    with_esr = solve(replace(node, esr=5.0))
    assert with_esr.unloaded_peak == pytest.approx(held + 5.0 * (5.5 - held) / 205.0, rel=1e-9)


def test_finely_sampled_half_sine_approaches_the_half_sine():
    # linear interpolation of n samples: the error falls with 1/n^2 (any textbook of numerical analysis)
    node = charger(coil_resistance=100.0, junction_voltage=0.3, capacitance=10e-6)
    whole = charged(10.0, 5e-3, 1e-3, 0.6)

    def sampled(n: int) -> float:
        t = np.linspace(0.0, 5e-3, n + 1)
        e = 10.0 * np.sin(np.pi * t / 5e-3)
        return solve(replace(node, waveform=tuple(zip(t.tolist(), e.tolist(), strict=True)))).unloaded_peak

    coarse, fine = sampled(20) - whole, sampled(80) - whole
    assert abs(fine) < 2e-3
    assert coarse / fine == pytest.approx(16.0, rel=0.1)


def rlc_peak(emf: float, width: float, coil: float, henry: float, drop: float, store: float) -> float:
    """Final voltage with an inductance: matrix exponential of the linear equations.

    State (V, j, emf·sin, emf·cos, 1); the current starts when the emf exceeds the drop and ends, during
    the stroke or after it, when it is zero (state-space solution, any textbook of linear systems).
    """
    w = math.pi / width
    a = np.zeros((5, 5))
    a[0, 1] = 1.0 / store
    a[1] = [-1.0 / henry, -coil / henry, 1.0 / henry, 0.0, -drop / henry]
    a[2, 3], a[3, 2] = w, -w
    quiet = a.copy()
    quiet[1, 2] = 0.0
    t1 = math.asin(drop / emf) / w
    x1 = np.array([0.0, 0.0, drop, emf * math.cos(w * t1), 1.0])
    end = expm(a * (width - t1)) @ x1
    if end[1] > 0.0:
        tail = brentq(lambda t: (expm(quiet * t) @ end)[1], 0.0, 2.0 * width, xtol=1e-17)
        return float((expm(quiet * tail) @ end)[0])
    stop = brentq(lambda t: (expm(a * t) @ x1)[1], 0.3 * width, width - t1, xtol=1e-17)
    return float((expm(a * stop) @ x1)[0])


@pytest.mark.parametrize(
    ("emf", "width", "coil", "henry", "store"),
    [
        (16.0, 2.4e-3, 100.0, 27e-3, 47e-6),  # the current outlasts the stroke
        (10.0, 5e-3, 100.0, 1e-3, 10e-6),  # the current stops before it ends
        (12.0, 1.0e-3, 40.0, 80e-3, 10e-6),  # the coil rules
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_inductive_coil_charges_as_the_matrix_exponential_says(emf, width, coil, henry, store, sign):
    node = charger(
        strokes=(Stroke(0.0, sign * emf, width),),
        coil_resistance=coil,
        coil_inductance=henry,
        junction_voltage=0.3,
        capacitance=store,
    )
    assert solve(node).unloaded_peak == pytest.approx(rlc_peak(emf, width, coil, henry, 0.6, store), rel=1e-8)


def test_vanishing_inductance_is_no_inductance():
    node = charger(strokes=(Stroke(0.0, 10.0, 5e-3),), coil_resistance=100.0, junction_voltage=0.3, capacitance=10e-6)
    exact = solve(node).unloaded_peak
    # 1 uH in 100 ohm over 5 ms: a ratio of 5e5, the implicit stepper's case; the error is first order in L
    near, nearer = (solve(replace(node, coil_inductance=x)).unloaded_peak for x in (4e-6, 1e-6))
    assert nearer == pytest.approx(exact, abs=3e-5)
    assert (near - exact) / (nearer - exact) == pytest.approx(4.0, rel=0.05)


def test_the_two_steppers_agree_on_a_stiff_coil(monkeypatch):
    node = charger(
        strokes=(Stroke(0.0, 10.0, 2e-3),),
        coil_resistance=100.0,
        coil_inductance=0.2e-3,
        junction_voltage=0.3,
        capacitance=10e-6,
    )
    explicit = solve(node).unloaded_peak
    monkeypatch.setattr("reference_march.STIFF", 0.0)
    assert solve(node).unloaded_peak == pytest.approx(explicit, rel=1e-8)


# ---- discharging ------------------------------------------------------------------------------------


def test_constant_current_discharge():
    # t = C (V1 - V2) / I: 47 uF from 5 V to 2 V at 10 mA, 14.1 ms
    result = solve(discharger())
    assert result.outcome == "brown-out in run"
    assert result.brown_out_time == pytest.approx(14.1e-3, rel=1e-10)
    assert result.end_slope == pytest.approx(-10e-3 / 47e-6, rel=1e-6)
    assert result.reserve == pytest.approx(5.0 - 20e-3 * 10e-3 / 47e-6 - 2.0, rel=1e-10)
    assert result.run_margin == pytest.approx(result.reserve, rel=1e-12)
    assert result.start_margin == pytest.approx(1.0, rel=1e-12)


def test_currents_of_a_linear_regulator_and_its_dropout():
    # 10 mA + 2 % to ground + 0.1 mA: 10.3 mA; 20 ohm at 10 mA: 0.2 V more at its input
    node = discharger(ground_share=0.02, quiescent=0.1e-3, pass_resistance=20.0)
    assert solve(node).brown_out_time == pytest.approx(47e-6 * 2.8 / 10.3e-3, rel=1e-10)
    # the stop voltage rules where it is higher
    assert solve(replace(node, stop_voltage=3.0)).brown_out_time == pytest.approx(47e-6 * 2.0 / 10.3e-3, rel=1e-10)
    direct = replace(node, regulator="direct")
    assert solve(direct).brown_out_time == pytest.approx(47e-6 * 3.0 / 10.1e-3, rel=1e-10)


def test_constant_power_discharge():
    # t = efficiency C (V1^2 - V2^2) / (2 P): 0.9 and 18 mW, 24.675 ms
    node = discharger(regulator="buck", output_voltage=1.8, efficiency=0.9, pass_resistance=20.0)
    node = replace(node, sequence=(LoadStep("run", 30e-3, 10e-3, 1.8),))
    result = solve(node)
    assert result.brown_out_time == pytest.approx(24.675e-3, rel=1e-10)


def test_buck_that_passes_through_takes_the_load_current():
    # constant power down to V_set/efficiency = 3 V, from there a constant current
    node = discharger(regulator="buck", output_voltage=2.7, efficiency=0.9, duration=25e-3)
    power = 2.7 * 10e-3 / 0.9
    time = 0.5 * 47e-6 * (25.0 - 9.0) / power + 47e-6 * (3.0 - 2.0) / 10e-3
    result = solve(node)
    assert result.pass_through
    assert result.brown_out_time == pytest.approx(time, rel=1e-10)
    assert not solve(replace(node, sequence=(LoadStep("run", 1e-3, 10e-3, 2.0),))).pass_through


def bias_capacitance(v: float) -> float:
    volts, factors = zip(*BIAS, strict=True)
    return 47e-6 * float(PchipInterpolator(volts, factors)(min(v, volts[-1])))


@pytest.mark.parametrize("start", [5.0, 14.0])
def test_biased_store_gives_the_charge_under_its_curve(start):
    # t = integral of C(v) dv / I, by quadrature
    node = discharger(bias=BIAS, initial_voltage=start, duration=40e-3)
    knots = [v for v, _ in BIAS if 2.0 < v < start]
    charge = quad(bias_capacitance, 2.0, start, points=knots, epsabs=0.0, epsrel=1e-12)[0]
    assert solve(node).brown_out_time == pytest.approx(charge / 10e-3, rel=1e-9)


def test_buck_behind_esr_takes_the_upper_root():
    # V_in = V - ESR i, i = P/V_in + I_q: t = integral of C dV / i, by quadrature over V
    esr, power, quiescent = 0.8, 2.0 * 10e-3 / 0.9, 20e-6
    node = discharger(
        regulator="buck",
        output_voltage=2.0,
        efficiency=0.9,
        esr=esr,
        quiescent=quiescent,
        bias=BIAS,
        sequence=(LoadStep("run", 40e-3, 10e-3, 2.0),),
        stop_voltage=2.5,
    )

    def current(v: float) -> float:
        u = v - esr * quiescent
        v_in = np.roots([1.0, -u, esr * power]).real.max()
        return power / v_in + quiescent

    last = 2.5 + esr * (power / 2.5 + quiescent)
    time = quad(lambda v: bias_capacitance(v) / current(v), last, 5.0, points=[4.0], epsrel=1e-12)[0]
    assert solve(node).brown_out_time == pytest.approx(time, rel=3e-9)


def test_store_goes_on_below_zero_as_a_plain_capacitor():
    # the rectifier's drop keeps it blocked down to -1 V
    node = discharger(current=2e-3, duration=0.12, bias=BIAS, junction_voltage=0.5)
    charge = quad(bias_capacitance, 0.0, 5.0, points=[2.0, 4.0], epsrel=1e-12)[0]
    taken = 2e-3 * 0.12 - charge
    assert taken > 0.0
    assert solve(node).reserve == pytest.approx(-taken / 47e-6 - 2.0, rel=1e-9)


def test_leakage_of_the_store_and_of_the_rectifier():
    # V = V0 exp(-t / (ohm farad product)): the charge halves whatever the capacitance
    node = discharger(current=0.0, duration=0.2, insulation=0.5)
    assert solve(node).reserve == pytest.approx(5.0 * math.exp(-0.4) - 2.0, rel=1e-9)
    # a constant reverse current empties the store in a straight line, and no further than zero
    node = discharger(current=0.0, duration=0.2, reverse_leakage=1e-3)
    assert solve(node).reserve == pytest.approx(5.0 - 1e-3 * 0.2 / 47e-6 - 2.0, rel=1e-9)
    longer = solve(replace(node, sequence=(LoadStep("run", 0.3, 0.0, 2.0),)))
    assert longer.reserve == -2.0


# ---- start-up ---------------------------------------------------------------------------------------


def test_output_capacitor_charged_at_once():
    # charge of a linear regulator: C_out V_set; of a direct connection: C_out V_start; of a buck: energy
    base = discharger(current=0.0, duration=1e-3, output_capacitance=10e-6)
    assert solve(base).reserve == pytest.approx(5.0 - 20e-6 / 47e-6 - 2.0, rel=1e-9)
    direct = replace(base, regulator="direct")
    assert solve(direct).reserve == pytest.approx(5.0 - 40e-6 / 47e-6 - 2.0, rel=1e-9)
    buck = replace(base, regulator="buck", efficiency=0.8)
    left = 25.0 - 2.0 * (0.5 * 10e-6 * 4.0 / 0.8) / 47e-6
    assert solve(buck).reserve == pytest.approx(math.sqrt(left) - 2.0, rel=1e-9)


def test_output_capacitor_charged_over_the_start_delay():
    # the same charge or energy over 3 ms, and the quiescent current beside it
    base = discharger(current=0.0, duration=1e-3, output_capacitance=10e-6, start_delay=3e-3)
    slow = solve(base)
    assert slow.start_time == 0.0
    assert slow.sequence_start == pytest.approx(3e-3, rel=1e-12)
    assert slow.reserve == pytest.approx(5.0 - 20e-6 / 47e-6 - 2.0, rel=1e-9)
    thirsty = solve(replace(base, quiescent=1e-3))
    assert thirsty.reserve == pytest.approx(5.0 - (20e-6 + 1e-3 * 4e-3) / 47e-6 - 2.0, rel=1e-9)
    buck = solve(replace(base, regulator="buck", efficiency=0.8))
    left = 25.0 - 2.0 * (0.5 * 10e-6 * 4.0 / 0.8) / 47e-6
    assert buck.reserve == pytest.approx(math.sqrt(left) - 2.0, rel=1e-9)


def test_energy_that_the_store_does_not_hold_is_refused():
    node = discharger(regulator="buck", efficiency=0.8, output_voltage=3.0, output_capacitance=120e-6)
    with pytest.raises(ValueError, match="more than the store holds"):
        solve(node)
    with pytest.raises(ValueError, match="more power than the store can deliver"):
        solve(replace(node, start_delay=1e-3))


@pytest.mark.parametrize("delay", [0.0, 120e-6])
@pytest.mark.parametrize("regulator", ["linear", "buck", "direct"])
def test_margins_are_continuous_where_the_start_becomes_a_forced_start(regulator, delay):
    node = starter(regulator=regulator, efficiency=0.9, start_delay=delay)
    peak = solve(node).unloaded_peak
    reached, missed = (solve(replace(node, start_voltage=peak + x)) for x in (-1e-8, 1e-8))
    assert missed.outcome == "never started"
    assert reached.outcome != "never started"
    assert missed.start_time is None
    assert reached.start_time == pytest.approx(missed.unloaded_peak_time, abs=1e-6)
    assert reached.run_margin == pytest.approx(missed.run_margin, abs=1e-4)
    assert reached.reserve == pytest.approx(missed.reserve, abs=1e-4)


def test_start_is_where_the_terminal_meets_the_threshold():
    node = starter()
    result = solve(node)
    run = trace(node)
    assert run.before[0].begin == 0.0
    piece = next(p for p in run.off if p.begin <= result.start_time <= p.end)
    assert piece.v_in(result.start_time) == pytest.approx(2.6, abs=1e-9)
    assert all(v <= 2.6 + 1e-9 for p in run.before[:1] for _, v in p.samples)
    assert result.overlap
    # the first instant of boot: the load's ESR drop after the climb
    step = run.steps[0][0]
    jump = run.before[-1].v_in(run.before[-1].end) - step.v_in(step.begin)
    more = step.operate(step.begin)[2] - run.before[-1].operate(run.before[-1].end)[2]
    assert jump == pytest.approx(0.4 * more, rel=1e-6)


def test_first_violation_names_the_step():
    # transmit needs 9/3.4 of boot's dropout and ESR drop: its first instant fails where boot's end held
    node = discharger(pass_resistance=100.0)
    steps = (LoadStep("boot", 1e-3, 1e-3, 2.0), LoadStep("transmit", 2e-3, 20e-3, 2.98))
    result = solve(replace(node, sequence=steps))
    assert result.outcome == "brown-out in transmit"
    begin = 5.0 - 1e-3 * 1e-3 / 47e-6
    need = 2.98 + 2.0
    assert result.brown_out_time == pytest.approx(1e-3, rel=1e-12)
    assert begin < need
    late = replace(node, sequence=(steps[0], replace(steps[1], minimum_supply=2.5)))
    fall = (begin - 4.5) * 47e-6 / 20e-3
    assert solve(late).brown_out_time == pytest.approx(1e-3 + fall, rel=1e-9)


# ---- clamp ------------------------------------------------------------------------------------------


def test_clamp_holds_the_store_and_not_the_terminal():
    node = charger(
        strokes=(Stroke(0.0, 10.0, 5e-3),),
        coil_resistance=100.0,
        junction_voltage=0.3,
        capacitance=10e-6,
        clamp=4.0,
    )
    assert solve(node).unloaded_peak == 4.0
    # with the store at the clamp the coil is a divider: highest at the emf's peak
    result = solve(replace(node, esr=3.0))
    assert result.unloaded_peak == pytest.approx(4.0 + 3.0 * (10.0 - 0.6 - 4.0) / 103.0, rel=1e-12)
    assert result.unloaded_peak_time == pytest.approx(2.5e-3, abs=1e-8)
    assert result.clamp_active
    assert not solve(replace(node, clamp=9.0)).clamp_active


def test_store_leaves_the_clamp_when_the_load_takes_more_than_the_coil_gives():
    # a constant source of (6 - 0.5 - 3)/100 = 25 mA into a clamped store; 40 mA pull it off the clamp and
    # on to the balance of V' = ((5.5 - V)/100 - 0.04)/C, its closed form by separation
    node = charger(
        waveform=((0.0, 6.0), (20e-3, 6.0)),
        coil_resistance=100.0,
        junction_voltage=0.25,
        capacitance=47e-6,
        clamp=3.0,
        start_voltage=3.0,
        output_voltage=1.0,
        sequence=(LoadStep("light", 2e-3, 20e-3, 1.0), LoadStep("heavy", 5e-3, 40e-3, 1.0)),
    )
    begin = -100.0 * 47e-6 * math.log(1.0 - 3.0 / 5.5)
    result = solve(node)
    assert result.start_time == pytest.approx(begin, rel=1e-9)
    end = 1.5 + (3.0 - 1.5) * math.exp(-5e-3 / 4.7e-3)
    assert result.clamp_active
    assert result.reserve == pytest.approx(end - 1.0, rel=1e-9)

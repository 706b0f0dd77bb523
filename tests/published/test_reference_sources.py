"""Sources and what precedes the release in the independent integration, against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from reference_node import LoadStep, Packet, Precharge, ReferenceNode, Stroke, at_release, solve, unloaded
from scipy.integrate import quad, solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

BIAS = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38))
IDLE = (LoadStep("idle", 1e-3, 0.0, 0.0),)
C_P, SWING, WIDTH = 20e-9, 30.0, 5e-3


def charger(**changes: object) -> ReferenceNode:
    """A store that is only charged: its regulator never wakes and takes nothing."""
    return replace(ReferenceNode(sequence=IDLE, start_voltage=1e3), **changes)


def element(**changes: object) -> ReferenceNode:
    """20 nF with 30 V of swing into 2 uF through a bridge of 0.6 V."""
    node = charger(strokes=(Stroke(0.0, SWING, WIDTH),), source_capacitance=C_P, junction_voltage=0.3, capacitance=2e-6)
    return replace(node, **changes)


def voltage_at(node: ReferenceNode, t: float) -> list[float]:
    piece = next(p for p in unloaded(node) if p.begin <= t <= p.end)
    return piece.state(t)


# ---- piezoelectric ----------------------------------------------------------------------------------


def test_piezoelectric_element_shares_its_charge_with_the_store():
    """Loss-free: past the threshold D + V0 the two capacitors are a capacitive divider.

    First stroke C_p (S - D - V0) over C + C_p; the return stroke starts from +(D + V1) and conducts once the
    element has swung to -(D + V1) (conservation of charge, any textbook of electrostatics).
    """
    node = element(strokes=(Stroke(0.0, SWING, WIDTH), Stroke(8e-3, -SWING, WIDTH)), initial_voltage=1.0)
    share = C_P / (C_P + 2e-6)
    first = 1.0 + share * (SWING - 0.6 - 1.0)
    second = first + share * (SWING - 2.0 * (0.6 + first))
    assert solve(node).stroke_peaks == pytest.approx((first, second), rel=1e-9)
    # where nothing flows at the end the resistance of the diodes takes energy and no charge
    assert solve(replace(node, junction_slope=1.5)).stroke_peaks == pytest.approx((first, second), rel=1e-9)
    # a single diode (0.3 V) lets the return stroke pass by
    single = solve(replace(node, bridge=False))
    assert single.unloaded_peak == pytest.approx(1.0 + share * (SWING - 0.3 - 1.0), rel=1e-9)
    assert math.isnan(single.stroke_peaks[1])
    # negative control: a source capacitance 1e-7 off is seen
    off = solve(replace(node, source_capacitance=C_P * (1.0 + 1e-7)))
    assert off.unloaded_peak != pytest.approx(second, rel=1e-9)


def test_piezoelectric_element_below_the_threshold_charges_nothing():
    node = element(initial_voltage=SWING)
    assert solve(node).unloaded_peak == SWING
    assert voltage_at(node, 0.1) == pytest.approx([SWING, SWING], rel=1e-10)


def test_open_element_follows_the_first_order_equation_and_decays():
    """v' = s' - v/tau with s = S(1 - cos wt)/2: A (sin wt - w tau cos wt) + B exp(-t/tau), then exp(-t/tau)."""
    node = element(initial_voltage=40.0, loss_resistance=200e3)
    tau, w = 200e3 * C_P, math.pi / WIDTH
    a = 0.5 * SWING * w * tau / (1.0 + (w * tau) ** 2)

    def v(t: float) -> float:
        return a * (math.sin(w * t) - w * tau * math.cos(w * t)) + a * w * tau * math.exp(-t / tau)

    for t in (0.7e-3, 2.5e-3, 4.1e-3):
        assert voltage_at(node, t)[1] == pytest.approx(v(t), rel=1e-9)
    assert voltage_at(node, 9e-3)[1] == pytest.approx(v(WIDTH) * math.exp(-4e-3 / tau), rel=1e-8)


def test_lossy_element_charges_as_the_reduced_equation_says():
    """With no resistance between them v = V + D: (C + C_p) V' = C_p s' - (V + D)/R until the current is zero."""
    node = element(loss_resistance=1e6, initial_voltage=0.5)
    w, store = math.pi / WIDTH, 2e-6
    tau = 1e6 * C_P

    def rise(t: float) -> float:
        return 0.5 * SWING * w * math.sin(w * t)

    def open_voltage(t: float) -> float:
        a = 0.5 * SWING * w * tau / (1.0 + (w * tau) ** 2)
        return a * (math.sin(w * t) - w * tau * math.cos(w * t)) + a * w * tau * math.exp(-t / tau)

    begin = brentq(lambda t: open_voltage(t) - 0.6 - 0.5, 1e-6, 0.5 * WIDTH, xtol=1e-16)

    def rate(t: float, y: list[float]) -> list[float]:
        return [(C_P * rise(t) - (y[0] + 0.6) / 1e6) / (store + C_P)]

    def current(t: float, y: list[float]) -> float:
        return rate(t, y)[0]

    current.terminal, current.direction = True, -1.0  # type: ignore[attr-defined]
    run = solve_ivp(rate, (begin, WIDTH), [0.5], "DOP853", rtol=1e-12, atol=1e-14, events=current, max_step=1e-4)
    assert run.t_events[0].size == 1
    # the rest is the 1 mohm that stands for none
    assert solve(node).unloaded_peak == pytest.approx(run.y[0, -1], abs=1e-8)


def test_charge_of_the_element_flows_on_while_the_load_draws():
    """After the stroke the element is a capacitor beside the store: t = (C + C_p)(V1 - V2)/I."""
    node = element(
        capacitance=0.5e-6,
        start_voltage=1.0,
        output_voltage=0.5,
        sequence=(LoadStep("wait", 20e-3, 0.0, 0.5), LoadStep("run", 20e-3, 20e-6, 0.5)),
    )
    peak = C_P / (C_P + 0.5e-6) * (SWING - 0.6)
    result = solve(node)
    assert result.outcome == "brown-out in run"
    begin = result.sequence_start + 20e-3
    # 1 mohm puts the first current microvolts above
    assert result.brown_out_time - begin == pytest.approx((0.52e-6) * (peak - 0.5) / 20e-6, rel=1e-6)


# ---- energy packet ----------------------------------------------------------------------------------


def test_packet_into_a_constant_capacitance():
    """V = sqrt(V0^2 + 2 eta E t / (t_d C)) (conservation of energy)."""
    node = charger(packet=Packet(1e-3, 0.5, 3e-3), capacitance=20e-6)
    assert solve(node).unloaded_peak == pytest.approx(math.sqrt(2.0 * 0.5e-3 / 20e-6), rel=1e-12)
    assert voltage_at(node, 1.2e-3)[0] == pytest.approx(math.sqrt(0.4 * 2.0 * 0.5e-3 / 20e-6), rel=1e-12)
    held = replace(node, initial_voltage=2.0)
    assert solve(held).unloaded_peak == pytest.approx(math.sqrt(4.0 + 50.0), rel=1e-12)
    short = solve(replace(node, travel=0.3))
    assert short.unloaded_peak == pytest.approx(math.sqrt(0.3 * 50.0), rel=1e-12)
    # the start is where V^2 says, though the store has an ESR: it is not applied
    woken = solve(replace(node, start_voltage=3.0, output_voltage=1.0, esr=2.0))
    assert woken.start_time == pytest.approx(3e-3 * 9.0 / 50.0, rel=1e-10)
    assert woken.overlap


def test_packet_into_a_biased_store():
    """The energy under the bias curve, the integral of v C(v) dv, by quadrature."""
    volts, factors = zip(*BIAS, strict=True)
    curve = PchipInterpolator(volts, factors)

    def held(v: float) -> float:
        knots = [x for x in volts if 0.0 < x < v]
        return quad(lambda x: x * 20e-6 * float(curve(min(x, 12.0))), 0.0, v, points=knots, epsrel=1e-12)[0]

    node = charger(packet=Packet(1e-3, 0.5, 3e-3), capacitance=20e-6, bias=BIAS)
    assert solve(node).unloaded_peak == pytest.approx(brentq(lambda v: held(v) - 0.5e-3, 1.0, 12.0), rel=1e-9)


def test_packet_against_a_constant_current():
    """C V' = P/V - I: by separation of variables t = -(C/I) (V + (P/I) ln(1 - I V/P)) from an empty store."""
    power, drawn, store = 0.1, 8e-3, 20e-6
    node = charger(packet=Packet(power * 4e-3, 1.0, 4e-3), capacitance=store, off_current=drawn)

    def time(v: float) -> float:
        return -(store / drawn) * (v + power / drawn * math.log1p(-drawn * v / power))

    volts = brentq(lambda v: time(v) - 4e-3, 1.0, 12.0, xtol=1e-14)
    assert solve(node).unloaded_peak == pytest.approx(volts, rel=1e-9)


def test_packet_is_held_by_the_clamp():
    node = charger(packet=Packet(1e-3, 0.5, 3e-3), capacitance=20e-6, clamp=4.0)
    result = solve(node)
    assert result.unloaded_peak == 4.0
    assert voltage_at(node, 2.9e-3) == [4.0]


# ---- before the release -----------------------------------------------------------------------------


def test_precharge_is_an_exponential_with_leakage():
    """C V' = I - I_R - V/R: V = R I' (1 - exp(-t/tau)) (first-order step response)."""
    node = charger(precharge=Precharge(5e-6, 9.0, 30.0), capacitance=47e-6, insulation=60.0, reverse_leakage=1e-6)
    ohm = 60.0 / 47e-6
    assert at_release(node) == pytest.approx(ohm * 4e-6 * -math.expm1(-30.0 / 60.0), rel=1e-10)
    # the off current is lost as well, and the limit holds it
    assert at_release(replace(node, off_current=2e-6)) == pytest.approx(ohm * 2e-6 * -math.expm1(-0.5), rel=1e-10)
    assert at_release(replace(node, precharge=Precharge(5e-6, 1.5, 30.0))) == 1.5
    assert at_release(replace(node, precharge=Precharge(5e-6, 9.0, 30.0), clamp=1.2)) == 1.2
    # less than the losses leaves the store empty
    assert at_release(replace(node, precharge=Precharge(0.5e-6, 9.0, 30.0))) == 0.0


def test_residual_charge_runs_down_and_is_topped_up():
    node = charger(initial_voltage=3.0, time_since=12.0, capacitance=47e-6, insulation=60.0)
    assert at_release(node) == pytest.approx(3.0 * math.exp(-0.2), rel=1e-10)
    # a constant current: a straight line to zero and no further
    straight = replace(node, insulation=math.inf, off_current=4e-6)
    assert at_release(straight) == pytest.approx(3.0 - 12.0 * 4e-6 / 47e-6, rel=1e-10)
    assert at_release(replace(straight, time_since=60.0)) == 0.0
    topped = replace(straight, precharge=Precharge(10e-6, 2.5, 2.0))
    left = 3.0 - 12.0 * 4e-6 / 47e-6
    assert at_release(topped) == pytest.approx(left + 2.0 * 6e-6 / 47e-6, rel=1e-10)
    # above its limit the source gives nothing, below the losses of the limit it cannot hold it
    above = replace(topped, time_since=0.0)
    assert at_release(above) == pytest.approx(3.0 - 2.0 * 4e-6 / 47e-6, rel=1e-10)
    assert at_release(replace(above, precharge=Precharge(10e-6, 2.5, 20.0))) == 2.5


def test_precharged_node_without_a_source_starts_at_the_release():
    node = charger(precharge=Precharge(1e-3, 3.0, 1.0), capacitance=47e-6, start_voltage=2.5, output_voltage=2.0)
    result = solve(node)
    assert result.start_time == 0.0
    assert result.start_margin == pytest.approx(0.5, rel=1e-12)


# ---- strokes ----------------------------------------------------------------------------------------


def test_stroke_that_stops_short_delivers_its_share_of_the_flux():
    """A store behind a large resistance collects the flux: C V = flux/R, less what the voltage takes back."""
    node = charger(strokes=(Stroke(0.0, 20.0, WIDTH),), coil_resistance=1e6, capacitance=1e-6)
    whole, short = solve(node).unloaded_peak, solve(replace(node, travel=0.35)).unloaded_peak
    # flux of the half-sine 2 E w/pi (Faraday's law)
    assert whole == pytest.approx(2.0 * 20.0 * WIDTH / math.pi / 1.0, rel=5e-3)
    assert short / whole == pytest.approx(0.35, rel=5e-3)
    assert node.spans[0][1] == WIDTH
    assert replace(node, travel=0.5).spans[0][1] == pytest.approx(0.5 * WIDTH, rel=1e-12)
    # the swing stops at its share and holds
    piezo = element(initial_voltage=40.0, travel=0.35)
    assert voltage_at(piezo, 0.1)[1] == pytest.approx(0.35 * SWING, rel=1e-10)


def test_dwell_counts_from_the_end_of_the_stroke_before():
    node = charger(strokes=(Stroke(1e-3, 5.0, 4e-3), Stroke(0.0, -5.0, 4e-3, dwell=3e-3)))
    assert node.spans == [pytest.approx((1e-3, 5e-3)), pytest.approx((8e-3, 12e-3))]
    short = replace(node, travel=0.5)
    assert short.spans == [pytest.approx((1e-3, 3e-3)), pytest.approx((6e-3, 8e-3))]

"""Every source against closed forms: what the store holds when it has given all it has."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import strategies  # noqa: F401 - puts the folder of the published checks on the path
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from kernel_node import run_node  # isort: skip
from reference_node import Capacitor, LoadStep, Packet, Precharge, ReferenceNode, Stroke  # isort: skip

from yieldsim.kernel import layout as at

TIGHTEST = 1e-9  # [V]
BIAS = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38))
IDLE = (LoadStep("idle", 1e-3, 0.0, 0.0),)
V_START = 1e3
C_P, SWING, WIDTH = 20e-9, 30.0, 5e-3


def charger(**changes: object) -> ReferenceNode:
    """A store that is only charged: its regulator never wakes and takes nothing."""
    return replace(ReferenceNode(sequence=IDLE, start_voltage=V_START), **changes)


def top(node: ReferenceNode, accuracy: float = TIGHTEST) -> float:
    """Highest V_in [V] with the regulator kept off."""
    values, codes = run_node(node, accuracy)
    assert codes[at.OUTCOME] == at.NEVER_STARTED
    return float(values[at.START_MARGIN]) + node.start_voltage


# ---- piezoelectric: two capacitors share a charge ----------------------------------------------------------------

PIEZO = charger(
    strokes=(Stroke(0.0, SWING, WIDTH), Stroke(8e-3, -SWING, WIDTH)),
    source_capacitance=C_P,
    junction_voltage=0.3,
    capacitance=2e-6,
    initial_voltage=1.0,
)
SHARE = C_P / (C_P + 2e-6)


@pytest.mark.parametrize("slope", [0.0, 1.5, 40.0])
def test_an_element_shares_its_charge_with_the_store(slope: float) -> None:
    """Past the threshold D + V0 the loss-free element and the store are a capacitive divider.

    First stroke C_p (S - D - V0) over C + C_p; the return stroke begins at D + V1 across the element and conducts once
    it has swung to minus that (conservation of charge, any textbook of electrostatics). Where nothing flows at the end,
    the resistance of the diodes takes energy and no charge.
    """
    node = replace(PIEZO, junction_slope=slope)
    first = 1.0 + SHARE * (SWING - 0.6 - 1.0)
    second = first + SHARE * (SWING - 2.0 * (0.6 + first))
    assert top(node) == pytest.approx(second, abs=1e-7)
    assert top(node, 0.5e-3) == pytest.approx(second, abs=0.5e-3)
    single = replace(node, bridge=False)  # lets the return stroke pass by
    assert top(single) == pytest.approx(1.0 + SHARE * (SWING - 0.3 - 1.0), abs=1e-7)
    # negative control: a source capacitance 1e-5 off is seen
    assert top(replace(node, source_capacitance=C_P * (1.0 + 1e-5))) != pytest.approx(second, abs=1e-7)


def test_an_element_below_the_threshold_charges_nothing() -> None:
    assert top(replace(PIEZO, initial_voltage=SWING)) == pytest.approx(SWING, abs=1e-12)


def test_a_stroke_cut_short_holds_its_share_of_the_swing() -> None:
    node = replace(PIEZO, strokes=PIEZO.strokes[:1], travel=0.35)
    assert top(node) == pytest.approx(1.0 + SHARE * (0.35 * SWING - 0.6 - 1.0), abs=1e-7)


def test_the_element_feeds_the_load_as_long_as_it_holds_charge() -> None:
    """After the stroke it is a capacitor beside the store: t = (C + C_p)(V1 - V2)/I."""
    node = replace(
        PIEZO,
        strokes=PIEZO.strokes[:1],
        initial_voltage=0.0,
        capacitance=0.5e-6,
        start_voltage=1.0,
        output_voltage=0.5,
        sequence=(LoadStep("wait", 20e-3, 0.0, 0.5), LoadStep("run", 20e-3, 20e-6, 0.5)),
    )
    peak = C_P / (C_P + 0.5e-6) * (SWING - 0.6)
    values, codes = run_node(node, 1e-7)
    assert codes[at.OUTCOME] == at.BROWN_OUT + 1
    begin = values[at.SEQUENCE_END] - 20e-3
    assert values[at.BROWN_OUT_TIME] - begin == pytest.approx(0.52e-6 * (peak - 0.5) / 20e-6, rel=1e-5)


# ---- energy packet: energy, not charge ---------------------------------------------------------------------------

PACKET = charger(packet=Packet(1e-3, 0.5, 3e-3), capacitance=20e-6)


def test_a_packet_fills_a_constant_capacitance_with_its_energy() -> None:
    """V = sqrt(V0^2 + 2 eta E t / (t_d C)) (conservation of energy); an ESR takes no part of it."""
    assert top(PACKET) == pytest.approx(math.sqrt(50.0), abs=1e-8)
    assert top(PACKET, 0.5e-3) == pytest.approx(math.sqrt(50.0), abs=0.1e-3)
    assert top(replace(PACKET, initial_voltage=2.0)) == pytest.approx(math.sqrt(54.0), abs=1e-8)
    assert top(replace(PACKET, travel=0.3)) == pytest.approx(math.sqrt(15.0), abs=1e-8)
    woken = replace(PACKET, start_voltage=3.0, output_voltage=1.0, esr=2.0)
    values, _ = run_node(woken, TIGHTEST)
    assert values[at.START_TIME] == pytest.approx(3e-3 * 9.0 / 50.0, rel=1e-7)
    assert values[at.PEAK_CURRENT] == 0.0  # what flows in the diodes is inside its efficiency


def test_a_packet_fills_a_biased_store_with_its_energy() -> None:
    """The energy under the bias curve, the integral of v C(v) dv, by quadrature."""
    volts, factors = zip(*BIAS, strict=True)
    curve = PchipInterpolator(volts, factors)

    def held(v: float) -> float:
        knots = [x for x in volts if 0.0 < x < v]
        return float(quad(lambda x: x * 20e-6 * float(curve(min(x, 12.0))), 0.0, v, points=knots, epsrel=1e-12)[0])

    expected = brentq(lambda v: held(v) - 0.5e-3, 1.0, 12.0)
    assert top(replace(PACKET, bias=BIAS)) == pytest.approx(expected, abs=1e-8)


def test_a_packet_is_held_by_the_clamp() -> None:
    assert top(replace(PACKET, clamp=4.0)) == pytest.approx(4.0, abs=2e-8)


# ---- before the release ------------------------------------------------------------------------------------------


def held_at_release(node: ReferenceNode) -> float:
    """Voltage [V] of the store when the mechanism is released: nothing charges it any more."""
    return top(node)


def test_a_precharge_is_an_exponential_with_leakage() -> None:
    """C V' = I - I_R - V/R: V = R I' (1 - exp(-t/tau)) (first-order step response)."""
    node = charger(precharge=Precharge(5e-6, 9.0, 30.0), capacitance=47e-6, insulation=60.0, reverse_leakage=1e-6)
    ohm = 60.0 / 47e-6
    assert held_at_release(node) == pytest.approx(ohm * 4e-6 * -math.expm1(-0.5), abs=1e-8)
    lossy = replace(node, off_current=2e-6)  # which is lost as well
    assert held_at_release(lossy) == pytest.approx(ohm * 2e-6 * -math.expm1(-0.5), abs=1e-8)
    assert held_at_release(replace(node, precharge=Precharge(5e-6, 1.5, 30.0))) == pytest.approx(1.5, abs=1e-12)
    assert held_at_release(replace(node, precharge=Precharge(5e-6, 9.0, 30.0), clamp=1.2)) == pytest.approx(1.2)
    assert held_at_release(replace(node, precharge=Precharge(0.5e-6, 9.0, 30.0))) == pytest.approx(0.0, abs=1e-9)


def test_residual_charge_runs_down_and_is_topped_up() -> None:
    node = charger(initial_voltage=3.0, time_since=12.0, capacitance=47e-6, insulation=60.0)
    assert held_at_release(node) == pytest.approx(3.0 * math.exp(-0.2), abs=1e-8)
    straight = replace(node, insulation=math.inf, off_current=4e-6)
    left = 3.0 - 12.0 * 4e-6 / 47e-6
    assert held_at_release(straight) == pytest.approx(left, rel=1e-10)
    topped = replace(straight, precharge=Precharge(10e-6, 2.5, 2.0))
    assert held_at_release(topped) == pytest.approx(left + 2.0 * 6e-6 / 47e-6, rel=1e-9)


def test_a_fast_double_press_finds_what_the_first_one_left() -> None:
    """The sooner the second press, the more the store still holds: g never falls when the wait gets shorter."""
    strokes = (Stroke(0.0, 6.0, 4e-3),)
    load = (LoadStep("boot", 3e-3, 4e-3, 1.8), LoadStep("send", 1e-3, 10e-3, 1.8))
    node = ReferenceNode(
        sequence=load, strokes=strokes, coil_resistance=150.0, capacitance=22e-6, insulation=40.0, initial_voltage=1.6,
        output_voltage=2.0, start_voltage=2.4,
    )  # fmt: skip
    waits = (0.1, 1.0, 10.0, 60.0, 600.0)
    margins = np.array([run_node(replace(node, time_since=t))[0][at.VOLTAGE_MARGIN] for t in waits])
    assert (np.diff(margins) < 1e-9).all()
    assert margins[0] - margins[-1] > 0.1


# ---- a bank ------------------------------------------------------------------------------------------------------


def test_a_bank_is_the_sum_of_its_capacitors() -> None:
    """One charge at one voltage, q(V) = sum C_k B_k(V): what a charge brings it to, by root of the sum."""
    parts = (Capacitor(10e-6, bias=BIAS, esr=0.02), Capacitor(15e-6, bias=None, esr=0.1))
    node = charger(bank=parts, precharge=Precharge(100e-6, 50.0, 1.0))
    volts, factors = zip(*BIAS, strict=True)
    curve = PchipInterpolator(volts, factors).antiderivative()
    expected = brentq(lambda v: 10e-6 * float(curve(v)) + 15e-6 * v - 100e-6, 0.1, 12.0, xtol=1e-14)
    assert held_at_release(node) == pytest.approx(expected, abs=1e-8)


def test_like_capacitors_in_a_bank_are_one() -> None:
    one = charger(strokes=(Stroke(0.0, 12.0, 3e-3),), coil_resistance=120.0, capacitance=30e-6, esr=0.1, bias=BIAS)
    three = replace(one, capacitance=1.0, esr=0.0, bias=None, bank=(Capacitor(10e-6, bias=BIAS, esr=0.3),) * 3)
    assert top(three) == pytest.approx(top(one), abs=1e-8)


# ---- limits ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["insulation", "loss_resistance"])
def test_a_short_never_starts(name: str) -> None:
    """Leakage without limit takes everything: the store stays where it is empty, and nothing is not a number."""
    source = {"source_capacitance": C_P} if name == "loss_resistance" else {}
    node = replace(PIEZO, initial_voltage=0.0, coil_resistance=100.0, start_voltage=1.0, **source)
    if name == "insulation":
        node = replace(node, source_capacitance=None)
    tops = []
    for short in (1e-5, 1e-7, 1e-9):  # [ohm F], or times 1 Gohm
        values, codes = run_node(replace(node, **{name: short * (1e9 if name == "loss_resistance" else 1.0)}))
        assert codes[at.OUTCOME] in (at.COMPLETE, at.NEVER_STARTED)
        assert np.isfinite(values[[at.START_MARGIN, at.RUN_MARGIN, at.RESERVE]]).all()
        tops.append(values[at.START_MARGIN] + 1.0)
    assert tops[0] >= tops[1] >= tops[2]
    assert tops[-1] < 0.05


def test_reverse_leakage_holds_an_empty_store_down() -> None:
    """A precharge above the off current and below it and the reverse leakage together: the store stays empty."""
    node = charger(off_current=0.1e-6, reverse_leakage=2e-6, insulation=60.0, capacitance=22e-6)
    assert held_at_release(replace(node, precharge=Precharge(1e-6, 3.0, 40.0))) == pytest.approx(0.0, abs=1e-8)
    falling = replace(node, precharge=Precharge(1e-6, 3.0, 40.0), initial_voltage=0.5)
    assert held_at_release(falling) == pytest.approx(0.0, abs=1e-8)
    off_curve = ((0.5, 0.3), (2.0, 1.0))  # an off current that follows the store is integrated otherwise
    assert held_at_release(replace(falling, off_curve=off_curve)) == pytest.approx(0.0, abs=1e-8)

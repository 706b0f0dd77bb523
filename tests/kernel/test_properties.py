"""What must hold of every node, whatever its values: conservation, direction, continuity, limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from strategies import nodes, opened, short_strokes

# strategies puts the folder of these on the path
from kernel_node import run_node  # isort: skip
from random_designs import random_nodes  # isort: skip
from reference_node import LoadStep, ReferenceNode, Stroke  # isort: skip

from yieldsim.kernel import layout as at

FINE = 1e-6  # [V] accuracy with which a property is looked at
# closed Newton-Cotes rule of five points, exact to degree 5
BOOLE = np.array([7.0, 32.0, 12.0, 32.0, 7.0]) / 90.0


def g_of(node: ReferenceNode, accuracy: float = FINE) -> float:
    return float(run_node(node, accuracy)[0][at.VOLTAGE_MARGIN])


# ---- every node has an answer ------------------------------------------------------------------------------

# The clamp lets go and takes hold at one instant; a precharged store is run far below zero before the stroke
# comes; a forced start, at the end of the coil current, lets the bridge conduct again for a moment.
CLAMPED = ReferenceNode(
    sequence=(
        LoadStep("boot", 0.6437270283274905e-3, 1.1884441770192164e-3, 1.6275759919299098),
        LoadStep("transmit", 2.688e-3, 1.3090664195014373e-3, 1.6275759919299098),
        LoadStep("listen", 0.854724658841316e-3, 1.3090664195014373e-3, 1.6275759919299098),
    ),
    strokes=(
        Stroke(0.47226359408313913e-3, 22.090417437999744, 2.343489335174453e-3),
        Stroke(2.8157529292575922e-3, -24.29945918179972, 2.343489335174453e-3),
    ),
    coil_resistance=287.71857586828577,
    junction_voltage=0.40806212117367513,
    junction_slope=0.9103543446814732,
    capacitance=4.7e-6,
    esr=0.9644473847159459,
    initial_voltage=0.6775695177901956,
    clamp=3.0041660239464334,
    output_voltage=2.0214412081571984,
    quiescent=8.530230827187911e-06,
    ground_share=0.01019690549746671,
    start_voltage=2.2460457868413313,
    stop_voltage=1.6275597161699906,
    output_capacitance=2.2152209869507137e-07,
    pass_resistance=84.94436955365704,
)
RUN_DOWN = ReferenceNode(
    sequence=(LoadStep("boot", 2e-3, 50e-3, 0.5), LoadStep("transmit", 1e-3, 50e-3, 0.5)),
    strokes=(Stroke(2.6e-3, 8.0, 1.1e-3),),
    coil_resistance=660.0,
    bridge=False,
    junction_voltage=0.27,
    junction_slope=0.5,
    capacitance=100e-6,
    initial_voltage=1.0,
    regulator="direct",
    start_voltage=0.6,
)
REOPENED = ReferenceNode(
    sequence=(
        LoadStep("boot", 3.9597373750509795e-3, 2.3164710534247686e-3, 3.6715805674305955),
        LoadStep("transmit", 3.456e-3, 4.3183478049669145e-3, 3.6715805674305955),
    ),
    strokes=(
        Stroke(0.0, 10.874017477353075, 1.0966922043465477e-3),
        Stroke(1.152018098728804e-3, -7.611812234147153, 1.0966922043465477e-3),
    ),
    coil_resistance=409.4682809050089,
    coil_inductance=3.8330835763917136e-3,
    junction_voltage=0.17292552502567032,
    junction_slope=0.6224724477554076,
    capacitance=14.506818622515303e-6,
    bias=(
        (0.0, 1.0),
        (2.0, 0.9621354844006886),
        (4.0, 0.8673737896436828),
        (6.0, 0.752814827722424),
        (8.0, 0.6457037782187585),
        (12.0, 0.4868867564929401),
        (16.0, 0.39140329167723864),
        (25.0, 0.29129467504193157),
    ),
    initial_voltage=0.99999,
    clamp=6.060865457203137,
    output_voltage=4.321132410870499,
    ground_share=0.0020359763661153846,
    start_voltage=5.8324721335395,
    output_capacitance=0.6959547573845461e-6,
    pass_resistance=13.77550431957147,
)


@pytest.mark.parametrize("node", [CLAMPED, RUN_DOWN, REOPENED], ids=["clamped", "run down", "reopened"])
def test_hard_nodes_come_to_an_end(node: ReferenceNode) -> None:
    assert run_node(node)[1][at.OUTCOME] != at.NOT_FINISHED


@example(node=CLAMPED)
@given(node=nodes())
def test_every_node_comes_to_an_end(node: ReferenceNode) -> None:
    values, codes = run_node(node)
    assert codes[at.OUTCOME] != at.NOT_FINISHED
    told = (at.RUN_MARGIN, at.VOLTAGE_MARGIN, at.RESERVE, at.HOLD_UP, at.PEAK_VOLTAGE)
    assert np.isfinite(values[list(told)]).all()


# ---- margins -----------------------------------------------------------------------------------------------


def check_margins(values: np.ndarray, codes: np.ndarray) -> None:
    g, outcome = values[at.VOLTAGE_MARGIN], codes[at.OUTCOME]
    assert (g >= 0.0) == bool(codes[at.SUFFICED])
    assert (g >= 0.0) == (outcome in (at.COMPLETE, at.UNACKNOWLEDGED))
    assert g == min(values[at.START_MARGIN], values[at.RUN_MARGIN])
    assert (values[at.START_MARGIN] < 0.0) == (outcome == at.NEVER_STARTED)
    assert math.isnan(values[at.START_TIME]) == (outcome == at.NEVER_STARTED)
    if outcome >= at.BROWN_OUT:
        assert values[at.RUN_MARGIN] < 0.0
        assert values[at.HOLD_UP] <= 0.0
        assert values[at.BROWN_OUT_TIME] <= values[at.SEQUENCE_END]
    if outcome == at.COMPLETE:
        assert values[at.HOLD_UP] >= 0.0
        assert math.isnan(values[at.BROWN_OUT_TIME])
    assert values[at.RESERVE] >= values[at.RUN_MARGIN] - 1e-12


@given(node=nodes())
def test_margins_of_any_node_agree_with_its_outcome(node: ReferenceNode) -> None:
    values, codes = run_node(node)
    assume(codes[at.OUTCOME] != at.NOT_FINISHED)
    check_margins(values, codes)


def test_margins_of_random_nodes_agree_with_their_outcome() -> None:
    for node in random_nodes(100, 20240611):
        check_margins(*run_node(node))


# ---- conservation of charge --------------------------------------------------------------------------------


def charge_of(node: ReferenceNode) -> Callable[[np.ndarray], np.ndarray]:
    """q(V) [C] of the store: the integral of its shape-preserving cubic, by scipy."""
    if node.bias is None:
        return lambda v: node.capacitance * v
    volts, factors = zip(*node.bias, strict=True)
    integral, last = PchipInterpolator(volts, factors).antiderivative(), volts[-1]

    def charge(v: np.ndarray) -> np.ndarray:
        inside, beyond = np.clip(v, 0.0, last), np.maximum(v, last) - last
        return node.capacitance * (integral(inside) + np.minimum(v, 0.0) + factors[-1] * beyond)

    return charge


def stretches(record: np.ndarray) -> np.ndarray:
    """The record by its stretches of five points each, (N, 5, columns)."""
    return record.reshape(-1, 5, record.shape[1])


def supplied(node: ReferenceNode, part: np.ndarray) -> np.ndarray:
    """What the currents carry into the store over each stretch [C]."""
    v = part[:, :, at.REC_STORE]
    leak = np.where(v > 0.0, node.reverse_leakage + v * node.capacitance / node.insulation, 0.0)
    current = np.abs(part[:, :, at.REC_COIL]) - part[:, :, at.REC_DRAWN] - leak
    return (part[:, -1, at.REC_TIME] - part[:, 0, at.REC_TIME]) * (current @ BOOLE)


@given(node=nodes())
def test_charge_is_conserved(node: ReferenceNode) -> None:
    """Coil current less the regulator's and the leakage is what the store gains, over every stretch of the
    curve.
    """
    run = opened(replace(node, clamp=math.inf), FINE)
    assume(run.codes[at.OUTCOME] != at.NOT_FINISHED)
    part = stretches(run.record)
    q = charge_of(node)(part[:, :, at.REC_STORE])
    moved = float(np.abs(np.diff(q, axis=1)).sum()) + 1e-12
    # the curve of a stiff coil current between the points of a step is good to a few parts in ten thousand
    assert abs((q[:, -1] - q[:, 0]).sum() - supplied(node, part).sum()) < 5e-4 * moved
    # between stretches the store jumps once at most, by the charge of the output capacitor
    jumps = q[1:, 0] - q[:-1, -1]
    at_once = node.start_delay == 0.0 and node.output_capacitance > 0.0
    assert (np.abs(jumps) > FINE * node.capacitance).sum() <= int(at_once)
    # at the very edge of a start the curve, made to a finer accuracy, may tell that there was none
    started = run.codes[at.OUTCOME] != at.NEVER_STARTED and run.values[at.START_MARGIN] > 1e-4
    if at_once and started and node.regulator != "buck":
        volts = node.start_voltage if node.regulator == "direct" else node.output_voltage
        assert jumps.min() == pytest.approx(-node.output_capacitance * volts, rel=1e-6)


@given(node=nodes(), clamp=st.floats(0.5, 0.95))
def test_a_clamp_takes_charge_and_gives_none(node: ReferenceNode, clamp: float) -> None:
    node = replace(node, start_delay=1e-4, initial_voltage=0.0)
    top = float(run_node(replace(node, clamp=math.inf))[0][at.PEAK_VOLTAGE])
    assume(top > 0.2)
    node = replace(node, clamp=clamp * top)
    run = opened(node, FINE)
    assume(run.codes[at.OUTCOME] != at.NOT_FINISHED)
    part = stretches(run.record)
    assert part[:, :, at.REC_STORE].max() <= node.clamp * (1.0 + 1e-6) + 1e-6
    q = charge_of(node)(part[:, :, at.REC_STORE])
    taken = supplied(node, part) - (q[:, -1] - q[:, 0])
    assert taken.sum() > -1e-4 * np.abs(np.diff(q, axis=1)).sum() - 1e-12


# ---- direction ---------------------------------------------------------------------------------------------


def stronger(node: ReferenceNode, factor: float) -> ReferenceNode:
    return replace(node, strokes=tuple(replace(s, amplitude=factor * s.amplitude) for s in node.strokes))


NO_WORSE = 0.5e-3  # [V], the default accuracy


@given(node=short_strokes(), factor=st.floats(1.0, 1.5))
def test_more_emf_never_lowers_g(node: ReferenceNode, factor: float) -> None:
    """With one exception, below: an output capacitor behind an ESR."""
    if node.esr:
        node = replace(node, output_capacitance=0.0)
    before, after = g_of(node), g_of(stronger(node, factor))
    assume(not math.isnan(before + after))
    assert after >= before - NO_WORSE


def test_an_output_capacitor_behind_an_esr_is_the_exception() -> None:
    """At V_in = V_start a harder press has the store lower, by the ESR's share, and a converter's charge of
    its output capacitor, a fixed energy, costs a lower store more volts: g falls by some millivolts at most.
    """
    node = ReferenceNode(
        sequence=(LoadStep("boot", 7.4e-3, 20e-3, 0.8),),
        strokes=(Stroke(0.0, 8.0, 6.7e-3),),
        coil_resistance=20.0,
        junction_voltage=0.25,
        junction_slope=1.0,
        capacitance=330e-6,
        esr=0.4,
        regulator="buck",
        output_voltage=1.0,
        efficiency=0.75,
        start_voltage=1.36,
        output_capacitance=10e-6,
    )
    before, after = g_of(node), g_of(stronger(node, 1.5))
    assert before - 5e-3 < after < before - NO_WORSE
    for without in ({"esr": 0.0}, {"output_capacitance": 0.0}):
        other = replace(node, **without)
        assert g_of(stronger(other, 1.5)) >= g_of(other) - NO_WORSE


@given(node=short_strokes(), longer=st.floats(1.0, 20.0), less=st.floats(0.0, 1.0))
def test_less_leakage_never_lowers_g(node: ReferenceNode, longer: float, less: float) -> None:
    better = replace(node, insulation=longer * node.insulation, reverse_leakage=less * node.reverse_leakage)
    before, after = g_of(node), g_of(better)
    assume(not math.isnan(before + after))
    assert after >= before - NO_WORSE


# ---- continuity --------------------------------------------------------------------------------------------

HALVINGS = 16


def largest_step(g: Callable[[float], float], low: float, high: float, points: int = 25) -> float:
    """The change of ``g`` that is left when the interval of its largest change is halved again and again.

    A jump stays what it is. A continuous function loses it: also the square root at a threshold that is met
    tangentially, which still falls by 2^8 over the halvings.
    """
    grid = np.linspace(low, high, points)
    values = np.array([g(x) for x in grid])
    k = int(np.argmax(np.abs(np.diff(values))))
    left, right, at_left, at_right = grid[k], grid[k + 1], values[k], values[k + 1]
    for _ in range(HALVINGS):
        middle = 0.5 * (left + right)
        between = g(middle)
        if abs(between - at_left) > abs(at_right - between):
            right, at_right = middle, between
        else:
            left, at_left = middle, between
    return abs(at_right - at_left)


@given(node=nodes(strokes=1))
def test_g_does_not_jump_with_the_emf_of_one_stroke(node: ReferenceNode) -> None:
    def g(factor: float) -> float:
        return g_of(stronger(node, factor))

    left = largest_step(g, 0.6, 1.5)
    assume(not math.isnan(left))
    assert left < 0.02


def highest(node: ReferenceNode) -> float:
    """Highest V_in [V] with the regulator kept off."""
    return float(run_node(replace(node, start_voltage=50.0), FINE)[0][at.START_MARGIN]) + 50.0


def two_strokes() -> ReferenceNode:
    """Press and return: the press alone brings the store near the start, both together well above it."""
    return ReferenceNode(
        sequence=(LoadStep("boot", 3e-3, 12e-3, 1.8), LoadStep("transmit", 1e-3, 14e-3, 1.8)),
        strokes=(Stroke(0.0, 10.0, 4e-3), Stroke(30e-3, -10.0, 4e-3)),
        coil_resistance=200.0,
        junction_voltage=0.3,
        capacitance=22e-6,
        esr=0.2,
        output_voltage=2.2,
        start_voltage=3.2,
        quiescent=1e-6,
    )


def test_a_false_start_is_shown_and_g_jumps_there() -> None:
    """A stronger press wakes the node on the first stroke, with too little for its sequence."""
    node = two_strokes()
    first, both = highest(replace(node, strokes=node.strokes[:1])), highest(node)
    node = replace(node, start_voltage=first)  # the first stroke just reaches it
    weak, codes_weak = run_node(stronger(node, 0.999), FINE)
    strong, codes_strong = run_node(stronger(node, 1.001), FINE)
    assert codes_weak[at.OUTCOME] == at.COMPLETE
    assert codes_weak[at.START_STROKE] == 1
    assert weak[at.START_TIME] > 30e-3
    assert codes_strong[at.OUTCOME] >= at.BROWN_OUT
    assert codes_strong[at.START_STROKE] == 0
    assert strong[at.START_TIME] < 4e-3
    assert weak[at.VOLTAGE_MARGIN] > 0.0 > strong[at.VOLTAGE_MARGIN]
    # the jump is no steep slope: it is there at the last halving too (and the search can see one)
    jump = weak[at.VOLTAGE_MARGIN] - strong[at.VOLTAGE_MARGIN]
    assert largest_step(lambda x: g_of(stronger(node, x)), 0.95, 1.05) == pytest.approx(jump, rel=0.1)
    assert jump > 0.3
    # what its second stroke would have given is in the start margin: the regulator kept off
    assert strong[at.START_MARGIN] == pytest.approx(both - first, abs=0.02)


# ---- limits ------------------------------------------------------------------------------------------------


def plain() -> ReferenceNode:
    """A node that completes: one stroke, inductance, ESR, linear regulator."""
    return ReferenceNode(
        sequence=(LoadStep("boot", 3e-3, 3e-3, 1.9), LoadStep("transmit", 1e-3, 9e-3, 1.9)),
        strokes=(Stroke(0.0, 14.0, 2.4e-3),),
        coil_resistance=100.0,
        coil_inductance=20e-3,
        junction_voltage=0.25,
        junction_slope=1.0,
        capacitance=33e-6,
        esr=0.3,
        output_voltage=2.4,
        start_voltage=2.7,
        start_delay=1e-4,
        quiescent=1e-6,
        pass_resistance=10.0,
    )


@pytest.mark.parametrize("name", ["esr", "coil_inductance"])
def test_vanishing_parasitics_are_none(name: str) -> None:
    """Towards zero the margins go to those without: differences fall in proportion, and stay finite on the
    way.
    """
    none = run_node(replace(plain(), **{name: 0.0}), FINE)[0]
    whole = getattr(plain(), name)
    for column in (at.RESERVE, at.START_MARGIN):
        gaps = [
            abs(run_node(replace(plain(), **{name: whole * share}), FINE)[0][column] - none[column])
            for share in (1e-2, 1e-3, 1e-4, 1e-7)
        ]
        assert gaps[1] < 0.15 * gaps[0]
        assert gaps[2] < 0.2 * gaps[1] + 2 * FINE
        assert gaps[3] < 10 * FINE


def test_a_huge_store_never_starts() -> None:
    values, codes = run_node(replace(plain(), capacitance=1.0))
    assert codes[at.OUTCOME] == at.NEVER_STARTED
    # nearly all of V_start is missing: the flux over R C bounds the rise
    flux = 2.0 * 14.0 * 2.4e-3 / math.pi
    assert values[at.START_MARGIN] <= flux / 100.0 + 0.3 * 14.0 / 100.0 - 2.7
    assert np.isfinite(values[[at.RUN_MARGIN, at.RESERVE, at.VOLTAGE_MARGIN]]).all()


def test_a_tiny_store_runs_down() -> None:
    values, codes = run_node(replace(plain(), capacitance=0.5e-6))
    assert codes[at.OUTCOME] == at.BROWN_OUT
    assert values[at.START_MARGIN] > 3.0  # it had voltage enough
    assert values[at.RUN_MARGIN] < 0.0
    assert values[at.START_TIME] < values[at.BROWN_OUT_TIME] < values[at.SEQUENCE_END]


def test_g_against_capacitance_is_a_window() -> None:
    """From tiny to huge g rises and falls again: bigger may be worse."""
    sizes = np.geomspace(0.2e-6, 2e-3, 25)
    g = np.array([g_of(replace(plain(), capacitance=c)) for c in sizes])
    best = int(np.argmax(g))
    assert 0 < best < len(g) - 1
    assert g[best] > 0.0
    assert max(g[0], g[-1]) < 0.0


# ---- definitions -------------------------------------------------------------------------------------------


def test_an_output_below_a_steps_minimum() -> None:
    """A draw whose output is below what the radio needs: the run margin is what the output lacks."""
    node = replace(plain(), output_voltage=1.87)
    values, codes = run_node(node)
    assert values[at.RUN_MARGIN] == pytest.approx(1.87 - 1.9, abs=1e-12)
    assert values[at.VOLTAGE_MARGIN] == values[at.RUN_MARGIN]
    assert codes[at.OUTCOME] == at.BROWN_OUT
    assert values[at.BROWN_OUT_TIME] == pytest.approx(values[at.START_TIME] + 1e-4, abs=1e-12)
    # only the step that needs more fails
    steps = (replace(node.sequence[0], minimum_supply=1.8), node.sequence[1])
    values, codes = run_node(replace(node, sequence=steps))
    assert codes[at.OUTCOME] == at.BROWN_OUT + 1
    assert codes[at.RUN_STEP] == 1
    assert values[at.BROWN_OUT_TIME] == pytest.approx(values[at.START_TIME] + 1e-4 + 3e-3, abs=1e-12)


def test_a_precharged_store_without_a_source_keeps_what_it_holds() -> None:
    """Never started: the highest V_in is that at the release, behind the ESR and the current of the regulator
    off.
    """
    node = replace(plain(), strokes=(), initial_voltage=2.5, off_current=1e-3)
    values, codes = run_node(node)
    assert codes[at.OUTCOME] == at.NEVER_STARTED
    top = 2.5 - 0.3 * 1e-3
    assert values[at.START_MARGIN] == pytest.approx(top - 2.7, abs=1e-12)
    assert values[at.PEAK_VOLTAGE] == pytest.approx(top, abs=1e-12)
    assert codes[at.START_STROKE] == -1
    # above the start voltage it starts at once, and the release is the highest it will see
    values, codes = run_node(replace(node, initial_voltage=3.0))
    assert codes[at.OUTCOME] != at.NEVER_STARTED
    assert values[at.START_TIME] == 0.0
    assert values[at.START_MARGIN] == pytest.approx(3.0 - 0.3 * 1e-3 - 2.7, abs=1e-12)


def test_hold_up_is_negative_by_the_time_that_lacks() -> None:
    """10 mA from 47 uF at 5 V reach 2 V after 14.1 ms: 5.9 ms before the end of 20 ms, 4.1 ms after one of 10
    ms.
    """
    node = ReferenceNode(
        sequence=(LoadStep("run", 20e-3, 10e-3, 2.0),),
        capacitance=47e-6,
        initial_voltage=5.0,
        output_voltage=2.0,
        start_voltage=4.0,
    )
    values, codes = run_node(node)
    assert values[at.HOLD_UP] == pytest.approx(14.1e-3 - 20e-3, rel=1e-9)
    assert values[at.RUN_TIME] == pytest.approx(14.1e-3, rel=1e-9)
    assert codes[at.HOLD_UP_CAPPED] == 0
    values, codes = run_node(replace(node, sequence=(LoadStep("run", 10e-3, 10e-3, 2.0),)))
    assert values[at.HOLD_UP] == pytest.approx(4.1e-3, rel=1e-9)
    assert codes[at.HOLD_UP_CAPPED] == 0


def test_hold_up_ends_at_the_horizon_and_says_so() -> None:
    """Half a second after the last stroke's end; without a stroke, after the release."""
    node = replace(plain(), sequence=(LoadStep("doze", 1e-3, 1e-9, 1.9),))
    values, codes = run_node(node)
    assert codes[at.OUTCOME] == at.COMPLETE
    assert codes[at.HOLD_UP_CAPPED] == 1
    assert values[at.SEQUENCE_END] + values[at.HOLD_UP] == pytest.approx(2.4e-3 + 0.5, rel=1e-12)
    values, codes = run_node(replace(node, strokes=(), initial_voltage=4.0))
    assert codes[at.HOLD_UP_CAPPED] == 1
    assert values[at.SEQUENCE_END] + values[at.HOLD_UP] == pytest.approx(0.5, rel=1e-12)


def test_the_stop_voltage_decides_where_it_is_above_the_need() -> None:
    """V_need = max(V_min + V_do, V_stop): 1.9 V + 30 mV in boot, 1.9 V + 90 mV in transmit, or the stop
    voltage.
    """
    low, high = run_node(plain())[0], run_node(replace(plain(), stop_voltage=2.5))[0]
    assert low[at.RESERVE] - high[at.RESERVE] == pytest.approx(2.5 - 1.99, abs=1e-9)
    between = run_node(replace(plain(), stop_voltage=1.98))[0]  # above boot's need, below transmit's
    assert between[at.RESERVE] == low[at.RESERVE]

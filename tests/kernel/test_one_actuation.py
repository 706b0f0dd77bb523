"""Outcome, delivery and margins of one actuation, from loads and supplies that can be worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from strategies import BOOT, FRAME, LISTEN, Radio, lasted, opened

# strategies puts the folder of these on the path
from kernel_node import run_node  # isort: skip
from reference_node import LoadStep, ReferenceNode, Stroke  # isort: skip

from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

STORE = 47e-6
BOOT_STEP, FRAME_STEP, LISTEN_STEP = 0, 1, 2  # indices in the default sequence


def bench(**changes: object) -> ReferenceNode:
    """47 uF at 5 V, a linear regulator of 2.4 V, no source."""
    node = ReferenceNode(
        sequence=(), capacitance=STORE, initial_voltage=5.0, output_voltage=2.4, start_voltage=2.6
    )  # fmt: skip
    return replace(node, **changes)


def radio(*currents: float, **changes: object) -> Radio:
    """Boot, frame and acknowledgement of the currents given [A], from 47 uF."""
    steps = tuple(replace(step, current=i) for step, i in zip((BOOT, FRAME, LISTEN), currents, strict=True))
    return replace(Radio(steps=steps, node=bench()), **changes)


# ---- outcomes ----------------------------------------------------------------------------------------------


def test_complete() -> None:
    values, codes = radio(5e-3, 10e-3, 8e-3).run()
    assert codes[0, at.OUTCOME] == at.COMPLETE
    assert (codes[0, at.DELIVERED], codes[0, at.SUFFICED], codes[0, at.ATTEMPTS_USED]) == (1, 1, 1)
    assert values[0, at.COMPLETE_TIME] == pytest.approx(1e-3 + 1.024e-3 + 0.544e-3, rel=1e-12)
    # the store has given the charge of the steps
    volts = 5.0 - (5e-3 * 1e-3 + 10e-3 * 1.024e-3 + 8e-3 * 0.544e-3) / STORE
    assert values[0, at.RESERVE] == pytest.approx(volts - 1.9, rel=1e-9)
    assert codes[0, at.RESERVE_STEP] == LISTEN_STEP
    assert values[0, at.RESERVE_STORE] == pytest.approx(volts, rel=1e-9)
    assert values[0, at.RESERVE_CURRENT] == pytest.approx(8e-3, rel=1e-12)


def test_never_started() -> None:
    low = radio(5e-3, 10e-3, 8e-3, node=bench(initial_voltage=2.5))
    values, codes = low.run()
    assert codes[0, at.OUTCOME] == at.NEVER_STARTED
    assert (codes[0, at.DELIVERED], codes[0, at.SUFFICED], codes[0, at.START_STROKE]) == (0, 0, -1)
    assert values[0, at.START_MARGIN] == pytest.approx(-0.1, rel=1e-9)
    for column in (at.START_TIME, at.COMPLETE_TIME, at.RUN_TIME):
        assert math.isnan(values[0, column])
    # the forced run says how far its charge would have brought it
    taken = 5e-3 * 1e-3 + 10e-3 * 1.024e-3 + 8e-3 * 0.544e-3
    assert values[0, at.RESERVE] == pytest.approx(2.5 - taken / STORE - 1.9, rel=1e-9)


def test_a_forced_run_that_would_have_sufficed_is_still_never_started() -> None:
    values, codes = radio(1e-6, 1e-6, 1e-6, node=bench(initial_voltage=2.5)).run()
    assert values[0, at.RUN_MARGIN] > 0.5
    assert codes[0, at.OUTCOME] == at.NEVER_STARTED
    assert codes[0, at.DELIVERED] == 0
    assert values[0, at.VOLTAGE_MARGIN] == values[0, at.START_MARGIN] < 0.0


@pytest.mark.parametrize(
    ("currents", "failed", "delivered"),
    [
        ((200e-3, 1e-3, 1e-3), BOOT_STEP, 0),  # 4.3 V in boot
        ((1e-3, 200e-3, 1e-3), FRAME_STEP, 0),
        ((1e-3, 1e-3, 400e-3), LISTEN_STEP, 1),  # the frame had gone out before the supply failed
    ],
)
def test_brown_out_names_its_step_and_keeps_what_was_delivered(
    currents: tuple[float, float, float], failed: int, delivered: int
) -> None:
    values, codes = radio(*currents).run()
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + failed
    assert (codes[0, at.DELIVERED], codes[0, at.SUFFICED]) == (delivered, 0)
    assert math.isnan(values[0, at.COMPLETE_TIME])
    # when: what is left above 1.9 V at the step's own current
    before = [1e-3, 1.024e-3, 0.544e-3][:failed]
    left = (5.0 - 1.9) * STORE - sum(i * t for i, t in zip(currents, before, strict=False))
    assert values[0, at.BROWN_OUT_TIME] == pytest.approx(sum(before) + left / currents[failed], rel=1e-9)


def test_the_first_violation_decides_and_the_run_goes_on() -> None:
    """Boot fails; the frame lacks still more, and the margins tell that."""
    values, codes = radio(200e-3, 20e-3, 1e-3).run()
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + BOOT_STEP
    volts = 5.0 - (200e-3 * 1e-3 + 20e-3 * 1.024e-3 + 1e-3 * 0.544e-3) / STORE
    assert values[0, at.RUN_MARGIN] == pytest.approx(volts - 1.9, rel=1e-9)
    assert codes[0, at.RUN_STEP] == LISTEN_STEP


def test_a_jump_at_the_first_instant_of_a_step_is_its_own() -> None:
    """10 ohm of ESR: 20 mA more take 0.2 V at once, which the frame's first instant does not have."""
    node = bench(initial_voltage=2.65, esr=10.0, capacitance=1.0)
    values, codes = radio(1e-3, 80e-3, 1e-3, node=node).run()
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + FRAME_STEP
    assert values[0, at.BROWN_OUT_TIME] == pytest.approx(1e-3, rel=1e-9)
    assert values[0, at.RUN_MARGIN] == pytest.approx(2.65 - 0.8 - 1.9, abs=1e-3)


def test_unacknowledged() -> None:
    values, codes = radio(5e-3, 10e-3, 8e-3, frame_loss=1.0).run()
    assert codes[0, at.OUTCOME] == at.UNACKNOWLEDGED
    assert (codes[0, at.DELIVERED], codes[0, at.SUFFICED]) == (0, 1)
    assert values[0, at.VOLTAGE_MARGIN] > 0.0
    assert math.isnan(values[0, at.COMPLETE_TIME])
    assert values[0, at.HOLD_UP] > 0.0


def test_not_finished_where_a_value_is_no_number() -> None:
    node = radio(5e-3, 10e-3, 8e-3)
    x = node.values()
    x[at.CAPACITANCE] = math.nan
    values, codes = run(node.design(), x[None], np.zeros((1, len(x))), np.zeros((1, 3), dtype=np.int64))
    assert codes[0, at.OUTCOME] == at.NOT_FINISHED
    assert (codes[0, at.DELIVERED], codes[0, at.SUFFICED]) == (0, 0)
    assert not values[0, at.VOLTAGE_MARGIN] >= 0.0


# ---- retries and what comes after --------------------------------------------------------------------------


def test_a_retry_may_be_what_the_store_cannot_pay() -> None:
    """One attempt is affordable; after a lost one the second browns out in its frame."""
    node = radio(5e-3, 65e-3, 20e-3, attempts=2)
    once, codes = node.run(plan=(1, 1))
    assert codes[0, at.OUTCOME] == at.COMPLETE
    twice, codes = node.run(plan=(1 + at.PLAN_LOST, 1))
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + FRAME_STEP
    assert (codes[0, at.DELIVERED], codes[0, at.ATTEMPTS_USED]) == (0, 2)
    more = 20e-3 * 0.864e-3 + 65e-3 * 1.024e-3
    assert once[0, at.RESERVE] - twice[0, at.RESERVE] == pytest.approx(more / STORE, rel=1e-9)


def test_a_frame_that_got_through_is_delivered_though_its_retry_browns_out() -> None:
    node = radio(5e-3, 65e-3, 20e-3, attempts=2, acknowledgement_loss=1.0)
    _, codes = node.run(node.uniforms())
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + FRAME_STEP
    assert (codes[0, at.DELIVERED], codes[0, at.ATTEMPTS_USED]) == (1, 2)


def test_brown_out_in_channel_access() -> None:
    """A retry's backoff decides: 115 units of 320 us at 0.1 mA, and five assessments at 8 mA."""
    supply = bench(capacitance=10e-6, initial_voltage=3.0)
    node = radio(5e-3, 10e-3, 8e-3, exponents=(3, 5, 4), busy=1.0, node=supply)
    values, codes = node.run(node.uniforms(0.999999))
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + at.CHANNEL_ACCESS
    assert codes[0, at.RESERVE_STEP] == codes[0, at.RUN_STEP] == at.CHANNEL_ACCESS
    volts = 3.0 - (5e-3 * 1e-3 + 0.1e-3 * 115 * 320e-6 + 8e-3 * 5 * 128e-6) / 10e-6
    assert values[0, at.RESERVE] == pytest.approx(volts - 1.9, rel=1e-9)
    assert values[0, at.SEQUENCE_END] == pytest.approx(1e-3 + 115 * 320e-6 + 5 * 128e-6, rel=1e-12)


@pytest.mark.parametrize("required", [True, False])
def test_a_step_after_the_acknowledgement_counts_where_it_is_required(required: bool) -> None:
    down = replace(BOOT, when=at.AFTER, required=required, current=200e-3)  # more than the store has left
    node = replace(radio(5e-3, 10e-3, 8e-3), steps=(BOOT, FRAME, LISTEN, down))
    values, codes = node.run()
    if required:
        assert codes[0, at.OUTCOME] == at.BROWN_OUT + 3
        assert codes[0, at.DELIVERED] == 1
        assert values[0, at.SEQUENCE_END] == pytest.approx(2.568e-3 + 1e-3, rel=1e-12)
    else:
        assert codes[0, at.OUTCOME] == at.COMPLETE
        assert values[0, at.COMPLETE_TIME] == pytest.approx(2.568e-3, rel=1e-12)
        assert codes[0, at.RESERVE_STEP] == LISTEN_STEP


def test_nothing_comes_after_an_acknowledgement_that_did_not_come() -> None:
    down = replace(BOOT, when=at.AFTER, current=200e-3)
    node = replace(radio(5e-3, 10e-3, 8e-3, frame_loss=1.0), steps=(BOOT, FRAME, LISTEN, down))
    values, codes = node.run()
    assert codes[0, at.OUTCOME] == at.UNACKNOWLEDGED
    assert values[0, at.SEQUENCE_END] == pytest.approx(1e-3 + 1.024e-3 + 0.864e-3, rel=1e-12)


def test_a_node_that_does_not_listen_is_complete_with_its_last_frame() -> None:
    node = replace(radio(5e-3, 10e-3, 8e-3), steps=(BOOT, FRAME))
    values, codes = node.run()
    assert codes[0, at.OUTCOME] == at.COMPLETE
    assert values[0, at.COMPLETE_TIME] == pytest.approx(2.024e-3, rel=1e-12)
    assert codes[0, at.DELIVERED] == 1
    # every attempt is a repetition of the frame, whatever becomes of it
    again, codes = replace(node, attempts=3).run()
    assert codes[0, at.ATTEMPTS_USED] == 3
    assert lasted(again) == pytest.approx(1e-3 + 3 * 1.024e-3, rel=1e-12)
    # none of them getting through is completion without delivery
    lost = replace(node, frame_loss=1.0).run()[1]
    assert (lost[0, at.OUTCOME], lost[0, at.DELIVERED]) == (at.COMPLETE, 0)


# ---- regulators --------------------------------------------------------------------------------------------


def test_direct_supply() -> None:
    """V_out = V_in: no dropout, and a current that follows the supply."""
    node = bench(regulator="direct", quiescent=1e-3, pass_resistance=50.0)
    values, _ = radio(9e-3, 9e-3, 9e-3, node=node).run()
    taken = 10e-3 * (1e-3 + 1.024e-3 + 0.544e-3)
    assert values[0, at.RESERVE] == pytest.approx(5.0 - taken / STORE - 1.9, rel=1e-9)


def test_a_current_that_follows_the_supply_discharges_exponentially() -> None:
    """I = G V_out from a direct supply: V = V_0 exp(-G t / C), down to the step's minimum, below which it is
    held.
    """
    conductance = 20e-3
    step = replace(BOOT, current=0.0, slope=conductance, slope_at=0.0, duration=2e-3)
    node = Radio(steps=(step,), node=bench(regulator="direct"), minimum=1.9)
    values, codes = node.run()
    assert codes[0, at.OUTCOME] == at.COMPLETE
    left = 5.0 * math.exp(-conductance * 2e-3 / STORE)
    assert values[0, at.RESERVE] == pytest.approx(left - 1.9, abs=1e-4)
    longer = replace(node, steps=(replace(step, duration=6e-3),))
    values, codes = longer.run()
    reached = STORE / conductance * math.log(5.0 / 1.9)
    assert codes[0, at.OUTCOME] == at.BROWN_OUT
    assert values[0, at.BROWN_OUT_TIME] == pytest.approx(reached, rel=1e-4)
    # from there on at the current of 1.9 V
    assert values[0, at.RESERVE] == pytest.approx(-conductance * 1.9 * (6e-3 - reached) / STORE, abs=1e-4)


def test_linear_regulator_in_dropout() -> None:
    """20 ohm at 10 mA raise what the frame needs by 0.2 V; its current does not change in dropout."""
    node = bench(pass_resistance=20.0, initial_voltage=2.7)
    values, codes = radio(1e-3, 10e-3, 1e-3, node=node).run()
    volts = 2.7 - (1e-6 + 10e-3 * 1.024e-3) / STORE
    assert values[0, at.RESERVE] == pytest.approx(volts - 2.1, rel=1e-9)
    assert codes[0, at.RESERVE_STEP] == FRAME_STEP


def test_buck_takes_power() -> None:
    """2.4 V out at 90 %: q falls so that 1/2 C V^2 falls by the energy of the steps over the efficiency."""
    node = bench(regulator="buck", efficiency=0.9)
    values, _ = radio(10e-3, 10e-3, 10e-3, node=node).run()
    energy = 2.4 * 10e-3 * 2.568e-3 / 0.9
    assert values[0, at.RESERVE] == pytest.approx(math.sqrt(25.0 - 2.0 * energy / STORE) - 1.9, abs=1e-4)


def test_buck_whose_power_has_no_root_behind_its_esr_is_a_brown_out() -> None:
    """ESR P > (V/2)^2: 100 ohm and 26.7 mW at 3 V leave no input voltage that carries the power."""
    node = bench(regulator="buck", efficiency=0.9, initial_voltage=3.0, esr=100.0)
    _, codes = radio(10e-3, 10e-3, 10e-3, node=node).run()
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + BOOT_STEP


@pytest.mark.parametrize("delay", [0.0, 0.5e-3])
@pytest.mark.parametrize("kind", ["linear", "direct", "buck"])
def test_output_capacitor(kind: str, delay: float) -> None:
    """Linear C_out V_set, direct C_out V_start as a charge; buck 1/2 C_out V_set^2 / eta as an energy."""
    node = bench(regulator=kind, efficiency=0.8, output_capacitance=3e-6, start_delay=delay, quiescent=0.2e-3)
    values, _ = replace(radio(0.0, 0.0, 0.0, node=node)).run()
    idle = 0.2e-3 * (delay + 2.568e-3)
    if kind == "buck":
        # the quiescent current takes its charge beside the power: 1 uC of 235 uC, its share at the middle
        # voltage
        left = math.sqrt(25.0 - 2.0 * (0.5 * 3e-6 * 2.4**2 / 0.8) / STORE) - idle / STORE
        assert values[0, at.RESERVE] == pytest.approx(left - 1.9, abs=1e-4)
    else:
        charge = 3e-6 * (2.4 if kind == "linear" else 2.6)
        assert values[0, at.RESERVE] == pytest.approx(5.0 - (charge + idle) / STORE - 1.9, rel=1e-9)
    assert values[0, at.START_TIME] == 0.0
    assert values[0, at.SEQUENCE_END] == pytest.approx(delay + 2.568e-3, rel=1e-12)


def test_the_sequence_begins_after_the_start_delay() -> None:
    """A dip within the delay is no brown-out; the first instant of boot is what counts."""
    node = bench(initial_voltage=2.7, start_delay=1e-3, output_capacitance=30e-6, stop_voltage=1.5)
    values, codes = radio(1e-6, 1e-6, 1e-6, node=node).run()
    left = 2.7 - 30e-6 * 2.4 / STORE
    assert left < 1.9
    assert codes[0, at.OUTCOME] == at.BROWN_OUT + BOOT_STEP
    assert values[0, at.BROWN_OUT_TIME] == pytest.approx(1e-3, rel=1e-12)


# ---- source ------------------------------------------------------------------------------------------------


def struck(**changes: object) -> ReferenceNode:
    """Press and return through a coil without inductance."""
    node = ReferenceNode(
        sequence=(LoadStep("idle", 1e-3, 0.0, 0.0),),
        strokes=(Stroke(0.0, 8.0, 4e-3), Stroke(10e-3, -9.0, 4e-3)),
        coil_resistance=200.0,
        junction_voltage=0.3,
        capacitance=22e-6,
        start_voltage=50.0,
    )
    return replace(node, **changes)


def top(node: ReferenceNode) -> float:
    return float(run_node(node, 1e-7)[0][at.START_MARGIN]) + node.start_voltage


def test_a_single_diode_blocks_the_return_stroke() -> None:
    single, bridge = struck(bridge=False), struck()
    first = struck(strokes=struck().strokes[:1], bridge=False)
    assert top(single) == pytest.approx(top(first), abs=1e-6)
    assert top(bridge) > top(replace(bridge, strokes=bridge.strokes[:1])) + 0.5
    # turned round, the single diode takes the second stroke alone
    turned = struck(bridge=False, strokes=(Stroke(0.0, -8.0, 4e-3), Stroke(10e-3, 9.0, 4e-3)))
    alone = struck(bridge=False, strokes=(Stroke(10e-3, 9.0, 4e-3),))
    assert top(turned) == pytest.approx(top(alone), abs=1e-6)


def test_reverse_voltages() -> None:
    """Bridge: V_in and one junction; single diode: V_in and the emf of the polarity that it blocks."""
    single = struck(bridge=False, junction_slope=1.0)
    values, _ = run_node(single)
    assert values[at.PEAK_REVERSE] == pytest.approx(top(single) + 9.0, abs=2e-3)
    values, _ = run_node(struck(junction_slope=0.0))
    assert values[at.PEAK_REVERSE] == pytest.approx(top(struck()) + 0.3, abs=2e-3)


def test_start_stroke_is_that_which_woke_the_regulator() -> None:
    first = top(struck(strokes=struck().strokes[:1]))
    for start, stroke in ((first - 0.1, 0), (first + 0.1, 1)):
        node = struck(start_voltage=start, output_voltage=1.0)
        values, codes = run_node(node)
        assert codes[at.START_STROKE] == stroke
        begin, end = node.spans[stroke]
        assert begin < values[at.START_TIME] < end


def test_start_is_where_v_in_meets_v_start() -> None:
    node = struck(start_voltage=2.0, output_voltage=1.0, esr=2.0, junction_slope=1.0)
    found = opened(node, 1e-7)
    before = found.record[: int(np.argmax(found.record[:, at.REC_PHASE] != at.OFF_PHASE))]
    assert before[-1, at.REC_INPUT] == pytest.approx(2.0, abs=1e-7)
    assert before[-1, at.REC_TIME] == pytest.approx(found.values[at.START_TIME], abs=1e-9)
    # the terminal is above the store by the coil's current in the ESR
    expected = before[-1, at.REC_STORE] + 2.0 * before[-1, at.REC_COIL]
    assert before[-1, at.REC_INPUT] == pytest.approx(expected, rel=1e-9)


def test_peak_current_is_that_of_the_coil_into_an_empty_store() -> None:
    """A store too large to rise: the current peaks at (E - 2 V_F) / (R + 2 r)."""
    node = struck(capacitance=1.0, junction_slope=1.0)
    values, _ = run_node(node)
    assert values[at.PEAK_CURRENT] == pytest.approx((9.0 - 0.6) / 202.0, rel=1e-3)

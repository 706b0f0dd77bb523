"""What firmware decides: whether a retry is begun, which message is sent, and whether the node starts again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from strategies import BOOT, FRAME, LISTEN, Radio, lasted

from kernel_node import run_node  # isort: skip
from reference_node import LoadStep, ReferenceNode, Stroke  # isort: skip

from yieldsim.kernel import layout as at

LOST, FIRST_LOST = 1 + at.PLAN_LOST, (1 + at.PLAN_LOST, 1)


# ---- the retry ---------------------------------------------------------------------------------------------------


def test_a_retry_is_begun_only_above_its_level() -> None:
    """5 V on 1 mF: the level between what is left after the first attempt and more decides, and nothing else."""
    radio = Radio(attempts=2)
    begun = radio.run(plan=FIRST_LOST)
    assert begun[1][0, at.OUTCOME] == at.COMPLETE
    spent = sum((step.duration if step.timeout == 0.0 else step.timeout) * step.current for step in radio.steps)
    left = 5.0 - spent / 1e-3
    for level, outcome, attempts in ((left - 1e-6, at.COMPLETE, 2), (left + 1e-6, at.UNACKNOWLEDGED, 1)):
        values, codes = replace(radio, retry_above=level).run(plan=FIRST_LOST)
        assert codes[0, at.OUTCOME] == outcome
        assert codes[0, at.ATTEMPTS_USED] == attempts
        assert codes[0, at.SUFFICED] == 1
        assert np.isfinite(values[0, [at.RESERVE, at.HOLD_UP]]).all()
    # a first attempt is always begun
    values, codes = replace(radio, retry_above=100.0).run(plan=(1, 0))
    assert codes[0, at.OUTCOME] == at.COMPLETE


def test_margins_of_a_retry_not_begun_are_those_of_one_attempt() -> None:
    radio = Radio(attempts=2, frame_loss=0.5)
    once = replace(radio, attempts=1).run(plan=(LOST,))
    blocked = replace(radio, retry_above=100.0).run(plan=(LOST, LOST))
    for mine, right in zip(blocked, once, strict=True):
        assert np.array_equal(mine, right, equal_nan=True)


def test_a_retry_may_carry_a_shorter_frame() -> None:
    radio = Radio(attempts=2, retry_duration=0.4e-3)
    whole = BOOT.duration + FRAME.duration + LISTEN.timeout + 0.4e-3 + LISTEN.duration
    assert lasted(radio.run(plan=FIRST_LOST)[0]) == pytest.approx(whole, rel=1e-12)
    assert lasted(replace(radio, retry_duration=None).run(plan=FIRST_LOST)[0]) == pytest.approx(
        whole + FRAME.duration - 0.4e-3, rel=1e-12
    )


# ---- starting again ----------------------------------------------------------------------------------------------

# The first stroke wakes the regulator with too little; the second one finds an emptied store and fills it.
TWICE = ReferenceNode(
    sequence=(LoadStep("boot", 6e-3, 6e-3, 1.8), LoadStep("send", 1e-3, 12e-3, 1.8)),
    strokes=(Stroke(0.0, 5.2, 3e-3), Stroke(12e-3, -9.0, 4e-3)),
    coil_resistance=60.0,
    junction_voltage=0.25,
    capacitance=15e-6,
    output_voltage=1.9,
    start_voltage=2.1,
    stop_voltage=1.7,
)


def test_a_node_that_may_start_again_completes_on_the_second_stroke() -> None:
    once, codes = run_node(TWICE)
    assert codes[at.OUTCOME] >= at.BROWN_OUT
    assert once[at.VOLTAGE_MARGIN] < 0.0
    assert (codes[at.START_STROKE], codes[at.STARTS]) == (0, 1)
    again, codes = run_node(replace(TWICE, restart=True))
    assert codes[at.OUTCOME] == at.COMPLETE
    assert (codes[at.START_STROKE], codes[at.STARTS]) == (1, 2)
    assert again[at.VOLTAGE_MARGIN] >= 0.0
    assert again[at.START_TIME] > 12e-3 > once[at.START_TIME]
    assert again[at.START_MARGIN] == pytest.approx(once[at.START_MARGIN], abs=1e-9)


def test_starting_again_never_makes_a_margin_worse() -> None:
    for amplitude in np.linspace(3.0, 14.0, 45):
        node = replace(TWICE, strokes=(Stroke(0.0, float(amplitude), 3e-3), TWICE.strokes[1]))
        without, with_it = run_node(node), run_node(replace(node, restart=True))
        assert with_it[0][at.RUN_MARGIN] >= without[0][at.RUN_MARGIN] - 1e-9
        assert with_it[1][at.SUFFICED] >= without[1][at.SUFFICED]
        if without[1][at.SUFFICED]:
            assert with_it[1][at.STARTS] == 1
            assert np.array_equal(with_it[0], without[0], equal_nan=True)


def test_one_stroke_gives_one_start_with_or_without() -> None:
    node = replace(TWICE, strokes=TWICE.strokes[:1])
    without, with_it = run_node(node)[0], run_node(replace(node, restart=True))[0]
    assert with_it[at.RUN_MARGIN] == without[at.RUN_MARGIN]
    assert with_it[at.RESERVE] == without[at.RESERVE]

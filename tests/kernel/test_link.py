"""What the link makes of its draws: losses, late acknowledgements, channel access, plans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from strategies import BOOT, FRAME, LISTEN, Radio, lasted

from yieldsim.kernel import layout as at
from yieldsim.kernel import link

# one attempt's uniforms stand in this order
FRAME_SLOT, BACK_SLOT, LATENCY_SLOT, FIRST_BACKOFF = 0, 1, 2, 3
ONE = BOOT.duration + FRAME.duration  # up to the end of the frame [s]
TIMEOUT = LISTEN.timeout
# macMinBE 3, macMaxBE 5, macMaxCSMABackoffs 4 (IEEE Std 802.15.4-2006)
CSMA = Radio(exponents=(3, 5, 4))


def outcome(radio: Radio, points: np.ndarray) -> tuple[int, int, int]:
    _, codes = radio.run(points)
    return tuple(int(codes[0, k]) for k in (at.OUTCOME, at.DELIVERED, at.ATTEMPTS_USED))


@pytest.mark.parametrize("loss", [0.0, 0.25, 1.0])
def test_a_frame_is_lost_where_its_uniform_is_below_the_loss(loss: float) -> None:
    radio = Radio(frame_loss=loss)
    for u in (1e-12, 0.2499, 0.2501, 1.0 - 1e-12):
        points = radio.uniforms()
        points[0, 0, FRAME_SLOT] = u
        found = outcome(radio, points)
        assert found == ((at.UNACKNOWLEDGED, 0, 1) if u < loss else (at.COMPLETE, 1, 1))


def test_a_lost_acknowledgement_is_a_delivered_frame() -> None:
    radio = Radio(acknowledgement_loss=0.25)
    points = radio.uniforms()
    points[0, 0, BACK_SLOT] = 0.2
    assert outcome(radio, points) == (at.UNACKNOWLEDGED, 1, 1)
    assert lasted(radio.run(points)[0]) == pytest.approx(ONE + TIMEOUT, rel=1e-12)


def test_latency_is_spread_evenly_and_too_late_is_lost() -> None:
    radio = Radio(steps=(BOOT, FRAME, replace(LISTEN, spread=0.4e-3)))
    for u, time in ((0.25, 0.644e-3), (0.5, 0.744e-3), (0.79, 0.86e-3)):
        points = radio.uniforms()
        points[0, 0, LATENCY_SLOT] = u
        assert outcome(radio, points)[0] == at.COMPLETE
        assert lasted(radio.run(points)[0]) == pytest.approx(ONE + time, rel=1e-12)
    points[0, 0, LATENCY_SLOT] = 0.81  # 0.868 ms: after the timeout of 0.864 ms
    assert outcome(radio, points) == (at.UNACKNOWLEDGED, 1, 1)
    assert lasted(radio.run(points)[0]) == pytest.approx(ONE + TIMEOUT, rel=1e-12)


def test_each_attempt_has_its_own_draws() -> None:
    radio = Radio(attempts=3, frame_loss=0.5)
    points = radio.uniforms(0.9)
    points[0, 0, FRAME_SLOT] = points[0, 1, FRAME_SLOT] = 0.1
    assert outcome(radio, points) == (at.COMPLETE, 1, 3)
    expected = BOOT.duration + 3 * FRAME.duration + 2 * TIMEOUT + LISTEN.duration
    assert lasted(radio.run(points)[0]) == pytest.approx(expected, rel=1e-12)
    points[0, 0, FRAME_SLOT] = 0.9  # the first gets through: what the others drew does not matter
    assert outcome(radio, points) == (at.COMPLETE, 1, 1)
    points[0, 2, FRAME_SLOT] = 0.1
    assert outcome(radio, points) == (at.COMPLETE, 1, 1)


def test_losses_follow_the_signal_to_noise_ratio() -> None:
    """At 0 dB a packet of 26 octets is lost with 3.304205 % and one of 5 with what makes 0.960730 of both.

    Worked out from the formula of IEEE Std 802.15.4-2006, clause E.4.1.7.
    """
    radio = Radio(signal_to_noise=0.0)
    frame, both = 3.304205e-2, 0.960730
    back = 1.0 - both / (1.0 - frame)
    for slot, loss, delivered in ((FRAME_SLOT, frame, 0), (BACK_SLOT, back, 1)):
        points = radio.uniforms(0.99)
        points[0, 0, slot] = loss * (1.0 - 1e-4)
        assert outcome(radio, points) == (at.UNACKNOWLEDGED, delivered, 1)
        points[0, 0, slot] = loss * (1.0 + 1e-4)
        assert outcome(radio, points) == (at.COMPLETE, 1, 1)
    # the losses given directly do not count beside it
    points[0, 0, :2] = 0.99
    assert outcome(replace(radio, frame_loss=1.0, acknowledgement_loss=1.0), points) == (at.COMPLETE, 1, 1)


def test_units_of_a_backoff_are_whole_and_uniform() -> None:
    """Slot k of 2^BE is drawn where k <= 2^BE u < k + 1."""
    for slot in range(8):
        for u in (slot / 8 + 1e-9, (slot + 1) / 8 - 1e-9):
            points = CSMA.uniforms()
            points[0, 0, FIRST_BACKOFF] = u
            access = slot * CSMA.unit + CSMA.assess + CSMA.turnaround
            expected = ONE + access + LISTEN.duration
            assert lasted(CSMA.run(points)[0]) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("assessments", [1, 2, 3, 4, 5])
def test_exponent_rises_with_each_busy_assessment_up_to_its_maximum(assessments: int) -> None:
    radio = replace(CSMA, busy=0.5)
    points = radio.uniforms(1.0 - 1e-9)  # the longest backoff of each: 2^BE - 1 units
    points[0, 0, FIRST_BACKOFF + 5 : FIRST_BACKOFF + 5 + assessments - 1] = 0.1
    units = sum((7, 15, 31, 31, 31)[:assessments])
    access = units * radio.unit + assessments * radio.assess + radio.turnaround
    assert outcome(radio, points) == (at.COMPLETE, 1, 1)
    assert lasted(radio.run(points)[0]) == pytest.approx(ONE + access + LISTEN.duration, rel=1e-12)


def test_a_channel_that_stays_busy_costs_an_attempt_and_no_frame() -> None:
    radio = replace(CSMA, busy=0.5, attempts=2)
    points = radio.uniforms(1.0 - 1e-9)
    points[0, 0, FIRST_BACKOFF + 5 :] = 0.1
    spent = 115 * radio.unit + 5 * radio.assess  # the longest of all: 36.8 ms and five assessments
    clear = 7 * radio.unit + radio.assess + radio.turnaround
    assert outcome(radio, points) == (at.COMPLETE, 1, 2)
    expected = BOOT.duration + spent + clear + FRAME.duration + LISTEN.duration
    assert lasted(radio.run(points)[0]) == pytest.approx(expected, rel=1e-12)
    points[0, 1, FIRST_BACKOFF + 5 :] = 0.1
    assert outcome(radio, points) == (at.UNACKNOWLEDGED, 0, 2)
    assert lasted(radio.run(points)[0]) == pytest.approx(BOOT.duration + 2 * spent, rel=1e-12)


def test_one_assessment_alone() -> None:
    """No backoff beyond the first: a busy assessment gives up at once."""
    radio = replace(CSMA, exponents=(0, 0, 0), busy=1.0)
    assert outcome(radio, radio.uniforms()) == (at.UNACKNOWLEDGED, 0, 1)
    assert lasted(radio.run(radio.uniforms())[0]) == pytest.approx(BOOT.duration + radio.assess, rel=1e-12)


def test_channel_access_comes_once_an_attempt_and_before_its_first_frame() -> None:
    """Steps of an attempt before the frame run before the channel is assessed; a second frame does not assess
    it.
    """
    wake = replace(BOOT, when=at.EACH_ATTEMPT, duration=0.3e-3)
    radio = replace(CSMA, steps=(BOOT, wake, FRAME, FRAME, LISTEN))
    points = radio.uniforms(1e-9)
    expected = BOOT.duration + 0.3e-3 + radio.assess + radio.turnaround + 2 * FRAME.duration + LISTEN.duration
    assert lasted(radio.run(points)[0]) == pytest.approx(expected, rel=1e-12)
    # with the channel busy the attempt ends before its frames, but after what comes first
    busy = replace(radio, exponents=(0, 0, 0), busy=1.0)
    expected = BOOT.duration + 0.3e-3 + busy.assess
    assert lasted(busy.run(busy.uniforms())[0]) == pytest.approx(expected, rel=1e-12)


# ---- plans: a forced outcome, one number an attempt --------------------------------------------------------


@pytest.mark.parametrize("assessments", [1, 2, 5])
@pytest.mark.parametrize("lost", [False, True])
def test_a_plan_is_the_same_as_draws_that_lead_there(assessments: int, lost: bool) -> None:
    radio = replace(CSMA, busy=0.5, frame_loss=0.5)
    points = radio.uniforms(0.7)
    points[0, 0, FIRST_BACKOFF + 5 : FIRST_BACKOFF + 5 + assessments - 1] = 0.1
    points[0, 0, FRAME_SLOT] = 0.1 if lost else 0.9
    drawn = radio.run(points)
    # a plan overrules the draws of losses and assessments, and leaves those of the backoffs
    against = radio.uniforms(0.7)
    against[0, 0, FIRST_BACKOFF + 5 :] = 0.1
    against[0, 0, FRAME_SLOT] = 0.9 if lost else 0.1
    planned = radio.run(against, plan=(assessments + (at.PLAN_LOST if lost else 0),))
    for mine, right in zip(planned, drawn, strict=True):
        assert np.array_equal(mine, right, equal_nan=True)


def test_a_plan_of_a_spent_attempt() -> None:
    radio = replace(CSMA, busy=0.5, attempts=2)
    points = radio.uniforms(0.7)
    points[0, 0, FIRST_BACKOFF + 5 :] = 0.1
    drawn = radio.run(points)
    planned = radio.run(radio.uniforms(0.7), plan=(at.PLAN_SPENT, 1))
    for mine, right in zip(planned, drawn, strict=True):
        assert np.array_equal(mine, right, equal_nan=True)
    assert planned[1][0, at.ATTEMPTS_USED] == 2


def test_zero_leaves_an_attempt_to_its_draws() -> None:
    radio = Radio(attempts=2, frame_loss=0.5)
    points = radio.uniforms(0.9)
    points[0, 0, FRAME_SLOT] = 0.1
    left, forced = radio.run(points, plan=(0, 0)), radio.run(points, plan=(1, 0))
    assert left[1][0, at.ATTEMPTS_USED] == 2
    assert forced[1][0, at.ATTEMPTS_USED] == 1
    assert np.array_equal(left[0], radio.run(points)[0], equal_nan=True)


# ---- room --------------------------------------------------------------------------------------------------


def test_the_longest_sequence_fits_its_room() -> None:
    """Every attempt with all its assessments, then a required and another step after the acknowledgement."""
    after = replace(BOOT, when=at.AFTER)
    steps = (BOOT, FRAME, FRAME, LISTEN, after, replace(after, required=False))
    radio = replace(CSMA, steps=steps, attempts=4, busy=0.5)
    points = radio.uniforms(0.9)
    points[0, :, FIRST_BACKOFF + 5 : FIRST_BACKOFF + 9] = 0.1  # four busy, the fifth clear
    plan = (5 + at.PLAN_LOST,) * 3 + (5,)
    values, codes = radio.run(points, plan=plan)
    assert codes[0, at.OUTCOME] == at.COMPLETE
    assert codes[0, at.ATTEMPTS_USED] == 4
    made = 1 + 4 * (2 * 5 + 1 + 3) + 2
    assert made <= link.segment_room(len(steps), 4, 4)
    assert np.isfinite(values[0, at.SEQUENCE_END])

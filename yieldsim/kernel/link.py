"""The link of one actuation: losses, channel access and the load sequence that follows from them.

Channel access is the unslotted CSMA-CA of IEEE 802.15.4 (2006 edition, clause 7.5.1.4): a backoff of a random number of
unit backoff periods from 0 to 2^BE - 1, then an assessment; a busy one raises BE up to its maximum, and after one
assessment more than the maximum number of backoffs the attempt is given up.
"""

import math

import numpy as np

from yieldsim.kernel import layout as at
from yieldsim.kernel.compiled import compiled, inlined
from yieldsim.kernel.hash import drawn

# --- columns of a segment of the load sequence ----------------------------------------------------------------------
(
    SEG_DURATION,  # [s]
    SEG_CURRENT,  # [A]
    SEG_SLOPE,  # [S]
    SEG_AT,  # [V]
    SEG_MINIMUM,  # lowest supply [V]
    SEG_STEP,  # index of the step, or CHANNEL_ACCESS
    SEG_DELIVERS,  # 1 where a frame that gets through ends with it
    SEG_ATTEMPT,  # number of the attempt it belongs to, from 1; 0 before the first
    SEG_LISTENS,  # 1 where the radio listens for the acknowledgement
) = range(9)
SEGMENT = 9

ACKNOWLEDGED, LOST, SPENT, REPEATED = 0, 1, 2, 3
BINOMIAL_16 = np.array([math.comb(16, k) for k in range(17)], dtype=np.float64)


@compiled
def packet_error(signal_to_noise, octets):
    """Packet error rate of 2.4 GHz O-QPSK at a signal to noise ratio in dB, for a frame of so many octets.

    IEEE Std 802.15.4-2006, annex E.4.1.7: BER = 8/15 * 1/16 * sum over k = 2..16 of (-1)^k C(16, k)
    exp(20 SINR (1/k - 1)), and PER = 1 - (1 - BER)^(8 octets). Additive white noise only.
    """
    ratio = 10.0 ** (0.1 * signal_to_noise)
    total = 0.0
    sign = 1.0
    for k in range(2, 17):
        total += sign * BINOMIAL_16[k] * math.exp(20.0 * ratio * (1.0 / k - 1.0))
        sign = -sign
    bit_error = min(max(8.0 / 15.0 / 16.0 * total, 0.0), 0.5)
    return -math.expm1(8.0 * octets * math.log1p(-bit_error))


@inlined
def add_segment(segments, n, duration, current, slope, reference, minimum, step, delivers, number):
    """Append one segment and return how many there are."""
    row = segments[n]
    row[SEG_DURATION], row[SEG_CURRENT], row[SEG_SLOPE], row[SEG_AT] = duration, current, slope, reference
    row[SEG_MINIMUM], row[SEG_STEP], row[SEG_DELIVERS], row[SEG_ATTEMPT] = minimum, step, delivers, number
    row[SEG_LISTENS] = 0.0
    return n + 1


@inlined
def channel_access(design, x, address, uniforms, planned, number, segments, n):
    """Append the channel access of attempt ``number``; returns the segments so far and whether a frame may be sent."""
    most = design.exponents[2] + 1
    exponent = design.exponents[0]
    first_backoff = design.variable_column.shape[0] + 3
    first_busy = first_backoff + most
    minimum = x[at.MINIMUM_SUPPLY]
    for k in range(most):
        u = drawn(design.keys, first_backoff + k, address, number - 1, uniforms)
        slots = math.floor(u * 2.0**exponent)
        n = add_segment(
            segments, n, slots * x[at.BACKOFF_UNIT], x[at.BACKOFF_IDLE_CURRENT],
            0.0, 0.0, minimum, float(at.CHANNEL_ACCESS), 0.0, float(number),
        )  # fmt: skip
        n = add_segment(
            segments, n, x[at.ASSESS_TIME], x[at.ASSESS_CURRENT],
            0.0, 0.0, minimum, float(at.CHANNEL_ACCESS), 0.0, float(number),
        )  # fmt: skip
        if planned > 0:
            busy = k + 1 < planned % at.PLAN_LOST or planned >= at.PLAN_SPENT
        else:
            busy = drawn(design.keys, first_busy + k, address, number - 1, uniforms) < x[at.BACKOFF_BUSY]
        if not busy:
            n = add_segment(
                segments, n, x[at.TURNAROUND], x[at.TURNAROUND_CURRENT],
                0.0, 0.0, minimum, float(at.CHANNEL_ACCESS), 0.0, float(number),
            )  # fmt: skip
            return n, True
        exponent = min(exponent + 1, design.exponents[1])
    return n, False


@inlined
def add_step(design, x, s, strokes, duration, delivers, number, segments, n):
    """Append step ``s`` of the design's sequence with the duration given."""
    base = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * s
    n = add_segment(
        segments, n, duration, x[base + at.STEP_CURRENT], design.slopes[s, at.STEP_SLOPE],
        design.slopes[s, at.STEP_SLOPE_AT], x[design.steps[s, at.STEP_MINIMUM_COLUMN]], float(s), delivers, number,
    )  # fmt: skip
    segments[n - 1, SEG_LISTENS] = 1.0 if design.steps[s, at.STEP_KIND] == at.LISTEN_STEP else 0.0
    return n


@inlined
def attempt(design, x, address, uniforms, planned, number, message, segments, n):
    """Append the segments of attempt ``number``; returns the segments so far and ACKNOWLEDGED, LOST, SPENT, or REPEATED
    where the design does not listen: every attempt is then a repetition, and the last frame completes.

    ``planned`` forces the link outcome (see `layout`), 0 leaves it to the uniforms.
    """
    strokes = design.strokes.shape[0]
    variables = design.variable_column.shape[0]
    retry = 1 if number > 1 else 0
    frame_loss, ack_loss = x[at.FRAME_LOSS], x[at.ACKNOWLEDGEMENT_LOSS]
    if design.use_signal_to_noise:
        frame_loss = packet_error(x[at.SIGNAL_TO_NOISE], design.octets[message, retry])
        ack_loss = packet_error(x[at.SIGNAL_TO_NOISE], design.octets[message, 2])
    if planned > 0:
        # a planned loss is a frame lost: the acknowledgement's loss costs the same energy
        frame_through = planned < at.PLAN_LOST
        back = frame_through
    else:
        frame_through = drawn(design.keys, variables, address, number - 1, uniforms) >= frame_loss
        back = frame_through and drawn(design.keys, variables + 1, address, number - 1, uniforms) >= ack_loss
    accessed = False
    result = ACKNOWLEDGED
    listens = False
    for s in range(design.steps.shape[0]):
        if design.steps[s, at.STEP_WHEN] != at.EACH_ATTEMPT or design.step_runs[s, message] == 0:
            continue
        base = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * s
        kind = design.steps[s, at.STEP_KIND]
        duration = x[base + at.STEP_DURATION]
        if kind == at.FRAME_STEP:
            duration = design.air_time[s, message, retry]
            if design.use_backoff and not accessed:
                accessed = True
                n, clear = channel_access(design, x, address, uniforms, planned, number, segments, n)
                if not clear:
                    return n, SPENT
        delivers = 1.0 if kind == at.FRAME_STEP and frame_through else 0.0
        if kind == at.LISTEN_STEP:
            listens = True
            timeout = x[base + at.STEP_TIMEOUT]
            latency = drawn(design.keys, variables + 2, address, number - 1, uniforms)
            duration += latency * x[base + at.STEP_SPREAD]
            if not back or duration > timeout:
                duration = timeout
                result = LOST
        n = add_step(design, x, s, strokes, duration, delivers, float(number), segments, n)
    return n, result if listens else REPEATED


@inlined
def add_fixed(design, x, when, required, message, segments, n):
    """Append the steps that run ``when`` given; for those after the acknowledgement, the required or the other ones."""
    strokes = design.strokes.shape[0]
    for s in range(design.steps.shape[0]):
        if design.steps[s, at.STEP_WHEN] != when or design.step_runs[s, message] == 0:
            continue
        if when == at.AFTER and (design.steps[s, at.STEP_REQUIRED] == 1) != required:
            continue
        duration = x[at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * s + at.STEP_DURATION]
        delivers = 0.0
        if design.steps[s, at.STEP_KIND] == at.FRAME_STEP:
            duration, delivers = design.air_time[s, message, 0], 1.0
        n = add_step(design, x, s, strokes, duration, delivers, 0.0, segments, n)
    return n


def segment_room(steps: int, attempts: int, backoffs: int) -> int:
    """Return the most segments a sequence can have."""
    return steps + attempts * (steps + 2 * (backoffs + 1) + 1) + 2

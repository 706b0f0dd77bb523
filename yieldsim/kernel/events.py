"""Events within a step of the conducting circuit: found on its dense output, met on whole steps."""

import math

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled, inlined
from yieldsim.kernel.state import CEILING, CHARGE, CLAMPED, COIL, FLOOR, POLARITY, TIME

# The coil current ends; the clamp takes hold, and lets go; V_in rises through the ceiling, and falls to the floor.
CURRENT_ENDS, CLAMP_HOLDS, CLAMP_LETS_GO, RISES, FALLS = 1, 2, 3, 4, 5
# A coil current has ended only below this [A]; see `onset.ONSET`.
STOPPED = -1e-9
# A clamp lets go only of a net current below this [A], so that it cannot take hold and let go at one instant.
LET_GO = -1e-9
# Nor does it take hold again of a store that stands at it and falls: share of its charge that counts as above.
HOLD = 1e-9
# How close to its level a located event must lie [V].
CLOSE = 1e-8


@compiled
def sample(t, h, i, q, loss, polarity, kind, wave, waves, c, demand, bias, bias_step, out, samples):
    """Fill ``samples`` (4, 4): coil current, charge, V_in and net current of a clamped store at 0, 1/3, 2/3 and 1."""
    for k in range(4):
        ik, qk = st.point(k / 3.0, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
        v_in, _, drawn = st.input_voltage(ik, qk, c, demand, bias, bias_step)
        samples[0, k], samples[1, k], samples[2, k], samples[3, k] = ik, qk, v_in, ik - drawn - loss


@inlined
def bends(y0, y1, y2, y3):
    """Whether the cubic through y at 0, 1/3, 2/3, 1 turns within the step."""
    first = -11.0 * y0 + 18.0 * y1 - 9.0 * y2 + 2.0 * y3
    last = -2.0 * y0 + 9.0 * y1 - 18.0 * y2 + 11.0 * y3
    rising = first > 0.0 and y1 > y0 and y2 > y1 and y3 > y2 and last > 0.0
    falling = first < 0.0 and y1 < y0 and y2 < y1 and y3 < y2 and last < 0.0
    return not (rising or falling)


@compiled
def quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss):
    """Coil current, charge, V_in or net current of a clamped store at the share ``x`` of a step; see
    `first_crossing`.
    """
    ix, qx = st.point(x, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
    if what == 0:
        return ix
    if what == 1:
        return qx
    v_in, _, drawn = st.input_voltage(ix, qx, c, demand, bias, bias_step)
    if what == 2:
        return v_in
    return ix - drawn - loss


@compiled
def first_crossing(
    sign, level, what, t, h, i, q, polarity, kind, wave, waves, out, samples, c, demand, bias, bias_step, loss
):
    """Share of the step at which a quantity first passes ``level`` in the direction ``sign``, or 2 when it does not.

    ``what``: 0 coil current, 1 charge, 2 V_in, 3 net current into a clamped store: a row of ``samples`` (4, 4).
    """
    y0, y1, y2, y3 = samples[what, 0], samples[what, 1], samples[what, 2], samples[what, 3]
    low, y_low = 0.0, sign * (y0 - level)
    if y_low > 0.0:
        return 0.0
    high, y_high = 2.0, 0.0
    x1, x2 = -1.0, -1.0
    if what != 0 and bends(y0, y1, y2, y3):  # it may pass the level between the samples, and come back
        x1, x2 = st.cubic_extremes(y0, y1, y2, y3)
    for k in range(1, 6):
        x = k / 3.0 if k < 4 else (x1 if k == 4 else x2)
        if not 0.0 < x <= 1.0 or x >= high:
            continue
        y = (
            sign * (samples[what, k] - level)
            if k < 4
            else sign
            * (
                quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss)
                - level
            )
        )
        if y > 0.0:
            high, y_high = x, y
            if low >= high:
                low, y_low = 0.0, sign * (y0 - level)
        elif x > low:
            low, y_low = x, y
    if high > 1.0:
        return 2.0
    if what == 0 and y_low == 0.0:
        # a current that begins at zero: its end is the other root, if it rises at all
        x = min(high, 1.0 / 3.0)
        for _ in range(20):
            x *= 0.5
            y = -quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss)
            if y < 0.0:
                low, y_low = x, y
                break
        if y_low == 0.0:
            return 0.0
    side = 0
    x = high
    for _ in range(80):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        y = sign * (
            quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss) - level
        )
        if high - low <= 1e-13 or (y >= 0.0 and y <= 1e-13 * (1.0 + abs(level))):
            break
        if y < 0.0:
            low, y_low = x, y
            if side == 1:
                y_high *= 0.5
            side = 1
        else:
            high, y_high = x, y
            if side == -1:
                y_low *= 0.5
            side = -1
    return x


@compiled
def first_event(state, h, kind, wave, waves, c, watch, demand, bias, bias_step, out, samples, loss):
    """Return the first event within a step just made, 0 for none, and the share of the step at which it happens."""
    event, cut = 0, 1.0
    clamped = state[CLAMPED] > 0.5
    for k in range(1, 6):
        sign, level, what = 1.0, 0.0, 0
        if k == CURRENT_ENDS:
            if min(samples[0, 1], samples[0, 2], samples[0, 3]) >= STOPPED:
                continue
            sign = -1.0
        elif k == CLAMP_HOLDS:
            if clamped or c[ct.CLAMP_CHARGE] == math.inf:
                continue
            level, what = c[ct.CLAMP_CHARGE] * (1.0 + HOLD), 1
        elif k == CLAMP_LETS_GO:
            if not clamped:
                continue
            sign, level, what = -1.0, LET_GO, 3
        elif k == RISES:
            if watch[CEILING] == math.inf:
                continue
            level, what = watch[CEILING], 2
        else:
            if watch[FLOOR] == -math.inf:
                continue
            sign, level, what = -1.0, watch[FLOOR], 2
        x = first_crossing(
            sign, level, what, state[TIME], h, state[COIL], state[CHARGE], state[POLARITY],
            kind, wave, waves, out, samples, c, demand, bias, bias_step, loss,
        )  # fmt: skip
        if x < cut or (x == cut and k >= RISES):
            event, cut = k, x
    return event, cut


@compiled
def missed(event, x, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out):
    """By how much an event is missed at the share ``x`` of a step: [V], for the release of the clamp [A]."""
    ix, qx = st.point(x, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
    v_in, v, drawn = st.input_voltage(ix, qx, c, demand, bias, bias_step)
    if event == CLAMP_HOLDS:
        return v - c[ct.CLAMP]
    if event == CLAMP_LETS_GO:
        return ix - drawn - ct.leakage(c[ct.CLAMP], c) - LET_GO
    return v_in - (watch[CEILING] if event == RISES else watch[FLOOR])


@compiled
def step_to_event(event, h, longest, state, kind, wave, waves, c, watch, demand, bias, bias_step, clamped, out):
    """Make the step again so that it ends at the event; returns its size [s].

    The dense output places the event, to its own order; a secant on whole steps then meets it to the order of the step.
    The end of the coil current alone needs no better place.
    """
    t, i, q, polarity = state[TIME], state[COIL], state[CHARGE], state[POLARITY]
    if h <= 0.0:
        out[:] = 0.0
        out[0], out[1] = i, q
        return 0.0
    before, miss_before = 0.0, 0.0
    for trial in range(7):
        st.step(t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, clamped, out)
        if event == CURRENT_ENDS:
            break
        if trial == 0:  # the first slope is that of the step's end, the next ones are secants
            before = 0.9 * h
            miss_before = missed(
                event, 0.9, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out
            )
        miss = missed(event, 1.0, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out)
        if abs(miss) <= CLOSE or trial == 6 or h == before or miss == miss_before:
            break
        change = miss * (h - before) / (miss - miss_before)
        before, miss_before = h, miss
        h = min(max(h - change, 0.5 * h), longest)
    return h

"""Events within a step of the conducting circuit: found on its dense output, met on whole steps."""

import math

from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import leakage, store_voltage
from yieldsim.kernel.collocation import advance, is_plain, shorten
from yieldsim.kernel.compiled import apart, inlined

# The current ends; the clamp takes hold, and lets go; V_in rises through the ceiling, and falls to the floor.
CURRENT_ENDS, CLAMP_HOLDS, CLAMP_LETS_GO, RISES, FALLS = 1, 2, 3, 4, 5
# A current has ended only below this [A]; see `onset.ONSET`.
STOPPED = -1e-9
# A clamp lets go only of a net current below this [A], so that it cannot take hold and let go at one instant.
LET_GO = -1e-9
# Nor does it take hold again of a store that stands at it and falls, which the dense output may show above it by a
# trifle: share of the accuracy that counts as above.
HOLD = 0.02
# How close to its level a located event must lie [V].
CLOSE = 1e-8
# rows of SAMPLES
CURRENTS, CHARGES, INPUTS, NETS = pl.SAMPLES, pl.SAMPLES + 4, pl.SAMPLES + 8, pl.SAMPLES + 12


@apart
def sample(t, h, y, q, loss, m):
    """Fill SAMPLES: current, charge, V_in and net current of a clamped store at 0, 1/3, 2/3 and 1 of a step."""
    for k in range(4):
        _, ik, qk = st.point(k / 3.0, t, h, y, q, m)
        v_in, _, drawn = st.input_voltage(ik, qk, m)
        m[CURRENTS + k], m[CHARGES + k], m[INPUTS + k], m[NETS + k] = ik, qk, v_in, ik - drawn - loss


@inlined
def bends(y0, y1, y2, y3):
    """Whether the cubic through y at 0, 1/3, 2/3, 1 turns within the step."""
    first = -11.0 * y0 + 18.0 * y1 - 9.0 * y2 + 2.0 * y3
    last = -2.0 * y0 + 9.0 * y1 - 18.0 * y2 + 11.0 * y3
    rising = first > 0.0 and y1 > y0 and y2 > y1 and y3 > y2 and last > 0.0
    falling = first < 0.0 and y1 < y0 and y2 < y1 and y3 < y2 and last < 0.0
    return not (rising or falling)


@apart
def quantity_at(x, row, t, h, y, q, loss, m):
    """The quantity of a row of SAMPLES at the share ``x`` of a step."""
    _, ix, qx = st.point(x, t, h, y, q, m)
    if row == CURRENTS:
        return ix
    if row == CHARGES:
        return qx
    v_in, _, drawn = st.input_voltage(ix, qx, m)
    return v_in if row == INPUTS else ix - drawn - loss


@inlined
def vertex(x, d, row, t, h, y, q, loss, m):
    """Share of the step at which the parabola through a quantity at ``x`` and ``d`` to its sides turns."""
    middle = min(max(x, d), 1.0 - d)
    left = quantity_at(middle - d, row, t, h, y, q, loss, m)
    here = quantity_at(middle, row, t, h, y, q, loss, m)
    right = quantity_at(middle + d, row, t, h, y, q, loss, m)
    bend = left - 2.0 * here + right
    if bend == 0.0:
        return x
    return min(max(middle + 0.5 * d * (left - right) / bend, 0.0), 1.0)


@apart
def turn(x, row, t, h, y, q, loss, m):
    """Put a place at which the cubic through four samples turns where the curve of a long step does."""
    if not 0.0 < x < 1.0 or (m[pl.DENSE_Q + 2] == 0.0 and m[pl.DENSE_Y + 2] == 0.0):
        return x
    for d in (0.1, 0.02):
        x = vertex(x, d, row, t, h, y, q, loss, m)
    return x


@apart
def first_crossing(sign, level, row, t, h, y, q, loss, m):
    """Share of the step at which the quantity of a row of SAMPLES first passes ``level`` in the direction ``sign``, or
    2 when it does not.
    """
    y0, y1, y2, y3 = m[row], m[row + 1], m[row + 2], m[row + 3]
    low, y_low = 0.0, sign * (y0 - level)
    if y_low > 0.0:
        return 0.0
    high, y_high = 2.0, 0.0
    x1, x2 = -1.0, -1.0
    if row != CURRENTS and bends(y0, y1, y2, y3):  # it may pass the level between the samples, and come back
        x1, x2 = st.cubic_extremes(y0, y1, y2, y3)
        x1, x2 = turn(x1, row, t, h, y, q, loss, m), turn(x2, row, t, h, y, q, loss, m)
    for k in range(1, 6):
        x = k / 3.0 if k < 4 else (x1 if k == 4 else x2)
        if not 0.0 < x <= 1.0 or x >= high:
            continue
        value = m[row + k] if k < 4 else quantity_at(x, row, t, h, y, q, loss, m)
        above = sign * (value - level)
        if above > 0.0:
            high, y_high = x, above
            if low >= high:
                low, y_low = 0.0, sign * (y0 - level)
        elif x > low:
            low, y_low = x, above
    if high > 1.0:
        return 2.0
    if row == CURRENTS and y_low == 0.0:
        # a current that begins at zero: its end is the other root, if it rises at all
        x = min(high, 1.0 / 3.0)
        for _ in range(20):
            x *= 0.5
            above = sign * (quantity_at(x, row, t, h, y, q, loss, m) - level)
            if above < 0.0:
                low, y_low = x, above
                break
        if y_low == 0.0:
            return 0.0
    side, x = 0.0, high
    for _ in range(80):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        above = sign * (quantity_at(x, row, t, h, y, q, loss, m) - level)
        if high - low <= 1e-13 or 0.0 <= above <= 1e-13 * (1.0 + abs(level)):
            break
        low, y_low, high, y_high, side = st.narrow(x, above, low, y_low, high, y_high, side)
    return x


@inlined
def first_event(h, y, q, loss, m):
    """Return the first event within a step just made, 0 for none, and the share of the step at which it happens."""
    event, cut = 0, 1.0
    clamped = m[pl.CLAMPED] > 0.5
    for k in range(1, 6):
        sign, level, row = 1.0, 0.0, CURRENTS
        if k == CURRENT_ENDS:
            if min(m[CURRENTS + 1], m[CURRENTS + 2], m[CURRENTS + 3]) >= STOPPED:
                continue
            sign = -1.0
        elif k == CLAMP_HOLDS:
            if clamped or m[pl.CLAMP_CHARGE] == math.inf:
                continue
            _, v_q = store_voltage(m[pl.CLAMP_CHARGE], m)
            level, row = m[pl.CLAMP_CHARGE] + HOLD * m[pl.ACCURACY] / v_q, CHARGES
        elif k == CLAMP_LETS_GO:
            if not clamped:
                continue
            sign, level, row = -1.0, LET_GO, NETS
        elif k == RISES:
            if m[pl.CEILING] == math.inf:
                continue
            level, row = m[pl.CEILING], INPUTS
        else:
            if m[pl.FLOOR] == -math.inf:
                continue
            sign, level, row = -1.0, m[pl.FLOOR], INPUTS
        x = first_crossing(sign, level, row, m[pl.TIME], h, y, q, loss, m)
        if x < cut or (x == cut and k >= RISES):
            event, cut = k, x
    return event, cut


@apart
def missed(event, x, t, h, y, q, m):
    """By how much an event is missed at the share ``x`` of a step: [V], for the release of the clamp [A]."""
    _, ix, qx = st.point(x, t, h, y, q, m)
    v_in, v, drawn = st.input_voltage(ix, qx, m)
    if event == CLAMP_HOLDS:
        return v - m[pl.CLAMP]
    if event == CLAMP_LETS_GO:
        return ix - drawn - leakage(m[pl.CLAMP], m) - LET_GO
    return v_in - (m[pl.CEILING] if event == RISES else m[pl.FLOOR])


@apart
def step_to_event(event, h, longest, y, q, clamped, m):
    """Make the step again so that it ends at the event; returns its size [s].

    The dense output of a long step is as good as its end. That of a short one places the event, to its own order; a
    secant on whole steps then meets it to the order of the step. The end of the current alone needs no better place.
    """
    t = m[pl.TIME]
    if h > 0.0 and is_plain(clamped, m):
        shorten(h / longest, y, q, m)
        return h
    if h <= 0.0:
        for k in range(pl.OUT_SIZE):
            m[pl.OUT + k] = 0.0
        m[pl.OUT], m[pl.OUT + 1] = y, q
        return 0.0
    before, miss_before = 0.0, 0.0
    for trial in range(7):
        advance(t, h, y, q, clamped, m)
        if event == CURRENT_ENDS:
            break
        if trial == 0:  # the first slope is that of the step's end, the next ones are secants
            before = 0.9 * h
            miss_before = missed(event, 0.9, t, h, y, q, m)
        miss = missed(event, 1.0, t, h, y, q, m)
        if abs(miss) <= CLOSE or trial == 6 or h == before or miss == miss_before:
            break
        change = miss * (h - before) / (miss - miss_before)
        before, miss_before = h, miss
        h = min(max(h - change, 0.5 * h), longest)
    return h

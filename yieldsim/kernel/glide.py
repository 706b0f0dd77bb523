"""The quick way through a charging stroke: long steps in which nothing happens, taken with as little work as can be.

A step in which a current turns or ends, V_in turns, meets a level or falls below its need, or the clamp takes hold, is
made and left to `march`, which looks into it.
"""

import math

from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import store_voltage
from yieldsim.kernel.collocation import BELOW, C1, C2, C3, converge, ends, keep_step, level, shorten
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import LONGEST_LONG_PHASE, allowed_error, grown, longest_step, shrunk, source_weight

REACHED, NONE, ROSE = 0.0, -1.0, -2.0  # what came of it, beside the size of a step that is not taken
CLOSE = 1e-9  # how close to its level an event must lie [V]


@inlined
def rises(a, b, c, d, e):
    """Whether five numbers in turn rise."""
    return a <= b and b <= c and c <= d and d <= e


@inlined
def falls(a, b, c, d, e):
    """Whether five numbers in turn fall."""
    return a >= b and b >= c and c >= d and d >= e


@inlined
def share_at(level, esr, t, h, i, q, after_1, after_2, after_3, m):
    """Share of the step last made, from ``i`` [A] and ``q`` [C] at ``t``, at which V + ESR i reaches ``level``.

    ``level`` is in V; ``after_1`` to ``after_3`` tell whether it does so behind each of the inner points.
    """
    low, high, side = 0.0, C1, 0
    if after_3:
        low, high = C3, 1.0
    elif after_2:
        low, high = C2, C3
    elif after_1:
        low, high = C1, C2
    y_low = y_high = 0.0
    x = low
    for k in range(60):
        _, ix, qx = st.point(x, t, h, i, q, m)
        v, _ = store_voltage(qx, m)
        y = v + esr * ix - level
        if k == 0:
            y_low, x = y, high
            continue
        if k == 1:
            y_high = y
        elif abs(y) <= CLOSE:
            break
        else:
            low, y_low, high, y_high, side = st.narrow(x, y, low, y_low, high, y_high, side)
        x = (low * y_high - high * y_low) / (y_high - y_low)
    return x


@apart
def glide(until, m):
    """Take long steps towards ``until`` [s] while nothing happens in them.

    Returns `REACHED`, `ROSE` where V_in met the ceiling, the size [s] of a step that was made and not taken, or `NONE`.
    """
    t, i, q = m[pl.TIME], m[pl.COIL], m[pl.CHARGE]
    size, h = m[pl.STEP_SIZE], 0.0
    p, less, esr = m[pl.POLARITY], level(m), m[pl.ESR]
    back = esr * m[pl.STEADY_CURRENT]
    allowed, longest = allowed_error(m), longest_step(LONGEST_LONG_PHASE, m)
    top, least = m[pl.TOP_INPUT], m[pl.LEAST]
    ceiling, floor, need, full = m[pl.CEILING], m[pl.FLOOR], m[pl.NEED], m[pl.CLAMP_CHARGE]
    intercept = m[pl.INTERCEPT] if m[pl.JUNCTIONS] > 1.5 else -math.inf
    slope = m[pl.SLOPE]
    highest, reverse = m[pl.TOP_CURRENT], m[pl.TOP_REVERSE]
    e0 = p * st.emf_at(t, m) - less
    kept_t, kept_i, kept_q, share = -1.0, 0.0, 0.0, 0.0
    steps, found = 0.0, REACHED
    while t < until:
        h = min(size, longest, until - t)
        e4 = p * st.emf_at(t + h, m) - less
        done, z1, z2, z3, z4, j1, j2, j3, j4, v0, v1, v2, v3, v4, miss_i, miss_q = converge(
            h, i, q, e0, p * st.emf_at(t + C1 * h, m) - less, p * st.emf_at(t + C2 * h, m) - less,
            p * st.emf_at(t + C3 * h, m) - less, e4, m,
        )  # fmt: skip
        steps += 1.0
        _, elastance = store_voltage(q, m)
        ratio = max(abs(miss_q) * elastance, source_weight(elastance, m) * abs(miss_i)) / allowed
        if not (done and ratio <= 1.0):
            size = shrunk(h, ratio if done else math.inf)
            if size > 1e-15 and steps < 100.0:
                continue
            found = NONE
            break
        size = grown(h, size, ratio)
        w0, w1, w2, w3, w4 = (
            v0 + esr * i - back, v1 + esr * j1 - back, v2 + esr * j2 - back, v3 + esr * j3 - back, v4 + esr * j4 - back
        )  # fmt: skip
        first_i, last_i = ends(j1 - i, j2 - i, j3 - i, j4 - i)
        first_q, last_q = ends(z1, z2, z3, z4)
        first_v, last_v = elastance * first_q + esr * first_i, elastance * last_q + esr * last_i
        up = rises(w0, w1, w2, w3, w4) and first_v >= 0.0 and last_v >= 0.0
        low, high = (w0, w4) if up else (w4, w0)
        calm = up or (falls(w0, w1, w2, w3, w4) and first_v <= 0.0 and last_v <= 0.0)
        rising = rises(i, j1, j2, j3, j4) and first_i >= 0.0 and last_i >= 0.0
        calm = calm and (rising or (falls(i, j1, j2, j3, j4) and first_i <= 0.0 and last_i <= 0.0))
        calm = calm and j4 > 0.0 and low > floor and low >= need and q + max(z4, 0.0) < full and v4 > BELOW
        if not calm or high >= ceiling:
            keep_step(i, q, z1, z2, z3, z4, j1, j2, j3, j4, miss_i, miss_q, m)
            if not calm or not up or w0 >= ceiling:
                found = h if v4 > BELOW else NONE
                break
            found = ROSE
            x = share_at(ceiling + back, esr, t, h, i, q, w1 < ceiling, w2 < ceiling, w3 < ceiling, m)
            shorten(x, i, q, m)
            h *= x
            j4, z4, w4 = m[pl.OUT], m[pl.OUT + 1] - q, ceiling
            high = w4
            w1, w2, w3, j1, j2, j3 = w0, w0, w0, i, i, i  # they may lie behind it
        if high > top:
            kept_t, kept_i, kept_q, share, top = t, i, q, (h if up else 0.0), high
        least = min(least, low - need)
        highest = max(highest, max(i, j4))
        reverse = max(reverse, max(w0 + slope * i, max(w2 + slope * j2, w4 + slope * j4)) + intercept)
        reverse = max(reverse, max(w1 + slope * j1, w3 + slope * j3) + intercept)
        t = until if t + h >= until * (1.0 - 1e-15) else t + h
        i, q, e0 = j4, q + z4, e4
        if found == ROSE:
            break
    m[pl.STEPS] += steps
    m[pl.STEP_SIZE] = size
    m[pl.LEAST], m[pl.TOP_CURRENT], m[pl.TOP_REVERSE] = least, highest, reverse
    if kept_t >= 0.0:
        if top > m[pl.TOP_INPUT] + m[pl.PLATEAU]:
            for k in range(pl.STATE_SIZE):
                m[pl.KEPT + k] = m[pl.STATE + k]
            at_kept = pl.KEPT - pl.STATE
            m[at_kept + pl.TIME], m[at_kept + pl.COIL], m[at_kept + pl.CHARGE] = kept_t, kept_i, kept_q
            m[pl.TOP_SHARE] = share
        m[pl.TOP_INPUT] = top
    m[pl.TIME], m[pl.COIL], m[pl.CHARGE] = t, i, q
    return found

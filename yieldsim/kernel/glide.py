"""The quick way through a charging stroke: long steps in which nothing happens, taken with as little work as can be.

The current may turn once in a step, and so may V_in, from rising to falling; the current may end while V_in stands
above its need. A step in which more happens (V_in meets a level or falls below its need, the clamp takes hold) is made
and left to `march`, which looks into it.
"""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import store_voltage, voltage_of
from yieldsim.kernel.collocation import BELOW, C1, C2, C3, converge, ends, keep_step, level, loop_of, quartic, shorten
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import (
    LONGEST_LONG_PHASE,
    allowed_in_long,
    coil_weight,
    grown,
    longest_step,
    shrunk,
)
from yieldsim.kernel.lanes import choose, greater, lesser, root

REACHED, NONE, ROSE, ENDED = 0.0, -1.0, -2.0, -3.0  # what came of it, beside the size of a step that is not taken
CLOSE = 1e-9  # how close to its level an event must lie [V]
ALMOST = 1e-5  # share of a step: a Newton step this small has squared its error away
SMALLEST = 1e-300  # keeps what is divided by from zero
FADES = 1.1  # how much longer than the current may last, once the stroke is over, a step is


@inlined
def rises(a, b, c, d, e):
    """Whether five numbers in turn rise."""
    return a <= b and b <= c and c <= d and d <= e


@inlined
def falls(a, b, c, d, e):
    """Whether five numbers in turn fall."""
    return a >= b and b >= c and c >= d and d >= e


@inlined
def share_at(ceiling, back, esr, t, h, i, q, w0, w1, w2, w3, w4, m):
    """Share of the step last made, from ``i`` [A] and ``q`` [C] at ``t``, at which V_in first reaches the ``ceiling``
    [V].

    V_in is ``w0`` to ``w4`` [V] at the start, where it is lower, and at the four points, one of which it reaches.
    """
    low, high, y_low, y_high, side = C3, 1.0, w3 - ceiling, w4 - ceiling, 0.0
    if w1 >= ceiling:
        low, high, y_low, y_high = 0.0, C1, w0 - ceiling, w1 - ceiling
    elif w2 >= ceiling:
        low, high, y_low, y_high = C1, C2, w1 - ceiling, w2 - ceiling
    elif w3 >= ceiling:
        low, high, y_low, y_high = C2, C3, w2 - ceiling, w3 - ceiling
    x = (low * y_high - high * y_low) / (y_high - y_low)
    for _ in range(58):
        _, ix, qx = st.point(x, t, h, i, q, m)
        v, _ = store_voltage(qx, m)
        y = v + esr * ix - back - ceiling
        if abs(y) <= CLOSE:
            break
        low, y_low, high, y_high, side = st.narrow(x, y, low, y_low, high, y_high, side)
        x = (low * y_high - high * y_low) / (y_high - y_low)
    return x


@inlined
def turns_once(a, b, c, d, e):
    """Whether five numbers in turn rise, and then fall."""
    return (b >= a or c <= b) and (c >= b or d <= c) and (d >= c or e <= d)


@inlined
def value(x, y, c1, c2, c3, c4):
    """A polynomial in the share ``x`` of a step that begins at ``y``."""
    return y + x * (c1 + x * (c2 + x * (c3 + x * c4)))


@inlined
def coefficients(start, place, first, m):
    """Coefficients of x to x^4 of a dense output that begins at ``start``; ``place`` holds its end."""
    return m[place] - start + m[first], m[first + 1] - m[first], m[first + 2] - m[first + 1], -m[first + 2]


@inlined
def slope_of(x, c1, c2, c3, c4):
    """Its derivative."""
    return c1 + x * (2.0 * c2 + x * (3.0 * c3 + x * 4.0 * c4))


@apart
def zero_of(end, c0, c1, c2, c3, c4):
    """Place before ``end`` at which a polynomial, positive at 0 and not at ``end``, is zero: Newton's method from the
    straight line between the two, kept between them.
    """
    low, high = 0.0, end
    x = end * c0 / (c0 - min(value(end, c0, c1, c2, c3, c4), 0.0))
    for _ in range(60):
        y = value(x, c0, c1, c2, c3, c4)
        if y > 0.0:
            low = x
        else:
            high = x
        fall = slope_of(x, c1, c2, c3, c4)
        after = x - y / fall if fall != 0.0 else low
        if abs(after - x) <= ALMOST:
            return min(max(after, low), high)
        x = after if low < after < high else 0.5 * (low + high)
    return x


@inlined
def drive(t, amplitude, rate, start, p, m):
    """The emf [V] at ``t`` in the polarity ``p``: of one half-sine, or nothing, where ``rate`` is not below 0."""
    if rate >= 0.0:
        return amplitude * st.half_sine(rate * (t - start))
    return p * other_emf(t, m)


@apart
def other_emf(t, m):
    """`stepper.emf_at` of strokes that overlap, and of a sampled waveform."""
    return st.emf_at(t, m)


@inlined
def runs_on(y, constant):
    """See `fading`; ``constant`` is L/R [s]. Of one actuation or of `lanes`."""
    return FADES * constant * (y / root(1.0 + y))


@inlined
def fading(v, i, less, m):
    """How long [s] a current of ``i`` [A] runs on into a store at ``v`` [V] at the most, once the stroke is over.

    L/R ln(1 + y) with y = R i / V, and ln(1 + y) is at most y / sqrt(1 + y).
    """
    resistance = m[pl.R_LOOP] + m[pl.ESR]
    if m[pl.WAVES] > 0.0 or m[pl.INERTIA] == 0.0 or not v + less > 0.0:
        return math.inf
    return runs_on(resistance * i / (v + less), m[pl.INERTIA] / resistance)


@inlined
def summit(end, resistance, elastance, c1, c2, c3, c4, d1, d2, d3, d4):
    """Where before ``end`` the store's voltage and that across a ``resistance`` [ohm] are highest together.

    ``elastance`` is dV/dq there, see `end_current`.
    """
    rise = elastance * d1 + resistance * c1
    if not rise > 0.0:
        return 0.0
    return zero_of(
        end, rise, 2.0 * (elastance * d2 + resistance * c2), 3.0 * (elastance * d3 + resistance * c3),
        4.0 * (elastance * d4 + resistance * c4), 0.0,
    )  # fmt: skip


@apart
def end_current(t, h, i, q, m):
    """End the step last made, in which the current falls to zero, if nothing else happens before; returns whether it
    did. V_in rises until no more flows in than is drawn.
    """
    c1, c2, c3, c4 = coefficients(i, pl.OUT, pl.DENSE_Y, m)
    d1, d2, d3, d4 = coefficients(q, pl.OUT + 1, pl.DENSE_Q, m)
    esr, back = m[pl.ESR], m[pl.ESR] * m[pl.STEADY_CURRENT]
    x = zero_of(1.0, i, c1, c2, c3, c4)
    left = value(x, q, d1, d2, d3, d4)
    v, elastance = store_voltage(left, m)
    last = v - back
    first, _ = store_voltage(q, m)
    first += esr * i - back
    place = summit(x, esr, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    most = value(place, q, d1, d2, d3, d4)
    top, _ = store_voltage(most, m)
    top += esr * value(place, i, c1, c2, c3, c4) - back
    low = min(first, last)
    if not (top < m[pl.CEILING] and low > m[pl.FLOOR] and low >= m[pl.NEED] and most < m[pl.CLAMP_CHARGE]):
        return False
    if not v > BELOW:
        return False
    if top > m[pl.TOP_INPUT]:
        if top > m[pl.TOP_INPUT] + m[pl.PLATEAU]:
            for k in range(pl.STATE_SIZE):
                m[pl.KEPT + k] = m[pl.STATE + k]
            keep_at(t, i, q, h * place, m)
        m[pl.TOP_INPUT] = top
    m[pl.LEAST] = min(m[pl.LEAST], low - m[pl.NEED])
    if m[pl.JUNCTIONS] > 1.5:
        place = summit(x, esr + m[pl.SLOPE], elastance, c1, c2, c3, c4, d1, d2, d3, d4)
        seen, _ = store_voltage(value(place, q, d1, d2, d3, d4), m)
        seen += (esr + m[pl.SLOPE]) * value(place, i, c1, c2, c3, c4) - back
        m[pl.TOP_REVERSE] = max(m[pl.TOP_REVERSE], seen + m[pl.INTERCEPT])
    m[pl.TIME], m[pl.COIL], m[pl.CHARGE] = t + x * h, 0.0, left
    m[pl.CONDUCTS] = 0.0
    return True


@inlined
def bend_of(x, c2, c3, c4):
    """Second derivative of `value`."""
    return 2.0 * c2 + x * (6.0 * c3 + x * 12.0 * c4)


@inlined
def crest(x, esr, back, i, q, c1, c2, c3, c4, d1, d2, d3, d4, store):
    """Where in a step V_in is highest, how high [V], and dV/dq there; of one actuation or of `lanes`.

    ``x`` is where `summit` puts it with one dV/dq for the whole step: one more Newton step with the one that is there.
    """
    _, elastance = voltage_of(value(x, q, d1, d2, d3, d4), store)
    rise = elastance * slope_of(x, d1, d2, d3, d4) + esr * slope_of(x, c1, c2, c3, c4)
    bend = elastance * bend_of(x, d2, d3, d4) + esr * bend_of(x, c2, c3, c4)
    x = choose(bend < 0.0, lesser(greater(x - rise / lesser(bend, -SMALLEST), 0.0), 1.0), x)
    v, elastance = voltage_of(value(x, q, d1, d2, d3, d4), store)
    return x, v + esr * value(x, i, c1, c2, c3, c4) - back, elastance


@inlined
def keep_at(t, i, q, share, m):
    """Put the kept state at the beginning of the step in whose ``share`` [s] V_in was highest."""
    at_kept = pl.KEPT - pl.STATE
    m[at_kept + pl.TIME], m[at_kept + pl.COIL], m[at_kept + pl.CHARGE] = t, i, q
    m[pl.TOP_SHARE] = share


@apart
def glide(until, m):
    """Take long steps towards ``until`` [s] while nothing happens in them.

    Returns `REACHED`, `ROSE` where V_in met the ceiling, `ENDED` where the current did, the size [s] of a step that was
    made and not taken, or `NONE`.
    """
    t, i, q = m[pl.TIME], m[pl.COIL], m[pl.CHARGE]
    p, less, esr = m[pl.POLARITY], level(m), m[pl.ESR]
    back = esr * m[pl.STEADY_CURRENT]
    per_allowed, longest = 1.0 / allowed_in_long(m[pl.ACCURACY]), longest_step(LONGEST_LONG_PHASE, m)
    loop = loop_of(m)
    top, least = m[pl.TOP_INPUT], m[pl.LEAST]
    ceiling, floor, need, full = m[pl.CEILING], m[pl.FLOOR], m[pl.NEED], m[pl.CLAMP_CHARGE]
    watched = max(floor, need) > -math.inf
    inert = m[pl.INERTIA] > 0.0
    intercept = m[pl.INTERCEPT] if m[pl.JUNCTIONS] > 1.5 else -math.inf
    slope = m[pl.SLOPE]
    highest, reverse = m[pl.TOP_CURRENT], m[pl.TOP_REVERSE]
    amplitude, rate, start = 0.0, 0.0, 0.0
    if m[pl.WAVES] == 1.0 and m[pl.KIND] == at.HALF_SINE:
        amplitude, rate, start = p * m[pl.WAVE], m[pl.WAVE + pl.WAVE_RATE], m[pl.WAVE + pl.WAVE_START]
    elif m[pl.WAVES] > 0.0:
        rate = -1.0
    v, elastance = store_voltage(q, m)
    size, h = min(m[pl.STEP_SIZE], fading(v, i, less, m)), 0.0
    e0 = drive(t, amplitude, rate, start, p, m) - less
    kept_t, kept_i, kept_q, share = -1.0, 0.0, 0.0, 0.0
    steps, found, ends_here = 0.0, REACHED, False
    while t < until:
        h = min(size, longest, until - t)
        e4 = drive(t + h, amplitude, rate, start, p, m) - less
        done, z1, z2, z3, z4, j1, j2, j3, j4, v1, v2, v3, v4, miss_i, miss_q = converge(
            loop, h, i, q, v, elastance, e0, drive(t + C1 * h, amplitude, rate, start, p, m) - less,
            drive(t + C2 * h, amplitude, rate, start, p, m) - less,
            drive(t + C3 * h, amplitude, rate, start, p, m) - less, e4, False,
        )  # fmt: skip
        steps += 1.0
        weight = coil_weight(elastance, esr, loop.inertia, loop.conductance)
        ratio = max(abs(miss_q) * elastance, weight * abs(miss_i)) * per_allowed
        if not (done and ratio <= 1.0):
            size = shrunk(h, ratio if done else math.inf)
            if size > 1e-15 and steps < 100.0:
                continue
            found = NONE
            break
        size = grown(h, size, ratio)
        v4, steeper = store_voltage(q + z4, m)
        w0, w1, w2, w3, w4 = (
            v + esr * i - back, v1 + esr * j1 - back, v2 + esr * j2 - back, v3 + esr * j3 - back, v4 + esr * j4 - back
        )  # fmt: skip
        first_i, last_i = ends(j1 - i, j2 - i, j3 - i, j4 - i)
        first_q, last_q = ends(z1, z2, z3, z4)
        first_v, last_v = elastance * first_q + esr * first_i, elastance * last_q + esr * last_i
        # a dip at the beginning is nothing where nobody looks at it
        up = rises(w0, w1, w2, w3, w4) and (first_v >= 0.0 or not watched) and last_v >= 0.0
        low, high = (w0, w4) if up else (w4, w0)
        calm = up or (falls(w0, w1, w2, w3, w4) and first_v <= 0.0 and last_v <= 0.0)
        top_at, seen, most = (1.0 if up else 0.0), -math.inf, q + max(z4, 0.0)
        if not calm and first_v > 0.0 and last_v < 0.0 and turns_once(w0, w1, w2, w3, w4):
            calm, low = True, min(w0, w4)
            c1, c2, c3, c4 = quartic(j1 - i, j2 - i, j3 - i, j4 - i)
            d1, d2, d3, d4 = quartic(z1, z2, z3, z4)
            if last_q < 0.0 and first_q > 0.0:  # behind the top of V_in, by what the ESR takes
                most = value(zero_of(1.0, d1, 2.0 * d2, 3.0 * d3, 4.0 * d4, 0.0), q, d1, d2, d3, d4)
            top_at = summit(1.0, esr, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
            top_at, high, there = crest(top_at, esr, back, i, q, c1, c2, c3, c4, d1, d2, d3, d4, m)
            x = summit(1.0, esr + slope, there, c1, c2, c3, c4, d1, d2, d3, d4)
            seen, _ = store_voltage(value(x, q, d1, d2, d3, d4), m)
            seen += (esr + slope) * value(x, i, c1, c2, c3, c4) - back + intercept
        rising = rises(i, j1, j2, j3, j4) and (first_i >= 0.0 or i == 0.0) and last_i >= 0.0
        single = rising or (falls(i, j1, j2, j3, j4) and first_i <= 0.0 and last_i <= 0.0)
        peak, place = 0.0, 2.0
        if not single and inert and first_i > 0.0 and last_i < 0.0 and turns_once(i, j1, j2, j3, j4):
            single = True
            c1, c2, c3, c4 = quartic(j1 - i, j2 - i, j3 - i, j4 - i)
            place = zero_of(1.0, c1, 2.0 * c2, 3.0 * c3, 4.0 * c4, 0.0)
            peak = value(place, i, c1, c2, c3, c4)
        calm = calm and single and j4 > 0.0 and low > floor and low >= need and most < full and v4 > BELOW
        reaches = w1 >= ceiling or w2 >= ceiling or w3 >= ceiling or w4 >= ceiling
        if not calm or high >= ceiling or reaches:
            keep_step(i, q, z1, z2, z3, z4, j1, j2, j3, j4, miss_i, miss_q, m)
            if not calm or not reaches or w0 >= ceiling:
                found = h if v4 > BELOW else NONE
                ends_here = inert and i > 0.0 and j4 <= 0.0 and single and not rising and place > 1.0
                break
            found = ROSE
            x = share_at(ceiling, back, esr, t, h, i, q, w0, w1, w2, w3, w4, m)
            shorten(x, i, q, m)
            h *= x
            if place > x:
                peak = 0.0
            j4, z4, w4 = m[pl.OUT], m[pl.OUT + 1] - q, ceiling
            low, high, top_at, seen = w0, ceiling, 1.0, -math.inf
            w1, w2, w3, j1, j2, j3 = w0, w0, w0, i, i, i  # they may lie behind it
        if high > top:
            kept_t, kept_i, kept_q, share, top = t, i, q, top_at * h, high
        least = min(least, low - need)
        highest = max(highest, max(peak, max(i, j4)))
        reverse = max(reverse, max(w0 + slope * i, max(w2 + slope * j2, w4 + slope * j4)) + intercept)
        reverse = max(reverse, max(w1 + slope * j1, w3 + slope * j3) + intercept)
        reverse = max(reverse, seen)
        t = until if t + h >= until * (1.0 - 1e-15) else t + h
        i, q, e0, v, elastance = j4, q + z4, e4, v4, steeper
        if found == ROSE:
            break
    m[pl.STEPS] += steps
    m[pl.STEP_SIZE] = size
    m[pl.LEAST], m[pl.TOP_CURRENT], m[pl.TOP_REVERSE] = least, max(highest, i), reverse
    if kept_t >= 0.0:
        if top > m[pl.TOP_INPUT] + m[pl.PLATEAU]:
            for k in range(pl.STATE_SIZE):
                m[pl.KEPT + k] = m[pl.STATE + k]
            keep_at(kept_t, kept_i, kept_q, share, m)
        m[pl.TOP_INPUT] = top
    m[pl.TIME], m[pl.COIL], m[pl.CHARGE] = t, i, q
    return ENDED if ends_here and end_current(t, h, i, q, m) else found

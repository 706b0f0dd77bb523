"""The store while the bridge blocks: it only loses charge.

A steady current drains a store without leakage linearly in charge; with leakage the equation is linear once the
charge-voltage relation is taken as straight over a short piece, and has an exponential solution. A current that
depends on the input voltage (a buck converter, a load that follows its supply) is integrated with the order-4 step of
`stepper`.
"""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import leakage, store_charge, store_voltage
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.demand import draw

MOST_STEPS = 100000  # of one stretch
# A load changes its law where it drops out, where a curve bends and where the store is empty; an error estimate may
# miss such a place in a step over which the store falls further than this [V].
MOST_FALL = 0.2
SHARE_OF_WAY = 0.8  # to a bend below, that one step may go
A_LITTLE_MORE = 1.0 + 1e-9  # keeps a bound of a time on its side of the rounding
ALMOST_ALL = 1.0 - 2.0**-53  # a leakage beside which nothing else counts empties a store in time without end
JUST_ABOVE = 0.05  # share of the accuracy below which a store is empty


@inlined
def straight_piece(q, dt, loss, m):
    """Charge [C] after ``dt`` [s] of a steady ``loss`` [A] and leakage, the store's q-V relation taken as straight."""
    v, v_q = store_voltage(q, m)
    total = loss + v * m[pl.LEAK]
    decay = m[pl.LEAK] * v_q * dt
    # (1 - exp(-x)) / x without cancellation
    shape = 1.0 - 0.5 * decay if decay < 1e-9 else -math.expm1(-decay) / decay
    return q - total * dt * shape


@inlined
def time_to_empty(q, loss, m):
    """Time [s] in which a `straight_piece` that goes below zero empties the store."""
    v, v_q = store_voltage(q, m)
    total = loss + v * m[pl.LEAK]
    decay = m[pl.LEAK] * v_q
    share = min(decay * q / total, ALMOST_ALL)
    return q / total if share < 1e-9 else -math.log1p(-share) / decay


@inlined
def drained(q, v, v_q, dt, current, m):
    """Charge [C] after ``dt`` [s] of a steady ``current`` [A] from a store at ``v`` [V], dV/dq = ``v_q``, and whether
    it holds: the leakage over the stretch is that at its middle, to within decay * swing / 24.
    """
    leak = m[pl.LEAK]
    rate = current + m[pl.I_REVERSE] + v * leak
    swing = v_q * dt * rate
    middle, _ = store_voltage(q - 0.5 * dt * rate, m)
    left = q - dt * (current + m[pl.I_REVERSE] + middle * leak)
    return left, v > 0.0 and swing < v and leak * v_q * dt * swing < m[pl.ACCURACY]


@apart
def drain_steady(q, dt, m):
    """Charge [C] after ``dt`` [s] of the steady current of the demand and the leakage of the store."""
    current, accuracy, leak = m[pl.STEADY_CURRENT], m[pl.ACCURACY], m[pl.LEAK]
    if q <= 0.0:
        return q - current * dt
    loss = current + m[pl.I_REVERSE]
    if leak == 0.0:
        left = q - loss * dt
        if left >= 0.0 or loss <= 0.0:
            return left
        return -current * (dt - q / loss)  # below zero there is no leakage
    v, v_q = store_voltage(q, m)
    left, small = drained(q, v, v_q, dt, current, m)
    if small:
        return left
    decay = leak * v_q * dt
    # The straight relation errs by about 1/2 |d2V/dq2| dq^2 over a piece, and that times rate*dt in voltage:
    # halve the pieces until two halves agree with the whole, then extrapolate.
    swing = v_q * dt * loss + v * min(decay, 1.0)
    pieces = 1 + int(math.sqrt(0.125 * min(decay, 50.0) * swing / accuracy) + 0.5 * min(decay, 200.0))
    if q - (loss + v * leak) * dt < 0.0:
        pieces = max(pieces, 64)  # may pass through zero, where the leakage ends
    piece = dt / pieces
    for _ in range(pieces):
        if q <= 0.0:
            q -= current * piece
            continue
        whole = straight_piece(q, piece, loss, m)
        if whole < 0.0:  # the leakage ends where the store is empty
            q = -current * (piece - time_to_empty(q, loss, m))
            continue
        half = straight_piece(q, 0.5 * piece, loss, m)
        half = straight_piece(half, 0.5 * piece, loss, m)
        q = half + (half - whole) / 3.0
    return q


@apart
def charge_rate(q, m):
    """Rate of charge [A] and its slope against charge [1/s] while the bridge blocks."""
    v, v_q = store_voltage(q, m)
    drawn, gain = draw(v, m)
    slope = -gain * v_q
    if v > 0.0:
        slope -= m[pl.LEAK] * v_q
    return m[pl.INFLOW] - drawn - leakage(v, m), slope


@apart
def scalar_step(q, h, m):
    """One RODAS step of the charge alone over ``h`` [s]: charge [C] and its error estimate [C]."""
    g, slope = charge_rate(q, m)
    w = 1.0 / (1.0 / (h * st.GAMMA) - slope)
    k = 1.0 / h
    q1 = w * g
    g, _ = charge_rate(q + st.A21 * q1, m)
    q2 = w * (g + k * st.C21 * q1)
    g, _ = charge_rate(q + st.A31 * q1 + st.A32 * q2, m)
    q3 = w * (g + k * (st.C31 * q1 + st.C32 * q2))
    g, _ = charge_rate(q + st.A41 * q1 + st.A42 * q2 + st.A43 * q3, m)
    q4 = w * (g + k * (st.C41 * q1 + st.C42 * q2 + st.C43 * q3))
    y = q + st.A51 * q1 + st.A52 * q2 + st.A53 * q3 + st.A54 * q4
    g, _ = charge_rate(y, m)
    q5 = w * (g + k * (st.C51 * q1 + st.C52 * q2 + st.C53 * q3 + st.C54 * q4))
    y += q5
    g, _ = charge_rate(y, m)
    q6 = w * (g + k * (st.C61 * q1 + st.C62 * q2 + st.C63 * q3 + st.C64 * q4 + st.C65 * q5))
    return y + q6, q6


@inlined
def stays_above(level, q, dt, m):
    """Whether a steady drain for ``dt`` [s] surely leaves the store above ``level`` [V]: the loss is most at first."""
    if level == -math.inf:
        return True
    v, _ = store_voltage(q, m)
    v, _ = store_voltage(q - dt * (m[pl.STEADY_CURRENT] + leakage(v, m)), m)
    return v >= level


@apart
def drain(q, dt, floor, m):
    """Let the store run for ``dt`` [s] while the bridge blocks, no further than V_in falling to ``floor`` [V].

    Returns the charge [C], the time used [s] and whether V_in fell below the floor (it never rises here).
    """
    if m[pl.FORM] == pl.STEADY and m[pl.INFLOW] == 0.0:
        current = m[pl.STEADY_CURRENT]
        level = floor + m[pl.ESR] * current
        if stays_above(level, q, dt, m):
            return drain_steady(q, dt, m), dt, False
        target = store_charge(level, m)
        if target >= q:
            return q, 0.0, True
        # what is lost is least at the target
        least = current + leakage(level, m)
        longest = min(dt, (q - target) / least * A_LITTLE_MORE) if least > 0.0 else dt
        left = drain_steady(q, longest, m)
        if left > target and longest == dt:
            return left, dt, False
        return target, time_to_charge(q, left, target, longest, m), True
    return drain_varying(q, dt, floor, m)


@apart
def drain_varying(q, dt, floor, m):
    """`drain` for a current that depends on the input voltage: adaptive order-4 steps."""
    used, h = 0.0, dt
    scale = 0.1 * m[pl.ACCURACY]
    bent = m[pl.LOAD_SLOPE] != 0.0 or m[pl.QUIESCENT_POINTS] + m[pl.DROPOUT_POINTS] > 0.0
    for _ in range(MOST_STEPS):
        v, v_q = store_voltage(q, m)
        if m[pl.FORM] == pl.LOAD and (bent or m[pl.REGULATOR] == at.BUCK):
            fall = MOST_FALL
            if not bent:  # the converter alone has one bend, where it begins to pass its input through
                above = v - m[pl.V_SET] / m[pl.LOAD_ETA]
                fall = max(SHARE_OF_WAY * above, MOST_FALL) if above > 0.0 else math.inf
            rate, _ = charge_rate(q, m)
            h = min(h, fall / max(abs(rate) * v_q, 1e-30))
        h = min(h, dt - used)
        if h <= 1e-15 * dt:
            break
        after, error = scalar_step(q, h, m)
        ratio = abs(error) * v_q / scale
        if not ratio <= 1.0:
            h *= max(0.2, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio < math.inf else 0.2
            continue
        v_in, _, _ = st.input_voltage(0.0, after, m)
        if v_in < floor:
            return floor_in_step(q, used, h, floor, m)
        q = after
        used += h
        h *= min(5.0, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio > 0.0 else 5.0
    return q, dt, False


@apart
def floor_in_step(q, used, h, floor, m):
    """Charge, time and True where V_in falls to ``floor`` [V] within one accepted step of ``h`` [s]."""
    low, high, y_low, y_high, side = 0.0, h, 0.0, 0.0, 0.0
    after, x = q, 0.0
    for k in range(62):  # the two ends first, then between them
        x = h * k if k < 2 else (low * y_high - high * y_low) / (y_high - y_low)
        after = q
        if x > 0.0:
            after, _ = scalar_step(q, x, m)
        v_in, _, _ = st.input_voltage(0.0, after, m)
        y = floor - v_in
        if k == 0:
            y_low = y
            if y >= 0.0:
                return q, used, True
        elif k == 1:
            y_high = y
        else:
            if abs(y) <= 1e-12 or high - low <= 1e-15:
                break
            low, y_low, high, y_high, side = st.narrow(x, y, low, y_low, high, y_high, side)
    return after, used + x, True


@apart
def time_to_charge(q, left, target, dt, m):
    """Time [s] after which a steady drain from ``q`` has reached the charge ``target``; it has by ``dt``."""
    current = m[pl.STEADY_CURRENT]
    if m[pl.LEAK] == 0.0:
        loss = current + m[pl.I_REVERSE]
        if target >= 0.0:
            return (q - target) / loss
        return max(q, 0.0) / loss + (min(q, 0.0) - target) / current
    low, y_low, high, y_high, side = 0.0, target - q, dt, target - left, 0.0
    # the rate at the target is known: Newton's method from there, kept within the bracket
    v, _ = store_voltage(target, m)
    rate = current + leakage(v, m)
    x = (low * y_high - high * y_low) / (y_high - y_low)
    if rate > 0.0:
        x = min(max((q - target) / rate, low), high)
    for _ in range(60):
        y = target - drain_steady(q, x, m)
        if abs(y) <= 1e-13 * (abs(q) + abs(target)) or high - low <= 1e-15:
            break
        low, y_low, high, y_high, side = st.narrow(x, y, low, y_low, high, y_high, side)
        step = x - y / rate if rate > 0.0 else low
        x = step if low < step < high else (low * y_high - high * y_low) / (y_high - y_low)
    return x


@apart
def charge_after(q, dt, m):
    """Charge [C] after ``dt`` [s] while the bridge blocks."""
    if m[pl.FORM] == pl.STEADY and m[pl.INFLOW] == 0.0:
        return drain_steady(q, dt, m)
    left, _, _ = drain_varying(q, dt, -math.inf, m)
    return left


@apart
def charge_at_release(q, since, time, current, limit, m):
    """Charge [C] at the release: ``q`` less what is lost for ``since`` [s], then ``time`` [s] of a ``current`` [A].

    A precharge gives nothing above its voltage ``limit`` [V] and holds the store there where it can. An empty store
    gives no off current: it stays empty.
    """
    if since > 0.0:
        q = max(charge_after(q, since, m), 0.0)
    if time <= 0.0:
        return q
    full = store_charge(limit, m) if limit < math.inf else math.inf
    if q > full:
        left, used, fell = drain(q, time, limit, m)
        if not fell:
            return left
        q, time = full, time - used
    m[pl.INFLOW] = current
    # just above zero, where the reverse leakage begins: it may hold down what the off current alone would not
    low = JUST_ABOVE * m[pl.ACCURACY]
    rate, _ = charge_rate(max(q, low * m[pl.C_STORE]), m)
    if rate > 0.0 and q < full:
        q, _, _ = drain_varying(q, time, -math.inf, m)
    elif rate < 0.0 and q > 0.0:
        q, _, fell = drain_varying(q, time, low, m)
        if fell:
            q = 0.0
    m[pl.INFLOW] = 0.0
    return min(max(q, 0.0), full)

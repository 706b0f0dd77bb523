"""The store while the bridge blocks: it only loses charge.

A steady current drains a store without leakage linearly in charge; with leakage the equation is linear once the
charge-voltage relation is taken as straight over a short piece, and has an exponential solution. A current that
depends on the
input voltage (a buck converter, a load that follows its supply) is integrated with the order-4 step of `stepper`.
"""

import math

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled


@compiled
def straight_piece(q, dt, loss, c, bias, bias_step):
    """Charge [C] after ``dt`` [s] of a steady ``loss`` [A] and leakage, the store's q-V relation taken as straight."""
    v, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    rate = c[ct.C_STORE] * c[ct.LEAK_RATE]
    total = loss + v * rate
    decay = rate * v_q * dt
    # (1 - exp(-x)) / x without cancellation
    shape = 1.0 - 0.5 * decay if decay < 1e-9 else -math.expm1(-decay) / decay
    return q - total * dt * shape


@compiled
def drain_steady(q, dt, current, accuracy, c, bias, bias_step):
    """Charge [C] after ``dt`` [s] of a steady ``current`` [A] and the leakage of the store."""
    if q <= 0.0:
        return q - current * dt
    loss = current + c[ct.I_REVERSE]
    if c[ct.LEAK_RATE] == 0.0:
        left = q - loss * dt
        if left >= 0.0 or loss <= 0.0:
            return left
        return -current * (dt - q / loss)  # below zero there is no leakage
    rate = c[ct.C_STORE] * c[ct.LEAK_RATE]
    v, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    decay = rate * v_q * dt
    swing = v_q * dt * (loss + v * rate)
    if decay * swing < accuracy and swing < v:
        # the leakage over the stretch is that at its middle, to within decay * swing / 24
        middle, _ = ct.store_voltage(q - 0.5 * dt * (loss + v * rate), c[ct.C_STORE], bias, bias_step)
        return q - dt * (loss + middle * rate)
    # The straight relation errs by about 1/2 |d2V/dq2| dq^2 over a piece, and that times rate*dt in voltage:
    # halve the pieces until two halves agree with the whole, then extrapolate.
    swing = v_q * dt * loss + v * min(decay, 1.0)
    pieces = 1 + int(math.sqrt(0.125 * min(decay, 50.0) * swing / accuracy) + 0.5 * min(decay, 200.0))
    if q - (loss + v * rate) * dt < 0.0:
        pieces = max(pieces, 64)  # may pass through zero, where the leakage ends
    piece = dt / pieces
    for _ in range(pieces):
        if q <= 0.0:
            q -= current * piece
            continue
        half = straight_piece(q, 0.5 * piece, loss, c, bias, bias_step)
        half = straight_piece(half, 0.5 * piece, loss, c, bias, bias_step)
        whole = straight_piece(q, piece, loss, c, bias, bias_step)
        q = half + (half - whole) / 3.0
    return q


@compiled
def charge_rate(q, c, demand, bias, bias_step):
    """Rate of charge [A] and its slope against charge [1/s] while the bridge blocks."""
    v, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    drawn, gain = ct.draw(v, c, demand)
    slope = -gain * v_q
    if v > 0.0:
        slope -= c[ct.LEAK_RATE] * c[ct.C_STORE] * v_q
    return -drawn - ct.leakage(v, c), slope


@compiled
def scalar_step(q, h, c, demand, bias, bias_step):
    """One RODAS step of the charge alone over ``h`` [s]: charge [C] and its error estimate [C]."""
    g, slope = charge_rate(q, c, demand, bias, bias_step)
    w = 1.0 / (1.0 / (h * st.GAMMA) - slope)
    k = 1.0 / h
    q1 = w * g
    g, _ = charge_rate(q + st.A21 * q1, c, demand, bias, bias_step)
    q2 = w * (g + k * st.C21 * q1)
    g, _ = charge_rate(q + st.A31 * q1 + st.A32 * q2, c, demand, bias, bias_step)
    q3 = w * (g + k * (st.C31 * q1 + st.C32 * q2))
    g, _ = charge_rate(q + st.A41 * q1 + st.A42 * q2 + st.A43 * q3, c, demand, bias, bias_step)
    q4 = w * (g + k * (st.C41 * q1 + st.C42 * q2 + st.C43 * q3))
    y = q + st.A51 * q1 + st.A52 * q2 + st.A53 * q3 + st.A54 * q4
    g, _ = charge_rate(y, c, demand, bias, bias_step)
    q5 = w * (g + k * (st.C51 * q1 + st.C52 * q2 + st.C53 * q3 + st.C54 * q4))
    y += q5
    g, _ = charge_rate(y, c, demand, bias, bias_step)
    q6 = w * (g + k * (st.C61 * q1 + st.C62 * q2 + st.C63 * q3 + st.C64 * q4 + st.C65 * q5))
    return y + q6, q6


@compiled
def drain(q, dt, floor, accuracy, c, demand, bias, bias_step):
    """Let the store run for ``dt`` [s] while the bridge blocks, no further than V_in falling to ``floor`` [V].

    Returns the charge [C], the time used [s] and whether V_in fell below the floor (it never rises here).
    """
    if demand[ct.DEMAND_FORM] == ct.STEADY:
        current = demand[ct.DEMAND_STEADY]
        left = drain_steady(q, dt, current, accuracy, c, bias, bias_step)
        v, _ = ct.store_voltage(left, c[ct.C_STORE], bias, bias_step)
        if v - c[ct.R_ESR] * current >= floor:
            return left, dt, False
        target = ct.store_charge(floor + c[ct.R_ESR] * current, c[ct.C_STORE], bias, bias_step)
        if target >= q:
            return q, 0.0, True
        return target, time_to_charge(q, left, target, dt, current, accuracy, c, bias, bias_step), True
    return drain_varying(q, dt, floor, accuracy, c, demand, bias, bias_step)


@compiled
def drain_varying(q, dt, floor, accuracy, c, demand, bias, bias_step):
    """`drain` for a current that depends on the input voltage: adaptive order-4 steps."""
    used, h = 0.0, dt
    scale = 0.1 * accuracy
    for _ in range(100000):
        h = min(h, dt - used)
        if h <= 1e-15 * dt:
            break
        after, error = scalar_step(q, h, c, demand, bias, bias_step)
        _, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
        ratio = abs(error) * v_q / scale
        if not ratio <= 1.0:
            h *= max(0.2, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio < math.inf else 0.2
            continue
        v_in, _, _ = st.input_voltage(0.0, after, c, demand, bias, bias_step)
        if v_in < floor:
            return floor_in_step(q, used, h, floor, c, demand, bias, bias_step)
        q = after
        used += h
        h *= min(5.0, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio > 0.0 else 5.0
    return q, dt, False


@compiled
def floor_in_step(q, used, h, floor, c, demand, bias, bias_step):
    """Charge, time and True where V_in falls to ``floor`` [V] within one accepted step of ``h`` [s]: regula falsi."""
    v_in, _, _ = st.input_voltage(0.0, q, c, demand, bias, bias_step)
    low, y_low = 0.0, v_in - floor
    if y_low <= 0.0:
        return q, used, True
    after, _ = scalar_step(q, h, c, demand, bias, bias_step)
    v_in, _, _ = st.input_voltage(0.0, after, c, demand, bias, bias_step)
    high, y_high = h, v_in - floor
    side = 0
    for _ in range(60):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        after, _ = scalar_step(q, x, c, demand, bias, bias_step)
        v_in, _, _ = st.input_voltage(0.0, after, c, demand, bias, bias_step)
        y = v_in - floor
        if abs(y) <= 1e-12 or high - low <= 1e-15:
            return after, used + x, True
        if y > 0.0:
            low, y_low = x, y
            if side == 1:
                y_high *= 0.5
            side = 1
        else:
            high, y_high = x, y
            if side == -1:
                y_low *= 0.5
            side = -1
    return after, used + x, True


@compiled
def time_to_charge(q, left, target, dt, current, accuracy, c, bias, bias_step):
    """Time [s] after which a steady drain from ``q`` has reached the charge ``target``; it has by ``dt``."""
    if c[ct.LEAK_RATE] == 0.0:
        loss = current + c[ct.I_REVERSE]
        if target >= 0.0:
            return (q - target) / loss
        return max(q, 0.0) / loss + (min(q, 0.0) - target) / current
    low, y_low, high, y_high = 0.0, q - target, dt, left - target
    side = 0
    x = dt
    for _ in range(60):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        y = drain_steady(q, x, current, accuracy, c, bias, bias_step) - target
        if abs(y) <= 1e-13 * (abs(q) + abs(target)) or high - low <= 1e-15:
            break
        if y > 0.0:
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
def charge_after(q, dt, accuracy, c, demand, bias, bias_step):
    """Charge [C] after ``dt`` [s] while the bridge blocks."""
    if demand[ct.DEMAND_FORM] == ct.STEADY:
        return drain_steady(q, dt, demand[ct.DEMAND_STEADY], accuracy, c, bias, bias_step)
    left, _, _ = drain_varying(q, dt, -math.inf, accuracy, c, demand, bias, bias_step)
    return left

"""One step of the charging circuit: source variable and store charge under a rectified source.

    coil            L di/dt = |e| - n V_0 - (R_coil + n r_d) i - V_in            while the bridge conducts, i = |j|
    piezoelectric   C_p du/dt = C_p ds/dt - u / R_loss - i,   u = n V_0 + n r_d i + V_in          u = |v| across C_p
    energy packet   0 = P / V - i
    store           dq/dt = i - i_reg(V_in) - leakage(V),   V_in = V + ESR (i - i_reg)

The source variable y is the current i, or the voltage u of a piezoelectric source. L may be zero (the line is then
algebraic) or tiny, and C_p meets a small resistance (both stiff), so the step is the stiffly accurate Rosenbrock method
RODAS of order 4 with an embedded third order and a dense output of order 3: E. Hairer and G. Wanner, Solving Ordinary
Differential Equations II, 2nd ed., Springer 1996, section VI.4 and its coefficients.
"""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.circuit import leakage, store_voltage
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.demand import draw
from yieldsim.kernel.lanes import choose, lesser, no

GAMMA = 0.25
A21 = 1.544
A31, A32 = 0.9466785280815826, 0.2557011698983284
A41, A42, A43 = 3.314825187068521, 2.896124015972201, 0.9986419139977817
A51, A52, A53, A54 = 1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950
C21 = -5.6688
C31, C32 = -2.430093356833875, -0.2063599157091915
C41, C42, C43 = -0.1073529058151375, -9.594562251023355, -20.47028614809616
C51, C52, C53, C54 = 7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160
C61, C62, C63, C64, C65 = (
    8.083246795921522,
    -7.981132988064893,
    -31.52159432874371,
    16.31930543123136,
    -6.058818238834054,
)
T2, T3, T4 = 0.386, 0.21, 0.63
D1, D2, D3, D4 = 0.25, -0.1043, 0.1035, -0.03620000000000023
H21, H22, H23, H24, H25 = (
    10.12623508344586,
    -7.487995877610167,
    -34.80091861555747,
    -7.992771707568823,
    10.25137723295662,
)
H31, H32, H33, H34, H35 = (
    -0.6762803392301253,
    6.087714651680015,
    16.43084320892478,
    24.76722511418386,
    -6.594389125716872,
)

# Newton steps of a current on its loop equation, which is straight unless the regulator's current bends it.
LOOP_STEPS = 3
SETTLED = 1e-8  # share of the current: a step this small has squared its error away
# An energy packet meets no lower store voltage than this [V]: below it the current would have no bound.
LOWEST_STORE = 0.01


# sin y = y + y^3 (S3 + S5 y^2 + ...) for |y| <= pi/2: interpolated at the Chebyshev points of y^2, error 2e-16
S3, S5, S7, S9 = -0.16666666666666666, 0.008333333333333186, -0.00019841269841208676, 2.7557319211229606e-06
S11, S13, S15, S17 = -2.505210689056952e-08, 1.605894087848656e-10, -7.643026557971632e-13, 2.7215749422983443e-15


@inlined
def half_sine(phase):
    """Sine of a ``phase`` [rad] from 0 to pi, and somewhat beyond either end, without a call."""
    y = lesser(phase, math.pi - phase)
    z = y * y
    return y + y * z * (
        S3 + z * (S5 + z * (S7 + z * (S9 + z * (S11 + z * (S13 + z * (S15 + z * S17))))))
    )  # fmt: skip


@inlined
def emf_at(t, m):
    """Open-circuit emf [V], signed, at time ``t`` [s] within the present interval; ds/dt of a piezoelectric swing."""
    waves = int(m[pl.WAVES])
    if waves == 0:
        return 0.0
    if m[pl.KIND] == at.SAMPLED:
        return m[pl.WAVE] + m[pl.WAVE + 1] * (t - m[pl.WAVE + 2])
    value = 0.0
    for k in range(pl.WAVE, pl.WAVE + pl.PER_WAVE * waves, pl.PER_WAVE):
        value += m[k] * half_sine(m[k + pl.WAVE_RATE] * (t - m[k + pl.WAVE_START]))
    return value


@inlined
def emf_slope(t, m):
    """Slope of `emf_at` at time ``t`` [s] within the present interval."""
    waves = int(m[pl.WAVES])
    if waves == 0:
        return 0.0
    if m[pl.KIND] == at.SAMPLED:
        return m[pl.WAVE + 1]
    slope = 0.0
    for k in range(pl.WAVE, pl.WAVE + pl.PER_WAVE * waves, pl.PER_WAVE):
        slope += m[k] * m[k + pl.WAVE_RATE] * math.cos(m[k + pl.WAVE_RATE] * (t - m[k + pl.WAVE_START]))
    return slope


@inlined
def packet_current(v, m):
    """Current [A] of an energy packet into a store at ``v`` [V], and its slope [S]."""
    if v > LOWEST_STORE:
        return m[pl.POWER_IN] / v, -m[pl.POWER_IN] / (v * v)
    return m[pl.POWER_IN] / LOWEST_STORE, 0.0


@apart
def loop_current(i, v, driving, m):
    """Current [A], below zero where the bridge would block, that ``driving`` [V] sends through the loop into a store
    at ``v`` [V]: of a coil without inductance, or of a piezoelectric source. Newton steps from ``i``.
    """
    esr, resistance = m[pl.ESR], m[pl.R_LOOP]
    for _ in range(LOOP_STEPS):
        drawn, gain = draw(v + esr * i, m)
        f = driving - m[pl.DROP] - resistance * i - (v + esr * (i - drawn))
        slope = resistance + esr * (1.0 - esr * gain)
        if slope <= 0.0:
            break
        change = f / slope
        i += change
        if m[pl.FORM] == pl.STEADY or abs(change) <= SETTLED * abs(i):
            break
    return i


@inlined
def current_of(y, v, m):
    """Current [A] through the bridge at the source variable ``y`` and store voltage ``v`` [V]."""
    return loop_current(m[pl.COIL], v, y, m) if m[pl.KIND] == at.PIEZO else y


@inlined
def rates(y, q, e, clamped, m):
    """Right-hand sides at the emf (or ds/dt) ``e``: of the source variable, and the net current into the store [A]."""
    v, _ = store_voltage(q, m)
    i = current_of(y, v, m)
    terminal = v + m[pl.ESR_SOURCE] * i
    drawn, _ = draw(terminal, m)
    if m[pl.KIND] == at.PIEZO:
        f = m[pl.INERTIA] * e - m[pl.LOSS] * y - i
    elif m[pl.KIND] == at.PACKET:
        f = packet_current(v, m)[0] - y
    else:
        f = e - m[pl.DROP] - m[pl.R_LOOP] * i - (terminal - m[pl.ESR] * drawn)
    return f, (0.0 if clamped else i - drawn - leakage(v, m))


@inlined
def slopes(y, q, clamped, m):
    """Slopes of `rates` against y and q: f_y, f_q, g_y, g_q."""
    v, v_q = store_voltage(q, m)
    esr = m[pl.ESR]
    i = current_of(y, v, m)
    _, gain = draw(v + m[pl.ESR_SOURCE] * i, m)
    pass_on = 1.0 - esr * gain  # dV_in / dterminal
    lost = m[pl.LEAK] if v > 0.0 else 0.0
    if m[pl.KIND] == at.PIEZO:
        i_y = 1.0 / (m[pl.R_LOOP] + esr * pass_on)
        i_q = -pass_on * v_q * i_y
        f_y, f_q = -m[pl.LOSS] - i_y, -i_q
        g_y, g_q = i_y * pass_on, i_q - gain * (v_q + esr * i_q) - lost * v_q
    elif m[pl.KIND] == at.PACKET:
        f_y, f_q = -1.0, packet_current(v, m)[1] * v_q
        g_y, g_q = 1.0, -(gain + lost) * v_q
    else:
        f_y, f_q = -m[pl.R_LOOP] - esr * pass_on, -pass_on * v_q
        g_y, g_q = pass_on, -(gain + lost) * v_q
    if clamped:
        g_y, g_q = 0.0, 0.0
    return f_y, f_q, g_y, g_q


@apart
def step(t, h, y, q, clamped, m):
    """Advance (y, q) by ``h`` [s] from time ``t``; the bridge conducts.

    The places from OUT receive y and q at the end, their error estimates, and the dense-output coefficients of each:
    y(theta) = (1 - theta) y0 + theta (y1 + (1 - theta) (k3 + theta (k4 + theta k5))), k5 = 0 here.
    """
    polarity = m[pl.POLARITY]
    f_y, f_q, g_y, g_q = slopes(y, q, clamped, m)
    inertia = m[pl.INERTIA]
    e_t = polarity * emf_slope(t, m)
    if m[pl.KIND] == at.PIEZO:
        e_t *= inertia
    m_yy = inertia / (h * GAMMA) - f_y
    m_qq = 1.0 / (h * GAMMA) - g_q
    det = m_yy * m_qq - f_q * g_y
    w_yy, w_yq, w_qy, w_qq = m_qq / det, f_q / det, g_y / det, m_yy / det
    lh, qh = inertia / h, 1.0 / h

    f, g = rates(y, q, polarity * emf_at(t, m), clamped, m)
    f += h * D1 * e_t
    y1, q1 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    f, g = rates(y + A21 * y1, q + A21 * q1, polarity * emf_at(t + T2 * h, m), clamped, m)
    f += lh * (C21 * y1) + h * D2 * e_t
    g += qh * (C21 * q1)
    y2, q2 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    e = polarity * emf_at(t + T3 * h, m)
    f, g = rates(y + A31 * y1 + A32 * y2, q + A31 * q1 + A32 * q2, e, clamped, m)
    f += lh * (C31 * y1 + C32 * y2) + h * D3 * e_t
    g += qh * (C31 * q1 + C32 * q2)
    y3, q3 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    e = polarity * emf_at(t + T4 * h, m)
    f, g = rates(y + A41 * y1 + A42 * y2 + A43 * y3, q + A41 * q1 + A42 * q2 + A43 * q3, e, clamped, m)
    f += lh * (C41 * y1 + C42 * y2 + C43 * y3) + h * D4 * e_t
    g += qh * (C41 * q1 + C42 * q2 + C43 * q3)
    y4, q4 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    e = polarity * emf_at(t + h, m)
    yy = y + A51 * y1 + A52 * y2 + A53 * y3 + A54 * y4
    qq = q + A51 * q1 + A52 * q2 + A53 * q3 + A54 * q4
    f, g = rates(yy, qq, e, clamped, m)
    f += lh * (C51 * y1 + C52 * y2 + C53 * y3 + C54 * y4)
    g += qh * (C51 * q1 + C52 * q2 + C53 * q3 + C54 * q4)
    y5, q5 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    yy += y5
    qq += q5
    f, g = rates(yy, qq, e, clamped, m)
    f += lh * (C61 * y1 + C62 * y2 + C63 * y3 + C64 * y4 + C65 * y5)
    g += qh * (C61 * q1 + C62 * q2 + C63 * q3 + C64 * q4 + C65 * q5)
    y6, q6 = w_yy * f + w_yq * g, w_qy * f + w_qq * g

    m[pl.OUT] = yy + y6
    m[pl.OUT + 1] = qq + q6
    m[pl.OUT + 2] = y6
    m[pl.OUT + 3] = q6
    m[pl.DENSE_Y] = H21 * y1 + H22 * y2 + H23 * y3 + H24 * y4 + H25 * y5
    m[pl.DENSE_Y + 1] = H31 * y1 + H32 * y2 + H33 * y3 + H34 * y4 + H35 * y5
    m[pl.DENSE_Y + 2] = 0.0
    m[pl.DENSE_Q] = H21 * q1 + H22 * q2 + H23 * q3 + H24 * q4 + H25 * q5
    m[pl.DENSE_Q + 1] = H31 * q1 + H32 * q2 + H33 * q3 + H34 * q4 + H35 * q5
    m[pl.DENSE_Q + 2] = 0.0


@inlined
def input_voltage(i, q, m):
    """Return V_in [V], the store voltage V [V] and the regulator's input current [A] at source current i, charge q."""
    v, _ = store_voltage(q, m)
    terminal = v + m[pl.ESR_SOURCE] * i
    drawn, _ = draw(terminal, m)
    return terminal - m[pl.ESR] * drawn, v, drawn


@inlined
def source_variable(m):
    """Return the source variable at the present state: current [A], or |v| across C_p [V]."""
    return m[pl.POLARITY] * m[pl.ACROSS] if m[pl.KIND] == at.PIEZO else m[pl.COIL]


@inlined
def dense_at(theta, start, end, k3, k4, k5):
    """A dense output at the share ``theta`` of its step, see `step`; of one actuation or of `lanes`."""
    rest = 1.0 - theta
    return rest * start + theta * (end + rest * (k3 + theta * (k4 + theta * k5)))


@inlined
def point(theta, t, h, y, q, m):
    """Return source variable, current [A] and charge [C] at the share ``theta`` of the step of ``h`` [s] last made.

    Where the current follows from the charge at once, it is worked out from that: the dense output of an algebraic
    variable is the less accurate, and its error estimate does not see it.
    """
    rest = 1.0 - theta
    o, a, b = pl.OUT, pl.DENSE_Y, pl.DENSE_Q
    yx = dense_at(theta, y, m[o], m[a], m[a + 1], m[a + 2])
    qx = dense_at(theta, q, m[o + 1], m[b], m[b + 1], m[b + 2])
    if m[pl.FOLLOWS] == 0.0:
        return yx, yx, qx
    if m[pl.KIND] == at.PIEZO and m[pl.CLAMPED] < 0.5 and h > 0.0:
        bent = m[b] + theta * m[b + 1]
        rate = (m[o + 1] - q + (rest - theta) * bent + theta * rest * m[b + 1]) / h
        return yx, shared_current(rate, qx, m), qx
    return yx, settled_current(yx, qx, t + theta * h, m), qx


@apart
def shared_current(rate, q, m):
    """Current [A] of a piezoelectric source from the ``rate`` of the store's charge [A] and what is taken from it.

    A small resistance makes much of a small error of the source's voltage; the charge has none.
    """
    v, _ = store_voltage(q, m)
    drawn, _ = draw(v + m[pl.ESR] * m[pl.COIL], m)
    return rate + drawn + leakage(v, m)


@apart
def settled_current(y, q, t, m):
    """Current [A] at the source variable ``y`` and charge ``q`` at ``t``: from its equation where that has no inertia.

    Below zero where the bridge would block.
    """
    if m[pl.KIND] == at.PIEZO:
        v, _ = store_voltage(q, m)
        return loop_current(m[pl.COIL], v, y, m)
    if m[pl.FOLLOWS] == 0.0:
        return y
    v, _ = store_voltage(q, m)
    if m[pl.KIND] == at.PACKET:
        return packet_current(v, m)[0]
    return loop_current(y, v, m[pl.POLARITY] * emf_at(t, m), m)


@inlined
def narrow(x, y, low, y_low, high, y_high, side):
    """Put (x, y) in place of the end of a bracket (y_low <= 0 < y_high) of its sign: the Illinois rule, which halves
    the value at an end that stays twice. Returns the bracket and the side that moved, 1 or -1; of one actuation or of
    `lanes`.
    """
    below = y <= 0.0
    y_low = choose(below, y, choose(no(below) & (side == -1.0), 0.5 * y_low, y_low))
    y_high = choose(below, choose(below & (side == 1.0), 0.5 * y_high, y_high), y)
    return choose(below, x, low), y_low, choose(below, high, x), y_high, choose(below, 1.0, -1.0)


@apart
def cubic_extremes(y0, y1, y2, y3):
    """Places in (0, 1) of the extremes of the cubic through y at 0, 1/3, 2/3, 1; -1 where there is none."""
    a1 = (-11.0 * y0 + 18.0 * y1 - 9.0 * y2 + 2.0 * y3) / 2.0
    a2 = (18.0 * y0 - 45.0 * y1 + 36.0 * y2 - 9.0 * y3) / 2.0
    a3 = (-9.0 * y0 + 27.0 * y1 - 27.0 * y2 + 9.0 * y3) / 2.0
    # derivative a1 + 2 a2 x + 3 a3 x^2
    if abs(a3) <= 1e-14 * (abs(a1) + abs(a2)):
        if a2 == 0.0:
            return -1.0, -1.0
        return -a1 / (2.0 * a2), -1.0
    root = a2 * a2 - 3.0 * a1 * a3
    if root < 0.0:
        return -1.0, -1.0
    # the form without cancellation
    w = -(a2 + math.copysign(math.sqrt(root), a2))
    return w / (3.0 * a3), (a1 / w if w != 0.0 else -1.0)

"""One step of the charging circuit: coil current and store charge under a rectified emf.

    L di/dt = |e| - n V_0 - (R_coil + n r_d) i - V_in          while the bridge conducts, i = |j|
      dq/dt = i - i_reg(V_in) - leakage(V)
       V_in = V + ESR (i - i_reg)

L may be zero (the first line is then algebraic) or tiny (stiff), so the step is the stiffly accurate Rosenbrock method
RODAS of order 4 with an embedded third order and a dense output of order 3: E. Hairer and G. Wanner, Solving Ordinary
Differential Equations II, 2nd ed., Springer 1996, section VI.4 and its coefficients.
"""

import math

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel.compiled import compiled, inlined

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

# --- a source over one interval between its break points: what `emf_at` reads ---------------------------------------
# rows: active half-sines; row 0 is (offset, slope, from) of a straight line for a sampled waveform
WAVE_AMPLITUDE, WAVE_RATE, WAVE_START = 0, 1, 2


@inlined
def emf_at(t, kind, wave, waves):
    """Open-circuit emf [V], signed, at time ``t`` [s] within the present interval."""
    if waves == 0:
        return 0.0
    if kind == at.SAMPLED:
        return wave[0, 0] + wave[0, 1] * (t - wave[0, 2])
    value = 0.0
    for k in range(waves):
        value += wave[k, WAVE_AMPLITUDE] * math.sin(wave[k, WAVE_RATE] * (t - wave[k, WAVE_START]))
    return value


@compiled
def emf_slope(t, kind, wave, waves):
    """Slope of the emf [V/s] at time ``t`` [s] within the present interval."""
    if waves == 0:
        return 0.0
    if kind == at.SAMPLED:
        return wave[0, 1]
    slope = 0.0
    for k in range(waves):
        rate = wave[k, WAVE_RATE]
        slope += wave[k, WAVE_AMPLITUDE] * rate * math.cos(rate * (t - wave[k, WAVE_START]))
    return slope


@inlined
def rates(i, q, emf, c, demand, bias, bias_step, clamped):
    """Right-hand sides of the two equations: coil voltage [V] and net store current [A], and V_in [V]."""
    v, _ = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    terminal = v + c[ct.R_ESR] * i
    drawn, _ = ct.draw(terminal, c, demand)
    v_in = terminal - c[ct.R_ESR] * drawn
    f = emf - c[ct.DROP] - (c[ct.R_COIL] + c[ct.R_DIODE]) * i - v_in
    g = 0.0 if clamped else i - drawn - ct.leakage(v, c)
    return f, g


@compiled
def step(t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, clamped, out):
    """Advance (i, q) by ``h`` [s] from time ``t``; the bridge conducts.

    ``out`` (8,) receives i and q at the end, their error estimates, and the two dense-output coefficients of each:
    y(theta) = (1 - theta) y0 + theta (y1 + (1 - theta) (k3 + theta k4)).
    """
    inductance = c[ct.COIL_L]
    esr = c[ct.R_ESR]
    v, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    terminal = v + esr * i
    _, gain = ct.draw(terminal, c, demand)
    e0 = polarity * emf_at(t, kind, wave, waves)
    e_t = polarity * emf_slope(t, kind, wave, waves)
    pass_on = 1.0 - esr * gain  # dV_in / dterminal
    f_i = -(c[ct.R_COIL] + c[ct.R_DIODE]) - esr * pass_on
    f_q = -pass_on * v_q
    g_i, g_q = 0.0, 0.0
    if not clamped:
        g_i = pass_on
        g_q = -(gain + (c[ct.C_STORE] * c[ct.LEAK_RATE] if v > 0.0 else 0.0)) * v_q
    m_ii = inductance / (h * GAMMA) - f_i
    m_qq = 1.0 / (h * GAMMA) - g_q
    det = m_ii * m_qq - f_q * g_i
    w_ii, w_iq, w_qi, w_qq = m_qq / det, f_q / det, g_i / det, m_ii / det
    lh, qh = inductance / h, 1.0 / h

    f, g = rates(i, q, e0, c, demand, bias, bias_step, clamped)
    f += h * D1 * e_t
    i1, q1 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    e = emf_at(t + T2 * h, kind, wave, waves)
    f, g = rates(i + A21 * i1, q + A21 * q1, polarity * e, c, demand, bias, bias_step, clamped)
    f += lh * (C21 * i1) + h * D2 * e_t
    g += qh * (C21 * q1)
    i2, q2 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    e = emf_at(t + T3 * h, kind, wave, waves)
    f, g = rates(i + A31 * i1 + A32 * i2, q + A31 * q1 + A32 * q2, polarity * e, c, demand, bias, bias_step, clamped)
    f += lh * (C31 * i1 + C32 * i2) + h * D3 * e_t
    g += qh * (C31 * q1 + C32 * q2)
    i3, q3 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    e = emf_at(t + T4 * h, kind, wave, waves)
    f, g = rates(
        i + A41 * i1 + A42 * i2 + A43 * i3,
        q + A41 * q1 + A42 * q2 + A43 * q3,
        polarity * e, c, demand, bias, bias_step, clamped,
    )  # fmt: skip
    f += lh * (C41 * i1 + C42 * i2 + C43 * i3) + h * D4 * e_t
    g += qh * (C41 * q1 + C42 * q2 + C43 * q3)
    i4, q4 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    e = emf_at(t + h, kind, wave, waves)
    e *= polarity
    iy = i + A51 * i1 + A52 * i2 + A53 * i3 + A54 * i4
    qy = q + A51 * q1 + A52 * q2 + A53 * q3 + A54 * q4
    f, g = rates(iy, qy, e, c, demand, bias, bias_step, clamped)
    f += lh * (C51 * i1 + C52 * i2 + C53 * i3 + C54 * i4)
    g += qh * (C51 * q1 + C52 * q2 + C53 * q3 + C54 * q4)
    i5, q5 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    iy += i5
    qy += q5
    f, g = rates(iy, qy, e, c, demand, bias, bias_step, clamped)
    f += lh * (C61 * i1 + C62 * i2 + C63 * i3 + C64 * i4 + C65 * i5)
    g += qh * (C61 * q1 + C62 * q2 + C63 * q3 + C64 * q4 + C65 * q5)
    i6, q6 = w_ii * f + w_iq * g, w_qi * f + w_qq * g

    out[0] = iy + i6
    out[1] = qy + q6
    out[2] = i6
    out[3] = q6
    out[4] = H21 * i1 + H22 * i2 + H23 * i3 + H24 * i4 + H25 * i5
    out[5] = H31 * i1 + H32 * i2 + H33 * i3 + H34 * i4 + H35 * i5
    out[6] = H21 * q1 + H22 * q2 + H23 * q3 + H24 * q4 + H25 * q5
    out[7] = H31 * q1 + H32 * q2 + H33 * q3 + H34 * q4 + H35 * q5


@inlined
def dense(theta, i, q, out):
    """Return coil current [A] and charge [C] at the share ``theta`` of the step last made from (i, q)."""
    rest = 1.0 - theta
    return (
        rest * i + theta * (out[0] + rest * (out[4] + theta * out[5])),
        rest * q + theta * (out[1] + rest * (out[6] + theta * out[7])),
    )


@inlined
def input_voltage(i, q, c, demand, bias, bias_step):
    """Return V_in [V], the store voltage V [V] and the regulator's input current [A] at coil current i and charge q."""
    v, _ = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    terminal = v + c[ct.R_ESR] * i
    drawn, _ = ct.draw(terminal, c, demand)
    return terminal - c[ct.R_ESR] * drawn, v, drawn


@compiled
def loop_current(i, q, emf, c, demand, bias, bias_step):
    """Coil current [A], below zero where the bridge would block, of a coil without inductance at charge ``q``.

    Newton steps on its loop equation, which is straight unless the regulator's current bends it.
    """
    esr = c[ct.R_ESR]
    v, _ = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    resistance = c[ct.R_COIL] + c[ct.R_DIODE]
    for _ in range(3):
        drawn, gain = ct.draw(v + esr * i, c, demand)
        f = emf - c[ct.DROP] - resistance * i - (v + esr * (i - drawn))
        slope = resistance + esr * (1.0 - esr * gain)
        if slope <= 0.0:
            break
        i += f / slope
    return i


@compiled
def point(theta, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out):
    """Return coil current [A] and charge [C] at the share ``theta`` of the step of ``h`` [s] last made from ``t``.

    Without inductance the current follows from charge and emf: the dense output of an algebraic variable is the less
    accurate, and its error estimate does not see it.
    """
    ix, qx = dense(theta, i, q, out)
    if c[ct.COIL_L] == 0.0:
        emf = polarity * emf_at(t + theta * h, kind, wave, waves)
        ix = loop_current(ix, qx, emf, c, demand, bias, bias_step)
    return ix, qx


@compiled
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

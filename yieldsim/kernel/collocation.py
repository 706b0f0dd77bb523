"""One long step of a coil that charges the store while the regulator draws a steady current: Radau IIA of order 7.

    0 = L di/dt + (R_loop + ESR) i - ESR i_reg + V(q) + n V_0 - |e(t)|
    0 = dq/dt - i + i_reg + leakage(V(q))

Collocation at the four Radau points, stiffly accurate and L-stable: L may be zero. E. Hairer and G. Wanner, Solving
Ordinary Differential Equations II, 2nd ed., Springer 1996, sections IV.5 and IV.8, where the simplified Newton
iteration in the eigenvectors of the inverse coefficient matrix is told. The second line gives the current at each point
from the charges alone, so that only four charges are sought.
"""

from typing import Any, NamedTuple

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import store_voltage, voltage_of
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import conductance_of_loop
from yieldsim.kernel.lanes import any_of, choose, magnitude, no

# The points, and the derivative at each of a polynomial through the start and the four values there.
C1, C2, C3 = 0.088587959512703947, 0.40946686444073471, 0.78765946176084706
D11, D12, D13, D14 = 5.6441078759500895, 1.9235072770547127, -0.58590148210381629, 0.17387835257424572
D21, D22, D23, D24 = -5.0492146383914089, 1.2211000288946918, 1.7546809887608368, -0.43479146121258140
D31, D32, D33, D34 = 3.4924661586254374, -3.9845178957824964, 0.63479209515521874, 1.8221375984342540
D41, D42, D43, D44 = -6.9234882564454545, 6.5952376696281439, -12.171749413182689, 8.5
# Its eigenvalues M and N and their conjugates; rows of the inverse matrix of eigenvectors and, to come back, columns.
M_RE, M_IM = 4.7871931031284660, 1.5674764168952081
N_RE, N_IM = 3.2128068968715340, 4.7730874332766425
A1_RE, A2_RE, A3_RE, A4_RE = -0.89016544406103866, 1.8311248136665835, -0.21749564793245047, 0.47791341370396154
A1_IM, A2_IM, A3_IM, A4_IM = 8.9806532837481984, 2.6945434901990128, 0.75237113669169932, -0.27251145980969597
B1_RE, B2_RE, B3_RE, B4_RE = 0.89016544406103866, -1.8311248136665835, 0.21749564793245047, 0.022086586296038460
B1_IM, B2_IM, B3_IM, B4_IM = -2.5175910700911074, -0.97177238554038265, 0.95622144133142458, -0.30672410659218604
U1_RE, U2_RE, U3_RE = -0.011780899273297092, 0.046344479015544714, 0.33684760745917323
U1_IM, U2_IM, U3_IM = -0.035450329928507235, -0.032207307605584140, -0.12606662117475273
W1_RE, W2_RE, W3_RE = 0.064381219342198336, -0.19500201984527875, 0.29209982061323891
W1_IM, W2_IM, W3_IM = 0.045216236001140148, -0.029553786697798816, -0.43387812057821367
# From the values at the points, less the straight line to the end, to the coefficients of the dense output.
K11, K12, K13 = 17.807585234514508, -2.3779130370681071, 0.82032780255359946
K21, K22, K23 = -66.097914370165907, 29.861356199475747, -11.263441429309839
K31, K32, K33 = 55.213817392096854, -34.078680832035784, 22.614863443938930
# The derivative at the start of the same polynomial.
S1, S2, S3, S4 = K11, K12, K13, 1.0 - C1 * K11 - C2 * K12 - C3 * K13
# The same of the current, which is the derivative of the charge: of the charges, and of what is drawn besides.
SD1, SD2, SD3, SD4 = (
    S1 * D11 + S2 * D21 + S3 * D31 + S4 * D41,
    S1 * D12 + S2 * D22 + S3 * D32 + S4 * D42,
    S1 * D13 + S2 * D23 + S3 * D33 + S4 * D43,
    S1 * D14 + S2 * D24 + S3 * D34 + S4 * D44,
)
S_ALL = S1 + S2 + S3 + S4
ITERATIONS = 10
# The charges are met when a step of the iteration moves V by less than this share of the accuracy.
MET = 2e-3
# Share of the voltage that leakage takes from the loop in a step, above which a correction minds it.
LEAKS = 1e-3
# A store below this [V] has no leakage any more; above it, the leakage of an empty store goes on in a long step.
BELOW = -1e-4
# The share of a step by which the dense output errs where the start does not meet the equations.
DEFECT = 0.05


@inlined
def derivative(z1, z2, z3, z4):
    """Derivatives at the four points, times the step, of the polynomial through 0 and the values ``z`` there."""
    return (
        D11 * z1 + D12 * z2 + D13 * z3 + D14 * z4,
        D21 * z1 + D22 * z2 + D23 * z3 + D24 * z4,
        D31 * z1 + D32 * z2 + D33 * z3 + D34 * z4,
        D41 * z1 + D42 * z2 + D43 * z3 + D44 * z4,
    )


@inlined
def ends(z1, z2, z3, z4):
    """Derivatives at the start and at the end, times the step, of the same polynomial."""
    return S1 * z1 + S2 * z2 + S3 * z3 + S4 * z4, D41 * z1 + D42 * z2 + D43 * z3 + D44 * z4


@inlined
def two_over(re, im):
    """Return 2 / (re + i im)."""
    size = 2.0 / (re * re + im * im)
    return re * size, -im * size


@inlined
def pole(re, im, lh, resistance, rate, lost, elastance):
    """Return twice the inverse of (L s + R)(s + lost) + dV/dq at s = (re + i im) / h: its conjugate counts as well."""
    s_re, s_im = re * rate, im * rate
    a_re, a_im = lh * re + resistance, lh * im
    b_re = s_re + lost
    return two_over(a_re * b_re - a_im * s_im + elastance, a_re * s_im + a_im * b_re)


@inlined
def bends(z1, z2, z3, z4):
    """Return the three coefficients of a dense output, see `stepper.step`."""
    r1, r2, r3 = z1 - C1 * z4, z2 - C2 * z4, z3 - C3 * z4
    return K11 * r1 + K12 * r2 + K13 * r3, K21 * r1 + K22 * r2 + K23 * r3, K31 * r1 + K32 * r2 + K33 * r3


@inlined
def quartic(z1, z2, z3, z4):
    """Coefficients of x to x^4 of the polynomial in the share ``x`` of a step through 0 and the values ``z``."""
    k3, k4, k5 = bends(z1, z2, z3, z4)
    return z4 + k3, k4 - k3, k5 - k4, -k5


@inlined
def solve(r1, r2, r3, r4, m_re, m_im, n_re, n_im):
    """Charges at the four points that meet the residuals ``r`` [V] of the straight equations, see `pole`."""
    a_re = A1_RE * r1 + A2_RE * r2 + A3_RE * r3 + A4_RE * r4
    a_im = A1_IM * r1 + A2_IM * r2 + A3_IM * r3 + A4_IM * r4
    b_re = B1_RE * r1 + B2_RE * r2 + B3_RE * r3 + B4_RE * r4
    b_im = B1_IM * r1 + B2_IM * r2 + B3_IM * r3 + B4_IM * r4
    a_re, a_im = a_re * m_re - a_im * m_im, a_re * m_im + a_im * m_re
    b_re, b_im = b_re * n_re - b_im * n_im, b_re * n_im + b_im * n_re
    return (
        U1_RE * a_re - U1_IM * a_im + W1_RE * b_re - W1_IM * b_im,
        U2_RE * a_re - U2_IM * a_im + W2_RE * b_re - W2_IM * b_im,
        U3_RE * a_re - U3_IM * a_im + W3_RE * b_re - W3_IM * b_im,
        a_re + b_re,
    )


class Loop(NamedTuple):
    """What a long step knows of one actuation, or of `lanes` of them."""

    store: Any  # see `circuit.voltage_of`
    inertia: Any  # L [H]
    resistance: Any  # of the whole path [ohm]
    esr: Any  # [ohm]
    conductance: Any  # see `control.conductance_of_loop` [S]
    leak: Any  # [S]
    away: Any  # steady regulator input current and reverse leakage [A]; of an empty store too, see `BELOW`
    accuracy: Any  # [V]


@inlined
def loop_of(m):
    """Return the loop of one actuation."""
    return Loop(
        m, m[pl.INERTIA], m[pl.R_LOOP] + m[pl.ESR], m[pl.ESR], conductance_of_loop(m), m[pl.LEAK],
        m[pl.STEADY_CURRENT] + m[pl.I_REVERSE], m[pl.ACCURACY],
    )  # fmt: skip


@inlined
def currents(loop, rate, z1, z2, z3, z4, v1, v2, v3, v4):
    """Currents [A] at the four points of the charges ``z`` [C], at which the store has ``v`` [V]; ``rate`` is 1 / h."""
    d1, d2, d3, d4 = derivative(z1, z2, z3, z4)
    away, leak = loop.away, loop.leak
    return (
        d1 * rate + away + v1 * leak,
        d2 * rate + away + v2 * leak,
        d3 * rate + away + v3 * leak,
        d4 * rate + away + v4 * leak,
    )


@inlined
def converge(loop, h, i, q, v0, slope, e0, e1, e2, e3, e4, idle):
    """Solve one step of ``h`` [s] from current ``i`` [A] and charge ``q`` [C], at which the store has ``v0`` [V] and
    dV/dq = ``slope``, under what drives the loop at the start and at the four points, [V] less the level of `level`.
    All of them may be `lanes`; where ``idle`` holds, nothing is asked for.

    Returns whether the iteration met the charges, the charges less ``q``, the currents and the store's voltages at the
    points, and the two errors: of current and of charge. They come from the defect at the start, where the polynomial
    need not meet the equations.
    """
    leak, away, resistance = loop.leak, loop.away, loop.resistance
    rate = 1.0 / h
    lh = loop.inertia * rate
    run = h * (i - away - v0 * leak)
    lost = leak * slope
    m_re, m_im = pole(M_RE, M_IM, lh, resistance, rate, lost, slope)
    n_re, n_im = pole(N_RE, N_IM, lh, resistance, rate, lost, slope)
    # first guess: the solution of the equations with V straight, from a steady rate of the charge
    left, steep = v0 + resistance * i + lh * lost * run, (slope + resistance * lost) * run
    z1, z2, z3, z4 = solve(
        e1 - left - C1 * steep, e2 - left - C2 * steep, e3 - left - C3 * steep, e4 - left - steep,
        m_re, m_im, n_re, n_im,
    )  # fmt: skip
    z1, z2, z3, z4 = z1 + C1 * run, z2 + C2 * run, z3 + C3 * run, z4 + run
    # a charge that is off puts the current off by D44 / h of it, and that lasts L/R
    weight = slope + D44 * rate * (loop.esr + loop.inertia * slope * loop.conductance)
    met = MET * loop.accuracy
    per_error = DEFECT / (lh + resistance)
    leaks = leak * (resistance + D44 * lh)
    leaky = leaks >= LEAKS
    unseen = choose(leaky, 0.0, leaks)  # what the corrections leave out of the leakage
    any_leaky = any_of(leaky)
    guessed = no(leaky)
    v1, v2, v3, v4 = v0, v0, v0, v0
    miss_i, miss_q = 0.0 * i, 0.0 * q
    done = idle
    whole = 1.0 + resistance * leak
    for k in range(ITERATIONS):
        t1, s1 = voltage_of(q + z1, loop.store)
        t2, s2 = voltage_of(q + z2, loop.store)
        t3, s3 = voltage_of(q + z3, loop.store)
        t4, s4 = voltage_of(q + z4, loop.store)
        # the guess left nothing but the bend of V
        r1, r2 = whole * (v0 + slope * z1 - t1), whole * (v0 + slope * z2 - t2)
        r3, r4 = whole * (v0 + slope * z3 - t3), whole * (v0 + slope * z4 - t4)
        if k > 0 or any_leaky:
            j1, j2, j3, j4 = currents(loop, rate, z1, z2, z3, z4, t1, t2, t3, t4)
            d1, d2, d3, d4 = derivative(j1 - i, j2 - i, j3 - i, j4 - i)
            r1 = choose(guessed, r1, e1 - t1 - resistance * j1 - lh * d1)
            r2 = choose(guessed, r2, e2 - t2 - resistance * j2 - lh * d2)
            r3 = choose(guessed, r3, e3 - t3 - resistance * j3 - lh * d3)
            r4 = choose(guessed, r4, e4 - t4 - resistance * j4 - lh * d4)
        x1, x2, x3, x4 = solve(r1, r2, r3, r4, m_re, m_im, n_re, n_im)
        a1, a2, a3, a4 = z1 + x1, z2 + x2, z3 + x3, z4 + x4
        t1, t2, t3, t4 = t1 + s1 * x1, t2 + s2 * x2, t3 + s3 * x3, t4 + s4 * x4
        # the errors need not wait for the second correction
        rise_i = rate * (SD1 * a1 + SD2 * a2 + SD3 * a3 + SD4 * a4) + S_ALL * (away - i)
        rise_i = rise_i + leak * (S1 * t1 + S2 * t2 + S3 * t3 + S4 * t4)
        miss_i = choose(done, miss_i, per_error * (e0 - v0 - resistance * i - lh * rise_i))
        miss_q = choose(done, miss_q, DEFECT * (run - (S1 * a1 + S2 * a2 + S3 * a3 + S4 * a4)))
        before = magnitude(x4) * weight
        # a second correction for what one slope in place of the four leaves of the voltages
        r1, r2, r3, r4 = (slope - s1) * x1, (slope - s2) * x2, (slope - s3) * x3, (slope - s4) * x4
        if any_leaky:
            d1, d2, d3, d4 = derivative(leak * r1, leak * r2, leak * r3, leak * r4)
            r1, r2 = choose(leaky, r1 * whole + lh * d1, r1), choose(leaky, r2 * whole + lh * d2, r2)
            r3, r4 = choose(leaky, r3 * whole + lh * d3, r3), choose(leaky, r4 * whole + lh * d4, r4)
        y1, y2, y3, y4 = solve(r1, r2, r3, r4, m_re, m_im, n_re, n_im)
        z1, z2 = choose(done, z1, a1 + y1), choose(done, z2, a2 + y2)
        z3, z4 = choose(done, z3, a3 + y3), choose(done, z4, a4 + y4)
        v1, v2 = choose(done, v1, t1 + s1 * y1), choose(done, v2, t2 + s2 * y2)
        v3, v4 = choose(done, v3, t3 + s3 * y3), choose(done, v4, t4 + s4 * y4)
        moved = magnitude(y4) * weight
        # what is left is the last move times the rate of the two, or what the bend of V adds to it
        bent = before * moved <= met * weight * magnitude(z4)
        done = done | (before <= met) | ((moved * moved <= met * before) & (before * unseen <= met) & bent)
        if not any_of(no(done)):
            break
        guessed = guessed & leaky  # no longer
    j1, j2, j3, j4 = currents(loop, rate, z1, z2, z3, z4, v1, v2, v3, v4)
    at_once = lh == 0.0
    if any_of(at_once):  # a current that follows at once, from its own equation
        t1, _ = voltage_of(q + z1, loop.store)
        t2, _ = voltage_of(q + z2, loop.store)
        t3, _ = voltage_of(q + z3, loop.store)
        t4, _ = voltage_of(q + z4, loop.store)
        v1, v2, v3, v4 = (
            choose(at_once, t1, v1),
            choose(at_once, t2, v2),
            choose(at_once, t3, v3),
            choose(at_once, t4, v4),
        )
        j1, j2 = choose(at_once, (e1 - v1) / resistance, j1), choose(at_once, (e2 - v2) / resistance, j2)
        j3, j4 = choose(at_once, (e3 - v3) / resistance, j3), choose(at_once, (e4 - v4) / resistance, j4)
    return done, z1, z2, z3, z4, j1, j2, j3, j4, v1, v2, v3, v4, miss_i, miss_q


@inlined
def level(m):
    """What stands against the emf besides resistances and store [V]."""
    return m[pl.DROP] - m[pl.ESR] * m[pl.STEADY_CURRENT]


@inlined
def keep_step(i, q, z1, z2, z3, z4, j1, j2, j3, j4, miss_i, miss_q, m):
    """Fill the places from OUT as `stepper.step` does."""
    o = pl.OUT
    m[o], m[o + 1], m[o + 2], m[o + 3] = j4, q + z4, miss_i, miss_q
    m[pl.DENSE_Y], m[pl.DENSE_Y + 1], m[pl.DENSE_Y + 2] = bends(j1 - i, j2 - i, j3 - i, j4 - i)
    m[pl.DENSE_Q], m[pl.DENSE_Q + 1], m[pl.DENSE_Q + 2] = bends(z1, z2, z3, z4)


@apart
def collocate(t, h, i, q, m):
    """Advance current ``i`` [A] and charge ``q`` [C] by ``h`` [s] from ``t``; fills the places from OUT as
    `stepper.step` does, and returns whether the iteration met the charges.
    """
    p, less = m[pl.POLARITY], level(m)
    v, slope = store_voltage(q, m)
    done, z1, z2, z3, z4, j1, j2, j3, j4, _, _, _, _, miss_i, miss_q = converge(
        loop_of(m), h, i, q, v, slope, p * st.emf_at(t, m) - less, p * st.emf_at(t + C1 * h, m) - less,
        p * st.emf_at(t + C2 * h, m) - less, p * st.emf_at(t + C3 * h, m) - less, p * st.emf_at(t + h, m) - less,
        False,
    )  # fmt: skip
    keep_step(i, q, z1, z2, z3, z4, j1, j2, j3, j4, miss_i, miss_q, m)
    return done


@inlined
def shorten_one(x, start, place, first, m):
    """End a dense output that begins at ``start`` at the share ``x`` of its step; ``place`` holds its end."""
    k3, k4, k5 = m[first], m[first + 1], m[first + 2]
    end = (1.0 - x) * start + x * (m[place] + (1.0 - x) * (k3 + x * (k4 + x * k5)))
    x2 = x * x
    k5, a3, a2 = k5 * x2 * x2, (k5 - k4) * x2 * x, (k4 - k3) * x2
    m[place] = end
    m[first + 2] = k5
    m[first + 1] = k5 - a3
    m[first] = k5 - a3 - a2


@apart
def shorten(x, y, q, m):
    """End the step last made, from source variable ``y`` and charge ``q``, at the share ``x`` of it: the same curve."""
    shorten_one(x, y, pl.OUT, pl.DENSE_Y, m)
    shorten_one(x, q, pl.OUT + 1, pl.DENSE_Q, m)


@inlined
def is_plain(clamped, m):
    """Whether the long step serves: a coil, a steady current drawn, no clamp."""
    coil = m[pl.KIND] == at.HALF_SINE or m[pl.KIND] == at.SAMPLED
    return coil and m[pl.FORM] == pl.STEADY and not clamped


@apart
def advance(t, h, y, q, clamped, m):
    """Make one step of ``h`` [s] by the method that serves; returns whether it could be made."""
    if is_plain(clamped, m) and q * m[pl.PER_CHARGE] > BELOW:
        made = collocate(t, h, y, q, m)
        if m[pl.OUT + 1] * m[pl.PER_CHARGE] > BELOW or not made:
            return made
    st.step(t, h, y, q, clamped, m)
    return True

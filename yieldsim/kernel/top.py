"""The instant of the highest V_in with the regulator off, put where V_in is level."""

from yieldsim.kernel import layout as at
from yieldsim.kernel import march as mt
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import store_voltage
from yieldsim.kernel.collocation import advance
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.demand import demand_off


@apart
def climb(h, y, q, clamped, m):
    """Rate of V_in [V/s] at the end of a step of ``h`` [s] from the state, regulator off; the step is left in OUT."""
    t = m[pl.TIME]
    advance(t, h, y, q, clamped, m)
    yx, i, qx = st.point(1.0, t, h, y, q, m)
    _, v_q = store_voltage(qx, m)
    f, g = st.rates(yx if m[pl.KIND] == at.PIEZO else i, qx, m[pl.POLARITY] * st.emf_at(t + h, m), clamped, m)
    if m[pl.KIND] == at.PACKET:
        return v_q * g
    resistance = max(m[pl.R_LOOP] + m[pl.ESR], 1e-12)
    if m[pl.KIND] == at.PIEZO:
        return v_q * g + m[pl.ESR] * (f / m[pl.INERTIA] - v_q * g) / resistance
    if m[pl.INERTIA] > 0.0:
        return v_q * g + m[pl.ESR] * f / m[pl.INERTIA]
    slope = m[pl.POLARITY] * st.emf_slope(t + h, m) - v_q * g
    return v_q * g + m[pl.ESR] * slope / resistance


@apart
def go_to_top(m, breaks, samples, source):
    """Go back to the instant of the highest V_in, which the march kept, and put it where V_in is level; returns V_in
    [V].
    """
    mt.go_back(m, pl.KEPT)
    demand_off(m)
    h = m[pl.TOP_SHARE]
    if h > 0.0:
        reach = mt.smooth_until(m, breaks, samples, source) - m[pl.TIME]
        clamped = m[pl.CLAMPED] > 0.5
        y, q = st.source_variable(m), m[pl.CHARGE]
        rate = climb(h, y, q, clamped, m)
        other = 0.98 * h
        v, _ = store_voltage(m[pl.OUT + 1], m)
        if clamped or v < m[pl.CLAMP] - 1e-6:  # where the clamp takes hold the top is met already
            for _ in range(4):  # secant on the rate, kept near where the march saw the top
                rate_other = climb(other, y, q, clamped, m)
                if rate_other == rate:
                    break
                change = rate * (h - other) / (rate - rate_other)
                if not abs(change) <= 0.5 * h:
                    break
                if h - change > reach:  # the source is cut there
                    h = reach
                    break
                other, rate_kept, h = h, rate, h - change
                rate = climb(h, y, q, clamped, m)
                if abs(rate) >= abs(rate_kept):
                    h = other
                    break
            climb(h, y, q, clamped, m)
            if not clamped and m[pl.OUT + 1] > m[pl.CLAMP_CHARGE]:  # V_in was seen to stop rising where it takes hold
                h = m[pl.TOP_SHARE]
                climb(h, y, q, clamped, m)
        m[pl.TIME] += h
        if m[pl.KIND] == at.PIEZO:
            m[pl.ACROSS] = m[pl.POLARITY] * m[pl.OUT]
        else:
            m[pl.COIL] = max(m[pl.OUT], 0.0)
        m[pl.CHARGE] = m[pl.OUT + 1]
        mt.settle(m)
    v_in, _, _ = st.input_voltage(m[pl.COIL], m[pl.CHARGE], m)
    return v_in

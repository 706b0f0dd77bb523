"""The instant of the highest V_in with the regulator off, put where V_in is level."""

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import march as mt
from yieldsim.kernel import state as sv
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled


@compiled
def climb(state, polarity, clamped, h, kind, wave, waves, c, demand, bias, bias_step, out):
    """Rate of V_in [V/s] at the end of a step of ``h`` [s] from the state, regulator off; the step is left in
    ``out``.
    """
    t = state[sv.TIME]
    st.step(
        t, h, state[sv.COIL], state[sv.CHARGE], polarity, kind, wave, waves, c, demand, bias, bias_step, clamped, out
    )
    i, q = st.point(
        1.0, t, h, state[sv.COIL], state[sv.CHARGE], polarity, kind, wave, waves, c, demand, bias, bias_step, out
    )
    _, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    emf = polarity * st.emf_at(t + h, kind, wave, waves)
    f, g = st.rates(i, q, emf, c, demand, bias, bias_step, clamped)
    if c[ct.COIL_L] > 0.0:
        return v_q * g + c[ct.R_ESR] * f / c[ct.COIL_L]
    slope = polarity * st.emf_slope(t + h, kind, wave, waves) - v_q * g
    return v_q * g + c[ct.R_ESR] * slope / max(c[ct.R_COIL] + c[ct.R_DIODE] + c[ct.R_ESR], 1e-12)


@compiled
def go_to_top(design, w):
    """Go back to the instant of the highest V_in, which the march kept, and put it where V_in is level; returns V_in
    [V].
    """
    c, demand, watch, state, kind = w.circuit, w.demand, w.watch, w.state, design.source
    bias, bias_step = design.bias, design.bias_step
    state[:] = w.kept
    ct.demand_off(c, demand)
    h = watch[sv.TOP_SHARE]
    if h > 0.0:
        waves, _ = mt.open_interval(state, w.breaks, w.waves_table, kind, w.source, w.wave)
        polarity, clamped = state[sv.POLARITY], state[sv.CLAMPED] > 0.5
        rate = climb(state, polarity, clamped, h, kind, w.wave, waves, c, demand, bias, bias_step, w.out)
        other = 0.98 * h
        v, _ = ct.store_voltage(w.out[1], c[ct.C_STORE], bias, bias_step)
        if clamped or v < c[ct.CLAMP] - 1e-6:  # where the clamp takes hold the top is met already
            for _ in range(4):  # secant on the rate, kept near where the march saw the top
                rate_other = climb(
                    state, polarity, clamped, other, kind, w.wave, waves, c, demand, bias, bias_step, w.out
                )
                if rate_other == rate:
                    break
                change = rate * (h - other) / (rate - rate_other)
                if not abs(change) <= 0.5 * h:
                    break
                other, rate_kept, h = h, rate, h - change
                rate = climb(state, polarity, clamped, h, kind, w.wave, waves, c, demand, bias, bias_step, w.out)
                if abs(rate) >= abs(rate_kept):
                    h = other
                    break
            climb(state, polarity, clamped, h, kind, w.wave, waves, c, demand, bias, bias_step, w.out)
        state[sv.TIME] += h
        state[sv.COIL] = max(w.out[0], 0.0)
        state[sv.CHARGE] = w.out[1]
        mt.settle(state, w.wave, waves, kind, c, demand, bias, bias_step)
    v_in, _, _ = st.input_voltage(state[sv.COIL], state[sv.CHARGE], c, demand, bias, bias_step)
    return v_in

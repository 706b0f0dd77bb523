"""March one circuit through time: blocked and conducting stretches, and every event between them, located not rounded.

The march stops at a given time, when V_in rises through a ceiling (the regulator's start), or when V_in falls to a
floor
(a brown-out that ends the load). On its way it keeps the least of V_in - V_need and when it first fell below zero,
the peaks that the
ratings are held against, and, if asked, the energy ledger and a record of the curve.
"""

import math

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled, inlined
from yieldsim.kernel.drain import charge_after, drain
from yieldsim.kernel.events import (
    CLAMP_HOLDS,
    CLAMP_LETS_GO,
    CURRENT_ENDS,
    FALLS,
    RISES,
    bends,
    first_crossing,
    first_event,
    sample,
    step_to_event,
)
from yieldsim.kernel.onset import find_onset
from yieldsim.kernel.recorder import record_blocked, record_step
from yieldsim.kernel.state import (
    CHARGE,
    CLAMPED,
    COIL,
    CONDUCTS,
    FIRST_BELOW,
    FLOOR,
    LEAST,
    LEDGER_COLUMN,
    NEED,
    NEXT,
    PHASE,
    PLATEAU,
    POLARITY,
    QUIET,
    STEP_SIZE,
    STEPS,
    TIME,
    TOP_CURRENT,
    TOP_INPUT,
    TOP_REVERSE,
    TOP_SHARE,
)

REACHED, ROSE, FELL, FAILED = 0, 1, 2, 3
STEP_LIMIT = 200000.0  # steps of one actuation, beyond which it is given up as not finished
# Longest step as a phase of the half-sine [rad]: what the step's own error estimate cannot see of a coil current that
# follows the emf at once.
LONGEST_PHASE = 0.3
USUAL = 0.5e-3  # the accuracy it belongs to [V]; what is not seen goes with the fourth power of the step
# Shares of the accuracy allowed to one step: measured, so that the whole actuation keeps within it.
LOCAL_SHARE = 0.05
CURRENT_WEIGHT = 2.0
LEAST_ERROR = 5e-11  # of a step, below which its estimate is rounding [V]


@inlined
def open_interval(state, breaks, waves_table, kind, source, wave):
    """Find the source over the interval that begins at the present time: rows of ``wave`` in use, and its end [s].

    ``breaks`` (B,) are the sorted break points [s]; ``source`` (S, 4) amplitude, angular rate, start and end of each
    half-sine; ``waves_table`` (2, N) a sampled waveform.
    """
    last = breaks.shape[0]
    k = int(state[NEXT])
    while k < last and breaks[k] <= state[TIME]:
        k += 1
    state[NEXT] = float(k)
    if k >= last:
        return 0, math.inf
    end = breaks[k]
    if k == 0:
        return 0, end
    if kind == at.SAMPLED:
        t0, t1 = waves_table[0, k - 1], waves_table[0, k]
        e0, e1 = waves_table[1, k - 1], waves_table[1, k]
        wave[0, 0] = e0
        wave[0, 1] = (e1 - e0) / (t1 - t0)
        wave[0, 2] = t0
        return 1, end
    middle = 0.5 * (breaks[k - 1] + end)
    used = 0
    for s in range(source.shape[0]):
        if source[s, 2] < middle < source[s, 3]:
            wave[used, st.WAVE_AMPLITUDE] = source[s, 0]
            wave[used, st.WAVE_RATE] = source[s, 1]
            wave[used, st.WAVE_START] = source[s, 2]
            used += 1
    return used, end


@inlined
def see_blocked(v_in, emf, c, watch):
    """Keep the peaks of a moment at which the bridge blocks."""
    if v_in > watch[TOP_INPUT]:
        watch[TOP_INPUT] = v_in
    reverse = v_in
    if c[ct.JUNCTIONS] < 1.5:
        reverse = v_in + max(0.0, -emf)
    if reverse > watch[TOP_REVERSE]:
        watch[TOP_REVERSE] = reverse


@inlined
def see_margin(margin, when, watch):
    """Keep the least margin and the time it first fell below zero."""
    if margin < watch[LEAST]:
        watch[LEAST] = margin
    if margin < 0.0 and when < watch[FIRST_BELOW]:
        watch[FIRST_BELOW] = when


@inlined
def march_blocked(state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, watch, record, ledger, kept):
    """March to ``until`` [s] or to the onset of conduction, whichever is first; the bridge blocks."""
    t, q = state[TIME], state[CHARGE]
    span = until - t
    v_in, _, _ = st.input_voltage(0.0, q, c, demand, bias, bias_step)
    if v_in > watch[TOP_INPUT] + watch[PLATEAU]:
        watch[TOP_SHARE] = 0.0
        kept[:] = state
    see_blocked(v_in, st.emf_at(t, kind, wave, waves), c, watch)
    see_margin(v_in - watch[NEED], t, watch)
    # first to the end, or to where V_in meets the floor, or to where it first meets the need
    stop = max(watch[FLOOR], watch[NEED] if watch[FIRST_BELOW] == math.inf else -math.inf)
    left, used, fell = drain(q, span, stop, accuracy, c, demand, bias, bias_step)
    dt = used
    if t >= state[QUIET]:
        dt = find_onset(t, used, left, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
    onset = dt < used
    if onset:
        left, used, fell = charge_after(q, dt, accuracy, c, demand, bias, bias_step), dt, False
    if fell and watch[NEED] > -math.inf and watch[FIRST_BELOW] == math.inf:
        watch[FIRST_BELOW] = t + used
    if fell and watch[FLOOR] == -math.inf:
        fell = False  # the sequence runs on as if the supply could not brown out: the march comes here again
    if record.shape[0] > 0:
        record_blocked(
            t, used, q, kind, wave, waves, accuracy, c, demand, bias, bias_step,
            watch[PHASE], int(watch[LEDGER_COLUMN]), record, ledger,
        )  # fmt: skip
    state[CHARGE] = left
    state[TIME] = t + used if used < span else until
    v_in, _, _ = st.input_voltage(0.0, left, c, demand, bias, bias_step)
    e = st.emf_at(state[TIME], kind, wave, waves)
    see_blocked(v_in, e, c, watch)
    see_margin(v_in - watch[NEED], state[TIME], watch)
    if fell:
        return FELL
    if onset:
        state[CONDUCTS] = 1.0
        state[POLARITY] = -1.0 if e < 0.0 and c[ct.JUNCTIONS] > 1.5 else 1.0
        state[COIL] = 0.0
        if c[ct.COIL_L] == 0.0:
            state[COIL] = max(st.loop_current(0.0, left, state[POLARITY] * e, c, demand, bias, bias_step), 0.0)
        state[STEP_SIZE] = min(state[STEP_SIZE], 0.25 * (until - state[TIME]))
    return REACHED


@compiled
def accepted_step(state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, out):
    """Make one step whose error is within the accuracy; returns its size [s], or -1 when it cannot be made."""
    t, i, q = state[TIME], state[COIL], state[CHARGE]
    if kind == at.HALF_SINE and waves > 0:
        longest = LONGEST_PHASE * min(1.0, math.sqrt(math.sqrt(accuracy / USUAL)))
        state[STEP_SIZE] = min(state[STEP_SIZE], longest / wave[0, st.WAVE_RATE])
    h = min(state[STEP_SIZE], until - t)
    _, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    clamped = state[CLAMPED] > 0.5
    # an error of the current lasts L/R, and what it brings or keeps from the store by then stays
    resistance = max(c[ct.R_COIL] + c[ct.R_DIODE] + c[ct.R_ESR], 1e-9)
    current_weight = CURRENT_WEIGHT * (c[ct.R_ESR] + c[ct.COIL_L] * v_q / resistance)
    allowed = max(LOCAL_SHARE * accuracy, LEAST_ERROR)
    for _ in range(60):
        st.step(t, h, i, q, state[POLARITY], kind, wave, waves, c, demand, bias, bias_step, clamped, out)
        error = max(abs(out[3]) * v_q, current_weight * abs(out[2]))
        ratio = error / allowed
        state[STEPS] += 1.0
        if ratio <= 1.0:
            grow = min(4.0, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio > 0.0 else 4.0
            state[STEP_SIZE] = max(state[STEP_SIZE], h * grow) if h < state[STEP_SIZE] else h * grow
            return h
        h *= max(0.1, 0.9 / math.sqrt(math.sqrt(ratio))) if ratio < math.inf else 0.1
        state[STEP_SIZE] = h
        if not h > 1e-15:
            break
    return -1.0


@inlined
def march_conducting(
    state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, watch, record, ledger, out, samples, kept
):
    """Make one step while the bridge conducts, cut at the first event within it."""
    t, i, q = state[TIME], state[COIL], state[CHARGE]
    h = accepted_step(state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, out)
    if h < 0.0:
        return FAILED
    tried = h
    clamped = state[CLAMPED] > 0.5
    loss = ct.leakage(c[ct.CLAMP], c) if clamped else 0.0
    polarity = state[POLARITY]
    sample(t, h, i, q, loss, polarity, kind, wave, waves, c, demand, bias, bias_step, out, samples)
    event, cut = first_event(state, h, kind, wave, waves, c, watch, demand, bias, bias_step, out, samples, loss)
    if cut < 1.0:
        h = step_to_event(event, h * cut, h, state, kind, wave, waves, c, watch, demand, bias, bias_step, clamped, out)
        sample(t, h, i, q, loss, polarity, kind, wave, waves, c, demand, bias, bias_step, out, samples)
    see_step(t, h, i, q, state, kind, wave, waves, c, demand, bias, bias_step, out, watch, samples, kept)
    if record.shape[0] > 0:
        record_step(
            t, h, i, q, state[POLARITY], clamped, kind, wave, waves, c, demand, bias, bias_step, out,
            watch[PHASE], int(watch[LEDGER_COLUMN]), record, ledger,
        )  # fmt: skip
    state[TIME] = until if event == 0 and t + h >= until * (1.0 - 1e-15) else t + h
    state[COIL] = max(out[0], 0.0)
    state[CHARGE] = out[1]
    if event == CURRENT_ENDS:
        if h <= 0.0:  # it never rose: the excess that seemed to open the bridge was gone at once
            state[QUIET] = t + 0.25 * tried
        state[CONDUCTS], state[COIL], state[CLAMPED] = 0.0, 0.0, 0.0
        return REACHED
    if event == CLAMP_HOLDS:
        state[CLAMPED], state[CHARGE] = 1.0, c[ct.CLAMP_CHARGE]
    elif event == CLAMP_LETS_GO:
        state[CLAMPED] = 0.0
    settle(state, wave, waves, kind, c, demand, bias, bias_step)
    if event == RISES:
        return ROSE
    return FELL if event == FALLS else REACHED


@inlined
def settle(state, wave, waves, kind, c, demand, bias, bias_step):
    """Put the current of a coil without inductance on its loop equation again."""
    if c[ct.COIL_L] == 0.0 and state[CONDUCTS] > 0.5:
        e = st.emf_at(state[TIME], kind, wave, waves)
        current = st.loop_current(state[COIL], state[CHARGE], state[POLARITY] * e, c, demand, bias, bias_step)
        state[COIL] = max(current, 0.0)


@inlined
def see_point(x, h, v_in, i, state, c, watch, kept):
    """Keep the peaks of one point of a step; what the step overshoots a clamp is no peak."""
    v_in = min(v_in, c[ct.CLAMP] + c[ct.R_ESR] * max(i, 0.0))
    if v_in > watch[TOP_INPUT]:
        if v_in > watch[TOP_INPUT] + watch[PLATEAU]:
            watch[TOP_SHARE] = h * x
            kept[:] = state
        watch[TOP_INPUT] = v_in
    watch[TOP_CURRENT] = max(watch[TOP_CURRENT], i)
    if c[ct.JUNCTIONS] > 1.5:
        watch[TOP_REVERSE] = max(watch[TOP_REVERSE], v_in + c[ct.INTERCEPT] + c[ct.SLOPE] * max(i, 0.0))


@compiled
def see_step(t, h, i, q, state, kind, wave, waves, c, demand, bias, bias_step, out, watch, samples, kept):
    """Keep the peaks and margins of a step just made; extremes within it are those of the cubic through four points."""
    low_x, low_v = 0.0, samples[2, 0]
    for k in range(4):
        see_point(k / 3.0, h, samples[2, k], samples[0, k], state, c, watch, kept)
        if samples[2, k] < low_v:
            low_x, low_v = k / 3.0, samples[2, k]
    for row in (2, 0):
        y0, y1, y2, y3 = samples[row, 0], samples[row, 1], samples[row, 2], samples[row, 3]
        if not bends(y0, y1, y2, y3):
            continue
        x1, x2 = st.cubic_extremes(y0, y1, y2, y3)
        for x in (x1, x2):
            if not 0.0 < x < 1.0:
                continue
            ix, qx = st.point(x, t, h, i, q, state[POLARITY], kind, wave, waves, c, demand, bias, bias_step, out)
            v_in, _, _ = st.input_voltage(ix, qx, c, demand, bias, bias_step)
            see_point(x, h, v_in, ix, state, c, watch, kept)
            if v_in < low_v:
                low_x, low_v = x, v_in
    margin = low_v - watch[NEED]
    if margin < watch[LEAST]:
        watch[LEAST] = margin
    if margin < 0.0 and watch[FIRST_BELOW] == math.inf:
        x = 0.0
        if samples[2, 0] >= watch[NEED]:
            x = first_crossing(
                -1.0, watch[NEED], 2, t, h, i, q, state[POLARITY],
                kind, wave, waves, out, samples, c, demand, bias, bias_step, 0.0,
            )  # fmt: skip
            if x > 1.0:
                x = low_x
        watch[FIRST_BELOW] = t + x * h


@inlined
def march(
    state, until, kind, bias, bias_step, breaks, waves_table, source, accuracy, c, demand, watch, record, ledger,
    out, samples, wave, kept,
):  # fmt: skip
    """March ``state`` to the time ``until`` [s] or to the first stop; returns REACHED, ROSE, FELL or FAILED."""
    if state[CONDUCTS] > 0.5:
        waves, _ = open_interval(state, breaks, waves_table, kind, source, wave)
        settle(state, wave, waves, kind, c, demand, bias, bias_step)  # the demand may have changed
    else:
        v_in, _, _ = st.input_voltage(0.0, state[CHARGE], c, demand, bias, bias_step)
        if v_in < watch[FLOOR]:
            see_margin(v_in - watch[NEED], state[TIME], watch)
            return FELL
    while state[TIME] < until:
        waves, end = open_interval(state, breaks, waves_table, kind, source, wave)
        end = min(end, until)
        if state[CONDUCTS] < 0.5:
            if not state[STEP_SIZE] > 0.0:
                state[STEP_SIZE] = 0.25 * (end - state[TIME])
            asked = min(end, state[QUIET]) if state[QUIET] > state[TIME] else end
            code = march_blocked(
                state, asked, wave, waves, kind, accuracy, c, demand, bias, bias_step, watch, record, ledger, kept
            )
        else:
            if kind == at.SAMPLED:
                settle(state, wave, waves, kind, c, demand, bias, bias_step)
            code = march_conducting(
                state, end, wave, waves, kind, accuracy, c, demand, bias, bias_step,
                watch, record, ledger, out, samples, kept,
            )  # fmt: skip
        if code != REACHED:
            return code
        if state[STEPS] > STEP_LIMIT or not math.isfinite(state[CHARGE]):
            return FAILED
    return REACHED

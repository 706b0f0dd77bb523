"""March one circuit through time: blocked and conducting stretches, and every event between them, located not rounded.

The march stops at a given time, when V_in rises through a ceiling (the regulator's start), or when V_in falls to a
floor (a brown-out that ends the load). On its way it keeps the least of V_in - V_need and when it first fell below
zero, the peaks that the ratings are held against, and, if asked, the energy ledger and a record of the curve.
"""

import math

from yieldsim.kernel import glide as gl
from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import leakage, store_voltage
from yieldsim.kernel.collocation import BELOW, advance, is_plain
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import (
    FIRST_SHARE,
    LONGEST_LONG_PHASE,
    LONGEST_PHASE,
    allowed_error,
    grown,
    longest_step,
    shrunk,
    source_weight,
)
from yieldsim.kernel.drain import charge_after, drain, drain_steady, stays_above
from yieldsim.kernel.events import (
    CLAMP_HOLDS,
    CLAMP_LETS_GO,
    CURRENT_ENDS,
    CURRENTS,
    FALLS,
    INPUTS,
    RISES,
    STOPPED,
    bends,
    first_crossing,
    first_event,
    sample,
    step_to_event,
    turn,
)
from yieldsim.kernel.onset import across_after, driving, find_onset
from yieldsim.kernel.recorder import record_blocked, record_step

REACHED, ROSE, FELL, FAILED = 0, 1, 2, 3
STEP_LIMIT = 200000.0  # steps of one actuation, beyond which it is given up as not finished


@inlined
def keep_state(m, place):
    """Copy the state to ``place``."""
    for k in range(pl.STATE_SIZE):
        m[place + k] = m[pl.STATE + k]


@inlined
def go_back(m, place):
    """Take up the state kept at ``place`` again."""
    for k in range(pl.STATE_SIZE):
        m[pl.STATE + k] = m[place + k]


@apart
def open_interval(m, breaks, samples, source):
    """Find the source over the interval that begins at the present time; returns its end [s].

    ``breaks`` (B,) are the sorted break points [s]; ``source`` (S, 4) amplitude, angular rate, start and end of each
    half-sine; ``samples`` (2, N) a sampled waveform.
    """
    last = breaks.shape[0]
    k = int(m[pl.NEXT])
    while k < last and breaks[k] <= m[pl.TIME]:
        k += 1
    m[pl.NEXT] = float(k)
    m[pl.WAVES] = 0.0
    if k >= last:
        return math.inf
    end = breaks[k]
    if k == 0:
        return end
    if m[pl.KIND] == at.SAMPLED:
        t0, e0 = samples[0, k - 1], samples[1, k - 1]
        m[pl.WAVE], m[pl.WAVE + 1], m[pl.WAVE + 2] = e0, (samples[1, k] - e0) / (samples[0, k] - t0), t0
        m[pl.WAVES] = 1.0
        return end
    middle = 0.5 * (breaks[k - 1] + end)
    used = 0
    for s in range(source.shape[0]):
        if source[s, 2] < middle < source[s, 3]:
            place = pl.WAVE + pl.PER_WAVE * used
            m[place], m[place + 1], m[place + 2] = source[s, 0], source[s, 1], source[s, 2]
            used += 1
    m[pl.WAVES] = float(used)
    return end


@apart
def smooth_until(m, breaks, samples, source):
    """Find the source from the present time on; returns until when [s] nothing breaks it.

    The peak of a half-sine is a break point for a bridge that blocks, see `onset.find_onset`, and none while it
    conducts.
    """
    end = open_interval(m, breaks, samples, source)
    if m[pl.CONDUCTS] < 0.5 or m[pl.KIND] != at.HALF_SINE:
        return end
    for k in range(int(m[pl.NEXT]), breaks.shape[0]):
        for s in range(source.shape[0]):
            if source[s, 2] == breaks[k] or source[s, 3] == breaks[k]:
                return breaks[k]
    return end


@inlined
def see_blocked(v_in, emf, m):
    """Keep the peaks of a moment at which the bridge blocks."""
    m[pl.TOP_INPUT] = max(m[pl.TOP_INPUT], v_in)
    reverse = v_in
    if m[pl.JUNCTIONS] < 1.5:
        reverse = v_in + max(0.0, -emf)
    m[pl.TOP_REVERSE] = max(m[pl.TOP_REVERSE], reverse)


@inlined
def see_margin(margin, when, m):
    """Keep the least margin and the time it first fell below zero."""
    m[pl.LEAST] = min(m[pl.LEAST], margin)
    if margin < 0.0 and when < m[pl.FIRST_BELOW]:
        m[pl.FIRST_BELOW] = when


@apart
def march_blocked(until, m, record, ledger):
    """March to ``until`` [s] or to the onset of conduction, whichever is first; the bridge blocks."""
    t, q = m[pl.TIME], m[pl.CHARGE]
    span = until - t
    v_in, _, _ = st.input_voltage(0.0, q, m)
    if v_in > m[pl.TOP_INPUT] + m[pl.PLATEAU]:
        m[pl.TOP_SHARE] = 0.0
        keep_state(m, pl.KEPT)
    see_blocked(v_in, driving(t, 0.0, m), m)
    see_margin(v_in - m[pl.NEED], t, m)
    # first to the end, or to where V_in meets the floor, or to where it first meets the need
    stop = max(m[pl.FLOOR], m[pl.NEED] if m[pl.FIRST_BELOW] == math.inf else -math.inf)
    left, used, fell = drain(q, span, stop, m)
    dt = used
    if t >= m[pl.QUIET]:
        dt = find_onset(t, used, left, q, m)
    onset = dt < used
    if onset:
        left, used, fell = charge_after(q, dt, m), dt, False
    if fell and m[pl.NEED] > -math.inf and m[pl.FIRST_BELOW] == math.inf:
        m[pl.FIRST_BELOW] = t + used
    if fell and m[pl.FLOOR] == -math.inf:
        fell = False  # the sequence runs on as if the supply could not brown out: the march comes here again
    if record.shape[0] > 0:
        record_blocked(t, used, q, m, record, ledger)
    if m[pl.KIND] == at.PIEZO:
        m[pl.ACROSS] = across_after(t, used, m)
    m[pl.CHARGE] = left
    m[pl.TIME] = t + used if used < span else until
    v_in, v, _ = st.input_voltage(0.0, left, m)
    e = driving(m[pl.TIME], 0.0, m)
    see_blocked(v_in, e, m)
    see_margin(v_in - m[pl.NEED], m[pl.TIME], m)
    if fell:
        return FELL
    if onset:
        m[pl.CONDUCTS] = 1.0
        m[pl.POLARITY] = -1.0 if e < 0.0 and m[pl.JUNCTIONS] > 1.5 else 1.0
        m[pl.COIL] = 0.0
        if m[pl.INERTIA] == 0.0:
            m[pl.COIL] = max(st.loop_current(0.0, v, m[pl.POLARITY] * e, m), 0.0)
        m[pl.STEP_SIZE] = min(m[pl.STEP_SIZE], FIRST_SHARE * (until - m[pl.TIME]))
    return REACHED


@apart
def accepted_step(until, y, q, m):
    """Make one step whose error is within the accuracy; returns its size [s], or -1 when it cannot be made."""
    t = m[pl.TIME]
    clamped = m[pl.CLAMPED] > 0.5
    phase = LONGEST_LONG_PHASE if is_plain(clamped, m) else LONGEST_PHASE
    m[pl.STEP_SIZE] = min(m[pl.STEP_SIZE], longest_step(phase, m))
    h = min(m[pl.STEP_SIZE], until - t)
    _, v_q = store_voltage(q, m)
    weight, allowed = source_weight(v_q, m), allowed_error(m)
    for _ in range(60):
        made = advance(t, h, y, q, clamped, m)
        error = max(abs(m[pl.OUT + 3]) * v_q, weight * abs(m[pl.OUT + 2]))
        ratio = error / allowed if made else math.inf
        m[pl.STEPS] += 1.0
        if ratio <= 1.0:
            m[pl.STEP_SIZE] = grown(h, m[pl.STEP_SIZE], ratio)
            return h
        h = shrunk(h, ratio)
        m[pl.STEP_SIZE] = h
        if not h > 1e-15:
            break
    return -1.0


@apart
def march_conducting(until, m, record, ledger):
    """Make one step while the bridge conducts, cut at the first event within it."""
    if m[pl.FOLLOWS] > 0.5 and has_ended(m):
        m[pl.CONDUCTS], m[pl.COIL], m[pl.CLAMPED] = 0.0, 0.0, 0.0
        return REACHED
    h = -1.0
    if record.shape[0] == 0 and m[pl.CHARGE] * m[pl.PER_CHARGE] > BELOW and is_plain(m[pl.CLAMPED] > 0.5, m):
        h = gl.glide(until, m)
        if h == gl.REACHED or h == gl.ENDED:
            return REACHED
        if h == gl.ROSE:
            settle(m)
            return ROSE
    t, q = m[pl.TIME], m[pl.CHARGE]
    y = st.source_variable(m)
    if h < 0.0:
        h = accepted_step(until, y, q, m)
    if h < 0.0:
        return FAILED
    tried = h
    clamped = m[pl.CLAMPED] > 0.5
    loss = leakage(m[pl.CLAMP], m) if clamped else 0.0
    sample(t, h, y, q, loss, m)
    event, cut = first_event(h, y, q, loss, m)
    if cut < 1.0:
        h = step_to_event(event, h * cut, h, y, q, clamped, m)
        sample(t, h, y, q, loss, m)
    see_step(t, h, y, q, m)
    if record.shape[0] > 0:
        record_step(t, h, y, q, clamped, m, record, ledger)
    m[pl.TIME] = until if event == 0 and t + h >= until * (1.0 - 1e-15) else t + h
    if m[pl.KIND] == at.PIEZO:
        m[pl.ACROSS] = m[pl.POLARITY] * m[pl.OUT]
    else:
        m[pl.COIL] = max(m[pl.OUT], 0.0)
    m[pl.CHARGE] = m[pl.OUT + 1]
    if event == CURRENT_ENDS:
        if h <= 0.0:  # it never rose: the excess that seemed to open the bridge was gone at once
            m[pl.QUIET] = t + 0.25 * tried
        m[pl.CONDUCTS], m[pl.COIL], m[pl.CLAMPED] = 0.0, 0.0, 0.0
        return REACHED
    if event == CLAMP_HOLDS:
        m[pl.CLAMPED], m[pl.CHARGE] = 1.0, m[pl.CLAMP_CHARGE]
    elif event == CLAMP_LETS_GO:
        m[pl.CLAMPED] = 0.0
    settle(m)
    if event == RISES:
        return ROSE
    return FELL if event == FALLS else REACHED


@inlined
def has_ended(m):
    """Put the current of a coil without inductance on its equation; returns whether it has ended, as it does at once
    where a stroke is cut.
    """
    if not is_plain(m[pl.CLAMPED] > 0.5, m):
        return False
    i = st.settled_current(m[pl.COIL], m[pl.CHARGE], m[pl.TIME], m)
    m[pl.COIL] = max(i, 0.0)
    return i < STOPPED


@apart
def settle(m):
    """Put a current that follows the charge at once on its equation again."""
    if m[pl.CONDUCTS] > 0.5 and m[pl.FOLLOWS] > 0.5:
        y = st.source_variable(m)
        m[pl.COIL] = max(st.settled_current(y, m[pl.CHARGE], m[pl.TIME], m), 0.0)


@inlined
def see_point(x, h, v_in, i, m):
    """Keep the peaks of one point of a step; what the step overshoots a clamp is no peak."""
    v_in = min(v_in, m[pl.CLAMP] + m[pl.ESR_SOURCE] * max(i, 0.0))
    if v_in > m[pl.TOP_INPUT]:
        if v_in > m[pl.TOP_INPUT] + m[pl.PLATEAU]:
            m[pl.TOP_SHARE] = h * x
            keep_state(m, pl.KEPT)
        m[pl.TOP_INPUT] = v_in
    if m[pl.KIND] == at.PACKET:
        return
    m[pl.TOP_CURRENT] = max(m[pl.TOP_CURRENT], i)
    if m[pl.JUNCTIONS] > 1.5:
        m[pl.TOP_REVERSE] = max(m[pl.TOP_REVERSE], v_in + m[pl.INTERCEPT] + m[pl.SLOPE] * max(i, 0.0))


@apart
def see_step(t, h, y, q, m):
    """Keep the peaks and margins of a step just made; extremes within it are those of the cubic through four points."""
    low_x, low_v = 0.0, m[INPUTS]
    for k in range(4):
        see_point(k / 3.0, h, m[INPUTS + k], m[CURRENTS + k], m)
        if m[INPUTS + k] < low_v:
            low_x, low_v = k / 3.0, m[INPUTS + k]
    for row in (INPUTS, CURRENTS):
        y0, y1, y2, y3 = m[row], m[row + 1], m[row + 2], m[row + 3]
        if not bends(y0, y1, y2, y3):
            continue
        x1, x2 = st.cubic_extremes(y0, y1, y2, y3)
        for place in (x1, x2):
            x = turn(place, row, t, h, y, q, 0.0, m)
            if not 0.0 < x < 1.0:
                continue
            _, ix, qx = st.point(x, t, h, y, q, m)
            v_in, _, _ = st.input_voltage(ix, qx, m)
            see_point(x, h, v_in, ix, m)
            if v_in < low_v:
                low_x, low_v = x, v_in
    margin = low_v - m[pl.NEED]
    if 0.0 < low_x < 1.0 and h > 0.0 and margin < m[pl.LEAST]:
        # a dip within the step: the dense output is the less accurate, so a step that ends there tells its depth
        advance(t, low_x * h, y, q, m[pl.CLAMPED] > 0.5, m)
        _, ix, qx = st.point(1.0, t, low_x * h, y, q, m)
        v_in, _, _ = st.input_voltage(ix, qx, m)
        margin = v_in - m[pl.NEED]
        advance(t, h, y, q, m[pl.CLAMPED] > 0.5, m)
    m[pl.LEAST] = min(m[pl.LEAST], margin)
    if margin < 0.0 and m[pl.FIRST_BELOW] == math.inf:
        x = 0.0
        if m[INPUTS] >= m[pl.NEED]:
            x = first_crossing(-1.0, m[pl.NEED], INPUTS, t, h, y, q, 0.0, m)
            if x > 1.0:
                x = low_x
        m[pl.FIRST_BELOW] = t + x * h


@apart
def begin_packet(end, m, record, ledger):
    """Begin an energy packet that ends at ``end`` [s]: an empty store takes its first energy at once.

    Up to `stepper.LOWEST_STORE` a store is its C_s, and what it loses meanwhile is nothing beside what it takes:
    C_s V^2 / 2 grows with the power.
    """
    v, v_q = store_voltage(m[pl.CHARGE], m)
    if 0.0 <= v < st.LOWEST_STORE and m[pl.POWER_IN] > 0.0:
        span = min(0.5 * (st.LOWEST_STORE * st.LOWEST_STORE - v * v) / (v_q * m[pl.POWER_IN]), end - m[pl.TIME])
        m[pl.CHARGE] = math.sqrt(v * v + 2.0 * v_q * m[pl.POWER_IN] * span) / v_q
        m[pl.TIME] += span
        if record.shape[0] > 0:
            ledger[at.LED_SOURCE] += span * (m[pl.POWER_IN] + m[pl.POWER_LOST])
            ledger[at.LED_COIL] += span * m[pl.POWER_LOST]
    # the voltage of an empty store grows with the root of the time: it may double in the first step
    v, v_q = store_voltage(m[pl.CHARGE], m)
    doubling = 1.5 * v * v / (v_q * m[pl.POWER_IN]) if v > 0.0 and m[pl.POWER_IN] > 0.0 else math.inf
    m[pl.STEP_SIZE] = min(0.25 * (end - m[pl.TIME]), doubling)
    settle(m)


@inlined
def spent(m, breaks):
    """Voltage [V] that the source gives at the most from now on; inf where it is not known to fall: before the last
    half of the last stroke, or while another runs.
    """
    if m[pl.TIME] >= m[pl.LAST]:
        return 0.0
    if m[pl.KIND] == at.HALF_SINE and m[pl.WAVES] == 1.0 and int(m[pl.NEXT]) == breaks.shape[0] - 1:
        return abs(st.emf_at(m[pl.TIME], m))
    return math.inf


@apart
def coast(until, m, breaks):
    """Let a steady current drain the store to ``until`` [s] while the bridge blocks; returns whether the source cannot
    open it and V_in stays above floor and need, so that nothing else happens.
    """
    given = spent(m, breaks)
    steady = m[pl.FORM] == pl.STEADY and m[pl.KIND] != at.PIEZO and m[pl.INFLOW] == 0.0
    if given == math.inf or not steady:
        return False
    back = m[pl.ESR] * m[pl.STEADY_CURRENT]
    v, _ = store_voltage(m[pl.CHARGE], m)
    v_in = v - back
    # below zero the bridge may conduct by itself
    level = max(m[pl.FLOOR], m[pl.NEED], 0.0, given - m[pl.DROP]) + back
    if v_in > m[pl.TOP_INPUT] or not stays_above(level, m[pl.CHARGE], until - m[pl.TIME], m):
        return False
    left = drain_steady(m[pl.CHARGE], until - m[pl.TIME], m)
    v, _ = store_voltage(left, m)
    after = v - back
    m[pl.LEAST] = min(m[pl.LEAST], after - m[pl.NEED])
    m[pl.TOP_REVERSE] = max(m[pl.TOP_REVERSE], v_in)
    m[pl.CHARGE], m[pl.TIME] = left, until
    return True


@apart
def march(until, m, breaks, samples, source, record, ledger):
    """March to the time ``until`` [s] or to the first stop; returns REACHED, ROSE, FELL or FAILED."""
    m[pl.QUIET] = 0.0  # the demand or the charge may have changed
    if m[pl.CONDUCTS] > 0.5:
        if m[pl.FOLLOWS] > 0.5:  # the demand may have changed
            open_interval(m, breaks, samples, source)
            settle(m)
    else:
        if m[pl.TIME] >= m[pl.LAST] and record.shape[0] == 0 and coast(until, m, breaks):
            return REACHED
        v_in, _, _ = st.input_voltage(0.0, m[pl.CHARGE], m)
        if v_in < m[pl.FLOOR]:
            see_margin(v_in - m[pl.NEED], m[pl.TIME], m)
            return FELL
    while m[pl.TIME] < until:
        end = min(smooth_until(m, breaks, samples, source), until)
        if m[pl.KIND] == at.PACKET:
            begins = m[pl.WAVES] > 0.0 and m[pl.CONDUCTS] < 0.5
            m[pl.CONDUCTS] = m[pl.WAVES]
            if m[pl.WAVES] == 0.0:
                m[pl.COIL], m[pl.CLAMPED] = 0.0, 0.0
            elif begins:
                begin_packet(end, m, record, ledger)
        if m[pl.CONDUCTS] < 0.5:
            if record.shape[0] == 0 and coast(until, m, breaks):
                return REACHED
            if not m[pl.STEP_SIZE] > 0.0:
                m[pl.STEP_SIZE] = FIRST_SHARE * (end - m[pl.TIME])
            asked = min(end, m[pl.QUIET]) if m[pl.QUIET] > m[pl.TIME] else end
            code = march_blocked(asked, m, record, ledger)
        else:
            if m[pl.KIND] == at.SAMPLED:
                settle(m)
            code = march_conducting(end, m, record, ledger)
        if code != REACHED:
            return code
        if m[pl.STEPS] > STEP_LIMIT or not math.isfinite(m[pl.CHARGE]):
            return FAILED
    return REACHED

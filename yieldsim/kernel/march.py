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
from yieldsim.kernel.recorder import record_blocked, record_step

# --- entries of the state [unit] -----------------------------------------------------------------------------------
(
    TIME,  # [s]
    CHARGE,  # [C]
    COIL,  # magnitude of the coil current [A]
    POLARITY,  # of the coil current while it runs, +1 or -1
    CONDUCTS,  # 1 while the bridge conducts
    CLAMPED,  # 1 while the clamp holds the store
    NEXT,  # index of the next break point of the source
    STEP_SIZE,  # next step to try [s]
    STEPS,  # steps made
) = range(9)
STATE = 9
# --- entries of the watch: what is looked for and what was seen ------------------------------------------------------
(
    CEILING,  # stop when V_in rises through it, inf for not [V]
    FLOOR,  # stop when V_in falls below it, -inf for not [V]
    NEED,  # V_need of the running step, -inf when none runs [V]
    LEAST,  # least V_in - V_need since it was set [V]
    FIRST_BELOW,  # time at which V_in - V_need first fell below zero, inf when it did not [s]
    TOP_INPUT,  # highest V_in [V]
    TOP_CURRENT,  # highest diode current [A]
    TOP_REVERSE,  # highest reverse voltage of a diode [V]
    PLATEAU,  # rise of V_in that counts as a new top: on a plateau the first instant stands [V]
    TOP_SHARE,  # where in the step that began at the kept state V_in was highest [s]
    PHASE,  # what runs, for the record and the ledger
    LEDGER_COLUMN,  # of the running step, -1 when none runs
) = range(12)
WATCH = 12

REACHED, ROSE, FELL, FAILED = 0, 1, 2, 3
STEP_LIMIT = 200000.0
# A bridge that has just stopped conducting starts again only above this excess [V], and stops only below this current
# [A]: without them rounding at the very zero of the current could switch it back and forth.
ONSET = 1e-7
# How close to its level a located event must lie [V].
CLOSE = 1e-8
# Longest step as a phase of the half-sine [rad]: what the step's own error estimate cannot see of a coil current that
# follows the emf at once.
LONGEST_PHASE = 0.3
STOPPED = -1e-9


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


@compiled
def excess(t, dt, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Voltage [V] by which |e| stands above what blocks the bridge at ``t + dt``, drained from charge ``q`` at ``t``.

    A single diode conducts one polarity alone: the emf then counts with its sign.
    """
    e = st.emf_at(t + dt, kind, wave, waves)
    left = charge_after(q, dt, accuracy, c, demand, bias, bias_step)
    v_in, _, _ = st.input_voltage(0.0, left, c, demand, bias, bias_step)
    return (e if c[ct.JUNCTIONS] < 1.5 else abs(e)) - v_in - c[ct.DROP]


@compiled
def find_onset(t, span, left, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Time [s] after ``t`` at which the bridge begins to conduct within ``span``, or ``span`` when it does not.

    ``left`` is the charge at the end of a span without conduction. Break points stand at the peak of every stroke: the
    excess rises with the emf before it, and behind it has at most one summit (the emf is concave there while the store
    drains), which three inner points and a parabola find.
    """
    if kind == at.NO_SOURCE:
        return span
    v_end, _, _ = st.input_voltage(0.0, left, c, demand, bias, bias_step)
    e0, e1 = st.emf_at(t, kind, wave, waves), st.emf_at(t + span, kind, wave, waves)
    if waves <= 1 and max(abs(e0), abs(e1)) <= v_end + c[ct.DROP]:
        return span  # the emf is monotone between its break points, and the store falls
    low, before, y_before, y_low = 0.0, -1.0, 0.0, 0.0
    bracket_low, bracket_high, y_bracket_low, y_bracket_high = -1.0, -1.0, 0.0, 0.0
    parts = 1 if waves == 1 and abs(e1) > abs(e0) and e0 * e1 >= 0.0 else 4
    for k in range(parts + 1):
        high = span * k / parts
        y_high = excess(t, high, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
        if k == 0:
            if y_high > ONSET:
                return 0.0
            y_low = min(y_high, 0.0)
            continue
        if y_high <= 0.0 and before >= 0.0 and y_low > y_before and y_low > y_high:
            # a summit within the last two parts: the vertex of the parabola through the three points
            top = low - 0.5 * (span / parts) * (y_high - y_before) / (y_before - 2.0 * y_low + y_high)
            y_top = excess(t, top, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
            if y_top > 0.0:
                bracket_low, y_bracket_low, bracket_high, y_bracket_high = before, y_before, top, y_top
                break
        if y_high > 0.0:
            bracket_low, y_bracket_low, bracket_high, y_bracket_high = low, y_low, high, y_high
            break
        before, y_before = low, y_low
        low, y_low = high, y_high
    if bracket_high < 0.0:
        return span
    return onset_between(
        t, bracket_low, y_bracket_low, bracket_high, y_bracket_high,
        q, kind, wave, waves, accuracy, c, demand, bias, bias_step,
    )  # fmt: skip


@compiled
def onset_between(t, low, y_low, high, y_high, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Time after ``t`` at which conduction begins, between ``low`` (blocked) and ``high`` (not): regula falsi [s]."""
    side = 0
    x = high
    for _ in range(80):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        y = excess(t, x, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
        if abs(y) <= 1e-11 or high - low <= 1e-14:
            break
        if y < 0.0:
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
def first_crossing(
    sign, level, what, t, h, i, q, polarity, kind, wave, waves, out, samples, c, demand, bias, bias_step, loss
):
    """Share of the step at which a quantity first passes ``level`` in the direction ``sign``, or 2 when it does not.

    ``what``: 0 coil current, 1 charge, 2 V_in, 3 net current into a clamped store: a row of ``samples`` (4, 4).
    """
    y0, y1, y2, y3 = samples[what, 0], samples[what, 1], samples[what, 2], samples[what, 3]
    low, y_low = 0.0, sign * (y0 - level)
    if y_low > 0.0:
        return 0.0
    high, y_high = 2.0, 0.0
    x1, x2 = -1.0, -1.0
    if what == 2 and bends(y0, y1, y2, y3):  # V_in may touch the level between the samples
        x1, x2 = st.cubic_extremes(y0, y1, y2, y3)
    for k in range(1, 6):
        x = k / 3.0 if k < 4 else (x1 if k == 4 else x2)
        if not 0.0 < x <= 1.0 or x >= high:
            continue
        y = (
            sign * (samples[what, k] - level)
            if k < 4
            else sign
            * (
                quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss)
                - level
            )
        )
        if y > 0.0:
            high, y_high = x, y
            if low >= high:
                low, y_low = 0.0, sign * (y0 - level)
        elif x > low:
            low, y_low = x, y
    if high > 1.0:
        return 2.0
    side = 0
    x = high
    for _ in range(80):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        y = sign * (
            quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss) - level
        )
        if high - low <= 1e-13 or (y >= 0.0 and y <= 1e-13 * (1.0 + abs(level))):
            break
        if y < 0.0:
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
def quantity_at(x, what, t, h, i, q, polarity, kind, wave, waves, out, c, demand, bias, bias_step, loss):
    """Coil current, charge, V_in or net current of a clamped store at the share ``x`` of a step; see
    `first_crossing`.
    """
    ix, qx = st.point(x, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
    if what == 0:
        return ix
    if what == 1:
        return qx
    v_in, _, drawn = st.input_voltage(ix, qx, c, demand, bias, bias_step)
    if what == 2:
        return v_in
    return ix - drawn - loss


@compiled
def accepted_step(state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, out):
    """Make one step whose error is within the accuracy; returns its size [s], or -1 when it cannot be made."""
    t, i, q = state[TIME], state[COIL], state[CHARGE]
    if kind == at.HALF_SINE and waves > 0:
        state[STEP_SIZE] = min(state[STEP_SIZE], LONGEST_PHASE / wave[0, st.WAVE_RATE])
    h = min(state[STEP_SIZE], until - t)
    _, v_q = ct.store_voltage(q, c[ct.C_STORE], bias, bias_step)
    clamped = state[CLAMPED] > 0.5
    resistance = c[ct.R_COIL] + c[ct.R_DIODE] + c[ct.R_ESR]
    for _ in range(60):
        st.step(t, h, i, q, state[POLARITY], kind, wave, waves, c, demand, bias, bias_step, clamped, out)
        error = max(abs(out[3]) * v_q, CURRENT_WEIGHT * abs(out[2]) * resistance, abs(out[2]) * c[ct.R_ESR])
        ratio = error / (LOCAL_SHARE * accuracy)
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


# Shares of the accuracy allowed to one step: measured, so that the whole actuation keeps within it.
LOCAL_SHARE = 0.02
CURRENT_WEIGHT = 0.05


@compiled
def sample(t, h, i, q, loss, polarity, kind, wave, waves, c, demand, bias, bias_step, out, samples):
    """Fill ``samples`` (4, 4): coil current, charge, V_in and net current of a clamped store at 0, 1/3, 2/3 and 1."""
    for k in range(4):
        ik, qk = st.point(k / 3.0, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
        v_in, _, drawn = st.input_voltage(ik, qk, c, demand, bias, bias_step)
        samples[0, k], samples[1, k], samples[2, k], samples[3, k] = ik, qk, v_in, ik - drawn - loss


@compiled
def first_event(state, h, kind, wave, waves, c, watch, demand, bias, bias_step, out, samples, loss):
    """Return the first event within a step just made, 0 for none, and the share of the step at which it happens.

    1 the coil current ends, 2 the clamp takes hold, 3 it lets go, 4 V_in rises through the ceiling, 5 falls to the
    floor.
    """
    event, cut = 0, 1.0
    clamped = state[CLAMPED] > 0.5
    for k in range(1, 6):
        sign, level, what = 1.0, 0.0, 0
        if k == 1:
            if min(samples[0, 1], samples[0, 2], samples[0, 3]) >= STOPPED:
                continue
            sign = -1.0
        elif k == 2:
            if clamped or c[ct.CLAMP_CHARGE] == math.inf:
                continue
            level, what = c[ct.CLAMP_CHARGE], 1
        elif k == 3:
            if not clamped:
                continue
            sign, what = -1.0, 3
        elif k == 4:
            if watch[CEILING] == math.inf:
                continue
            level, what = watch[CEILING], 2
        else:
            if watch[FLOOR] == -math.inf:
                continue
            sign, level, what = -1.0, watch[FLOOR], 2
        x = first_crossing(
            sign, level, what, state[TIME], h, state[COIL], state[CHARGE], state[POLARITY],
            kind, wave, waves, out, samples, c, demand, bias, bias_step, loss,
        )  # fmt: skip
        if x < cut or (x == cut and k >= 4):
            event, cut = k, x
    return event, cut


@compiled
def missed(event, x, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out):
    """By how much an event is missed at the share ``x`` of a step: [V], for the release of the clamp [A]."""
    ix, qx = st.point(x, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
    v_in, v, drawn = st.input_voltage(ix, qx, c, demand, bias, bias_step)
    if event == 2:
        return v - c[ct.CLAMP]
    if event == 3:
        return ix - drawn - ct.leakage(c[ct.CLAMP], c)
    return v_in - (watch[CEILING] if event == 4 else watch[FLOOR])


@compiled
def step_to_event(event, h, longest, state, kind, wave, waves, c, watch, demand, bias, bias_step, clamped, out):
    """Make the step again so that it ends at the event; returns its size [s].

    The dense output places the event, to its own order; a secant on whole steps then meets it to the order of the step.
    The end of the coil current alone needs no better place.
    """
    t, i, q, polarity = state[TIME], state[COIL], state[CHARGE], state[POLARITY]
    if h <= 0.0:
        out[:] = 0.0
        out[0], out[1] = i, q
        return 0.0
    before, miss_before = 0.0, 0.0
    for trial in range(7):
        st.step(t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, clamped, out)
        if event == 1:
            break
        if trial == 0:  # the first slope is that of the step's end, the next ones are secants
            before = 0.9 * h
            miss_before = missed(
                event, 0.9, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out
            )
        miss = missed(event, 1.0, t, h, i, q, polarity, kind, wave, waves, c, watch, demand, bias, bias_step, out)
        if abs(miss) <= CLOSE or trial == 6 or h == before or miss == miss_before:
            break
        change = miss * (h - before) / (miss - miss_before)
        before, miss_before = h, miss
        h = min(max(h - change, 0.5 * h), longest)
    return h


@inlined
def march_conducting(
    state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, watch, record, ledger, out, samples, kept
):
    """Make one step while the bridge conducts, cut at the first event within it."""
    t, i, q = state[TIME], state[COIL], state[CHARGE]
    h = accepted_step(state, until, wave, waves, kind, accuracy, c, demand, bias, bias_step, out)
    if h < 0.0:
        return FAILED
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
    if event == 1:
        state[CONDUCTS], state[COIL], state[CLAMPED] = 0.0, 0.0, 0.0
        return REACHED
    if event == 2:
        state[CLAMPED], state[CHARGE] = 1.0, c[ct.CLAMP_CHARGE]
    elif event == 3:
        state[CLAMPED] = 0.0
    settle(state, wave, waves, kind, c, demand, bias, bias_step)
    if event == 4:
        return ROSE
    return FELL if event == 5 else REACHED


@inlined
def settle(state, wave, waves, kind, c, demand, bias, bias_step):
    """Put the current of a coil without inductance on its loop equation again."""
    if c[ct.COIL_L] == 0.0 and state[CONDUCTS] > 0.5:
        e = st.emf_at(state[TIME], kind, wave, waves)
        current = st.loop_current(state[COIL], state[CHARGE], state[POLARITY] * e, c, demand, bias, bias_step)
        state[COIL] = max(current, 0.0)


@inlined
def bends(y0, y1, y2, y3):
    """Whether the cubic through y at 0, 1/3, 2/3, 1 turns within the step."""
    first = -11.0 * y0 + 18.0 * y1 - 9.0 * y2 + 2.0 * y3
    last = -2.0 * y0 + 9.0 * y1 - 18.0 * y2 + 11.0 * y3
    rising = first > 0.0 and y1 > y0 and y2 > y1 and y3 > y2 and last > 0.0
    falling = first < 0.0 and y1 < y0 and y2 < y1 and y3 < y2 and last < 0.0
    return not (rising or falling)


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
            if waves > 0 and not state[STEP_SIZE] > 0.0:
                state[STEP_SIZE] = 0.25 * (end - state[TIME])
            code = march_blocked(
                state, end, wave, waves, kind, accuracy, c, demand, bias, bias_step, watch, record, ledger, kept
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

"""One actuation, from the release of the mechanism to its outcome, as a chain of legs.

The regulator is off until V_in rises through V_start; the start delay and the steps of the load sequence follow, on
and on as if the supply could not brown out, so that the margins of a failed actuation say how far it failed. An
actuation that
never starts is forced to start at the instant of its highest V_in, for the same reason. Then the radio is held on until
V_in meets its need. Two more legs go back to a kept state with the load off: what the store sees after the sequence,
and
what it would have seen without any load (the start margin).

A *real* run is the same chain with a brown-out that ends the load; it is what the recorder shows.
"""

import math

import numpy as np

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import march as mt
from yieldsim.kernel import state as sv
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.top import go_to_top

TAIL = 0.5  # how long after the last stroke the radio may be held on before the hold-up is capped [s]
OFF, START, STEP, HOLD, AFTER, ALONE, REST, DONE = range(8)  # legs

# --- entries of the journey: what one leg leaves for the next ---------------------------------------------------------
(
    LAST,  # end of the last stroke [s]
    HORIZON,  # until which the radio is held on [s]
    SEGMENT_AT,  # index of the running segment
    STARTED,  # 1 when V_in reached V_start
    FAILED_STEP,  # step of the first violation, -1 for none
    ACKNOWLEDGED,  # 1 when the sequence ends with an acknowledgement
    REST_END,  # end of the record of a real run [s]
    TOP_OFF,  # highest V_in, diode current and reverse voltage up to the start
    CURRENT_OFF,
    REVERSE_OFF,
    TOP_RUN,  # the same up to the end of the sequence
    CURRENT_RUN,
    REVERSE_RUN,
) = range(13)
JOURNEY = 13


@inlined
def fill_source(design, x, source, breaks, waves_table):
    """Fill the half-sines, or the scaled waveform, and the sorted break points; returns the end of the last stroke
    [s].
    """
    if design.source == at.NO_SOURCE:
        return 0.0
    if design.source == at.SAMPLED:
        speed = x[at.SPEED]
        for k in range(waves_table.shape[1]):
            waves_table[0, k] = design.waveform[0, k] / speed
            waves_table[1, k] = design.waveform[1, k] * speed * x[at.WAVEFORM_SCALE]
            breaks[k] = waves_table[0, k]
        return breaks[-1]
    last = 0.0
    strokes = design.strokes.shape[0]
    for k in range(strokes):
        base = at.FIXED + at.PER_STROKE * k
        speed = x[design.strokes[k, 1]]
        width = x[design.strokes[k, 0]] / speed
        start = x[base + at.STROKE_START]
        source[k, 0] = x[at.PEAK_EMF] * speed * x[base + at.STROKE_LINKAGE]
        source[k, 1] = math.pi / width
        source[k, 2] = start
        source[k, 3] = start + width
        breaks[3 * k], breaks[3 * k + 1], breaks[3 * k + 2] = start, start + 0.5 * width, start + width
        last = max(last, start + width)
    for k in range(1, 3 * strokes):  # insertion sort: sorted already, unless strokes overlap in this draw
        value = breaks[k]
        m = k
        while m > 0 and breaks[m - 1] > value:
            breaks[m] = breaks[m - 1]
            m -= 1
        breaks[m] = value
    return last


@inlined
def stroke_at(design, source, t):
    """Index of the stroke that was last begun at time ``t`` [s]; -1 before the first."""
    found = -1
    if design.source == at.SAMPLED:
        return 0
    for k in range(source.shape[0]):
        if source[k, 2] <= t and (found < 0 or source[k, 2] >= source[found, 2]):
            found = k
    return found


@inlined
def reset_state(state, watch, x, c, design, accuracy):
    """Set the state at the release and clear the watch."""
    state[:] = 0.0
    state[sv.CHARGE] = ct.store_charge(x[at.INITIAL_VOLTAGE], c[ct.C_STORE], design.bias, design.bias_step)
    state[sv.POLARITY] = 1.0
    watch[sv.CEILING] = math.inf
    watch[sv.FLOOR] = -math.inf
    watch[sv.NEED] = -math.inf
    watch[sv.LEAST] = math.inf
    watch[sv.FIRST_BELOW] = math.inf
    watch[sv.TOP_INPUT] = -math.inf
    watch[sv.TOP_CURRENT] = 0.0
    watch[sv.TOP_REVERSE] = 0.0
    watch[sv.TOP_SHARE] = 0.0
    watch[sv.PLATEAU] = 0.002 * accuracy
    watch[sv.PHASE] = float(at.OFF_PHASE)
    watch[sv.LEDGER_COLUMN] = -1.0


@inlined
def set_step(segment, c, demand, watch, steps, real):
    """Set demand and watch for one segment of the sequence."""
    ct.demand_step(
        c, demand, segment[link.SEG_CURRENT], segment[link.SEG_SLOPE], segment[link.SEG_AT], segment[link.SEG_MINIMUM]
    )
    watch[sv.NEED] = ct.needed_input(c, demand, segment[link.SEG_MINIMUM])
    watch[sv.FLOOR] = watch[sv.NEED] if real else -math.inf
    watch[sv.PHASE] = segment[link.SEG_STEP]
    step = int(segment[link.SEG_STEP])
    watch[sv.LEDGER_COLUMN] = float(at.LED_STEPS + (steps if step == at.CHANNEL_ACCESS else step))
    watch[sv.LEAST] = math.inf


@inlined
def set_unloaded(c, demand, watch):
    """Set demand and watch for the regulator off."""
    ct.demand_off(c, demand)
    watch[sv.PHASE] = float(at.OFF_PHASE)
    watch[sv.LEDGER_COLUMN] = -1.0
    watch[sv.NEED] = -math.inf
    watch[sv.FLOOR] = -math.inf


@inlined
def held_segment(design, segments, count):
    """Index of the segment whose load is held on: the last listening one, else the last that belongs to completion."""
    for back in range(count):
        step = int(segments[count - 1 - back, link.SEG_STEP])
        if step != at.CHANNEL_ACCESS and design.steps[step, at.STEP_KIND] == at.LISTEN_STEP:
            return count - 1 - back
    return count - 1


@inlined
def set_leg(leg, design, w, real, record, ledger):
    """Set demand and watch for a leg; returns the time at which it ends at the latest [s]."""
    c, demand, watch, state, journey = w.circuit, w.demand, w.watch, w.state, w.journey
    t = state[sv.TIME]
    if leg == START:
        watch[sv.PHASE] = float(at.START_PHASE)
        watch[sv.LEDGER_COLUMN] = -1.0
        if c[ct.DELAY] > 0.0:
            ct.demand_starting(c, demand)
        else:
            charge_output(design, w, record, ledger)
        return t + c[ct.DELAY]
    if leg == STEP:
        segment = w.segments[int(journey[SEGMENT_AT])]
        set_step(segment, c, demand, watch, design.steps.shape[0], real)
        return t + segment[link.SEG_DURATION]
    if leg == HOLD:
        segment = w.segments[held_segment(design, w.segments, w.counts[1])]
        set_step(segment, c, demand, watch, design.steps.shape[0], True)
        watch[sv.FIRST_BELOW] = math.inf
        return max(journey[HORIZON], t)
    set_unloaded(c, demand, watch)
    if leg == REST:
        return max(journey[REST_END], journey[LAST])
    if t < journey[LAST]:
        return journey[LAST]
    # the current left in the coil runs out through the bridge: a few of its time constants at a time
    resistance = c[ct.R_COIL] + c[ct.R_DIODE] + c[ct.R_ESR]
    return t + max(8.0 * c[ct.COIL_L] / max(resistance, 1e-9), 1e-6) if state[sv.CONDUCTS] > 0.5 else t


@inlined
def charge_output(design, w, record, ledger):
    """Take the charge of the output capacitor at once: a start without delay."""
    c, state = w.circuit, w.state
    before = state[sv.CHARGE]
    if c[ct.REGULATOR] == at.BUCK:
        energy = 0.5 * c[ct.C_OUT] * c[ct.V_SET] ** 2 / c[ct.ETA]
        state[sv.CHARGE] = ct.energy_taken(before, energy, c, design.bias, design.bias_step)
    else:
        state[sv.CHARGE] = before - c[ct.C_OUT] * c[ct.V_SET]
    if state[sv.CHARGE] < before:
        state[sv.CLAMPED] = 0.0
    if record.shape[0] > 0:
        ledger[at.LED_REGULATOR] += ct.store_energy(
            before, c[ct.C_STORE], design.bias, design.bias_step
        ) - ct.store_energy(state[sv.CHARGE], c[ct.C_STORE], design.bias, design.bias_step)


@inlined
def next_leg(leg, code, design, w, real, full, values, codes):
    """Take up what a leg found and name the one that follows."""
    c, watch, state, journey = w.circuit, w.watch, w.state, w.journey
    if leg in (OFF, AFTER, ALONE) and code == mt.REACHED and state[sv.CONDUCTS] > 0.5:
        if state[sv.TIME] < journey[LAST] + TAIL:
            return leg
    if leg == OFF:
        return after_off(code, design, w, real, values, codes)
    if leg == START:
        watch[sv.FIRST_BELOW] = math.inf
        return STEP if start_of_step(w, real) else REST
    if leg == STEP:
        return after_step(code, design, w, real, full, values, codes)
    if leg == HOLD:
        values[at.HOLD_UP] = state[sv.TIME] - values[at.SEQUENCE_END]
        codes[at.HOLD_UP_CAPPED] = 1 if code == mt.REACHED else 0
        return leg_of_peaks(w, values, full, True)
    if leg == AFTER:
        take_peaks(watch, values, at.PEAK_VOLTAGE)
        return leg_of_peaks(w, values, full, False)
    if leg == ALONE:
        values[at.START_MARGIN] = max(go_to_top(design, w) - c[ct.V_START], 0.0)
        if journey[FAILED_STEP] >= 0.0 and values[at.BROWN_OUT_TIME] < journey[LAST]:
            # The brown-out shed the load while the source still gave: the peaks of the store alone are the upper bound
            # of what it then sees.
            take_peaks(watch, values, at.PEAK_VOLTAGE)
        return DONE
    return DONE


@inlined
def start_of_step(w, real):
    """Whether the next segment can begin in a real run: its supply is not too low by itself."""
    c = w.circuit
    minimum = w.segments[int(w.journey[SEGMENT_AT]), link.SEG_MINIMUM]
    return not (real and c[ct.REGULATOR] != at.DIRECT and c[ct.V_SET] < minimum)


@inlined
def take_peaks(watch, values, first):
    """Raise three peaks of the row to those of the watch."""
    values[first] = max(values[first], watch[sv.TOP_INPUT])
    values[first + 1] = max(values[first + 1], watch[sv.TOP_CURRENT])
    values[first + 2] = max(values[first + 2], watch[sv.TOP_REVERSE])


@inlined
def keep_peaks(watch, journey, first):
    """Keep the three peaks seen so far in the journey."""
    journey[first], journey[first + 1], journey[first + 2] = (
        watch[sv.TOP_INPUT],
        watch[sv.TOP_CURRENT],
        watch[sv.TOP_REVERSE],
    )


@inlined
def set_peaks(watch, journey, first):
    """Let the watch go on from three peaks kept before."""
    watch[sv.TOP_INPUT], watch[sv.TOP_CURRENT], watch[sv.TOP_REVERSE] = (
        journey[first],
        journey[first + 1],
        journey[first + 2],
    )


@inlined
def after_off(code, design, w, real, values, codes):
    """The regulator starts, or never does and is forced to at the highest V_in; a real run then only rests."""
    c, watch, state, journey = w.circuit, w.watch, w.state, w.journey
    watch[sv.CEILING] = math.inf
    keep_peaks(watch, journey, TOP_OFF)
    keep_peaks(watch, journey, TOP_RUN)
    if code == mt.ROSE:
        journey[STARTED] = 1.0
        values[at.START_TIME] = state[sv.TIME]
        codes[at.START_STROKE] = stroke_at(design, w.source, state[sv.TIME])
        w.at_start[:] = state
        return START
    if real:
        journey[REST_END] = max(state[sv.TIME], journey[LAST]) * 1.2 + 1e-4
        return REST
    values[at.START_MARGIN] = min(go_to_top(design, w) - c[ct.V_START], -5e-324)
    return START


@inlined
def after_step(code, design, w, real, full, values, codes):
    """Take the margins of a segment; the next one follows, or the radio is held on, or peaks are looked for."""
    c, watch, state, journey = w.circuit, w.watch, w.state, w.journey
    k = int(journey[SEGMENT_AT])
    journey[SEGMENT_AT] = float(k + 1)
    if real:
        journey[REST_END] = 1.1 * state[sv.TIME]
        more = code == mt.REACHED and k + 1 < w.counts[0]
        return STEP if more and start_of_step(w, real) else REST
    segment = w.segments[k]
    step = int(segment[link.SEG_STEP])
    v_in, v, drawn = st.input_voltage(state[sv.COIL], state[sv.CHARGE], c, w.demand, design.bias, design.bias_step)
    least = min(watch[sv.LEAST], v_in - watch[sv.NEED])
    if c[ct.REGULATOR] != at.DIRECT and c[ct.V_SET] < segment[link.SEG_MINIMUM]:
        # the regulated supply itself is too low for this step
        least = min(least, c[ct.V_SET] - segment[link.SEG_MINIMUM])
        watch[sv.FIRST_BELOW] = min(watch[sv.FIRST_BELOW], state[sv.TIME] - segment[link.SEG_DURATION])
    if k == 0 or least < values[at.RUN_MARGIN]:
        values[at.RUN_MARGIN] = least
        codes[at.RUN_STEP] = step
    if least < 0.0 and journey[FAILED_STEP] < 0.0:
        journey[FAILED_STEP] = float(step)
        watch[sv.FIRST_BELOW] = min(watch[sv.FIRST_BELOW], state[sv.TIME])
    if k == 0 or v_in - watch[sv.NEED] < values[at.RESERVE]:
        values[at.RESERVE] = v_in - watch[sv.NEED]
        values[at.RESERVE_STORE] = v
        values[at.RESERVE_CURRENT] = drawn
        codes[at.RESERVE_STEP] = step
    if segment[link.SEG_DELIVERS] > 0.5 and journey[FAILED_STEP] < 0.0:
        codes[at.DELIVERED] = 1
    if k + 1 < w.counts[1]:
        return STEP
    values[at.SEQUENCE_END] = state[sv.TIME]
    if journey[STARTED] > 0.5:
        keep_peaks(watch, journey, TOP_RUN)
    w.at_end[:] = state
    values[at.PEAK_VOLTAGE] = journey[TOP_RUN]
    values[at.PEAK_CURRENT] = journey[CURRENT_RUN]
    values[at.PEAK_REVERSE] = journey[REVERSE_RUN]
    if journey[FAILED_STEP] < 0.0:
        return HOLD
    values[at.HOLD_UP] = watch[sv.FIRST_BELOW] - state[sv.TIME]
    values[at.BROWN_OUT_TIME] = watch[sv.FIRST_BELOW]
    return leg_of_peaks(w, values, full, False)


@inlined
def leg_of_peaks(w, values, full, after):
    """Name the leg that looks for peaks still missing: after the sequence, or of the store alone for the start
    margin.
    """
    c, journey, watch = w.circuit, w.journey, w.watch
    if journey[STARTED] < 0.5:
        return DONE
    if after and values[at.SEQUENCE_END] < journey[LAST]:
        w.state[:] = w.at_end
        set_peaks(watch, journey, TOP_RUN)
        return AFTER
    shed = journey[FAILED_STEP] >= 0.0 and values[at.BROWN_OUT_TIME] < journey[LAST]
    if full or shed or journey[TOP_RUN] - c[ct.V_START] < values[at.RUN_MARGIN]:
        w.state[:] = w.at_start
        w.kept[:] = w.at_start
        set_peaks(watch, journey, TOP_OFF)
        watch[sv.TOP_SHARE] = 0.0
        return ALONE
    return DONE


@inlined
def release(design, w, accuracy, values, codes):
    """Set everything at the release of the mechanism; returns the first leg."""
    c, watch, state, journey = w.circuit, w.watch, w.state, w.journey
    values[:] = math.nan
    codes[:] = 0
    codes[at.OUTCOME] = at.NOT_FINISHED
    codes[at.START_STROKE] = -1
    codes[at.ATTEMPTS_USED] = w.counts[2]
    journey[:] = 0.0
    journey[ACKNOWLEDGED] = float(w.counts[3])
    journey[FAILED_STEP] = -1.0
    journey[LAST] = fill_source(design, w.x, w.source, w.breaks, w.waves_table)
    journey[HORIZON] = journey[LAST] + TAIL
    reset_state(state, watch, w.x, c, design, accuracy)
    set_unloaded(c, w.demand, watch)
    v_in, _, _ = st.input_voltage(0.0, state[sv.CHARGE], c, w.demand, design.bias, design.bias_step)
    watch[sv.TOP_INPUT] = v_in
    w.kept[:] = state
    if v_in >= c[ct.V_START]:
        return after_off(mt.ROSE, design, w, False, values, codes)
    watch[sv.CEILING] = c[ct.V_START]
    return OFF


@inlined
def begin_ledger(design, w, record, ledger):
    """Empty record and ledger and book what the store holds at the release."""
    record[0, 0] = 0.0
    ledger[:] = 0.0
    ledger[at.LED_INITIAL] = ct.store_energy(w.state[sv.CHARGE], w.circuit[ct.C_STORE], design.bias, design.bias_step)


@inlined
def end_ledger(design, w, ledger):
    """Book what is left in store and coil."""
    ledger[at.LED_STORE] = ct.store_energy(w.state[sv.CHARGE], w.circuit[ct.C_STORE], design.bias, design.bias_step)
    ledger[at.LED_COIL_LEFT] = 0.5 * w.circuit[ct.COIL_L] * w.state[sv.COIL] ** 2


@inlined
def finish_codes(journey, values, codes):
    """Fill the voltage margin, the times and the outcome."""
    run = values[at.RUN_MARGIN]
    start = values[at.START_MARGIN]
    values[at.VOLTAGE_MARGIN] = run if math.isnan(start) else min(start, run)
    if not (math.isfinite(run) and math.isfinite(values[at.RESERVE]) and math.isfinite(values[at.HOLD_UP])):
        codes[at.OUTCOME] = at.NOT_FINISHED
        codes[at.DELIVERED] = 0
        return
    if journey[STARTED] < 0.5:
        codes[at.OUTCOME] = at.NEVER_STARTED
        codes[at.DELIVERED] = 0
        return
    values[at.RUN_TIME] = values[at.SEQUENCE_END] + values[at.HOLD_UP] - values[at.START_TIME]
    if journey[FAILED_STEP] >= 0.0:
        codes[at.OUTCOME] = at.BROWN_OUT + int(journey[FAILED_STEP])
        return
    codes[at.SUFFICED] = 1
    if journey[ACKNOWLEDGED] < 0.5:
        codes[at.OUTCOME] = at.UNACKNOWLEDGED
        return
    codes[at.OUTCOME] = at.COMPLETE
    values[at.COMPLETE_TIME] = values[at.SEQUENCE_END]


def ledger_size(steps: int) -> int:
    """Return the number of ledger columns of a design with so many steps."""
    return at.LED_STEPS + steps + 1


def record_room(rows: int) -> np.ndarray:
    """Return an empty record with room for so many points."""
    return np.zeros((rows + 1, at.RECORD))

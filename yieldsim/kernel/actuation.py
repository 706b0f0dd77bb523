"""One actuation, from the release of the mechanism to its outcome, as a chain of legs.

The regulator is off until V_in rises through V_start; the start delay and the steps of the load sequence follow, on
and on as if the supply could not brown out, so that the margins of a failed actuation say how far it failed. An
actuation that never starts is forced to start at the instant of its highest V_in, for the same reason. Then the radio
is held on until V_in meets its need. Two more legs go back to a kept state with the load off: what the store sees after
the sequence, and what it would have seen without any load (the start margin).

Where the regulator may start again, a failed start is retraced as it really went, to its brown-out, and the chain goes
on from there with the regulator off. The row tells of the best start.

A *real* run is the same chain with brown-outs that end the load; it is what the recorder shows.
"""

import math

import numpy as np

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import march as mt
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import energy_taken, leakage, store_charge, store_energy
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import PLATEAU_SHARE
from yieldsim.kernel.demand import demand_off, demand_starting
from yieldsim.kernel.drain import charge_at_release
from yieldsim.kernel.sequence import (
    begin_sequence,
    goes_on,
    held_segment,
    hold_out,
    run_out,
    set_step,
    start_of_step,
    stops_here,
    take_margins,
    too_low,
)
from yieldsim.kernel.source import stroke_at
from yieldsim.kernel.top import go_to_top

TAIL = 0.5  # how long after the last stroke the radio may be held on before the hold-up is capped [s]
MOST_STARTS = 50  # of one actuation
DIED_OUT = 1e-9  # current of a piezoelectric source that charges nothing any more [A]
REFINEMENT, AT_ONCE = 0.002, 0.1  # of the accuracy, see `refine`
OFF, START, STEP, HOLD, AFTER, ALONE, REST, DONE = range(8)  # legs


@apart
def reset_memory(m, x):
    """Set the state at the release and clear the watch and the journey."""
    for k in range(pl.STATE_SIZE):
        m[pl.STATE + k] = 0.0
    m[pl.POLARITY] = 1.0
    m[pl.INFLOW] = 0.0
    m[pl.WAVES] = 0.0
    demand_off(m)
    q = store_charge(x[at.INITIAL_VOLTAGE], m)
    if x[at.TIME_SINCE] > 0.0 or x[at.PRECHARGE_TIME] > 0.0:
        q = charge_at_release(
            q, x[at.TIME_SINCE], x[at.PRECHARGE_TIME], x[at.PRECHARGE_CURRENT], x[at.PRECHARGE_LIMIT], m
        )
    m[pl.CHARGE] = min(q, m[pl.CLAMP_CHARGE])
    m[pl.CEILING] = math.inf
    m[pl.FLOOR] = -math.inf
    m[pl.NEED] = -math.inf
    m[pl.LEAST] = math.inf
    m[pl.FIRST_BELOW] = math.inf
    m[pl.TOP_CURRENT] = 0.0
    m[pl.TOP_REVERSE] = 0.0
    m[pl.TOP_SHARE] = 0.0
    m[pl.PLATEAU] = PLATEAU_SHARE * m[pl.ACCURACY]
    m[pl.PHASE] = float(at.OFF_PHASE)
    m[pl.LEDGER_COLUMN] = -1.0
    m[pl.STARTED] = 0.0
    m[pl.RETRACED] = 0.0
    m[pl.REFINED] = 0.0


@inlined
def set_unloaded(m):
    """Set demand and watch for the regulator off."""
    demand_off(m)
    m[pl.PHASE] = float(at.OFF_PHASE)
    m[pl.LEDGER_COLUMN] = -1.0
    m[pl.NEED] = -math.inf
    m[pl.FLOOR] = -math.inf


@apart
def set_leg(leg, m, segments, efficiency_curve, steps, real, record, ledger):
    """Set demand and watch for a leg; returns the time at which it ends at the latest [s]."""
    t = m[pl.TIME]
    strict = real or m[pl.RETRACED] > 0.5
    if leg == START:
        m[pl.PHASE] = float(at.START_PHASE)
        m[pl.LEDGER_COLUMN] = -1.0
        if m[pl.DELAY] > 0.0:
            demand_starting(m)
        else:
            charge_output(m, record, ledger)
        return t + m[pl.DELAY]
    if leg == STEP:
        segment = segments[int(m[pl.SEGMENT_AT])]
        set_step(segment, m, steps, strict, efficiency_curve)
        return t + segment[link.SEG_DURATION]
    if leg == HOLD:
        segment = segments[int(m[pl.HELD])]
        set_step(segment, m, steps, True, efficiency_curve)
        m[pl.FIRST_BELOW] = math.inf
        return max(m[pl.HORIZON], t)
    set_unloaded(m)
    if leg == REST:
        return max(m[pl.REST_END], m[pl.LAST])
    if leg == OFF and m[pl.STARTED] > 0.5:
        # the regulator starts again only when V_in rises through V_start: above it, it must first fall
        v_in, _, _ = st.input_voltage(m[pl.COIL], m[pl.CHARGE], m)
        m[pl.CEILING] = m[pl.V_START] if v_in < m[pl.V_START] else math.inf
        m[pl.FLOOR] = m[pl.V_START] if v_in >= m[pl.V_START] else -math.inf
    if t < m[pl.LAST]:
        return m[pl.LAST]
    # the current left in the coil runs out through the bridge: a few of its time constants at a time; charge left on
    # C_p is shared with the store
    resistance = max(m[pl.R_LOOP] + m[pl.ESR], 1e-9)
    span = m[pl.INERTIA] * resistance if m[pl.KIND] == at.PIEZO else m[pl.INERTIA] / resistance
    return t + max(8.0 * span, 1e-6) if m[pl.CONDUCTS] > 0.5 else t


@apart
def charge_output(m, record, ledger):
    """Take the charge of the output capacitor at once: a start without delay."""
    before = m[pl.CHARGE]
    if m[pl.REGULATOR] == at.BUCK:
        energy = 0.5 * m[pl.C_OUT] * m[pl.V_SET] * m[pl.V_SET] / m[pl.ETA]
        m[pl.CHARGE] = energy_taken(before, energy, m)
    else:
        m[pl.CHARGE] = before - m[pl.C_OUT] * m[pl.V_SET]
    if m[pl.CHARGE] < before:
        m[pl.CLAMPED] = 0.0
    if record.shape[0] > 0:
        ledger[at.LED_REGULATOR] += store_energy(before, m) - store_energy(m[pl.CHARGE], m)


@inlined
def still_rising(m):
    """Whether the source still charges the store: a current of which more flows in than is lost."""
    if m[pl.CONDUCTS] < 0.5:
        return False
    _, v, drawn = st.input_voltage(m[pl.COIL], m[pl.CHARGE], m)
    return m[pl.KIND] != at.PIEZO or m[pl.COIL] > drawn + leakage(v, m) + DIED_OUT


@apart
def next_leg(leg, code, m, segments, source, breaks, samples, real, full, values, codes):
    """Take up what a leg found and name the one that follows."""
    if leg in (OFF, AFTER, ALONE) and code == mt.REACHED and still_rising(m):
        if m[pl.TIME] < m[pl.LAST] + TAIL:
            return leg
    if leg == OFF:
        return after_off(code, m, source, breaks, samples, real, values, codes)
    if leg == START:
        m[pl.FIRST_BELOW] = math.inf
        return STEP if start_of_step(m, segments, real) else after_shed(m, real)
    if leg == STEP:
        return after_step(code, m, segments, real, full, values, codes)
    if leg == HOLD:
        values[at.HOLD_UP] = m[pl.TIME] - values[at.SEQUENCE_END]
        codes[at.HOLD_UP_CAPPED] = 1 if code == mt.REACHED else 0
        return after_start(m, full, values, codes)
    if leg == AFTER:
        take_peaks(m, values, at.PEAK_VOLTAGE)
        return leg_of_peaks(m, values, full, False)
    if leg == ALONE:
        values[at.START_MARGIN] = max(go_to_top(m, breaks, samples, source) - m[pl.V_START], 0.0)
        if m[pl.FAILED_STEP] >= 0.0 and values[at.BROWN_OUT_TIME] < m[pl.LAST]:
            # The brown-out shed the load while the source still gave: the peaks of the store alone are the upper bound
            # of what it then sees.
            take_peaks(m, values, at.PEAK_VOLTAGE)
        return DONE
    return DONE


@inlined
def take_peaks(m, values, first):
    """Raise three peaks of the row to those of the watch."""
    values[first] = max(values[first], m[pl.TOP_INPUT])
    values[first + 1] = max(values[first + 1], m[pl.TOP_CURRENT])
    values[first + 2] = max(values[first + 2], m[pl.TOP_REVERSE])


@inlined
def keep_peaks(m, place):
    """Keep the three peaks seen so far at ``place``."""
    m[place], m[place + 1], m[place + 2] = m[pl.TOP_INPUT], m[pl.TOP_CURRENT], m[pl.TOP_REVERSE]


@inlined
def set_peaks(m, place):
    """Let the watch go on from three peaks kept before."""
    m[pl.TOP_INPUT], m[pl.TOP_CURRENT], m[pl.TOP_REVERSE] = m[place], m[place + 1], m[place + 2]


@apart
def after_off(code, m, source, breaks, samples, real, values, codes):
    """The regulator starts, or never does and is forced to at the highest V_in; a real run then only rests."""
    if code == mt.FELL:
        return OFF  # it has fallen below V_start, and may rise through it again
    m[pl.CEILING] = math.inf
    if m[pl.STARTED] < 0.5:
        keep_peaks(m, pl.TOP_OFF)
        keep_peaks(m, pl.TOP_RUN)
    if code == mt.ROSE:
        m[pl.STARTED] += 1.0
        m[pl.RETRACED] = 0.0
        begin_sequence(m)
        values[at.START_TIME] = m[pl.TIME]
        codes[at.START_STROKE] = stroke_at(m, source)
        mt.keep_state(m, pl.AT_START)
        keep_peaks(m, pl.TOP_BEFORE)
        if m[pl.STARTED] < 1.5:
            mt.keep_state(m, pl.FIRST_START)
        return START
    if real:
        m[pl.REST_END] = max(m[pl.TIME], m[pl.LAST]) * 1.2 + 1e-4
        return REST
    if m[pl.STARTED] > 0.5:  # no further start: the best one stands
        take_best(m, values, codes)
        return leg_of_peaks(m, values, True, False)
    clamped = m[pl.KEPT - pl.STATE + pl.CLAMPED] > 0.5
    at_once = m[pl.DELAY] == 0.0 and m[pl.C_OUT] > 0.0
    if m[pl.REFINED] < 0.5 and (clamped or at_once):
        return refine(REFINEMENT if clamped else AT_ONCE, m)
    values[at.START_MARGIN] = min(go_to_top(m, breaks, samples, source) - m[pl.V_START], -5e-324)
    return START


@inlined
def refine(share, m):
    """Go back to the release with ``share`` of the accuracy; returns the leg.

    The highest V_in over a clamped store is the summit of its ESR's share alone: flat, so that its instant, at which
    an actuation that never starts is forced to, errs by more than its height. Where the output capacitor is charged at
    once, the source answers with a current that hangs on that instant.
    """
    m[pl.REFINED] = 1.0
    m[pl.ACCURACY] *= share
    m[pl.PLATEAU] *= share
    mt.go_back(m, pl.AT_START)
    mt.keep_state(m, pl.KEPT)
    m[pl.TOP_INPUT] = -math.inf
    m[pl.TOP_CURRENT], m[pl.TOP_REVERSE], m[pl.TOP_SHARE] = 0.0, 0.0, 0.0
    m[pl.CEILING] = m[pl.V_START]
    return OFF


@inlined
def after_shed(m, real):
    """The load was shed: the regulator may start again, or the record of a real run ends, or the retraced start did not
    fail as it had.
    """
    if real and m[pl.RESTARTS] < 0.5:
        return REST
    return OFF


@apart
def after_step(code, m, segments, real, full, values, codes):
    """Take the margins of a segment; the next one follows, or the radio is held on, or peaks are looked for."""
    k = int(m[pl.SEGMENT_AT])
    m[pl.SEGMENT_AT] = float(k + 1)
    v_in, v, drawn = st.input_voltage(m[pl.COIL], m[pl.CHARGE], m)
    if real or m[pl.RETRACED] > 0.5:
        ends = k + 1 >= int(m[pl.SEGMENTS]) or stops_here(k, v_in, m, segments)
        m[pl.REST_END] = 1.1 * m[pl.TIME]
        if code == mt.REACHED and ends:
            if real:
                return REST
            take_best(m, values, codes)  # it fails by less than the march can tell
            return leg_of_peaks(m, values, True, False)
        if code == mt.REACHED and start_of_step(m, segments, real):
            return STEP
        return after_shed(m, real)
    minimum = segments[k, link.SEG_MINIMUM]
    least = min(m[pl.LEAST], v_in - m[pl.NEED])
    if too_low(minimum, m):
        least = min(least, m[pl.V_SET] - minimum)
        m[pl.FIRST_BELOW] = min(m[pl.FIRST_BELOW], m[pl.TIME] - segments[k, link.SEG_DURATION])
    take_margins(k, least, v_in - m[pl.NEED], v, drawn, m, segments, values, codes)
    if goes_on(k, v_in, m, segments, codes) and not run_out(m, segments, values, codes):
        return STEP
    return end_sequence(m, segments, full, values, codes)


@apart
def end_sequence(m, segments, full, values, codes):
    """The sequence is over: the radio is held on, or how long before its end it failed is known."""
    values[at.SEQUENCE_END] = m[pl.TIME]
    if m[pl.STARTED] > 0.5:
        keep_peaks(m, pl.TOP_RUN)
    mt.keep_state(m, pl.AT_END)
    values[at.PEAK_VOLTAGE] = m[pl.TOP_RUN]
    values[at.PEAK_CURRENT] = m[pl.CURRENT_RUN]
    values[at.PEAK_REVERSE] = m[pl.REVERSE_RUN]
    values[at.BROWN_OUT_TIME] = math.nan
    codes[at.HOLD_UP_CAPPED] = 0
    if m[pl.FAILED_STEP] < 0.0:
        held = hold_out(m, segments)
        if held < 0.0:
            return HOLD
        values[at.HOLD_UP] = held
    else:
        values[at.HOLD_UP] = m[pl.FIRST_BELOW] - m[pl.TIME]
        values[at.BROWN_OUT_TIME] = m[pl.FIRST_BELOW]
    return after_start(m, full, values, codes)


@apart
def after_start(m, full, values, codes):
    """One start has been run to its end: it suffices, or it is retraced for the next one, or all is told."""
    failed = m[pl.FAILED_STEP] >= 0.0
    if m[pl.RESTARTS] < 0.5 or m[pl.STARTED] < 0.5:
        return leg_of_peaks(m, values, full, not failed)
    if m[pl.STARTED] < 1.5 or values[at.RUN_MARGIN] > m[pl.BEST + at.RUN_MARGIN]:
        for k in range(at.VALUES):
            m[pl.BEST + k] = values[k]
        for k in range(at.CODES):
            m[pl.BEST_CODES + k] = float(codes[k])
        m[pl.BEST_FAILED] = m[pl.FAILED_STEP]
        m[pl.BEST_ACKNOWLEDGED] = m[pl.ACKNOWLEDGED]
    if failed and m[pl.STARTED] < MOST_STARTS:
        mt.go_back(m, pl.AT_START)
        set_peaks(m, pl.TOP_BEFORE)
        m[pl.RETRACED] = 1.0
        begin_sequence(m)
        return START
    take_best(m, values, codes)
    return leg_of_peaks(m, values, full or failed, not failed)


@apart
def take_best(m, values, codes):
    """Let the row tell of the best start."""
    for k in range(at.VALUES):
        values[k] = m[pl.BEST + k]
    for k in range(at.CODES):
        codes[k] = int(m[pl.BEST_CODES + k])
    m[pl.FAILED_STEP] = m[pl.BEST_FAILED]
    m[pl.ACKNOWLEDGED] = m[pl.BEST_ACKNOWLEDGED]


@apart
def leg_of_peaks(m, values, full, after):
    """Name the leg that looks for peaks still missing: after the sequence, or of the store alone for the start
    margin.
    """
    if m[pl.STARTED] < 0.5:
        return DONE
    if after and values[at.SEQUENCE_END] < m[pl.LAST]:
        mt.go_back(m, pl.AT_END)
        set_peaks(m, pl.TOP_RUN)
        return AFTER
    shed = m[pl.FAILED_STEP] >= 0.0 and values[at.BROWN_OUT_TIME] < m[pl.LAST]
    if full or shed or m[pl.TOP_RUN] - m[pl.V_START] < values[at.RUN_MARGIN]:
        mt.go_back(m, pl.FIRST_START)
        for k in range(pl.STATE_SIZE):
            m[pl.KEPT + k] = m[pl.FIRST_START + k]
        set_peaks(m, pl.TOP_OFF)
        m[pl.TOP_SHARE] = 0.0
        return ALONE
    return DONE


@apart
def release(m, x, source, breaks, samples, segments, values, codes):
    """Set everything at the release of the mechanism; returns the first leg."""
    for k in range(at.VALUES):
        values[k] = math.nan
    for k in range(at.CODES):
        codes[k] = 0
    codes[at.OUTCOME] = at.NOT_FINISHED
    codes[at.START_STROKE] = -1
    codes[at.ATTEMPTS_USED] = int(m[pl.ALL_ATTEMPTS])
    m[pl.HORIZON] = m[pl.LAST] + TAIL
    reset_memory(m, x)
    begin_sequence(m)
    m[pl.HELD] = held_segment(segments, int(m[pl.COMPLETES]))
    v_in, _, _ = st.input_voltage(0.0, m[pl.CHARGE], m)
    m[pl.TOP_INPUT] = v_in
    mt.keep_state(m, pl.KEPT)
    mt.keep_state(m, pl.AT_START)  # the release, until a start
    if v_in >= m[pl.V_START]:
        return after_off(mt.ROSE, m, source, breaks, samples, False, values, codes)
    m[pl.CEILING] = m[pl.V_START]
    return OFF


@inlined
def begin_ledger(m, record, ledger):
    """Empty record and ledger and book what the store holds at the release."""
    record[0, 0] = 0.0
    ledger[:] = 0.0
    ledger[at.LED_INITIAL] = store_energy(m[pl.CHARGE], m)


@inlined
def end_ledger(m, ledger):
    """Book what is left in store and source."""
    ledger[at.LED_STORE] = store_energy(m[pl.CHARGE], m)
    amplitude = m[pl.ACROSS] if m[pl.KIND] == at.PIEZO else m[pl.COIL]
    ledger[at.LED_COIL_LEFT] = 0.5 * m[pl.INERTIA] * amplitude * amplitude


@apart
def finish_codes(m, values, codes):
    """Fill the voltage margin, the times and the outcome."""
    run = values[at.RUN_MARGIN]
    start = values[at.START_MARGIN]
    codes[at.STARTS] = int(m[pl.STARTED])
    values[at.VOLTAGE_MARGIN] = run if math.isnan(start) else min(start, run)
    if not (math.isfinite(run) and math.isfinite(values[at.RESERVE]) and math.isfinite(values[at.HOLD_UP])):
        codes[at.OUTCOME] = at.NOT_FINISHED
        codes[at.DELIVERED] = 0
        return
    if m[pl.STARTED] < 0.5:
        codes[at.OUTCOME] = at.NEVER_STARTED
        codes[at.DELIVERED] = 0
        return
    values[at.RUN_TIME] = values[at.SEQUENCE_END] + values[at.HOLD_UP] - values[at.START_TIME]
    if m[pl.FAILED_STEP] >= 0.0:
        codes[at.OUTCOME] = at.BROWN_OUT + int(m[pl.FAILED_STEP])
        return
    codes[at.SUFFICED] = 1
    if m[pl.ACKNOWLEDGED] < 0.5:
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

"""`sequence` of lanes: the start delay, the steps of the load sequence, and the radio held on behind them."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import march as mt
from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.drain import drained_abreast
from yieldsim.kernel.abreast.march import leg_abreast
from yieldsim.kernel.abreast.seat import (
    CURRENT,
    DELIVERS,
    HELD_CHARGE,
    HELD_CURRENT,
    HELD_NEED,
    MINIMUM,
    PER_SEGMENT,
    SPAN,
    START_CHARGE,
    START_COIL,
    START_SIZE,
    STEP,
    UNTIL,
    store_of_all,
)
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.control import PLATEAU_SHARE
from yieldsim.kernel.lanes import WIDTH, any_of, choose, first_of, greater, is_set, keep, lesser, load, no

TAKEN_ALONG = (
    pl.TIME, pl.CHARGE, pl.STEADY_CURRENT, pl.NEED, pl.FIRST_BELOW, pl.TOP_INPUT, pl.TOP_CURRENT, pl.TOP_REVERSE,
    pl.LAST,
)  # fmt: skip
BROUGHT_BACK = pl.TIME, pl.CHARGE, pl.LEAST, pl.FIRST_BELOW, pl.TOP_INPUT, pl.TOP_REVERSE


@apart
def start_abreast(going, c, m):
    """Take the lanes that are ``going`` through the start delay; returns those in which something else happened."""
    t, delay = load(c, pl.TIME), load(c, pl.DELAY)
    keep(c, pl.BEST + at.START_TIME, t)
    keep(c, START_CHARGE, load(c, pl.CHARGE))
    keep(c, START_COIL, load(c, pl.COIL))
    keep(c, START_SIZE, load(c, pl.STEP_SIZE))
    keep(c, pl.TOP_OFF, load(c, pl.TOP_INPUT))
    charge = load(c, pl.C_OUT) * load(c, pl.V_SET)
    q = load(c, pl.CHARGE)
    waits = delay > 0.0
    keep(c, pl.CHARGE, choose(waits, q, q - charge))
    current = charge / delay + load(c, pl.I_QUIESCENT)
    return leg_abreast(going & waits, t + delay, current, -math.inf + 0.0 * t, c, m)


@apart
def run_out_abreast(going, q, v, v_q, span, current, need, c, m):
    """One step of `sequence.run_out`: charge [C], V [V] and dV/dq behind it, V_in [V]; and of the lanes that are
    ``going``, those in which V_in falls below the need, and those in which something else happens.
    """
    store = store_of_all(c, m)
    back = load(c, pl.ESR) * current
    first = v - back
    left, small = drained_abreast(q, v, v_q, span, current, store, c, m)
    after, slope = voltage_abreast(left, store)
    last = after - back
    drains = small & (first <= load(c, pl.TOP_INPUT))
    holds = last >= greater(need, 0.0)
    calm, low = drains & holds, drains & no(holds) & (last >= 0.0)
    reverse = load(c, pl.TOP_REVERSE)
    keep(c, pl.TOP_REVERSE, choose(going & calm, greater(reverse, first), reverse))
    return left, after, slope, last, going & low, going & no(calm | low)


@apart
def fall(lane, until, c, spare, work):
    """March one lane, in which the store drains behind the last stroke and V_in falls below the running need, to
    ``until`` [s]: by `march` itself, in the memory ``spare``. ``work`` are its other arrays, see `loop.Work`.
    """
    breaks, samples, source, record, ledger = work
    for k in range(pl.FORM):
        spare[k] = c[k, lane]
    for k in range(pl.STATE, pl.STATE + pl.STATE_SIZE):
        spare[k] = 0.0
    spare[pl.FORM], spare[pl.INFLOW], spare[pl.WAVES] = pl.STEADY, 0.0, 0.0
    spare[pl.POLARITY], spare[pl.NEXT] = 1.0, float(breaks.shape[0])
    spare[pl.CEILING], spare[pl.FLOOR], spare[pl.LEAST] = math.inf, -math.inf, math.inf
    spare[pl.PLATEAU] = PLATEAU_SHARE * spare[pl.ACCURACY]
    for place in TAKEN_ALONG:
        spare[place] = c[place, lane]
    mt.march(until, spare, breaks, samples, source, record, ledger)
    for place in BROUGHT_BACK:
        c[place, lane] = spare[place]


@apart
def sequence_abreast(going, c, s, m, spare, work):
    """Take the lanes that are ``going`` through their load sequence; returns those in which nothing else happened."""
    store = store_of_all(c, m)
    esr, ground, extra = load(c, pl.ESR), load(c, pl.GROUND), load(c, pl.I_QUIESCENT)
    r_pass = choose(load(c, pl.REGULATOR) == at.DIRECT, 0.0, load(c, pl.R_PASS))
    supply = choose(load(c, pl.REGULATOR) == at.DIRECT, math.inf, load(c, pl.V_SET))
    stop, last, count = load(c, pl.V_STOP), load(c, pl.LAST), load(c, pl.ALL_COMPLETE)
    run, run_step = 0.0 * esr, 0.0 * esr
    reserve, reserve_step, reserve_v, reserve_i = run, run, run, run
    delivered, failed = run, run - 1.0
    keep(c, pl.FIRST_BELOW, math.inf + run)
    v, v_q = voltage_abreast(load(c, pl.CHARGE), store)
    k = 0
    active = going
    while any_of(active):
        row = PER_SEGMENT * k
        span, draws, minimum = load(s, row + SPAN), load(s, row + CURRENT), load(s, row + MINIMUM)
        step = load(s, row + STEP)
        current = draws * (1.0 + ground) + extra
        need = greater(minimum + r_pass * greater(draws, 0.0), stop)
        odd = active & (supply < minimum)
        active = active & no(odd)
        t = load(c, pl.TIME)
        # the first step is a leg of its own, as it is alone
        drains = active & (load(c, pl.CONDUCTS) < 0.5) & (t >= last) & first_of(WIDTH if k > 0 else 0)
        marches = active & no(drains)
        least = margin = v
        if any_of(marches):
            keep(c, pl.LEAST, math.inf + 0.0 * t)
            odd = odd | leg_abreast(marches, t + span, current, need, c, m)
            after, steep = voltage_abreast(load(c, pl.CHARGE), store)
            margin = after + esr * load(c, pl.COIL) - esr * current - need
            least = lesser(load(c, pl.LEAST), margin)
            v, v_q = choose(marches, after, v), choose(marches, steep, v_q)
        if any_of(drains):
            q, now = load(c, pl.CHARGE), load(c, pl.TIME)
            left, after, steep, v_in, falls, strange = run_out_abreast(drains, q, v, v_q, span, current, need, c, m)
            odd = odd | strange
            keep(c, pl.CHARGE, choose(drains & no(falls), left, q))
            keep(c, pl.TIME, choose(drains & no(falls), t + span, now))
            if any_of(falls):
                keep(c, pl.STEADY_CURRENT, current)
                keep(c, pl.NEED, need)
                keep(c, UNTIL, t + span)
                for lane in range(WIDTH):
                    if is_set(falls, lane):
                        fall(lane, c[UNTIL, lane], c, spare, work)
                low, steeper = voltage_abreast(load(c, pl.CHARGE), store)
                after, steep = choose(falls, low, after), choose(falls, steeper, steep)
                v_in = choose(falls, low - esr * current, v_in)
            margin, least = choose(drains, v_in - need, margin), choose(drains, v_in - need, least)
            least = choose(falls, lesser(load(c, pl.LEAST), least), least)
            v, v_q = choose(drains, after, v), choose(drains, steep, v_q)
            fails = falls & (least < 0.0) & (failed < 0.0)
            failed, below = choose(fails, step, failed), load(c, pl.FIRST_BELOW)
            keep(c, pl.FIRST_BELOW, choose(fails, lesser(below, load(c, pl.TIME)), below))
            odd = odd | (falls & no(load(c, pl.TIME) == t + span))
        odd = odd | (marches & (least < 0.0))
        going, active = going & no(odd), active & no(odd)
        lower = active & ((least < run) | (k == 0.0 * t))
        run, run_step = choose(lower, least, run), choose(lower, step, run_step)
        lower = active & ((margin < reserve) | (k == 0.0 * t))
        reserve, reserve_step = choose(lower, margin, reserve), choose(lower, step, reserve_step)
        reserve_v, reserve_i = choose(lower, v, reserve_v), choose(lower, current, reserve_i)
        delivered = choose(active & (load(s, row + DELIVERS) > 0.5) & (failed < 0.0), 1.0, delivered)
        k += 1
        active = active & (count > k)
    keep(c, pl.BEST + at.RUN_MARGIN, run)
    keep(c, pl.BEST + at.RESERVE, reserve)
    keep(c, pl.BEST + at.RESERVE_STORE, reserve_v)
    keep(c, pl.BEST + at.RESERVE_CURRENT, reserve_i)
    keep(c, pl.BEST_CODES + at.RUN_STEP, run_step)
    keep(c, pl.BEST_CODES + at.RESERVE_STEP, reserve_step)
    keep(c, pl.BEST_CODES + at.DELIVERED, delivered)
    keep(c, pl.FAILED_STEP, failed)
    return going & (load(c, pl.TIME) >= last) & (load(c, pl.CONDUCTS) < 0.5)


@apart
def hold_abreast(going, tail, c, m):
    """`sequence.hold_out`: fills the hold-up, or by how long the supply failed too early; returns the lanes in which
    it is at hand.
    """
    store = store_of_all(c, m)
    q, current, need, target = load(c, pl.CHARGE), load(c, HELD_CURRENT), load(c, HELD_NEED), load(c, HELD_CHARGE)
    level = need + load(c, pl.ESR) * current
    v, v_q = voltage_abreast(q, store)
    middle, _ = voltage_abreast(0.5 * (q + target), store)
    loss = current + choose(middle > 0.0, middle * load(c, pl.LEAK) + load(c, pl.I_REVERSE), 0.0)
    span = (q - target) / loss
    _, small = drained_abreast(q, v, v_q, span, current, store, c, m)
    below = load(c, pl.FIRST_BELOW)
    failed = load(c, pl.FAILED_STEP) >= 0.0
    keep(c, pl.BEST + at.HOLD_UP, choose(failed, below - load(c, pl.TIME), span))
    keep(c, pl.BEST + at.BROWN_OUT_TIME, choose(failed, below, math.nan))
    keep(c, pl.BEST + at.SEQUENCE_END, load(c, pl.TIME))
    inside = load(c, pl.TIME) + span < load(c, pl.LAST) + tail
    return going & (failed | ((level > 0.0) & (level < v) & (loss > 0.0) & small & inside))

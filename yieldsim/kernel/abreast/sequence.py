"""`sequence` of lanes: the start delay, the steps of the load sequence, and the radio held on behind them."""

import math

from yieldsim.kernel import layout as at
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
    store_of_all,
)
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.lanes import any_of, choose, greater, keep, lesser, load, no


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
    """One step of `sequence.run_out`: charge [C], V [V] and dV/dq behind it, V_in [V], and the lanes of those that are
    ``going`` in which something else happens.
    """
    store = store_of_all(c, m)
    back = load(c, pl.ESR) * current
    first = v - back
    left, small = drained_abreast(q, v, v_q, span, current, store, c, m)
    after, slope = voltage_abreast(left, store)
    last = after - back
    calm = small & (first <= load(c, pl.TOP_INPUT)) & (last >= greater(need, 0.0))
    takes = going & calm
    reverse = load(c, pl.TOP_REVERSE)
    keep(c, pl.TOP_REVERSE, choose(takes, greater(reverse, first), reverse))
    return left, after, slope, last, going & no(calm)


@apart
def sequence_abreast(going, c, s, m):
    """Take the lanes that are ``going`` through their load sequence; returns those in which nothing else happened."""
    store = store_of_all(c, m)
    esr, ground, extra = load(c, pl.ESR), load(c, pl.GROUND), load(c, pl.I_QUIESCENT)
    r_pass = choose(load(c, pl.REGULATOR) == at.DIRECT, 0.0, load(c, pl.R_PASS))
    supply = choose(load(c, pl.REGULATOR) == at.DIRECT, math.inf, load(c, pl.V_SET))
    stop, last, count = load(c, pl.V_STOP), load(c, pl.LAST), load(c, pl.ALL_COMPLETE)
    run, run_step = 0.0 * esr, 0.0 * esr
    reserve, reserve_step, reserve_v, reserve_i = run, run, run, run
    delivered = run
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
        drains = active & (load(c, pl.CONDUCTS) < 0.5) & (t >= last)
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
            q = load(c, pl.CHARGE)
            left, after, steep, v_in, strange = run_out_abreast(drains, q, v, v_q, span, current, need, c, m)
            odd = odd | strange
            margin, least = choose(drains, v_in - need, margin), choose(drains, v_in - need, least)
            v, v_q = choose(drains, after, v), choose(drains, steep, v_q)
            keep(c, pl.CHARGE, choose(drains, left, q))
            keep(c, pl.TIME, choose(drains, t + span, t))
        odd = odd | (active & (least < 0.0))
        going, active = going & no(odd), active & no(odd)
        lower = active & ((least < run) | (k == 0.0 * t))
        run, run_step = choose(lower, least, run), choose(lower, step, run_step)
        lower = active & ((margin < reserve) | (k == 0.0 * t))
        reserve, reserve_step = choose(lower, margin, reserve), choose(lower, step, reserve_step)
        reserve_v, reserve_i = choose(lower, v, reserve_v), choose(lower, current, reserve_i)
        delivered = choose(active & (load(s, row + DELIVERS) > 0.5), 1.0, delivered)
        k += 1
        active = active & (count > k)
    keep(c, pl.BEST + at.RUN_MARGIN, run)
    keep(c, pl.BEST + at.RESERVE, reserve)
    keep(c, pl.BEST + at.RESERVE_STORE, reserve_v)
    keep(c, pl.BEST + at.RESERVE_CURRENT, reserve_i)
    keep(c, pl.BEST_CODES + at.RUN_STEP, run_step)
    keep(c, pl.BEST_CODES + at.RESERVE_STEP, reserve_step)
    keep(c, pl.BEST_CODES + at.DELIVERED, delivered)
    return going & (load(c, pl.TIME) >= last) & (load(c, pl.CONDUCTS) < 0.5)


@apart
def hold_abreast(going, tail, c, m):
    """`sequence.hold_out`: fills the hold-up; returns the lanes in which it is at hand."""
    store = store_of_all(c, m)
    q, current, need, target = load(c, pl.CHARGE), load(c, HELD_CURRENT), load(c, HELD_NEED), load(c, HELD_CHARGE)
    level = need + load(c, pl.ESR) * current
    v, v_q = voltage_abreast(q, store)
    middle, _ = voltage_abreast(0.5 * (q + target), store)
    loss = current + choose(middle > 0.0, middle * load(c, pl.LEAK) + load(c, pl.I_REVERSE), 0.0)
    span = (q - target) / loss
    _, small = drained_abreast(q, v, v_q, span, current, store, c, m)
    keep(c, pl.BEST + at.HOLD_UP, span)
    keep(c, pl.BEST + at.SEQUENCE_END, load(c, pl.TIME))
    inside = load(c, pl.TIME) + span < load(c, pl.LAST) + tail
    return going & (level > 0.0) & (level < v) & (loss > 0.0) & small & inside

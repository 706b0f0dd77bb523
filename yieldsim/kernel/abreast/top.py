"""`top` of lanes: what V_in would have reached without a start."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.march import leg_abreast
from yieldsim.kernel.abreast.seat import (
    KEPT_CHARGE,
    KEPT_COIL,
    KEPT_TIME,
    START_CHARGE,
    START_COIL,
    START_SIZE,
    drive_of,
    loop_of_all,
    store_of_all,
)
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.collocation import BELOW, C1, C2, C3, converge
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.lanes import any_of, choose, first_of, greater, keep, load, magnitude, no
from yieldsim.kernel.stepper import half_sine

MOST_RUNNING_OUT = 20  # stretches in which the current runs out behind the last stroke


@apart
def climb_abreast(h, t, i, q, c, m):
    """`top.climb`: rate of V_in [V/s] at the end of a step of ``h`` [s], current [A] and charge [C] there, and whether
    the step could be made.
    """
    store = store_of_all(c, m)
    esr, current = load(c, pl.ESR), load(c, pl.I_OFF)
    less = load(c, pl.DROP) - esr * current
    loop = loop_of_all(current, store, c, m)
    amplitude, rate, _ = drive_of(t, c)
    v, slope = voltage_abreast(q, store)
    e4 = amplitude * half_sine(rate * (t + h))
    done, _, _, _, z4, _, _, _, j4, _, _, _, _, _, _ = converge(
        loop, h, i, q, v, slope, amplitude * half_sine(rate * t) - less,
        amplitude * half_sine(rate * (t + C1 * h)) - less, amplitude * half_sine(rate * (t + C2 * h)) - less,
        amplitude * half_sine(rate * (t + C3 * h)) - less, e4 - less, first_of(0),
    )  # fmt: skip
    left = q + z4
    v, slope = voltage_abreast(left, store)
    terminal = v + esr * j4
    f = e4 - load(c, pl.DROP) - load(c, pl.R_LOOP) * j4 - (terminal - esr * current)
    leaks = choose(v > 0.0, v * load(c, pl.LEAK) + load(c, pl.I_REVERSE), 0.0)
    g = j4 - current - leaks
    per = load(c, pl.PER_CHARGE)
    return slope * g + esr * f / loop.inertia, j4, left, (q * per > BELOW) & (no(done) | (left * per > BELOW))


@apart
def top_abreast(going, c, m):
    """`top.go_to_top`: highest V_in [V] of the lanes that are ``going``, and those in which it could not be put."""
    store = store_of_all(c, m)
    t, i, q, h = load(c, KEPT_TIME), load(c, KEPT_COIL), load(c, KEPT_CHARGE), load(c, pl.TOP_SHARE)
    back = load(c, pl.ESR) * load(c, pl.I_OFF)
    within = going & (h > 0.0)
    odd = first_of(0)
    j, left = i, q
    if any_of(within):
        last = load(c, pl.LAST)
        reach = choose(t < last, last - t, math.inf)
        whole = choose(within, h, 1e-6)
        h = whole
        rate, j4, q4, made = climb_abreast(h, t, i, q, c, m)
        odd = odd | (within & no(made))
        other = 0.98 * h
        v, _ = voltage_abreast(q4, store)
        seeks = within & (v < load(c, pl.CLAMP) - 1e-6)
        for _ in range(4):
            if not any_of(seeks):
                break
            rate_other, _, _, made = climb_abreast(other, t, i, q, c, m)
            odd = odd | (seeks & no(made))
            seeks = seeks & no(rate_other == rate)
            change = rate * (h - other) / (rate - rate_other)
            seeks = seeks & (magnitude(change) <= 0.5 * h)
            cut = seeks & (h - change > reach)
            h, seeks = choose(cut, reach, h), seeks & no(cut)
            other, rate_kept, h = choose(seeks, h, other), rate, choose(seeks, h - change, h)
            risen, _, _, made = climb_abreast(h, t, i, q, c, m)
            odd = odd | (seeks & no(made))
            rate = choose(seeks, risen, rate)
            worse = seeks & (magnitude(rate) >= magnitude(rate_kept))
            h, seeks = choose(worse, other, h), seeks & no(worse)
        _, j4, q4, made = climb_abreast(h, t, i, q, c, m)
        odd = odd | (within & (no(made) | (q4 > load(c, pl.CLAMP_CHARGE))))
        j, left = choose(within, greater(j4, 0.0), i), choose(within, q4, q)
    v, _ = voltage_abreast(left, store)
    return v + load(c, pl.ESR) * j - back, odd


@apart
def alone_abreast(going, c, m):
    """Fill the start margin of the lanes that are ``going``: back at the start, and on with the regulator off; returns
    those in which something else happened.
    """
    t, q, i = load(c, pl.BEST + at.START_TIME), load(c, START_CHARGE), load(c, START_COIL)
    last, current = load(c, pl.LAST), load(c, pl.I_OFF)
    none, zero = -math.inf + 0.0 * t, 0.0 * t
    keep(c, pl.TIME, t)
    keep(c, pl.CHARGE, q)
    keep(c, pl.COIL, i)
    keep(c, KEPT_TIME, t)
    keep(c, KEPT_CHARGE, q)
    keep(c, KEPT_COIL, i)
    keep(c, pl.STEP_SIZE, load(c, START_SIZE))
    keep(c, pl.CONDUCTS, zero + 1.0)
    keep(c, pl.TOP_INPUT, load(c, pl.TOP_OFF))
    keep(c, pl.TOP_SHARE, zero)
    odd = leg_abreast(going, last, current, none, c, m)
    for _ in range(MOST_RUNNING_OUT):
        rest = going & no(odd) & (load(c, pl.CONDUCTS) > 0.5)
        if not any_of(rest):
            break
        span = load(c, pl.INERTIA) / greater(load(c, pl.R_LOOP) + load(c, pl.ESR), 1e-9)
        until = load(c, pl.TIME) + greater(8.0 * span, 1e-6)
        odd = odd | leg_abreast(rest, until, current, none, c, m)
    odd = odd | (going & (load(c, pl.CONDUCTS) > 0.5))
    highest, strange = top_abreast(going & no(odd), c, m)
    keep(c, pl.BEST + at.START_MARGIN, choose(going, greater(highest - load(c, pl.V_START), 0.0), math.nan))
    return odd | strange

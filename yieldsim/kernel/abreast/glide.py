"""`glide` of lanes: long steps through the stroke."""

import math

from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.seat import KEPT_CHARGE, KEPT_COIL, KEPT_TIME, drive_of, loop_of_all, store_of_all
from yieldsim.kernel.abreast.within import Input, Step, ceiling_within, chosen, crest_within, end_within, zero_abreast
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.collocation import BELOW, C1, C2, C3, converge, ends, quartic
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import (
    LONGEST_LONG_PHASE,
    PLATEAU_SHARE,
    USUAL,
    allowed_in_long,
    coil_weight,
    grown,
    shrunk,
)
from yieldsim.kernel.glide import runs_on, value
from yieldsim.kernel.lanes import any_of, choose, first_of, greater, keep, lesser, load, magnitude, no
from yieldsim.kernel.stepper import half_sine


@inlined
def rises_abreast(a, b, c, d, e):
    """`rises` of `lanes`."""
    return (a <= b) & (b <= c) & (c <= d) & (d <= e)


@inlined
def falls_abreast(a, b, c, d, e):
    """`falls` of `lanes`."""
    return (a >= b) & (b >= c) & (c >= d) & (d >= e)


@inlined
def turns_abreast(a, b, c, d, e):
    """`turns_once` of `lanes`."""
    return ((b >= a) | (c <= b)) & ((c >= b) | (d <= c)) & ((d >= c) | (e <= d))


@inlined
def fading_abreast(v, i, less, resistance, c):
    """`glide.fading`, of a stroke that is over."""
    over = v + less
    return choose(over > 0.0, runs_on(resistance * i / over, load(c, pl.INERTIA) / resistance), math.inf)


@apart
def glide_abreast(going, until, current, need, ceiling, c, m):
    """`glide.glide` in the lanes that are ``going``; returns those in which V_in met the ceiling, those in which the
    current ended, and those in which something else happened.
    """
    store = store_of_all(c, m)
    t, i, q = load(c, pl.TIME), load(c, pl.COIL), load(c, pl.CHARGE)
    esr, inertia, accuracy = load(c, pl.ESR), load(c, pl.INERTIA), m[pl.ACCURACY]
    back = esr * current
    less = load(c, pl.DROP) - back
    loop = loop_of_all(current, store, c, m)
    per_allowed = 1.0 / allowed_in_long(accuracy)
    amplitude, rate, gives = drive_of(t, c)
    phase = LONGEST_LONG_PHASE * min(1.0, math.sqrt(math.sqrt(accuracy / USUAL)))
    longest = choose(gives, phase / rate, math.inf)
    top, least = load(c, pl.TOP_INPUT), load(c, pl.LEAST)
    unwatched = no(need > -math.inf)
    full = load(c, pl.CLAMP_CHARGE)
    slope = load(c, pl.SLOPE)
    intercept = choose(load(c, pl.JUNCTIONS) > 1.5, load(c, pl.INTERCEPT), -math.inf)
    highest, reverse = load(c, pl.TOP_CURRENT), load(c, pl.TOP_REVERSE)
    before, plateau = top, PLATEAU_SHARE * accuracy
    kept_t, kept_i, kept_q, share = 0.0 * t - 1.0, i, q, 0.0 * t
    takes_kept = first_of(0)
    v, elastance = voltage_abreast(q, store)
    size = load(c, pl.STEP_SIZE)
    if any_of(going & no(gives)):
        size = choose(gives, size, lesser(size, fading_abreast(v, i, less, loop.resistance, c)))
    e0 = amplitude * half_sine(rate * t) - less
    steps = 0.0 * t
    rose, ended, odd = first_of(0), first_of(0), first_of(0)
    # a step in which V_in is highest and one in which the current ends: looked into behind the loop, for all lanes
    v_in = Input(esr, back, slope, intercept)
    topped, stopped = first_of(0), first_of(0)
    topmost = Step(t, size, i, q, v, elastance, i, i, i, i, q, q, q, q)
    closing = topmost
    active = going & (t < until)
    while any_of(active):
        h = lesser(lesser(size, longest), until - t)
        e4 = amplitude * half_sine(rate * (t + h)) - less
        done, z1, z2, z3, z4, j1, j2, j3, j4, v1, v2, v3, v4, miss_i, miss_q = converge(
            loop, h, i, q, v, elastance, e0, amplitude * half_sine(rate * (t + C1 * h)) - less,
            amplitude * half_sine(rate * (t + C2 * h)) - less, amplitude * half_sine(rate * (t + C3 * h)) - less, e4,
            no(active),
        )  # fmt: skip
        steps = steps + 1.0
        weight = coil_weight(elastance, esr, inertia, loop.conductance)
        ratio = greater(magnitude(miss_q) * elastance, weight * magnitude(miss_i)) * per_allowed
        good = active & done & (ratio <= 1.0)
        bad = active & no(good)
        size = choose(good, grown(h, size, ratio), size)
        if any_of(bad):
            size = choose(bad, shrunk(h, choose(done, ratio, math.inf)), size)
        v4, steeper = voltage_abreast(q + z4, store)
        w0, w1, w2, w3, w4 = (
            v + esr * i - back, v1 + esr * j1 - back, v2 + esr * j2 - back, v3 + esr * j3 - back, v4 + esr * j4 - back
        )  # fmt: skip
        first_i, last_i = ends(j1 - i, j2 - i, j3 - i, j4 - i)
        first_q, last_q = ends(z1, z2, z3, z4)
        first_v, last_v = elastance * first_q + esr * first_i, elastance * last_q + esr * last_i
        up = rises_abreast(w0, w1, w2, w3, w4) & ((first_v >= 0.0) | unwatched) & (last_v >= 0.0)
        low, high = choose(up, w0, w4), choose(up, w4, w0)
        calm = up | (falls_abreast(w0, w1, w2, w3, w4) & (first_v <= 0.0) & (last_v <= 0.0))
        turns = good & no(calm) & (first_v > 0.0) & (last_v < 0.0) & turns_abreast(w0, w1, w2, w3, w4)
        calm, low = calm | turns, choose(turns, lesser(w0, w4), low)
        step = Step(t, h, i, q, v, elastance, j1, j2, j3, j4, z1, z2, z3, z4)
        rising = rises_abreast(i, j1, j2, j3, j4) & ((first_i >= 0.0) | (i == 0.0)) & (last_i >= 0.0)
        single = rising | (falls_abreast(i, j1, j2, j3, j4) & (first_i <= 0.0) & (last_i <= 0.0))
        turned = good & no(single) & (first_i > 0.0) & (last_i < 0.0) & turns_abreast(i, j1, j2, j3, j4)
        single = single | turned
        peak, place = 0.0 * t, 0.0 * t + 2.0
        if any_of(turned):
            c1, c2, c3, c4 = quartic(j1 - i, j2 - i, j3 - i, j4 - i)
            turn = zero_abreast(turned, 0.0 * t + 1.0, c1, 2.0 * c2, 3.0 * c3, 4.0 * c4, 0.0 * t)
            place, peak = choose(turned, turn, place), choose(turned, value(turn, i, c1, c2, c3, c4), peak)
        runs = (low > -math.inf) & (low >= need) & (q + greater(z4, 0.0) < full) & (v4 > BELOW)
        calm = calm & single & (j4 > 0.0) & runs
        reaches = (w1 >= ceiling) | (w2 >= ceiling) | (w3 >= ceiling) | (w4 >= ceiling)
        # a top below a level that ends the leg is left to `glide`, and so is a second one
        takes = good & calm & (high < ceiling) & no(reaches) & no(turns & (topped | (ceiling < math.inf)))
        tops = takes & turns
        if any_of(tops):
            topmost, topped = chosen(tops, step, topmost), topped | tops
        if any_of(good & no(takes)):
            leaves = good & no(takes)
            meets = leaves & calm & reaches & (w0 < ceiling)
            leaves = leaves & no(meets)
            if any_of(meets):
                x, j_met, z_met = ceiling_within(meets, step, v_in, ceiling, w0, w1, w2, w3, w4, store)
                h = choose(meets, h * x, h)
                peak = choose(meets & (place > x), 0.0, peak)
                j4, z4 = choose(meets, j_met, j4), choose(meets, z_met, z4)
                w4, high = choose(meets, ceiling, w4), choose(meets, ceiling, high)
                low, up = choose(meets, w0, low), up | meets
                # they may lie behind it
                w1, w2, w3 = choose(meets, w0, w1), choose(meets, w0, w2), choose(meets, w0, w3)
                j1, j2, j3 = choose(meets, i, j1), choose(meets, i, j2), choose(meets, i, j3)
                rose, takes = rose | meets, takes | meets
            if any_of(leaves):
                stops = leaves & (i > 0.0) & (j4 <= 0.0) & single & no(rising) & (place > 1.0)
                odd = odd | (leaves & no(stops))
                closing, stopped = chosen(stops, step, closing), stopped | stops
        newly = takes & (high > top)
        kept_t, kept_i, kept_q = choose(newly, t, kept_t), choose(newly, i, kept_i), choose(newly, q, kept_q)
        share, top = choose(newly, choose(up, h, 0.0), share), choose(newly, high, top)
        least = choose(takes, lesser(least, low - need), least)
        highest = choose(takes, greater(highest, greater(peak, greater(i, j4))), highest)
        seen = greater(w0 + slope * i, greater(w2 + slope * j2, w4 + slope * j4)) + intercept
        seen = greater(greater(reverse, seen), greater(w1 + slope * j1, w3 + slope * j3) + intercept)
        reverse = choose(takes, seen, reverse)
        after = t + h
        t = choose(takes, choose(after >= until * (1.0 - 1e-15), until, after), t)
        i, q, e0 = choose(takes, j4, i), choose(takes, q + z4, q), choose(takes, e4, e0)
        v, elastance = choose(takes, v4, v), choose(takes, steeper, elastance)
        odd = odd | (bad & (no(size > 1e-15) | (steps >= 100.0)))
        active = active & no(rose | stopped | odd) & (t < until)
    if any_of(topped):
        x, high, seen, most = crest_within(topped, topmost, v_in, store)
        odd = odd | (topped & no(most < full))
        newly = topped & (high > top)
        kept_t, kept_i = choose(newly, topmost.t, kept_t), choose(newly, topmost.i, kept_i)
        kept_q, share = choose(newly, topmost.q, kept_q), choose(newly, x * topmost.h, share)
        top = choose(newly, high, top)
        reverse = choose(topped, greater(reverse, seen), reverse)
    if any_of(stopped):
        x, left, v_left, low, x_top, top_q, high, seen = end_within(stopped, closing, v_in, store)
        ended = stopped & (high < ceiling) & (low > -math.inf) & (low >= need) & (top_q < full) & (v_left > BELOW)
        odd = odd | (stopped & no(ended))
        beats = ended & (high > top + plateau)
        takes_kept = takes_kept | beats | (ended & (kept_t >= 0.0) & (top > before + plateau))
        kept_t, kept_i = choose(beats, t, kept_t), choose(beats, i, kept_i)
        kept_q, share = choose(beats, q, kept_q), choose(beats, closing.h * x_top, share)
        top = choose(ended & (high > top), high, top)
        least = choose(ended, lesser(least, low - need), least)
        reverse = choose(ended, greater(reverse, seen), reverse)
        highest = choose(ended, greater(highest, i), highest)
        t, i, q = choose(ended, t + x * closing.h, t), choose(ended, 0.0, i), choose(ended, left, q)
    takes_kept = takes_kept | (going & no(ended) & (kept_t >= 0.0) & (top > before + plateau))
    keep(c, KEPT_TIME, choose(takes_kept, kept_t, load(c, KEPT_TIME)))
    keep(c, KEPT_COIL, choose(takes_kept, kept_i, load(c, KEPT_COIL)))
    keep(c, KEPT_CHARGE, choose(takes_kept, kept_q, load(c, KEPT_CHARGE)))
    keep(c, pl.TOP_SHARE, choose(takes_kept, share, load(c, pl.TOP_SHARE)))
    keep(c, pl.TIME, choose(going, t, load(c, pl.TIME)))
    keep(c, pl.COIL, choose(going, i, load(c, pl.COIL)))
    keep(c, pl.CHARGE, choose(going, q, load(c, pl.CHARGE)))
    keep(c, pl.STEP_SIZE, choose(going, size, load(c, pl.STEP_SIZE)))
    keep(c, pl.LEAST, choose(going, least, load(c, pl.LEAST)))
    keep(c, pl.TOP_INPUT, choose(going, top, load(c, pl.TOP_INPUT)))
    keep(c, pl.TOP_CURRENT, choose(going, greater(highest, i), load(c, pl.TOP_CURRENT)))
    keep(c, pl.TOP_REVERSE, choose(going, reverse, load(c, pl.TOP_REVERSE)))
    keep(c, pl.CONDUCTS, choose(ended, 0.0, load(c, pl.CONDUCTS)))
    return rose, ended, odd

"""`onset` of lanes: from the release to the current."""

from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.drain import drain_abreast
from yieldsim.kernel.abreast.seat import TOP_OF_STROKE, emf_of, store_of_all
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.control import FIRST_SHARE
from yieldsim.kernel.lanes import any_of, choose, greater, keep, lesser, load, magnitude, no
from yieldsim.kernel.onset import ONSET, rising_phase
from yieldsim.kernel.stepper import narrow


@inlined
def excess_abreast(dt, e, v, c):
    """`onset.excess` at the emf ``e`` [V] over a store at ``v`` [V]."""
    e = choose(load(c, pl.JUNCTIONS) < 1.5, e, magnitude(e))
    return e - (v - load(c, pl.ESR) * load(c, pl.I_OFF)) - load(c, pl.DROP)


@apart
def open_bridges(going, c, m):
    """Take all lanes from the release to the onset of their current; returns those that found it."""
    store = store_of_all(c, m)
    off, drop = load(c, pl.I_OFF), load(c, pl.DROP)
    back = load(c, pl.ESR) * off
    q = load(c, pl.CHARGE)
    span = load(c, TOP_OF_STROKE)
    zero = 0.0 * span
    v0, _ = voltage_abreast(q, store)
    first_in = v0 - back
    going = going & (first_in < load(c, pl.V_START))
    full, holds = drain_abreast(q, span, off, store, c, m)
    v_full, _ = voltage_abreast(full, store)
    v_end = v_full - back
    e0, e1 = emf_of(zero, c), emf_of(span, c)
    going = going & holds & no(greater(magnitude(e0), magnitude(e1)) <= v_end + drop)
    going = going & (magnitude(e1) > magnitude(e0)) & (e0 * e1 >= 0.0)
    y_low, y_high = excess_abreast(zero, e0, v0, c), excess_abreast(span, e1, v_full, c)
    going = going & no(y_low > ONSET) & (y_high > 0.0)
    low, high = zero, span
    y_low = lesser(y_low, 0.0)
    x = (low * y_high - high * y_low) / (y_high - y_low)
    share = (v_end + drop) / magnitude(load(c, pl.WAVE))
    guess = choose((share > 0.0) & (share < 1.0), rising_phase(share) / load(c, pl.WAVE + pl.WAVE_RATE), -1.0)
    x = choose((low < guess) & (guess < high), guess, x)
    side = zero
    met = no(going)
    for _ in range(80):
        left, holds = drain_abreast(q, x, off, store, c, m)
        left, holds = choose(x > 0.0, left, q), holds | no(x > 0.0)
        going = going & (met | holds)
        v, _ = voltage_abreast(left, store)
        y = excess_abreast(x, emf_of(x, c), v, c)
        met = met | (magnitude(y) <= 1e-9) | (high - low <= 1e-14) | no(going)
        if not any_of(no(met)):
            break
        low, y_low, high, y_high, side = narrow(x, y, low, y_low, high, y_high, side)
        x = choose(met, x, (low * y_high - high * y_low) / (y_high - y_low))
    going = going & (x < span)
    left, holds = drain_abreast(q, x, off, store, c, m)
    left = choose(x > 0.0, left, q)
    v, _ = voltage_abreast(left, store)
    last_in = v - back
    e = emf_of(x, c)
    keep(c, pl.POLARITY, choose((e < 0.0) & (load(c, pl.JUNCTIONS) > 1.5), -1.0, 1.0 + zero))
    keep(c, pl.TIME, x)
    keep(c, pl.CHARGE, left)
    keep(c, pl.COIL, zero)
    keep(c, pl.CONDUCTS, zero + 1.0)
    keep(c, pl.STEP_SIZE, lesser(FIRST_SHARE * span, FIRST_SHARE * (span - x)))
    keep(c, pl.TOP_INPUT, greater(first_in, last_in))
    keep(c, pl.TOP_REVERSE, greater(greater(zero, first_in), last_in))
    keep(c, pl.TOP_CURRENT, zero)
    return going

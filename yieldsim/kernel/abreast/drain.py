"""`drain` and `march.coast` of lanes: the store while the bridge blocks."""

from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.seat import TOP_OF_STROKE, emf_of
from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.lanes import choose, greater, keep, lesser, load, magnitude, no


@inlined
def drained_abreast(q, v, v_q, dt, current, store, c, m):
    """`drain.drained`."""
    leak, reverse = load(c, pl.LEAK), load(c, pl.I_REVERSE)
    rate = current + reverse + v * leak
    swing = v_q * dt * rate
    middle, _ = voltage_abreast(q - 0.5 * dt * rate, store)
    left = q - dt * (current + reverse + middle * leak)
    return left, (v > 0.0) & (swing < v) & (leak * v_q * dt * swing < m[pl.ACCURACY])


@inlined
def drain_abreast(q, dt, current, store, c, m):
    """`drain.drain_steady`, and whether it holds: what would need several pieces does not."""
    leak = load(c, pl.LEAK)
    loss = current + load(c, pl.I_REVERSE)
    v, v_q = voltage_abreast(q, store)
    left, small = drained_abreast(q, v, v_q, dt, current, store, c, m)
    tight = leak == 0.0
    plain = q - loss * dt
    left = choose(tight, plain, left)
    small = (tight & ((plain >= 0.0) | (loss <= 0.0))) | (no(tight) & small)
    empty = q <= 0.0
    return choose(empty, q - current * dt, left), empty | small


@inlined
def coast_abreast(going, until, current, need, store, c, m):
    """`march.coast`: drains the lanes that are ``going``, in which the bridge blocks; returns those in which it cannot.

    The running need is ``need`` [V]; raises `places.LEAST` and `places.TOP_REVERSE`.
    """
    t, q, last = load(c, pl.TIME), load(c, pl.CHARGE), load(c, pl.LAST)
    over = t >= last
    given = choose(over, 0.0, magnitude(emf_of(t, c)))
    known = over | (t >= load(c, TOP_OF_STROKE))
    back = load(c, pl.ESR) * current
    v, _ = voltage_abreast(q, store)
    v_in = v - back
    level = greater(greater(need, 0.0), given - load(c, pl.DROP)) + back
    dt = until - t
    leaks = choose(v > 0.0, v * load(c, pl.LEAK) + load(c, pl.I_REVERSE), 0.0)
    surely, _ = voltage_abreast(q - dt * (current + leaks), store)
    left, holds = drain_abreast(q, dt, current, store, c, m)
    calm = known & (v_in <= load(c, pl.TOP_INPUT)) & (surely >= level) & holds
    v, _ = voltage_abreast(left, store)
    takes = going & calm
    least, reverse = load(c, pl.LEAST), load(c, pl.TOP_REVERSE)
    keep(c, pl.LEAST, choose(takes, lesser(least, v - back - need), least))
    keep(c, pl.TOP_REVERSE, choose(takes, greater(reverse, v_in), reverse))
    keep(c, pl.CHARGE, choose(takes, left, q))
    keep(c, pl.TIME, choose(takes, until, t))
    return going & no(calm)

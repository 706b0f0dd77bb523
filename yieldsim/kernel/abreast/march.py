"""`march` of lanes: to the end of a leg."""

import math

from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.drain import coast_abreast
from yieldsim.kernel.abreast.glide import glide_abreast
from yieldsim.kernel.abreast.seat import store_of_all
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.lanes import any_of, choose, first_of, lesser, load, no


@apart
def conduct_abreast(going, until, current, need, ceiling, c, m):
    """March the lanes that are ``going``, in which the bridge conducts, to ``until`` [s] or to the end of their
    current; returns those in which V_in met the ceiling and those in which something else happened.
    """
    last = load(c, pl.LAST)
    first_end = choose(load(c, pl.TIME) < last, lesser(last, until), until)
    rose, ended, odd = glide_abreast(going, first_end, current, need, ceiling, c, m)
    rest = going & no(rose | ended | odd) & (load(c, pl.TIME) < until)
    if any_of(rest):
        more, _, strange = glide_abreast(rest, until, current, need, ceiling, c, m)
        rose, odd = rose | more, odd | strange
    return rose, odd


@apart
def leg_abreast(going, until, current, need, c, m):
    """March the lanes that are ``going`` to ``until`` [s]; returns those in which something else happened."""
    conducts = going & (load(c, pl.CONDUCTS) > 0.5)
    odd = first_of(0)
    if any_of(conducts):
        _, odd = conduct_abreast(conducts, until, current, need, math.inf + 0.0 * until, c, m)
    blocked = going & no(odd) & (load(c, pl.CONDUCTS) < 0.5) & (load(c, pl.TIME) < until)
    if any_of(blocked):
        odd = odd | coast_abreast(blocked, until, current, need, store_of_all(c, m), c, m)
    return odd

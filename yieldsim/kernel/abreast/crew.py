"""A crew of presses from the release to their end."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.march import conduct_abreast
from yieldsim.kernel.abreast.onset import open_bridges
from yieldsim.kernel.abreast.seat import WENT
from yieldsim.kernel.abreast.sequence import hold_abreast, sequence_abreast, start_abreast
from yieldsim.kernel.abreast.top import alone_abreast
from yieldsim.kernel.compiled import apart
from yieldsim.kernel.lanes import WIDTH, any_of, first_of, is_set, keep, load, no


@apart
def run_crew(count, full, tail, c, s, m, spare, work):
    """Run the presses of the first ``count`` lanes; returns those that went the plain way to their end.

    ``full`` asks for every start margin; ``tail`` [s] is how long the radio may be held on, see `actuation.TAIL`;
    ``spare`` and ``work`` as in `sequence.fall`.
    """
    going = open_bridges(first_of(count), c, m)
    if any_of(going):
        ceiling = load(c, pl.V_START)
        none = -math.inf + 0.0 * ceiling
        keep(c, pl.LEAST, math.inf + 0.0 * ceiling)
        rose, odd = conduct_abreast(going, load(c, pl.LAST), load(c, pl.I_OFF), none, ceiling, c, m)
        going = going & rose & no(odd)
    if any_of(going):
        going = going & no(start_abreast(going, c, m))
    if any_of(going):
        going = sequence_abreast(going, c, s, m, spare, work)
    if any_of(going):
        going = hold_abreast(going, tail, c, m)
        keep(c, pl.BEST + at.PEAK_VOLTAGE, load(c, pl.TOP_INPUT))
        keep(c, pl.BEST + at.PEAK_CURRENT, load(c, pl.TOP_CURRENT))
        keep(c, pl.BEST + at.PEAK_REVERSE, load(c, pl.TOP_REVERSE))
        above = load(c, pl.TOP_INPUT) - load(c, pl.V_START)
        alone = going & ((above < load(c, pl.BEST + at.RUN_MARGIN)) | first_of(WIDTH if full else 0))
        keep(c, pl.BEST + at.START_MARGIN, math.nan + 0.0 * above)
        if any_of(alone):
            going = going & no(alone_abreast(alone, c, m))
    for k in range(WIDTH):
        c[WENT, k] = 1.0 if is_set(going, k) else 0.0

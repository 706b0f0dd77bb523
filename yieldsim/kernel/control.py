"""How long a step may be: what its error counts, and the size of the next one."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.lanes import choose, greater, lesser, root

# Longest step as a phase of the half-sine [rad]: what the step's own error estimate cannot see of a coil current that
# follows the emf at once, and the same of the long step of `collocation`.
LONGEST_PHASE, LONGEST_LONG_PHASE = 0.3, 1.2
USUAL = 0.5e-3  # the accuracy they belong to [V]; what is not seen goes with the fourth power of the step
# Shares of the accuracy allowed to one step: measured, so that the whole actuation keeps within it. The estimate of
# the long step is that of its defect at the start, of a lower order than the step itself.
LOCAL_SHARE, LONG_SHARE = 0.05, 0.3
PIEZO_SHARE = 0.01  # stiff all the way: the errors of its steps have one sign
PLATEAU_SHARE = 0.002  # by which V_in must rise to be a new top, see `places.PLATEAU`
CURRENT_WEIGHT = 2.0
LEAST_OF_LOOP = 1e-9  # resistance of the whole path that counts, where there is none [ohm]
LEAST_RATIO = 1e-300  # of an error to what is allowed: none at all divides nothing
LEAST_ERROR = 5e-11  # of a step, below which its estimate is rounding [V]
FIRST_SHARE = 0.32  # of the way to the top of the stroke: the first step to try once the bridge conducts


@inlined
def allowed_error(m):
    """Error [V] that one step may make."""
    share = PIEZO_SHARE if m[pl.KIND] == at.PIEZO else LOCAL_SHARE
    return max(share * m[pl.ACCURACY], LEAST_ERROR)


@inlined
def allowed_in_long(accuracy):
    """The same of one long step, see `collocation`, at an ``accuracy`` [V]."""
    return max(LONG_SHARE * accuracy, LEAST_ERROR)


@inlined
def conductance_of_loop(m):
    """Conductance [S] of the whole conducting path."""
    return 1.0 / max(m[pl.R_LOOP] + m[pl.ESR], LEAST_OF_LOOP)


@inlined
def coil_weight(v_q, esr, inertia, conductance):
    """What an error of a coil's current counts in V_in [ohm]: it lasts L/R, and what it brings or keeps from the store
    by then stays. ``v_q`` is dV/dq, ``conductance`` see `conductance_of_loop`; of one actuation or of `lanes`.
    """
    return CURRENT_WEIGHT * (esr + inertia * v_q * conductance)


@inlined
def source_weight(v_q, m):
    """What an error of the source variable counts in V_in [ohm], [-] with a piezoelectric source; ``v_q`` is dV/dq."""
    if m[pl.KIND] == at.PACKET:
        return 0.0
    if m[pl.KIND] == at.PIEZO:
        return CURRENT_WEIGHT * (m[pl.ESR] * conductance_of_loop(m) + m[pl.INERTIA] * v_q)
    return coil_weight(v_q, m[pl.ESR], m[pl.INERTIA], conductance_of_loop(m))


@inlined
def longest_step(phase, m):
    """Longest step [s] while a half-sine runs, given as its phase [rad]; inf under any other source."""
    if m[pl.WAVES] == 0.0 or m[pl.KIND] == at.SAMPLED or m[pl.KIND] == at.PACKET:
        return math.inf
    return phase * min(1.0, math.sqrt(math.sqrt(m[pl.ACCURACY] / USUAL))) / m[pl.WAVE + pl.WAVE_RATE]


@inlined
def shrunk(h, ratio):
    """Step [s] to try after one of ``h`` whose error is ``ratio`` times what is allowed, inf where it failed; of one
    actuation or of `lanes`.
    """
    return h * greater(0.1, 0.9 / root(root(ratio)))


@inlined
def grown(h, size, ratio):
    """Next step [s] after one of ``h`` that was good; one that an end had cut below ``size`` does not shorten it. Of
    one actuation or of `lanes`.
    """
    after = h * lesser(4.0, 0.9 / root(root(greater(ratio, LEAST_RATIO))))
    return choose(h < size, greater(size, after), after)

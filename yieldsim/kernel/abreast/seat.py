"""The memory of a crew: a row for each of `places` and a few more, a column for each lane; who joins, what is told."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import places as pl
from yieldsim.kernel.circuit import Store, store_charge
from yieldsim.kernel.collocation import Loop
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.control import LEAST_OF_LOOP
from yieldsim.kernel.demand import steady_current, steady_need
from yieldsim.kernel.lanes import choose, greater, load
from yieldsim.kernel.stepper import half_sine

# --- rows of ``c`` behind those of `places` -----------------------------------------------------------------------
TOP_OF_STROKE = pl.WAVE + pl.PER_WAVE  # time of the highest emf, or of the end of a stroke that stops before it [s]
HELD_CURRENT, HELD_NEED, HELD_CHARGE = range(TOP_OF_STROKE + 1, TOP_OF_STROKE + 4)  # of the radio held on [A], [V], [C]
START_CHARGE, START_COIL, START_SIZE = range(HELD_CHARGE + 1, HELD_CHARGE + 4)  # state at the start [C], [A], [s]
UNTIL = START_SIZE + 1  # end of a step in which V_in falls below its need [s]
KNOWN = UNTIL + 1  # C_s [F], level [V] and charge [C] of the last lane that had another one held
WENT = KNOWN + 1  # 1 where the press of the lane went the plain way to its end
CREW = WENT + 1
KEPT_TIME, KEPT_COIL, KEPT_CHARGE = (
    pl.KEPT, pl.KEPT + pl.COIL - pl.STATE, pl.KEPT + pl.CHARGE - pl.STATE
)  # fmt: skip
# --- rows of the segments, and columns of `link` that stand in them --------------------------------------------------
SPAN, CURRENT, MINIMUM, STEP, DELIVERS, PER_SEGMENT = range(6)


@inlined
def may_go_abreast(design):
    """Whether a design's presses can be plain: one half-sine, and currents that do not follow the supply."""
    bent = design.off_curve.shape[0] + design.quiescent_curve.shape[0] + design.dropout_curve.shape[0] > 0
    for s in range(design.slopes.shape[0]):
        bent = bent or design.slopes[s, at.STEP_SLOPE] != 0.0
    return (
        design.source == at.HALF_SINE and design.strokes.shape[0] == 1 and design.bank.shape[0] == 0
        and design.regulator != at.BUCK and not design.restart and not bent
    )  # fmt: skip


@inlined
def join(lane, same, x, m, source, breaks, segments, held, c, s):
    """Let the press whose circuit, stroke and segments stand in ``m``, ``source`` and ``segments`` take a ``lane``;
    returns whether it can. Where ``same`` holds the lane has this circuit from its last press. ``held`` is the segment
    that is held on; ``s`` (segments PER_SEGMENT, WIDTH).
    """
    if (
        source[0, 2] != 0.0 or x[at.TIME_SINCE] > 0.0 or x[at.PRECHARGE_TIME] > 0.0 or not m[pl.INERTIA] > 0.0
        or m[pl.RETRY_LEVEL] > 0.0 or m[pl.ALL_COMPLETE] < 1.0
    ):  # fmt: skip
        return False
    if not same:
        for k in range(pl.FORM):
            c[k, lane] = m[k]
    c[pl.CHARGE, lane] = min(store_charge(x[at.INITIAL_VOLTAGE], m), m[pl.CLAMP_CHARGE])
    c[pl.LAST, lane] = m[pl.LAST]
    c[pl.ALL_COMPLETE, lane] = m[pl.ALL_COMPLETE]
    c[pl.ALL_ATTEMPTS, lane] = m[pl.ALL_ATTEMPTS]
    c[pl.ALL_ACKNOWLEDGED, lane] = m[pl.ALL_ACKNOWLEDGED]
    c[pl.WAVE, lane], c[pl.WAVE + pl.WAVE_RATE, lane] = source[0, 0], source[0, 1]
    c[TOP_OF_STROKE, lane] = breaks[1]
    for k in range(int(m[pl.ALL_COMPLETE])):
        row = PER_SEGMENT * k
        s[row + SPAN, lane] = segments[k, link.SEG_DURATION]
        s[row + CURRENT, lane] = segments[k, link.SEG_CURRENT]
        s[row + MINIMUM, lane] = segments[k, link.SEG_MINIMUM]
        s[row + STEP, lane] = segments[k, link.SEG_STEP]
        s[row + DELIVERS, lane] = segments[k, link.SEG_DELIVERS]
    draws, minimum = segments[held, link.SEG_CURRENT], segments[held, link.SEG_MINIMUM]
    current, need = steady_current(draws, m), steady_need(draws, minimum, m)
    level = need + m[pl.ESR] * current
    if c[KNOWN, 0] != m[pl.C_STORE] or c[KNOWN, 1] != level:
        c[KNOWN, 0], c[KNOWN, 1], c[KNOWN, 2] = m[pl.C_STORE], level, store_charge(level, m)
    c[HELD_CURRENT, lane], c[HELD_NEED, lane], c[HELD_CHARGE, lane] = current, need, c[KNOWN, 2]
    return True


@inlined
def store_of_all(c, m):
    """The stores of all lanes; their table stands in the memory ``m`` of one actuation."""
    return Store(
        m, int(m[pl.BIAS_AT]), m[pl.BIAS_LAST], m[pl.BIAS_STEP], load(c, pl.PER_CHARGE), load(c, pl.POINTS_PER_CHARGE)
    )


@inlined
def emf_of(t, c):
    """Emf [V] of the stroke at ``t`` [s], signed."""
    return load(c, pl.WAVE) * half_sine(load(c, pl.WAVE + pl.WAVE_RATE) * t)


@inlined
def loop_of_all(current, store, c, m):
    """The loops of all lanes, from which the regulator draws a steady ``current`` [A]."""
    resistance = load(c, pl.R_LOOP) + load(c, pl.ESR)
    return Loop(
        store, load(c, pl.INERTIA), resistance, load(c, pl.ESR), 1.0 / greater(resistance, LEAST_OF_LOOP),
        load(c, pl.LEAK), current + load(c, pl.I_REVERSE), m[pl.ACCURACY],
    )  # fmt: skip


@inlined
def drive_of(t, c):
    """Emf [V] at its highest in the polarity of the bridge and angular rate [rad/s] of the stroke; none where it is
    over at ``t`` [s], and where it is not.
    """
    gives = t < load(c, pl.LAST)
    amplitude = choose(gives, load(c, pl.POLARITY) * load(c, pl.WAVE), 0.0)
    return amplitude, choose(gives, load(c, pl.WAVE + pl.WAVE_RATE), 0.0), gives


@inlined
def went(lane, c):
    """Whether the press of a lane went the plain way to its end."""
    return c[WENT, lane] > 0.5


@inlined
def tell(lane, c, values, codes):
    """Write the row of a press that went the plain way; message and kind of press are not touched."""
    first, codes_at = pl.BEST, pl.BEST_CODES
    run, end, held = c[first + at.RUN_MARGIN, lane], c[first + at.SEQUENCE_END, lane], c[first + at.HOLD_UP, lane]
    failed = int(c[pl.FAILED_STEP, lane])
    answered = failed < 0 and c[pl.ALL_ACKNOWLEDGED, lane] > 0.5
    start = c[first + at.START_MARGIN, lane]
    values[at.START_MARGIN] = start
    values[at.RUN_MARGIN] = run
    values[at.VOLTAGE_MARGIN] = run if math.isnan(start) else min(start, run)
    values[at.RESERVE] = c[first + at.RESERVE, lane]
    values[at.HOLD_UP] = held
    values[at.START_TIME] = c[first + at.START_TIME, lane]
    values[at.COMPLETE_TIME] = end if answered else math.nan
    values[at.RUN_TIME] = end + held - c[first + at.START_TIME, lane]
    values[at.PEAK_VOLTAGE] = c[first + at.PEAK_VOLTAGE, lane]
    values[at.PEAK_CURRENT] = c[first + at.PEAK_CURRENT, lane]
    values[at.PEAK_REVERSE] = c[first + at.PEAK_REVERSE, lane]
    values[at.RESERVE_STORE] = c[first + at.RESERVE_STORE, lane]
    values[at.RESERVE_CURRENT] = c[first + at.RESERVE_CURRENT, lane]
    values[at.BROWN_OUT_TIME] = c[first + at.BROWN_OUT_TIME, lane]
    values[at.SEQUENCE_END] = end
    codes[at.OUTCOME] = at.COMPLETE if answered else at.UNACKNOWLEDGED
    if failed >= 0:
        codes[at.OUTCOME] = at.BROWN_OUT + failed
    codes[at.DELIVERED] = int(c[codes_at + at.DELIVERED, lane])
    codes[at.SUFFICED] = 1 if failed < 0 else 0
    codes[at.START_STROKE] = 0
    codes[at.ATTEMPTS_USED] = int(c[pl.ALL_ATTEMPTS, lane])
    codes[at.HOLD_UP_CAPPED] = 0
    codes[at.RESERVE_STEP] = int(c[codes_at + at.RESERVE_STEP, lane])
    codes[at.RUN_STEP] = int(c[codes_at + at.RUN_STEP, lane])
    codes[at.STARTS] = 1

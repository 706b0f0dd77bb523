"""The memory of one actuation: one row of numbers, and the place of each.

Everything the physics works with while an actuation runs stands in one float64 array ``m``: the circuit, what is drawn
from it, the source over the present interval, the state of the march, what it looks for and has seen. Compiled code
hands one array on, and the reader finds every number here with its unit.
"""

from yieldsim.kernel import layout as at

# --- the circuit: filled once an actuation -------------------------------------------------------------------------
(
    KIND,  # source, code of `layout`
    DROP,  # junctions in series times the intercept of the drop line [V]
    R_LOOP,  # of the conducting path without the ESR: coil and diodes; diodes alone with a piezoelectric source [ohm]
    R_COIL,  # [ohm]
    INERTIA,  # L of a coil [H], C_p of a piezoelectric source [F], else 0
    FOLLOWS,  # 1 where the current follows source and charge at once: no inductance, or a piezoelectric source
    LOSS,  # conductance across C_p [S]
    POWER_IN,  # of an energy packet into the store [W]
    POWER_LOST,  # of an energy packet before the store [W]
    C_STORE,  # C_s [F]
    ESR,  # [ohm]
    ESR_SOURCE,  # the part of it that carries the source's current: 0 for an energy packet [ohm]
    LEAK,  # conductance of the insulation [S]
    I_REVERSE,  # [A]
    CLAMP,  # [V]
    CLAMP_CHARGE,  # charge of the store at the clamp voltage [C]
    PER_CHARGE,  # 1 / C_s [1/F]
    POINTS_PER_CHARGE,  # points of the charge-voltage table a coulomb [1/C]
    BIAS_STEP,  # spacing of the charge-voltage table in q / C_s [V]
    V_SET,  # [V]
    I_QUIESCENT,  # [A]
    I_OFF,  # [A]
    GROUND,  # [-]
    V_START,  # [V]
    V_STOP,  # [V]
    DELAY,  # [s]
    C_OUT,  # [F]
    R_PASS,  # [ohm]
    ETA,  # [-]
    REGULATOR,  # LINEAR, BUCK, DIRECT
    JUNCTIONS,  # 2 or 1
    INTERCEPT,  # of one junction [V]
    SLOPE,  # of one junction [ohm]
    OFF_POINTS,  # number of points of the curve of the off current, of the quiescent current, of the dropout
    QUIESCENT_POINTS,
    DROPOUT_POINTS,
) = range(36)
# --- the demand: what the regulator draws -----------------------------------------------------------------------------
(
    FORM,  # STEADY: a constant current; LOAD: of a step; POWER: a constant power; RESTING: the off current's curve
    STEADY_CURRENT,  # regulator input current of STEADY [A]
    LOAD_CURRENT,  # load current at the reference voltage [A]; the power of POWER [W]
    LOAD_SLOPE,  # dI_load/dV_out [S]
    LOAD_AT,  # reference voltage [V]
    LOAD_FLOOR,  # V_out below which the load current is held [V]
    LOAD_REGULATED,  # load current at V_set [A]
    LOAD_ETA,  # efficiency at that current [-]
    INFLOW,  # current into the store beside the source's: the precharge [A]
) = range(36, 45)
STEADY, LOAD, POWER, RESTING = 0.0, 1.0, 2.0, 3.0
# --- the source over the interval between two break points ------------------------------------------------------------
(
    WAVES,  # rows of WAVE in use
    CURVES,  # place of the first curve
    BIAS_AT,  # place of the charge-voltage table: voltage and its slope against q / C_s, point after point
    BIAS_LAST,  # index of its last point
) = range(45, 49)
# --- the state of the march -------------------------------------------------------------------------------------------
(
    TIME,  # [s]
    CHARGE,  # of the store [C]
    COIL,  # magnitude of the current through the bridge [A]
    ACROSS,  # voltage on C_p of a piezoelectric source, signed [V]
    POLARITY,  # of the source while it conducts, +1 or -1
    CONDUCTS,  # 1 while the bridge conducts
    CLAMPED,  # 1 while the clamp holds the store
    NEXT,  # index of the next break point of the source
    STEP_SIZE,  # next step to try [s]
    STEPS,  # steps made
    QUIET,  # until when a bridge that could not conduct is not asked again [s]
) = range(49, 60)
STATE, STATE_SIZE = TIME, 11
AT_START, FIRST_START, AT_END, KEPT = 60, 71, 82, 93  # states to go back to
# --- the watch: what is looked for, and what was seen -----------------------------------------------------------------
(
    CEILING,  # stop when V_in rises through it, inf for not [V]
    FLOOR,  # stop when V_in falls below it, -inf for not [V]
    NEED,  # V_need of the running step, -inf when none runs [V]
    LEAST,  # least V_in - V_need since it was set [V]
    FIRST_BELOW,  # time at which V_in - V_need first fell below zero, inf when it did not [s]
    TOP_INPUT,  # highest V_in [V]
    TOP_CURRENT,  # highest diode current [A]
    TOP_REVERSE,  # highest reverse voltage of a diode [V]
    PLATEAU,  # rise of V_in that counts as a new top: on a plateau the first instant stands [V]
    TOP_SHARE,  # where in the step that began at the kept state V_in was highest [s]
    PHASE,  # what runs, for the record and the ledger
    LEDGER_COLUMN,  # of the running step, -1 when none runs
    ACCURACY,  # [V]
) = range(104, 117)
# --- the step last made: source variable and charge at its end, their errors; three coefficients of each -------------
OUT = 117
DENSE_Y, DENSE_Q = OUT + 4, OUT + 7
OUT_SIZE = 10
# (4, 4) current, charge, V_in, net current of a clamped store, each at 0, 1/3, 2/3 and 1 of the step
SAMPLES = OUT + OUT_SIZE
# --- the journey: what one leg leaves for the next --------------------------------------------------------------------
(
    LAST,  # end of the last stroke [s]
    HORIZON,  # until which the radio is held on [s]
    SEGMENT_AT,  # index of the running segment
    SEGMENTS,  # how many there are, and
    COMPLETES,  # how many belong to completion
    STARTED,  # how often V_in reached V_start
    RETRACED,  # 1 while a failed start is run again as it really went, for the next one
    REFINED,  # 1 once the march has begun again with a finer accuracy
    FAILED_STEP,  # step of the first violation, -1 for none
    ACKNOWLEDGED,  # 1 when the sequence ends with an acknowledgement
    REST_END,  # end of the record of a real run [s]
    RETRY_LEVEL,  # V_in below which a retry is not begun [V]
    RESTARTS,  # 1 where the regulator may start again
    HELD,  # index of the segment whose load is held on: the last listening one, else the last of completion
    ALL_SEGMENTS,  # what `chance.build_sequence` counted: segments, those of completion,
    ALL_COMPLETE,
    ALL_ATTEMPTS,  # attempts made,
    ALL_ACKNOWLEDGED,  # 1 when the last one was acknowledged
    TOP_OFF,  # highest V_in, diode current and reverse voltage up to the start
    CURRENT_OFF,
    REVERSE_OFF,
    TOP_BEFORE,  # the same up to the present start
    CURRENT_BEFORE,
    REVERSE_BEFORE,
    TOP_RUN,  # the same up to the end of the sequence
    CURRENT_RUN,
    REVERSE_RUN,
) = range(143, 170)
# the best start so far: its row, its codes, its failed step and whether it was acknowledged
BEST = 170
BEST_CODES = BEST + at.VALUES
BEST_FAILED = BEST_CODES + at.CODES
BEST_ACKNOWLEDGED = BEST_FAILED + 1
WAVE = BEST_ACKNOWLEDGED + 1  # rows of three for each stroke that may overlap another: amplitude, rate, start
# rows of WAVE; row 0 is (offset, slope, from) of a straight line for a sampled waveform
WAVE_AMPLITUDE, WAVE_RATE, WAVE_START, PER_WAVE = 0, 1, 2, 3


def curve_place(strokes: int) -> int:
    """Return the place of the first point of the factor curves: off, quiescent and dropout behind one another."""
    return WAVE + PER_WAVE * max(1, strokes)

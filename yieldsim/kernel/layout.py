"""What the compiled code reads and writes: the columns of a value vector, of a result row, and the codes.

A *value vector* holds one number a parameter, in SI units, after its tolerance, temperature law and ageing law. Its
first ``FIXED`` columns are the same for every design; behind them stand ``PER_STROKE`` columns a stroke,
``PER_STEP`` columns a step of the load sequence and ``PER_PART`` columns a capacitor of a bank. A design is data for
the compiled code, never generated code.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

# --- fixed columns of a value vector [unit] ---------------------------------------------------------------------
PEAK_EMF = 0  # open-circuit peak of a stroke of linkage 1 at speed 1 [V]
TRANSIT_TIME = 1  # width of the half-sine at speed 1 [s]
SPEED = 2  # speed factor, shared by strokes without their own [-]
COIL_RESISTANCE = 3  # [ohm]
COIL_INDUCTANCE = 4  # [H]
WAVEFORM_SCALE = 5  # factor on a measured emf [-]
FORWARD_DROP = 6  # one junction, at the highest current of its table [V]
REVERSE_LEAKAGE = 7  # what the rectifier takes from the store at any V > 0 [A]
CAPACITANCE = 8  # C_s: tolerance, temperature and age in, bias out [F]
ESR = 9  # [ohm]
INSULATION = 10  # ohm-farad product, inf for none [s]
INITIAL_VOLTAGE = 11  # [V]
CLAMP_VOLTAGE = 12  # inf for none [V]
OUTPUT = 13  # V_set; for `direct` the start voltage [V]
QUIESCENT = 14  # [A]
OFF_CURRENT = 15  # [A]
GROUND_SHARE = 16  # ground current as a share of the load current [-]
START_VOLTAGE = 17  # [V]
STOP_VOLTAGE = 18  # [V]
START_DELAY = 19  # [s]
OUTPUT_CAPACITANCE = 20  # [F]
DROPOUT = 21  # at the test current `KernelDesign.dropout_current` [V]
EFFICIENCY = 22  # buck [-]
MINIMUM_SUPPLY = 23  # of the radio, shared by steps without their own [V]
FRAME_LOSS = 24  # [-]
ACKNOWLEDGEMENT_LOSS = 25  # [-]
SIGNAL_TO_NOISE = 26  # [dB]
BACKOFF_UNIT = 27  # [s]
BACKOFF_BUSY = 28  # probability that an assessment finds the channel busy [-]
BACKOFF_IDLE_CURRENT = 29  # [A]
ASSESS_TIME = 30  # [s]
ASSESS_CURRENT = 31  # [A]
TURNAROUND = 32  # [s]
TURNAROUND_CURRENT = 33  # [A]
OPEN_SWING = 34  # piezoelectric: open-circuit swing of a stroke of linkage 1 [V]
SOURCE_CAPACITANCE = 35  # piezoelectric [F]
LOSS_RESISTANCE = 36  # piezoelectric, inf for none [ohm]
PACKET_ENERGY = 37  # energy packet [J]
PACKET_EFFICIENCY = 38  # energy packet: what of it reaches the store [-]
DELIVERY_TIME = 39  # energy packet [s]
PARTIAL_SHARE = 40  # share of presses that stop short [-]
TRAVEL = 41  # share of the flux, swing or energy of a stroke that such a press delivers [-]
PRECHARGE_CURRENT = 42  # [A]
PRECHARGE_LIMIT = 43  # [V]
PRECHARGE_TIME = 44  # 0 for no precharge [s]
TIME_SINCE = 45  # between the end of the actuation before and this one [s]
RETRY_ABOVE = 46  # V_in below which a retry is not begun, 0 for always [V]
FIXED = 47

# --- columns of stroke k stand at FIXED + PER_STROKE*k ------------------------------------------------------------
STROKE_START = 0  # of its own; the dwell behind the end of the stroke before where `strokes` says so [s]
STROKE_LINKAGE = 1  # signed, relative to the first [-]
STROKE_TRANSIT_TIME = 2  # only where the stroke has its own [s]
STROKE_SPEED = 3  # only where the stroke has its own [-]
PER_STROKE = 4

# --- columns of step s stand at FIXED + PER_STROKE*strokes + PER_STEP*s --------------------------------------------
STEP_DURATION = 0  # duration; air time of a frame; `earliest` of an acknowledgement [s]
STEP_SPREAD = 1  # acknowledgement [s]
STEP_TIMEOUT = 2  # acknowledgement [s]
STEP_CURRENT = 3  # [A]
STEP_MINIMUM_SUPPLY = 4  # only where the step has its own [V]
PER_STEP = 5

# --- columns of capacitor k of a bank stand behind those of the steps; a single store has none ---------------------
PART_CAPACITANCE = 0  # C_s, as CAPACITANCE [F]
PART_ESR = 1  # [ohm]
PART_INSULATION = 2  # ohm-farad product, inf for none [s]
PER_PART = 3

# --- codes of a design ----------------------------------------------------------------------------------------
LINEAR, BUCK, DIRECT = 0, 1, 2  # regulator
FIXED_STEP, FRAME_STEP, LISTEN_STEP = 0, 1, 2  # kind of a step
ONCE, EACH_ATTEMPT, AFTER = 0, 1, 2  # when of a step
NO_SOURCE, HALF_SINE, SAMPLED, PIEZO, PACKET = 0, 1, 2, 3, 4  # source
# columns of `KernelDesign.strokes`
STROKE_TIME_COLUMN, STROKE_SPEED_COLUMN, STROKE_DWELLS = 0, 1, 2
# columns of `KernelDesign.steps`
STEP_KIND, STEP_WHEN, STEP_REQUIRED, STEP_MINIMUM_COLUMN = 0, 1, 2, 3
# columns of `KernelDesign.slopes`
STEP_SLOPE, STEP_SLOPE_AT = 0, 1


class KernelDesign(NamedTuple):
    """A design as the compiled code reads it. S strokes, P steps, V actuation-level variables, A attempts, M messages,
    K capacitors of a bank (0 for a single store).

    The slots of one attempt's uniforms stand in this order: the V variables, frame loss, acknowledgement loss,
    acknowledgement latency, ``maximum_backoffs + 1`` backoffs, ``maximum_backoffs + 1`` busy draws, whether the press
    stops short, which message is sent; the last two are read from the first attempt's row alone.
    """

    source: int  # NO_SOURCE, HALF_SINE, SAMPLED, PIEZO, PACKET
    junctions: int  # in series in the conducting path: 2 for a full bridge, 1 for a single diode
    drop_line: NDArray[np.float64]  # (3,) intercept [V], slope [ohm], nominal drop the line belongs to [V]
    strokes: NDArray[np.int64]  # (S, 3) column of its transit time, of its speed; 1 where its start is a dwell
    waveform: NDArray[np.float64]  # (2, N) times [s] and emf [V] of a measured stroke; (2, 0) otherwise
    bias: NDArray[np.float64]  # (N, 2) voltage [V] and its slope dV/ds [-] at uniform s = q/C_s [V]
    bias_step: float  # spacing of s [V]
    bank: NDArray[np.float64]  # (K, N, 2) integral of b from 0 to V [V] and b [-] at uniform V; (0, 0, 0) for one store
    bank_step: float  # spacing of V [V]
    regulator: int  # LINEAR, BUCK, DIRECT
    restart: bool  # after a brown-out the regulator may start again
    dropout_current: float  # test current of the dropout [A]
    # factors on a parameter, linear between points and flat beyond; (0, 2) where there is none
    off_curve: NDArray[np.float64]  # (N, 2) V_in [V], factor on the off current
    quiescent_curve: NDArray[np.float64]  # (N, 2) V_in [V], factor on the quiescent current
    dropout_curve: NDArray[np.float64]  # (N, 2) V_in [V], factor on the dropout, not rising
    efficiency_curve: NDArray[np.float64]  # (N, 2) load current [A], factor on the efficiency
    steps: NDArray[np.int64]  # (P, 4) kind, when, required, column of its minimum supply
    slopes: NDArray[np.float64]  # (P, 2) dI/dV_out [S] and reference voltage [V]
    attempts: int  # transmissions in all, A
    message_shares: NDArray[np.float64]  # (M,) cumulative, the last one 1
    step_runs: NDArray[np.int64]  # (P, M) 1 where the step runs for the message
    air_time: NDArray[np.float64]  # (P, M, 2) of a frame step in the first attempt and in later ones [s]
    octets: NDArray[np.int64]  # (M, 3) PSDU octets of frame, of a retry's frame, of acknowledgement: packet errors
    use_signal_to_noise: bool
    use_backoff: bool
    exponents: NDArray[np.int64]  # (3,) minimum exponent, maximum exponent, maximum backoffs
    variable_column: NDArray[np.int64]  # (V,) column of the value vector it moves
    variable_each: NDArray[np.int64]  # (V,) 1 where it is drawn anew for each attempt
    variable_shape: NDArray[np.int64]  # (V,) shape code
    variable_params: NDArray[np.float64]  # (V, 8) parameters of the shape
    variable_table: NDArray[np.float64]  # flat table of the measured shapes
    variable_factor: NDArray[np.float64]  # (V, V) lower Cholesky factor of the normal scores; (0, 0) when independent
    keys: NDArray[np.int64]  # (slots, 2) 32-bit key words of each slot


# --- what a row asks: columns of `rows` -------------------------------------------------------------------------
ROW_UNIT, ROW_UNIT_ID, ROW_ACTUATION = 0, 1, 2
# A forced link outcome, one number an attempt (columns of `plans`): assessments made, plus PLAN_LOST when nothing comes
# back, or PLAN_SPENT when every assessment was busy and nothing was sent. Behind them stand two more columns: press,
# and message counted from 1. 0 leaves any of them to the uniforms.
PRESS_FULL, PRESS_PARTIAL = 1, 2
PLAN_MORE = 2
PLAN_LOST = 1000
PLAN_SPENT = 2000

# --- what a row answers: columns of `values` ------------------------------------------------------------------------
START_MARGIN = 0  # NaN where it cannot matter and was not asked for [V]
RUN_MARGIN = 1  # [V]
VOLTAGE_MARGIN = 2  # g [V]
RESERVE = 3  # [V]
HOLD_UP = 4  # [s]
START_TIME = 5  # V_in reached V_start; NaN when never started [s]
COMPLETE_TIME = 6  # acknowledgement wholly received; NaN when not complete [s]
RUN_TIME = 7  # start to brown-out, had the radio gone on listening [s]
PEAK_VOLTAGE = 8  # highest V_in [V]
PEAK_CURRENT = 9  # highest diode current [A]
PEAK_REVERSE = 10  # highest reverse voltage of a diode [V]
RESERVE_STORE = 11  # store voltage V at the step end that sets the reserve [V]
RESERVE_CURRENT = 12  # regulator input current there [A]
BROWN_OUT_TIME = 13  # first violation, NaN when none [s]
SEQUENCE_END = 14  # end of the sequence, had the supply held [s]
VALUES = 15
# --- columns of `codes` -----------------------------------------------------------------------------------------
OUTCOME = 0
DELIVERED = 1  # a frame got through while the supply held
SUFFICED = 2  # g >= 0
START_STROKE = 3  # index of the stroke that started the regulator, -1 for none
ATTEMPTS_USED = 4
HOLD_UP_CAPPED = 5
RESERVE_STEP = 6  # index of the step whose end sets the reserve; CHANNEL_ACCESS for backoff, assessment, turnaround
RUN_STEP = 7  # index of the step that sets the run margin
MESSAGE = 8  # index of the message
PARTIAL = 9  # 1 where the press stopped short
STARTS = 10  # times the regulator started
CODES = 11
# outcomes; brown-out in step s is BROWN_OUT + s, in channel access BROWN_OUT + CHANNEL_ACCESS
COMPLETE, NEVER_STARTED, UNACKNOWLEDGED, NOT_FINISHED, BROWN_OUT = 0, 1, 2, 3, 10
CHANNEL_ACCESS = 999

# --- columns of the recorder's buffer -----------------------------------------------------------------------------
(
    REC_TIME,  # [s]
    REC_EMF,  # signed [V]
    REC_COIL,  # signed coil current [A]
    REC_STORE,  # V [V]
    REC_INPUT,  # V_in [V]
    REC_OUTPUT,  # V_out [V]
    REC_DRAWN,  # regulator input current [A]
    REC_PHASE,  # OFF_PHASE, START_PHASE, or step index, or CHANNEL_ACCESS; HOLD_PHASE while held on
) = range(8)
RECORD = 8
OFF_PHASE, START_PHASE, HOLD_PHASE = -1, -2, -3

# --- energy ledger [J], of the actuation as it really went (a brown-out ends the load) ------------------------------
(
    LED_SOURCE,
    LED_INITIAL,
    LED_COIL,
    LED_DIODE,
    LED_ESR,
    LED_CLAMP,
    LED_LEAKAGE,
    LED_REGULATOR,
    LED_STORE,
    LED_COIL_LEFT,
    LED_STEPS,  # first of P + 1 columns: each step, channel access last
) = range(11)

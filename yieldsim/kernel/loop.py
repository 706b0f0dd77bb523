"""The one door into the compiled code: run many rows, each one actuation of one unit."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import march as mt
from yieldsim.kernel import places as pl
from yieldsim.kernel.abreast.crew import run_crew
from yieldsim.kernel.abreast.seat import CREW, PER_SEGMENT, join, may_go_abreast, tell, went
from yieldsim.kernel.actuation import (
    DONE,
    TAIL,
    begin_ledger,
    end_ledger,
    finish_codes,
    next_leg,
    release,
    set_leg,
)
from yieldsim.kernel.chance import build_sequence, choose_message, choose_press, fill_uniforms, move_variables
from yieldsim.kernel.circuit import fill_circuit, moves_circuit
from yieldsim.kernel.compiled import INTERPRETED, apart, entry_point, inlined
from yieldsim.kernel.lanes import WIDTH
from yieldsim.kernel.sequence import held_segment
from yieldsim.kernel.source import fill_source

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Work(NamedTuple):
    """Scratch arrays of one running loop; nothing in it outlives a row except the room it takes."""

    x: FloatArray
    uniforms: FloatArray
    memory: FloatArray  # see `places`
    bank_known: FloatArray  # capacitors of the bank that it was made for
    segments: FloatArray
    source: FloatArray
    breaks: FloatArray
    samples: FloatArray
    row: FloatArray
    row_codes: IntArray
    crew: FloatArray  # memory of the presses that go abreast, see `abreast`, and their segments
    crew_segments: FloatArray
    crew_rows: IntArray
    crew_units: IntArray  # whose circuit each lane has, -1 for none
    spare: FloatArray  # memory of one of them
    fallen: IntArray  # rows that fell out
    no_record: FloatArray
    no_ledger: FloatArray


def memory_for(design: at.KernelDesign) -> FloatArray:
    """Return the memory of one actuation, with the design's own tables in it: bias, and curves of the regulator."""
    curves = (design.off_curve, design.quiescent_curve, design.dropout_curve)
    first = pl.curve_place(design.strokes.shape[0])
    tables = np.concatenate([curve.ravel() for curve in (*curves, design.bias)])
    memory = np.zeros(first + tables.size)
    memory[first:] = tables
    memory[pl.CURVES] = first
    memory[pl.RESTARTS] = 1.0 if design.restart else 0.0
    for place, curve in zip((pl.OFF_POINTS, pl.QUIESCENT_POINTS, pl.DROPOUT_POINTS), curves, strict=True):
        memory[place] = len(curve)
    memory[pl.BIAS_AT] = memory.size - design.bias.size
    memory[pl.BIAS_LAST] = len(design.bias) - 1
    return memory


def work_for(design: at.KernelDesign) -> Work:
    """Return scratch arrays with the room that ``design`` needs."""
    strokes, points = design.strokes.shape[0], design.waveform.shape[1]
    room = link.segment_room(design.steps.shape[0], design.attempts, int(design.exponents[2]))
    breaks = {at.SAMPLED: points, at.NO_SOURCE: 0, at.PACKET: 2}.get(design.source, 3 * strokes)
    capacitors = design.bank.shape[0]
    columns = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * design.steps.shape[0] + at.PER_PART * capacitors
    return Work(
        x=np.zeros(columns),
        uniforms=np.zeros((design.attempts, design.keys.shape[0])),
        memory=memory_for(design),
        bank_known=np.full(capacitors, np.nan),
        segments=np.zeros((room, link.SEGMENT)),
        source=np.zeros((1 if design.source == at.PACKET else strokes, 4)),
        breaks=np.zeros(breaks),
        samples=np.zeros((2, points)),
        row=np.zeros(at.VALUES),
        row_codes=np.zeros(at.CODES, dtype=np.int64),
        crew=np.zeros((CREW, WIDTH)),
        crew_segments=np.zeros((PER_SEGMENT * room, WIDTH)),
        spare=memory_for(design),
        crew_rows=np.zeros(WIDTH, dtype=np.int64),
        crew_units=np.full(WIDTH, -1, dtype=np.int64),
        fallen=np.zeros(WIDTH + 1, dtype=np.int64),
        no_record=np.zeros((0, at.RECORD)),
        no_ledger=np.zeros(0),
    )


@inlined
def usable_at(x, c, parts):
    """Whether column ``c`` of a value vector (K,) is a number; only insulation, clamp, loss resistance and limit of the
    precharge may be infinite, which is none. ``parts`` is the number of capacitors of a bank.
    """
    first_part = x.shape[0] - at.PER_PART * parts
    unlimited = c in (at.INSULATION, at.CLAMP_VOLTAGE, at.LOSS_RESISTANCE, at.PRECHARGE_LIMIT)
    if c >= first_part and (c - first_part) % at.PER_PART == at.PART_INSULATION:
        unlimited = True
    return math.isfinite(x[c]) or (unlimited and x[c] > 0.0)


@apart
def usable(x, parts):
    """Whether a value vector (K,) holds numbers alone, see `usable_at`."""
    for c in range(x.shape[0]):
        if not usable_at(x, c, parts):
            return False
    return True


@inlined
def moved_well(design, x):
    """Whether the columns of a value vector (K,) that vary from actuation to actuation hold numbers."""
    for v in range(design.variable_column.shape[0]):
        if not usable_at(x, design.variable_column[v], design.bank.shape[0]):
            return False
    return True


@inlined
def run_legs(leg, design, w, real, full, record, ledger, values, codes):
    """Run the legs of one actuation from ``leg`` on; returns the last one, DONE where it came to an end."""
    m, steps = w.memory, design.steps.shape[0]
    while leg != DONE:
        until = set_leg(leg, m, w.segments, design.efficiency_curve, steps, real, record, ledger)
        code = mt.march(until, m, w.breaks, w.samples, w.source, record, ledger)
        if code == mt.FAILED:
            break
        leg = next_leg(leg, code, m, w.segments, w.source, w.breaks, w.samples, real, full, values, codes)
    return leg


@apart
def run_each(
    design, w, base, scale, rows, points, plans, pivot_slot, pivots, full, together, accuracy, values, codes, record,
    ledger,
):  # fmt: skip
    """Run all rows, see `run`: plain presses abreast where they may go ``together``, and every other one alone."""
    m, crew = w.memory, w.crew
    others = (w.breaks, w.samples, w.source, w.no_record, w.no_ledger)
    w.spare[pl.ACCURACY] = accuracy
    hashed = points.shape[0] == 0
    new_circuit = moves_circuit(design)
    known, sound = -1, True  # the unit whose values stand in x, and whether they are usable
    together = together and may_go_abreast(design)
    m[pl.ACCURACY] = accuracy
    # the row that comes next, lanes in use, and rows that fell out of theirs and are run alone
    coming, count, left = 0, 0, 0
    while coming < rows.shape[0] or left > 0 or count > 0:
        if count == WIDTH or (coming == rows.shape[0] and left == 0):
            run_crew(count, full, TAIL, crew, w.crew_segments, m, w.spare, others)
            for lane in range(count):
                row = w.crew_rows[lane]
                if went(lane, crew):
                    tell(lane, crew, values[row], codes[row])
                else:
                    w.fallen[left] = row
                    left += 1
            count = 0
            continue
        alone = left > 0
        if alone:
            left -= 1
            r = w.fallen[left]
        else:
            r = coming
            coming += 1
        unit = rows[r, at.ROW_UNIT]
        address = (rows[r, at.ROW_UNIT_ID], rows[r, at.ROW_ACTUATION])
        if hashed:
            fill_uniforms(design, address, 0, w.uniforms[0])
        else:
            for a in range(w.uniforms.shape[0]):
                for k in range(w.uniforms.shape[1]):
                    w.uniforms[a, k] = points[r, a, k]
        if pivots.shape[0] > 0 and not math.isnan(pivots[r]):
            w.uniforms[0, pivot_slot] = pivots[r]
        if unit != known:  # what varies is moved anew in every row
            for k in range(w.x.shape[0]):
                w.x[k] = base[unit, k]
            sound = usable(w.x, design.bank.shape[0])
        move_variables(design, base[unit], scale[unit], w.uniforms[0], False, w.x)
        plan = plans[r] if plans.shape[0] > 0 else plans[:, 0]
        planned = plan.shape[0] > 0
        partial = choose_press(design, w.x, address, w.uniforms[0], plan[design.attempts] if planned else 0)
        message = choose_message(design, address, w.uniforms[0], plan[design.attempts + 1] if planned else 0)
        if unit != known or new_circuit:
            fill_circuit(design, w.x, m, w.bank_known)
        known = unit
        # moves columns of x from attempt to attempt, none of which circuit and source use
        build_sequence(design, w.x, base[unit], scale[unit], address, w.uniforms, hashed, plan, message, w.segments, m)
        good = sound and moved_well(design, w.x)
        m[pl.LAST] = fill_source(design, w.x, partial, w.source, w.breaks, w.samples)
        if together and good and not alone:
            held = int(held_segment(w.segments, int(m[pl.ALL_COMPLETE])))
            same = w.crew_units[count] == unit and not new_circuit
            if join(count, same, w.x, m, w.source, w.breaks, w.segments, held, crew, w.crew_segments):
                w.crew_rows[count], w.crew_units[count] = r, unit
                codes[r, at.MESSAGE], codes[r, at.PARTIAL] = message, 1 if partial else 0
                count += 1
                continue
        # the last row may be run once more, as it really went and with the recorder on
        last = record.shape[0] > 0 and r == rows.shape[0] - 1
        for run_again in range(2 if last and good else 1):
            real = run_again == 1
            m[pl.ACCURACY] = max(0.01 * accuracy, 1e-9) if real else accuracy  # finer, so that the ledger closes
            row, row_codes = (w.row, w.row_codes) if real else (values[r], codes[r])
            curve, energies = (record, ledger) if real else (w.no_record, w.no_ledger)
            leg = release(m, w.x, w.source, w.breaks, w.samples, w.segments, row, row_codes)
            if not good:
                break
            if real:
                begin_ledger(m, record, ledger)
            leg = run_legs(leg, design, w, real, full, curve, energies, row, row_codes)
            if real:
                end_ledger(m, ledger)
            elif leg == DONE:
                finish_codes(m, row, row_codes)
        m[pl.ACCURACY] = accuracy
        codes[r, at.MESSAGE], codes[r, at.PARTIAL] = message, 1 if partial else 0


@entry_point
def run_rows(digest: int) -> Any:
    """Compile `run`, which see, with the digest of this package."""

    def run_rows(
        design, w, base, scale, rows, points, plans, pivot_slot, pivots, full, together, accuracy, values, codes,
        record, ledger,
    ):  # fmt: skip
        _ = digest
        run_each(
            design, w, base, scale, rows, points, plans, pivot_slot, pivots, full, together, accuracy, values, codes,
            record, ledger,
        )  # fmt: skip

    return run_rows


def run_interpreted(arguments: tuple[Any, ...], values: FloatArray, codes: IntArray) -> None:
    """Run the rows as plain Python, which raises where the compiled code goes on with infinities to "not finished"."""
    with np.errstate(all="ignore"):
        try:
            run_rows(*arguments)
        except (ArithmeticError, ValueError):
            if len(values) > 1:
                raise
            values[:], codes[:, at.OUTCOME] = math.nan, at.NOT_FINISHED


def run(
    design: at.KernelDesign,
    base: FloatArray,
    scale: FloatArray,
    rows: IntArray,
    *,
    points: FloatArray | None = None,
    plans: IntArray | None = None,
    pivot_slot: int = 0,
    pivots: FloatArray | None = None,
    full: bool = False,
    accuracy: float = 0.5e-3,
    record: FloatArray | None = None,
    ledger: FloatArray | None = None,
    x: FloatArray | None = None,
) -> tuple[FloatArray, IntArray]:
    """Run actuations; one thread, no interpreter lock held.

    Parameters
    ----------
    design : KernelDesign
        A attempts, slots uniforms an attempt.
    base, scale : (U, K) float arrays
        Value vectors of U units and what one unit of an actuation-level deviation adds to each column (SI units).
    rows : (N, 3) int array
        Index into ``base``, unit number and actuation number of each row; the numbers are the address of its draws.
    points : (N, A, slots) float array, optional
        Uniforms in (0, 1) to use in place of those drawn by address.
    plans : (N, A + 2) int array, optional
        Forced link outcomes, press and message, see `layout`; 0 leaves one to its uniforms.
    pivot_slot, pivots : int, (N,) float array, optional
        Uniform that replaces the one of this slot in the first attempt, NaN for not; meant before rank correlation.
    full : bool
        Fill the start margin even where it cannot decide the voltage margin.
    accuracy : float
        Bound aimed at for the error of reserve and start margin [V].
    record, ledger : float arrays, optional
        Filled for the last row: its curve (see `actuation.record_room`) and energy ledger [J].
    x : (K,) float array, optional
        Filled with the values of the last row's last attempt made.

    Returns
    -------
    values : (N, VALUES) float array
    codes : (N, CODES) int array
        Columns as in `layout`.

    Raises
    ------
    ValueError
        ``plans`` of another shape.
    """
    count = rows.shape[0]
    if plans is not None and plans.shape != (count, design.attempts + at.PLAN_MORE):
        raise ValueError(f"plans have shape {plans.shape}, not {(count, design.attempts + at.PLAN_MORE)}")
    values = np.empty((count, at.VALUES))
    codes = np.empty((count, at.CODES), dtype=np.int64)
    work = work_for(design)
    arguments = (
        design,
        work,
        np.ascontiguousarray(base),
        np.ascontiguousarray(scale),
        np.ascontiguousarray(rows, dtype=np.int64),
        np.zeros((0, 1, 1)) if points is None else np.ascontiguousarray(points),
        np.zeros((0, 1), dtype=np.int64) if plans is None else np.ascontiguousarray(plans, dtype=np.int64),
        pivot_slot,
        np.zeros(0) if pivots is None else np.ascontiguousarray(pivots),
        full,
        not INTERPRETED and count > 1 and x is None and record is None,
        accuracy,
        values,
        codes,
        np.zeros((0, at.RECORD)) if record is None else record,
        np.zeros(0) if ledger is None else ledger,
    )
    if INTERPRETED:
        run_interpreted(arguments, values, codes)
    else:
        run_rows(*arguments)
    if x is not None:
        x[:] = work.x
    return values, codes

"""The one door into the compiled code: run many rows, each one actuation of one unit."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import march as mt
from yieldsim.kernel import state as sv
from yieldsim.kernel.actuation import (
    DONE,
    JOURNEY,
    begin_ledger,
    end_ledger,
    finish_codes,
    next_leg,
    release,
    set_leg,
)
from yieldsim.kernel.borrowed import borrowed
from yieldsim.kernel.chance import build_sequence, fill_uniforms, move_variables
from yieldsim.kernel.compiled import compiled, entry_point, inlined

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Work(NamedTuple):
    """Scratch arrays of one running loop; nothing in it outlives a row except the room it takes."""

    x: FloatArray
    uniforms: FloatArray
    circuit: FloatArray
    demand: FloatArray
    watch: FloatArray
    state: FloatArray
    at_start: FloatArray
    at_end: FloatArray
    kept: FloatArray
    journey: FloatArray
    segments: FloatArray
    counts: IntArray
    source: FloatArray
    breaks: FloatArray
    wave: FloatArray
    waves_table: FloatArray
    out: FloatArray
    samples: FloatArray
    row: FloatArray
    row_codes: IntArray
    no_record: FloatArray
    no_ledger: FloatArray


def work_for(design: at.KernelDesign) -> Work:
    """Return scratch arrays with the room that ``design`` needs."""
    strokes, points = design.strokes.shape[0], design.waveform.shape[1]
    room = link.segment_room(design.steps.shape[0], design.attempts, int(design.exponents[2]))
    if design.source == at.SAMPLED:
        breaks = points
    elif design.source == at.HALF_SINE:
        breaks = 3 * strokes
    else:
        breaks = 0
    columns = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * design.steps.shape[0]
    return Work(
        x=np.zeros(columns),
        uniforms=np.zeros((design.attempts, design.keys.shape[0])),
        circuit=np.zeros(ct.CIRCUIT),
        demand=np.zeros(ct.DEMAND),
        watch=np.zeros(sv.WATCH),
        state=np.zeros(sv.STATE),
        at_start=np.zeros(sv.STATE),
        at_end=np.zeros(sv.STATE),
        kept=np.zeros(sv.STATE),
        journey=np.zeros(JOURNEY),
        segments=np.zeros((room, link.SEGMENT)),
        counts=np.zeros(4, dtype=np.int64),
        source=np.zeros((strokes, 4)),
        breaks=np.zeros(breaks),
        wave=np.zeros((max(1, strokes), 3)),
        waves_table=np.zeros((2, points)),
        out=np.zeros(8),
        samples=np.zeros((4, 4)),
        row=np.zeros(at.VALUES),
        row_codes=np.zeros(at.CODES, dtype=np.int64),
        no_record=np.zeros((0, at.RECORD)),
        no_ledger=np.zeros(0),
    )


@compiled
def borrow_design(design):
    """Return the design with arrays that carry no owner."""
    return at.KernelDesign(
        borrowed(design.source),
        borrowed(design.junctions),
        borrowed(design.drop_line),
        borrowed(design.strokes),
        borrowed(design.waveform),
        borrowed(design.bias),
        borrowed(design.bias_step),
        borrowed(design.regulator),
        borrowed(design.dropout_current),
        borrowed(design.steps),
        borrowed(design.slopes),
        borrowed(design.attempts),
        borrowed(design.octets),
        borrowed(design.use_signal_to_noise),
        borrowed(design.use_backoff),
        borrowed(design.exponents),
        borrowed(design.variable_column),
        borrowed(design.variable_each),
        borrowed(design.variable_shape),
        borrowed(design.variable_params),
        borrowed(design.variable_table),
        borrowed(design.variable_factor),
        borrowed(design.keys),
    )


@compiled
def borrow_work(work):
    """Return the scratch arrays without their owner."""
    return Work(
        borrowed(work.x),
        borrowed(work.uniforms),
        borrowed(work.circuit),
        borrowed(work.demand),
        borrowed(work.watch),
        borrowed(work.state),
        borrowed(work.at_start),
        borrowed(work.at_end),
        borrowed(work.kept),
        borrowed(work.journey),
        borrowed(work.segments),
        borrowed(work.counts),
        borrowed(work.source),
        borrowed(work.breaks),
        borrowed(work.wave),
        borrowed(work.waves_table),
        borrowed(work.out),
        borrowed(work.samples),
        borrowed(work.row),
        borrowed(work.row_codes),
        borrowed(work.no_record),
        borrowed(work.no_ledger),
    )


@inlined
def usable(x):
    """Whether a value vector (K,) holds numbers alone; only insulation and clamp may be infinite, which is none."""
    for c in range(x.shape[0]):
        unlimited = (c == at.INSULATION or c == at.CLAMP_VOLTAGE) and x[c] > 0.0
        if not (math.isfinite(x[c]) or unlimited):
            return False
    return True


@entry_point
def run_rows(digest: int) -> Any:
    """Compile `run`, which see, with the digest of this package."""

    def run_rows(
        owned_design,
        owned_work,
        base,
        scale,
        rows,
        points,
        plans,
        pivot_slot,
        pivots,
        full,
        accuracy,
        values,
        codes,
        record,
        ledger,
    ):
        _ = digest
        design, work = borrow_design(owned_design), borrow_work(owned_work)
        hashed = points.shape[0] == 0
        for r in range(rows.shape[0]):
            unit = rows[r, at.ROW_UNIT]
            address = (rows[r, at.ROW_UNIT_ID], rows[r, at.ROW_ACTUATION])
            if hashed:
                fill_uniforms(design, address, 0, work.uniforms[0])
            else:
                work.uniforms[:] = points[r]
            if pivots.shape[0] > 0 and not math.isnan(pivots[r]):
                work.uniforms[0, pivot_slot] = pivots[r]
            work.x[:] = base[unit]
            move_variables(design, base[unit], scale[unit], work.uniforms[0], False, work.x)
            plan = plans[r] if plans.shape[0] > 0 else plans[:, 0]
            ct.fill_circuit(design, work.x, work.circuit)
            # moves columns of x from attempt to attempt, none of which circuit and source use
            build_sequence(
                design, work.x, base[unit], scale[unit], address, work.uniforms, hashed, plan,
                work.segments, work.counts,
            )  # fmt: skip
            if not usable(work.x):
                values[r, :] = math.nan
                codes[r, :] = 0
                codes[r, at.OUTCOME], codes[r, at.START_STROKE] = at.NOT_FINISHED, -1
                codes[r, at.ATTEMPTS_USED] = work.counts[2]
                continue
            # the last row may be run once more, as it really went and with the recorder on
            last = record.shape[0] > 0 and r == rows.shape[0] - 1
            for run_again in range(2 if last else 1):
                real = run_again == 1
                aim = max(0.01 * accuracy, 1e-9) if real else accuracy  # finer, so that the ledger closes
                row, row_codes = (work.row, work.row_codes) if real else (values[r], codes[r])
                curve, energies = (record, ledger) if real else (work.no_record, work.no_ledger)
                leg = release(design, work, aim, row, row_codes)
                if real:
                    begin_ledger(design, work, record, ledger)
                while leg != DONE:
                    until = set_leg(leg, design, work, real, curve, energies)
                    code = mt.march(
                        work.state, until, design.source, design.bias, design.bias_step, work.breaks,
                        work.waves_table, work.source, aim, work.circuit, work.demand, work.watch, curve,
                        energies, work.out, work.samples, work.wave, work.kept,
                    )  # fmt: skip
                    if code == mt.FAILED:
                        break
                    leg = next_leg(leg, code, design, work, real, full, row, row_codes)
                if real:
                    end_ledger(design, work, ledger)
                elif leg == DONE:
                    finish_codes(work.journey, row, row_codes)

    return run_rows


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
    plans : (N, A) int array, optional
        Forced link outcomes, see `layout`; 0 leaves an attempt to its uniforms.
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
    """
    count = rows.shape[0]
    values = np.empty((count, at.VALUES))
    codes = np.empty((count, at.CODES), dtype=np.int64)
    work = work_for(design)
    run_rows(
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
        accuracy,
        values,
        codes,
        np.zeros((0, at.RECORD)) if record is None else record,
        np.zeros(0) if ledger is None else ledger,
    )
    if x is not None:
        x[:] = work.x
    return values, codes

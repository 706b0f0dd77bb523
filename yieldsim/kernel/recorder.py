"""The recorder: points of the curve and the energy ledger, written by the same march that everything else uses."""

import numpy as np

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.circuit import leakage
from yieldsim.kernel.collocation import is_plain
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.demand import load_of
from yieldsim.kernel.drain import charge_after
from yieldsim.kernel.onset import across_after, driving

# Gauss-Legendre nodes and weights on (0, 1), five points: exact to degree 9
NODES = (np.polynomial.legendre.leggauss(5)[0] + 1.0) / 2.0
WEIGHTS = np.polynomial.legendre.leggauss(5)[1] / 2.0
POINTS = 4  # recorded points a piece; the first row of a record counts those in use
STEP_PIECES = 4  # of a long step
PIECES = 8  # of a blocked stretch: a converter may pass from one way of drawing to another within it


@inlined
def supply_of(v_in, m):
    """Supply V_out [V] of the radio and its load current [A] at regulator input ``v_in`` [V], 0 while no step runs."""
    if m[pl.LEDGER_COLUMN] < 0.0:
        return 0.0, 0.0
    load, _, output = load_of(v_in, m)
    return output, load


@apart
def put(t, emf, coil, v, v_in, drawn, m, record):
    """Append one point of the curve; a full buffer keeps what it has."""
    n = int(record[0, 0]) + 1
    if n >= record.shape[0]:
        return
    record[0, 0] = float(n)
    record[n, at.REC_TIME] = t
    record[n, at.REC_EMF] = emf
    record[n, at.REC_COIL] = coil
    record[n, at.REC_STORE] = v
    record[n, at.REC_INPUT] = v_in
    record[n, at.REC_OUTPUT] = max(supply_of(v_in, m)[0], 0.0)
    record[n, at.REC_DRAWN] = drawn
    record[n, at.REC_PHASE] = m[pl.PHASE]


@apart
def book(dt, e, across, i, v, v_in, drawn, clamped, m, ledger):
    """Book the powers of a moment for ``dt`` [s] into the energy ledger [J].

    ``e`` is the emf [V], or ds/dt of a piezoelectric swing, whose source capacitance stands at ``across`` [V]: its work
    is that of a current C_p ds/dt at this voltage.
    """
    lost = leakage(v, m)
    if m[pl.KIND] == at.PIEZO:
        ledger[at.LED_SOURCE] += dt * across * m[pl.INERTIA] * e
        ledger[at.LED_COIL] += dt * across * across * m[pl.LOSS]
    elif m[pl.KIND] == at.PACKET:
        if m[pl.WAVES] > 0.0:
            ledger[at.LED_SOURCE] += dt * (v * i + m[pl.POWER_LOST])
            ledger[at.LED_COIL] += dt * m[pl.POWER_LOST]
    else:
        ledger[at.LED_SOURCE] += dt * e * i
        ledger[at.LED_COIL] += dt * m[pl.R_COIL] * i * i
    if m[pl.KIND] != at.PACKET:
        ledger[at.LED_DIODE] += dt * i * (m[pl.DROP] + (m[pl.R_LOOP] - m[pl.R_COIL]) * i)
    through = (i if m[pl.ESR_SOURCE] > 0.0 else 0.0) - drawn
    ledger[at.LED_ESR] += dt * m[pl.ESR] * through * through
    ledger[at.LED_LEAKAGE] += dt * v * lost
    if clamped:
        ledger[at.LED_CLAMP] += dt * v * (i - drawn - lost)
    used = 0.0
    column = int(m[pl.LEDGER_COLUMN])
    if column >= 0:
        output, load = supply_of(v_in, m)
        used = output * load
        ledger[column] += dt * used
    ledger[at.LED_REGULATOR] += dt * (v_in * drawn - used)


@apart
def record_step(t, h, y, q, clamped, m, record, ledger):
    """Record a conducting step of ``h`` [s] from (y, q) at ``t`` and book its energies."""
    polarity = m[pl.POLARITY]
    pieces = STEP_PIECES if is_plain(clamped, m) else 1
    for n in range(pieces):
        for k in range(POINTS + 1):
            x = (n + k / POINTS) / pieces
            yk, ik, qk = st.point(x, t, h, y, q, m)
            v_in, v, drawn = st.input_voltage(ik, qk, m)
            e = polarity * yk if m[pl.KIND] == at.PIEZO else st.emf_at(t + x * h, m)
            put(t + x * h, e, polarity * ik, v, v_in, drawn, m, record)
    for k in range(NODES.shape[0]):
        yk, ik, qk = st.point(NODES[k], t, h, y, q, m)
        v_in, v, drawn = st.input_voltage(ik, qk, m)
        e = polarity * st.emf_at(t + NODES[k] * h, m)
        book(WEIGHTS[k] * h, e, yk, ik, v, v_in, drawn, clamped, m, ledger)


@apart
def record_blocked(t, span, q, m, record, ledger):
    """Record a blocked stretch of ``span`` [s] from charge ``q`` at ``t`` and book its energies."""
    if span <= 0.0:
        return
    piezo = m[pl.KIND] == at.PIEZO
    piece = span / PIECES
    for n in range(PIECES):
        began = n * piece
        for k in range(POINTS + 1):
            x = piece * k / POINTS
            left = charge_after(q, x, m)
            v_in, v, drawn = st.input_voltage(0.0, left, m)
            put(t + began + x, driving(t, began + x, m), 0.0, v, v_in, drawn, m, record)
        for k in range(NODES.shape[0]):
            left = charge_after(q, piece * NODES[k], m)
            v_in, v, drawn = st.input_voltage(0.0, left, m)
            x = began + piece * NODES[k]
            across = across_after(t, x, m) if piezo else 0.0
            book(WEIGHTS[k] * piece, st.emf_at(t + x, m), across, 0.0, v, v_in, drawn, False, m, ledger)
        q = charge_after(q, piece, m)

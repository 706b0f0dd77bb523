"""The recorder: points of the curve and the energy ledger, written by the same march that everything else uses."""

import numpy as np

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled
from yieldsim.kernel.drain import charge_after

# Gauss-Legendre nodes and weights on (0, 1), five points: exact to degree 9
NODES = (np.polynomial.legendre.leggauss(5)[0] + 1.0) / 2.0
WEIGHTS = np.polynomial.legendre.leggauss(5)[1] / 2.0
POINTS = 4  # recorded points a step; the first row of a record counts those in use
PIECES = 8  # of a blocked stretch: a converter may pass from one way of drawing to another within it


@compiled
def put(record, t, emf, coil, v, v_in, output, drawn, phase):
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
    record[n, at.REC_OUTPUT] = output
    record[n, at.REC_DRAWN] = drawn
    record[n, at.REC_PHASE] = phase


@compiled
def book(dt, emf, i, v, v_in, drawn, clamped, c, demand, column, ledger):
    """Book the powers of a moment for ``dt`` [s] into the energy ledger [J]."""
    lost = ct.leakage(v, c)
    ledger[at.LED_SOURCE] += dt * emf * i
    ledger[at.LED_COIL] += dt * c[ct.R_COIL] * i * i
    ledger[at.LED_DIODE] += dt * i * (c[ct.DROP] + c[ct.R_DIODE] * i)
    ledger[at.LED_ESR] += dt * c[ct.R_ESR] * (i - drawn) ** 2
    ledger[at.LED_LEAKAGE] += dt * v * lost
    if clamped:
        ledger[at.LED_CLAMP] += dt * v * (i - drawn - lost)
    used = 0.0
    if column >= 0:
        output, load = ct.supply(v_in, c, demand)
        used = output * load
        ledger[column] += dt * used
    ledger[at.LED_REGULATOR] += dt * (v_in * drawn - used)


@compiled
def output_of(v_in, c, demand, column):
    """Supply of the radio [V], 0 while no step runs."""
    if column < 0:
        return 0.0
    output, _ = ct.supply(v_in, c, demand)
    return max(output, 0.0)


@compiled
def record_step(
    t, h, i, q, polarity, clamped, kind, wave, waves, c, demand, bias, bias_step, out, phase, column, record, ledger
):
    """Record a conducting step of ``h`` [s] from (i, q) at ``t`` and book its energies."""
    for k in range(POINTS + 1):
        x = k / POINTS
        ik, qk = st.point(x, t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
        v_in, v, drawn = st.input_voltage(ik, qk, c, demand, bias, bias_step)
        e = st.emf_at(t + x * h, kind, wave, waves)
        put(record, t + x * h, e, polarity * ik, v, v_in, output_of(v_in, c, demand, column), drawn, phase)
    for k in range(NODES.shape[0]):
        ik, qk = st.point(NODES[k], t, h, i, q, polarity, kind, wave, waves, c, demand, bias, bias_step, out)
        v_in, v, drawn = st.input_voltage(ik, qk, c, demand, bias, bias_step)
        e = st.emf_at(t + NODES[k] * h, kind, wave, waves)
        book(WEIGHTS[k] * h, polarity * e, ik, v, v_in, drawn, clamped, c, demand, column, ledger)


@compiled
def record_blocked(t, span, q, kind, wave, waves, accuracy, c, demand, bias, bias_step, phase, column, record, ledger):
    """Record a blocked stretch of ``span`` [s] from charge ``q`` at ``t`` and book its energies."""
    if span <= 0.0:
        return
    piece = span / PIECES
    for n in range(PIECES):
        began = t + n * piece
        for k in range(POINTS + 1):
            x = piece * k / POINTS
            left = charge_after(q, x, accuracy, c, demand, bias, bias_step)
            v_in, v, drawn = st.input_voltage(0.0, left, c, demand, bias, bias_step)
            e = st.emf_at(began + x, kind, wave, waves)
            put(record, began + x, e, 0.0, v, v_in, output_of(v_in, c, demand, column), drawn, phase)
        for k in range(NODES.shape[0]):
            left = charge_after(q, piece * NODES[k], accuracy, c, demand, bias, bias_step)
            v_in, v, drawn = st.input_voltage(0.0, left, c, demand, bias, bias_step)
            book(WEIGHTS[k] * piece, 0.0, 0.0, v, v_in, drawn, False, c, demand, column, ledger)
        q = charge_after(q, piece, accuracy, c, demand, bias, bias_step)

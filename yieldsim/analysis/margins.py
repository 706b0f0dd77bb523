"""What a step needs, and what a margin in volts is worth in charge, octets and listening time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design, Step
from yieldsim.engine.columns import column_of
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Margins:
    """What a conversion needs: the design, its values (K,) in one actuation, the record of that, and its message."""

    design: Design
    x: FloatArray
    record: FloatArray
    message: int = 0


@dataclass(frozen=True)
class InKind:
    """A reserve in charge [C], octets on air, listening time [s]; None where there is no such step."""

    charge: float
    octets: int | None
    listen: float | None


def curve_factor(parameter: Parameter | None, at_value: FloatArray | float) -> FloatArray:
    """Return the factor of a parameter's curve: linear between its points, flat beyond; 1 where there is none."""
    if parameter is None or not parameter.curve:
        return np.ones_like(np.asarray(at_value, dtype=np.float64))
    points = np.array(parameter.curve)
    return np.asarray(np.interp(at_value, points[:, 0], points[:, 1]))


def pass_resistance(design: Design, x: FloatArray) -> float:
    """Return the pass resistance [ohm] where its curve is 1: dropout over its test current; 0 for a direct supply."""
    dropout = design.regulator.dropout
    if design.regulator.kind == "direct" or dropout is None or not dropout.at:
        return 0.0
    return float(x[at.DROPOUT]) / dropout.at


def load_current(step: Step, x: FloatArray, current_column: int, supply: float) -> float:
    """Return the load current [A] of a step at a supply [V]: I_ref + G (V_out - V_ref), never below 0."""
    slope, reference = step.current.slope or 0.0, step.current.at or 0.0
    return max(0.0, float(x[current_column]) + slope * (supply - reference))


def needed_input(design: Design, x: FloatArray, minimum: float, load: float) -> float:
    """Return the regulator input V [V] at which the supply just reaches ``minimum``: V = V_min + R f(V) I.

    The factor f of the dropout's curve does not rise with the input, so there is one such V.

    Parameters
    ----------
    design : Design
    x : (K,) values
    minimum : lowest supply [V]
    load : load current [A]
    """
    drop = pass_resistance(design, x) * load
    curve = design.regulator.dropout.curve if design.regulator.dropout is not None else None
    if not curve or drop == 0.0:
        return minimum + drop
    points = np.array(curve)
    above = points[:, 0] - minimum - drop * points[:, 1]
    if above[0] >= 0.0 or above[-1] <= 0.0:
        return minimum + drop * float(points[0 if above[0] >= 0.0 else -1, 1])
    return float(np.interp(0.0, above, points[:, 0]))


def required_input(design: Design, x: FloatArray, code: int) -> float:
    """Return the lowest regulator input [V] at which a step works: max(V_min + V_do(I), V_stop).

    Parameters
    ----------
    design : Design
    x : (K,) values
    code : index of the step; channel access has `required_in_access`
    """
    step = design.radio.sequence[code]
    columns = column_of(design)
    minimum = float(x[at.MINIMUM_SUPPLY])
    if step.minimum_supply is not None:
        minimum = float(x[columns[step.minimum_supply.name]])
    current = load_current(step, x, columns[step.current.name], minimum)
    return max(needed_input(design, x, minimum, current), float(x[at.STOP_VOLTAGE]))


def required_in_access(design: Design, x: FloatArray, rows: FloatArray) -> float:
    """Return the input voltage [V] that the lowest one of a channel access must reach.

    Idle waiting, assessment and turnaround need different inputs, so the least V_in - V_need need not stand
    where V_in is lowest. What is returned is the lowest V_in less that least difference: the need of the part
    that decides, where the lowest input falls into it, else that need less what the input still falls by.

    Parameters
    ----------
    design : Design
    x : (K,) values
    rows : (N, 8) record of one channel access, N >= 1
    """
    currents = x[[at.BACKOFF_IDLE_CURRENT, at.ASSESS_CURRENT, at.TURNAROUND_CURRENT]]
    inputs = rows[:, at.REC_INPUT]
    # the part that a point belongs to is told by the current drawn there
    drawn = np.stack([drawn_current(design, x, float(load), inputs) for load in currents])
    part = np.argmin(np.abs(drawn - rows[:, at.REC_DRAWN]), axis=0)
    minimum = float(x[at.MINIMUM_SUPPLY])
    supply = np.array([needed_input(design, x, minimum, float(load)) for load in currents])
    need = np.maximum(supply, float(x[at.STOP_VOLTAGE]))[part]
    return float(inputs.min() - (inputs - need).min())


def drawn_current(design: Design, x: FloatArray, load: float, inputs: FloatArray | float) -> FloatArray:
    """Return the regulator's input current [A] at input voltages [V] for a constant load current [A]."""
    regulator, voltage = design.regulator, np.asarray(inputs, dtype=np.float64)
    quiescent = float(x[at.QUIESCENT]) * curve_factor(regulator.quiescent, voltage)
    if regulator.kind == "buck":
        efficiency = float(x[at.EFFICIENCY]) * float(curve_factor(regulator.efficiency, load))
        share = np.minimum(1.0, float(x[at.OUTPUT]) / (efficiency * np.maximum(voltage, 1e-9)))
        return np.asarray(share * load + quiescent)
    return np.asarray(load * (1.0 + float(x[at.GROUND_SHARE])) + quiescent)


def input_current(margins: Margins, code: int) -> float:
    """Return the regulator's input current [A] at the end of a step as recorded, else at the step's need."""
    design, x, record = margins.design, margins.x, margins.record
    rows = np.flatnonzero(record[:, at.REC_PHASE] == code)
    if rows.size:
        return float(record[rows[-1], at.REC_DRAWN])
    step = design.radio.sequence[code]
    need = required_input(design, x, code)
    supply = need if design.regulator.kind == "direct" else float(x[at.OUTPUT])
    return float(drawn_current(design, x, load_current(step, x, column_of(design)[step.current.name], supply), need))


def charge_between(bias: tuple[tuple[float, float], ...] | None, capacitance: float, low: float, high: float) -> float:
    """Return the charge [C] that a store gives from ``high`` down to ``low`` [V].

    It is C_s times the integral of the differential bias factor, a shape-preserving cubic that is flat beyond
    its last point; below 0 V the store is C_s itself.
    """
    if bias is None or len(bias) < 2:
        factor = 1.0 if not bias else bias[0][1]
        return capacitance * (factor * (max(high, 0.0) - max(low, 0.0)) + min(high, 0.0) - min(low, 0.0))
    voltages, factors = (np.array(column) for column in zip(*bias, strict=True))
    integral = PchipInterpolator(voltages, factors).antiderivative()

    def held(voltage: float) -> float:
        if voltage <= 0.0:
            return voltage
        inside = min(voltage, float(voltages[-1]))
        return float(integral(inside)) + (voltage - inside) * float(factors[-1])

    return capacitance * (held(high) - held(low))


def store_charge_between(design: Design, x: FloatArray, low: float, high: float) -> float:
    """Return the charge [C] that all capacitors of the store give from ``high`` down to ``low`` [V]."""
    columns = column_of(design)
    return sum(
        charge_between(part.capacitance.bias, float(x[columns[part.capacitance.name]]), low, high)
        for part in design.storage.parts
    )


def reserve_in_kind(margins: Margins, values: FloatArray) -> InKind:
    """Return what the reserve is worth at the end of the step that sets it; negative by what lacks.

    The charge is what the store gives over the reserve's volts, octets and time what it buys at the input
    current of the frame and of the listening step. A part of an octet does not count.
    """
    design, x = margins.design, margins.x
    store, reserve = float(values[at.RESERVE_STORE]), float(values[at.RESERVE])
    if not (math.isfinite(store) and math.isfinite(reserve)):
        return InKind(math.nan, None, None)
    charge = store_charge_between(design, x, store - reserve, store)
    octets, listen = None, None
    for code, step in enumerate(design.radio.sequence):
        if not design.radio.runs(step, margins.message) or (step.frame is None and step.acknowledgement is None):
            continue
        current = input_current(margins, code)
        if current <= 0.0:
            continue
        if step.frame is not None and octets is None:
            octets = math.floor(charge / current * step.frame.bit_rate / 8.0)
        if step.acknowledgement is not None and listen is None:
            listen = charge / current
    return InKind(charge, octets, listen)

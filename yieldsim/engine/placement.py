"""Where the value of each parameter stands in a value vector, and what stands where there is no parameter."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design
from yieldsim.kernel import layout

FloatArray = NDArray[np.float64]
Placed = Iterator[tuple[Parameter | None, int]]


def _strokes(design: Design) -> int:
    harvester = design.harvester
    return 0 if harvester is None or harvester.waveform is not None else len(harvester.strokes)


def stroke_base(k: int) -> int:
    """Return the first column of stroke k."""
    return layout.FIXED + layout.PER_STROKE * k


def step_base(design: Design, s: int) -> int:
    """Return the first column of step s."""
    return layout.FIXED + layout.PER_STROKE * _strokes(design) + layout.PER_STEP * s


def part_base(design: Design, k: int) -> int:
    """Return the first column of capacitor k of a bank."""
    return step_base(design, len(design.radio.sequence)) + layout.PER_PART * k


def width(design: Design) -> int:
    """Return K, the length of a value vector."""
    return part_base(design, len(design.storage.capacitors))


def _harvester_columns(design: Design) -> Placed:
    harvester = design.harvester
    if harvester is None:
        return
    yield harvester.peak_emf, layout.PEAK_EMF
    yield harvester.transit_time, layout.TRANSIT_TIME
    yield harvester.speed, layout.SPEED
    yield harvester.coil_resistance, layout.COIL_RESISTANCE
    yield harvester.coil_inductance, layout.COIL_INDUCTANCE
    yield harvester.open_circuit_swing, layout.OPEN_SWING
    yield harvester.source_capacitance, layout.SOURCE_CAPACITANCE
    yield harvester.loss_resistance, layout.LOSS_RESISTANCE
    yield harvester.energy, layout.PACKET_ENERGY
    yield harvester.efficiency, layout.PACKET_EFFICIENCY
    yield harvester.delivery_time, layout.DELIVERY_TIME
    if harvester.partial is not None:
        yield harvester.partial.share, layout.PARTIAL_SHARE
        yield harvester.partial.travel, layout.TRAVEL
    if harvester.waveform is not None:
        yield harvester.waveform.scale, layout.WAVEFORM_SCALE
        return
    for k, stroke in enumerate(harvester.strokes):
        base = stroke_base(k)
        yield stroke.start if stroke.dwell is None else stroke.dwell, base + layout.STROKE_START
        yield stroke.linkage, base + layout.STROKE_LINKAGE
        yield stroke.transit_time, base + layout.STROKE_TRANSIT_TIME
        yield stroke.speed, base + layout.STROKE_SPEED


def _precharge_columns(design: Design) -> Placed:
    precharge, residual = design.precharge, design.storage.residual
    if precharge is not None:
        yield precharge.current, layout.PRECHARGE_CURRENT
        yield precharge.voltage_limit, layout.PRECHARGE_LIMIT
        yield precharge.charge_time, layout.PRECHARGE_TIME
    if residual is not None:
        yield residual.time_since, layout.TIME_SINCE


def _storage_columns(design: Design) -> Placed:
    storage = design.storage
    yield storage.capacitance, layout.CAPACITANCE
    yield storage.esr, layout.ESR
    yield storage.insulation, layout.INSULATION
    yield storage.before, layout.INITIAL_VOLTAGE
    yield storage.clamp_voltage, layout.CLAMP_VOLTAGE
    for k, part in enumerate(storage.capacitors):
        base = part_base(design, k)
        yield part.capacitance, base + layout.PART_CAPACITANCE
        yield part.esr, base + layout.PART_ESR
        yield part.insulation, base + layout.PART_INSULATION


def _supply_columns(design: Design) -> Placed:
    yield design.rectifier.forward_drop, layout.FORWARD_DROP
    yield design.rectifier.reverse_leakage, layout.REVERSE_LEAKAGE
    regulator = design.regulator
    yield regulator.output, layout.OUTPUT
    yield regulator.quiescent, layout.QUIESCENT
    yield regulator.off_current, layout.OFF_CURRENT
    yield regulator.ground_share, layout.GROUND_SHARE
    yield regulator.start_voltage, layout.START_VOLTAGE
    yield regulator.stop_voltage, layout.STOP_VOLTAGE
    yield regulator.start_delay, layout.START_DELAY
    yield regulator.output_capacitance, layout.OUTPUT_CAPACITANCE
    yield regulator.dropout, layout.DROPOUT
    yield regulator.efficiency, layout.EFFICIENCY


def _load_columns(design: Design) -> Placed:
    yield design.radio.minimum_supply, layout.MINIMUM_SUPPLY
    for s, step in enumerate(design.radio.sequence):
        base = step_base(design, s)
        yield step.duration, base + layout.STEP_DURATION
        if step.acknowledgement is not None:
            yield step.acknowledgement.earliest, base + layout.STEP_DURATION
            yield step.acknowledgement.spread, base + layout.STEP_SPREAD
            yield step.acknowledgement.timeout, base + layout.STEP_TIMEOUT
        yield step.current, base + layout.STEP_CURRENT
        yield step.minimum_supply, base + layout.STEP_MINIMUM_SUPPLY


def _link_columns(design: Design) -> Placed:
    link = design.link
    yield link.frame_loss, layout.FRAME_LOSS
    yield link.acknowledgement_loss, layout.ACKNOWLEDGEMENT_LOSS
    yield link.signal_to_noise, layout.SIGNAL_TO_NOISE
    yield link.retry_above, layout.RETRY_ABOVE
    if link.backoff is not None:
        yield link.backoff.unit, layout.BACKOFF_UNIT
        yield link.backoff.busy, layout.BACKOFF_BUSY
        yield link.backoff.idle_current, layout.BACKOFF_IDLE_CURRENT
        yield link.backoff.assess_time, layout.ASSESS_TIME
        yield link.backoff.assess_current, layout.ASSESS_CURRENT
        yield link.backoff.turnaround, layout.TURNAROUND
        yield link.backoff.turnaround_current, layout.TURNAROUND_CURRENT


_COLUMNS = (
    _harvester_columns,
    _precharge_columns,
    _storage_columns,
    _supply_columns,
    _load_columns,
    _link_columns,
)


def placed(design: Design) -> Iterator[tuple[Parameter, int]]:
    """Yield every parameter that has a column, with it."""
    for columns in _COLUMNS:
        for parameter, column in columns(design):
            if parameter is not None:
                yield parameter, column


def column_of(design: Design) -> dict[str, int]:
    """Return the column of the value vector that each parameter's value stands in.

    Parameters without a column (coefficients of laws, the mechanical energy) are left out.
    """
    return {parameter.name: column for parameter, column in placed(design)}


def defaults_of(design: Design) -> FloatArray:
    """Return what stands in a column (K,) whose parameter the design does not have."""
    row = np.zeros(width(design))
    row[[layout.SPEED, layout.WAVEFORM_SCALE, layout.EFFICIENCY, layout.PACKET_EFFICIENCY, layout.TRAVEL]] = 1.0
    row[[layout.INSULATION, layout.CLAMP_VOLTAGE, layout.LOSS_RESISTANCE, layout.PRECHARGE_LIMIT]] = math.inf
    for k in range(len(design.storage.capacitors)):
        row[part_base(design, k) + layout.PART_INSULATION] = math.inf
    message = design.radio.nominal_message
    for s, step in enumerate(design.radio.sequence):
        if step.frame is not None:
            octets = design.radio.octets(step.frame, message, retry=False)
            row[step_base(design, s) + layout.STEP_DURATION] = step.frame.time_of(octets)
    return row

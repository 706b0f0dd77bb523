"""A reference node as the compiled kernel reads it: plain numbers into its columns, nothing in between."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from reference_node import LoadStep, ReferenceNode

from yieldsim.engine.part_tables import bank_bias, bank_table, bias_table
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

REGULATORS = {"linear": at.LINEAR, "buck": at.BUCK, "direct": at.DIRECT}
TEST_CURRENT = 1.0  # the dropout's test current: dropout and resistance are then the same number


class Sequence(NamedTuple):
    """The sequence of a node as the kernel's steps: those of a second attempt are the first attempt's again."""

    steps: tuple[LoadStep, ...]
    retry: tuple[LoadStep, LoadStep] | None  # the frame and the listening of the second attempt


def sequence_of(node: ReferenceNode) -> Sequence:
    """Tell the second attempt, a frame behind a gate and a listening, from the rest."""
    if not node.sequence[-2:][0].gate:
        return Sequence(node.sequence, None)
    frame, heard = node.sequence[-2:]
    assert (frame.name, heard.name) == tuple(step.name for step in node.sequence[-4:-2])
    return Sequence(node.sequence[:-2], (frame, heard))


def source_of(node: ReferenceNode) -> int:
    """The kernel's code of a node's source."""
    if node.packet is not None:
        return at.PACKET
    if node.waveform:
        return at.SAMPLED
    if not node.strokes:
        return at.NO_SOURCE
    return at.PIEZO if node.piezoelectric else at.HALF_SINE


def curve(points: tuple[tuple[float, float], ...]) -> np.ndarray:
    return np.array(points, dtype=np.float64).reshape(-1, 2)


def store(node: ReferenceNode) -> dict[str, object]:
    """Bias table of the store, and the charges of a bank."""
    if not node.bank:
        bias, step, _ = bias_table(node.bias)
        return {"bias": bias, "bias_step": step, "bank": np.empty((0, 0, 0)), "bank_step": 1.0}
    curves = tuple(part.bias for part in node.bank)
    bank, bank_step, _ = bank_table(curves)
    bias, step = bank_bias(curves, tuple(part.capacitance for part in node.bank))
    return {"bias": bias, "bias_step": step, "bank": bank, "bank_step": bank_step}


def kernel_design(node: ReferenceNode) -> at.KernelDesign:
    """The part of a node that is data of the design: fixed steps, or two attempts of a frame and a listening."""
    (steps, retry), strokes = sequence_of(node), len(node.strokes)
    step_base = at.FIXED + at.PER_STROKE * strokes
    rows, air = [], np.zeros((len(steps), 1, 2))
    for s in range(len(steps)):
        kind, when = at.FIXED_STEP, at.ONCE
        if retry is not None and s >= len(steps) - 2:
            kind, when = (at.FRAME_STEP, at.LISTEN_STEP)[s - len(steps) + 2], at.EACH_ATTEMPT
        if kind == at.FRAME_STEP:
            air[s, 0] = steps[s].duration, retry[0].duration
        rows.append((kind, when, 1, step_base + at.PER_STEP * s + at.STEP_MINIMUM_SUPPLY))
    return at.KernelDesign(
        source=source_of(node),
        junctions=node.junctions,
        drop_line=np.array([node.junction_voltage, node.junction_slope, 0.0]),
        strokes=np.array(
            [
                (
                    at.FIXED + at.PER_STROKE * k + at.STROKE_TRANSIT_TIME,
                    at.FIXED + at.PER_STROKE * k + at.STROKE_SPEED,
                    int(stroke.dwell is not None),
                )
                for k, stroke in enumerate(node.strokes)
            ],
            dtype=np.int64,
        ).reshape(-1, 3),
        waveform=np.array(node.waveform, dtype=np.float64).reshape(-1, 2).T.copy(),
        **store(node),
        regulator=REGULATORS[node.regulator],
        restart=node.restart,
        dropout_current=TEST_CURRENT,
        off_curve=curve(node.off_curve),
        quiescent_curve=curve(node.quiescent_curve),
        dropout_curve=curve(node.dropout_curve),
        efficiency_curve=curve(node.efficiency_curve),
        steps=np.array(rows, dtype=np.int64),
        slopes=np.array([(step.slope, step.reference) for step in steps]),
        attempts=1 if retry is None else 2,
        message_shares=np.array([1.0]),
        step_runs=np.ones((len(steps), 1), dtype=np.int64),
        air_time=air,
        octets=np.array([[20, 20, 5]]),
        use_signal_to_noise=False,
        use_backoff=False,
        exponents=np.zeros(3, dtype=np.int64),
        variable_column=np.zeros(0, dtype=np.int64),
        variable_each=np.zeros(0, dtype=np.int64),
        variable_shape=np.zeros(0, dtype=np.int64),
        variable_params=np.zeros((0, 8)),
        variable_table=np.zeros(0),
        variable_factor=np.zeros((0, 0)),
        keys=np.zeros((7, 2), dtype=np.int64),
    )


def value_vector(node: ReferenceNode) -> np.ndarray:
    """The values of a node in the columns of the kernel."""
    (steps, retry), strokes = sequence_of(node), len(node.strokes)
    parts = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * len(steps)
    x = np.zeros(parts + at.PER_PART * len(node.bank))
    x[at.PEAK_EMF] = x[at.SPEED] = x[at.WAVEFORM_SCALE] = x[at.OPEN_SWING] = 1.0
    x[at.COIL_RESISTANCE] = node.coil_resistance
    x[at.COIL_INDUCTANCE] = node.coil_inductance
    _fill_source(node, x)
    _fill_store(node, x, parts)
    _fill_regulator(node, x)
    for k, stroke in enumerate(node.strokes):
        base = at.FIXED + at.PER_STROKE * k
        x[base + at.STROKE_START] = stroke.start if stroke.dwell is None else stroke.dwell
        x[base + at.STROKE_LINKAGE] = stroke.amplitude
        x[base + at.STROKE_TRANSIT_TIME] = stroke.width
        x[base + at.STROKE_SPEED] = 1.0
    for s, step in enumerate(steps):
        base = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * s
        x[base + at.STEP_DURATION] = step.duration
        x[base + at.STEP_CURRENT] = step.current
        x[base + at.STEP_MINIMUM_SUPPLY] = step.minimum_supply
    if retry is not None:  # missed once, to the timeout; heard the second time
        x[at.RETRY_ABOVE] = retry[0].gate
        x[base + at.STEP_TIMEOUT] = steps[-1].duration
        x[base + at.STEP_DURATION] = retry[1].duration
    return x


def _fill_source(node: ReferenceNode, x: np.ndarray) -> None:
    x[at.REVERSE_LEAKAGE] = node.reverse_leakage
    x[at.TRAVEL] = node.travel
    if node.piezoelectric:
        x[at.SOURCE_CAPACITANCE] = node.source_capacitance
    x[at.LOSS_RESISTANCE] = node.loss_resistance
    if node.packet is not None:
        x[at.PACKET_ENERGY] = node.packet.energy
        x[at.PACKET_EFFICIENCY] = node.packet.efficiency
        x[at.DELIVERY_TIME] = node.packet.time
    if node.precharge is not None:
        x[at.PRECHARGE_CURRENT] = node.precharge.current
        x[at.PRECHARGE_LIMIT] = node.precharge.limit
        x[at.PRECHARGE_TIME] = node.precharge.time
    x[at.TIME_SINCE] = node.time_since


def _fill_store(node: ReferenceNode, x: np.ndarray, parts: int) -> None:
    total = sum(part.capacitance for part in node.parts)
    x[at.CAPACITANCE] = total
    x[at.ESR] = node.series_resistance
    x[at.INSULATION] = total / node.conductance if node.conductance else np.inf
    x[at.INITIAL_VOLTAGE] = node.initial_voltage
    x[at.CLAMP_VOLTAGE] = node.clamp
    for k, part in enumerate(node.bank):
        base = parts + at.PER_PART * k
        x[base + at.PART_CAPACITANCE] = part.capacitance
        x[base + at.PART_ESR] = part.esr
        x[base + at.PART_INSULATION] = part.insulation


def _fill_regulator(node: ReferenceNode, x: np.ndarray) -> None:
    x[at.OUTPUT] = node.start_voltage if node.regulator == "direct" else node.output_voltage
    x[at.QUIESCENT] = node.quiescent
    x[at.OFF_CURRENT] = node.off_current
    x[at.GROUND_SHARE] = node.ground_share if node.regulator == "linear" else 0.0
    x[at.START_VOLTAGE] = node.start_voltage
    x[at.STOP_VOLTAGE] = node.stop_voltage
    x[at.START_DELAY] = node.start_delay
    x[at.OUTPUT_CAPACITANCE] = node.output_capacitance
    x[at.DROPOUT] = node.pass_resistance * TEST_CURRENT
    x[at.EFFICIENCY] = node.efficiency


def run_node(node: ReferenceNode, accuracy: float = 0.5e-3) -> tuple[np.ndarray, np.ndarray]:
    """Values and codes of a node's one actuation, the start margin filled."""
    x, design = value_vector(node), kernel_design(node)
    links = [1] if design.attempts == 1 else [at.PLAN_LOST + 1, 1]
    press = at.PRESS_FULL if node.travel == 1.0 else at.PRESS_PARTIAL
    values, codes = run(
        design,
        x[None],
        np.zeros((1, len(x))),
        np.zeros((1, 3), dtype=np.int64),
        plans=np.array([[*links, press, 1]], dtype=np.int64),
        full=True,
        accuracy=accuracy,
    )
    return values[0], codes[0]


def outcome_of(node: ReferenceNode, code: int) -> str:
    """The outcome's name, as the reference gives it."""
    if code >= at.BROWN_OUT:
        return f"brown-out in {sequence_of(node).steps[code - at.BROWN_OUT].name}"
    names = {at.COMPLETE: "complete", at.NEVER_STARTED: "never started", at.UNACKNOWLEDGED: "unacknowledged"}
    return names.get(code, f"code {code}")

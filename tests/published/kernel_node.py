"""A reference node as the compiled kernel reads it: plain numbers into its columns, nothing in between."""

from __future__ import annotations

import numpy as np
from reference_node import ReferenceNode

from yieldsim.engine.part_tables import bias_table
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

REGULATORS = {"linear": at.LINEAR, "buck": at.BUCK, "direct": at.DIRECT}
TEST_CURRENT = 1.0  # the dropout's test current: dropout and resistance are then the same number


def kernel_design(node: ReferenceNode) -> at.KernelDesign:
    """The part of a node that is data of the design: one attempt, fixed steps, no link."""
    strokes, steps = len(node.strokes), len(node.sequence)
    first = at.FIXED
    step_base = at.FIXED + at.PER_STROKE * strokes
    source = at.SAMPLED if node.waveform else (at.HALF_SINE if strokes else at.NO_SOURCE)
    bias, step, _ = bias_table(node.bias)
    return at.KernelDesign(
        source=source,
        junctions=node.junctions,
        drop_line=np.array([node.junction_voltage, node.junction_slope, 0.0]),
        strokes=np.array(
            [
                (first + at.PER_STROKE * k + at.STROKE_TRANSIT_TIME, first + at.PER_STROKE * k + at.STROKE_SPEED)
                for k in range(strokes)
            ],
            dtype=np.int64,
        ).reshape(-1, 2),
        waveform=np.array(node.waveform, dtype=np.float64).reshape(-1, 2).T.copy(),
        bias=bias,
        bias_step=step,
        regulator=REGULATORS[node.regulator],
        dropout_current=TEST_CURRENT,
        steps=np.array(
            [(at.FIXED_STEP, at.ONCE, 1, step_base + at.PER_STEP * s + at.STEP_MINIMUM_SUPPLY) for s in range(steps)],
            dtype=np.int64,
        ),
        slopes=np.zeros((steps, 2)),
        attempts=1,
        octets=np.array([20, 5]),
        use_signal_to_noise=False,
        use_backoff=False,
        exponents=np.zeros(3, dtype=np.int64),
        variable_column=np.zeros(0, dtype=np.int64),
        variable_each=np.zeros(0, dtype=np.int64),
        variable_shape=np.zeros(0, dtype=np.int64),
        variable_params=np.zeros((0, 8)),
        variable_table=np.zeros(0),
        variable_factor=np.zeros((0, 0)),
        keys=np.zeros((5, 2), dtype=np.int64),
    )


def value_vector(node: ReferenceNode) -> np.ndarray:
    """The values of a node in the columns of the kernel."""
    strokes = len(node.strokes)
    x = np.zeros(at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * len(node.sequence))
    x[at.PEAK_EMF] = x[at.SPEED] = x[at.WAVEFORM_SCALE] = 1.0
    x[at.COIL_RESISTANCE] = node.coil_resistance
    x[at.COIL_INDUCTANCE] = node.coil_inductance
    x[at.REVERSE_LEAKAGE] = node.reverse_leakage
    x[at.CAPACITANCE] = node.capacitance
    x[at.ESR] = node.esr
    x[at.INSULATION] = node.insulation
    x[at.INITIAL_VOLTAGE] = node.initial_voltage
    x[at.CLAMP_VOLTAGE] = node.clamp
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
    for k, stroke in enumerate(node.strokes):
        base = at.FIXED + at.PER_STROKE * k
        x[base + at.STROKE_START] = stroke.start
        x[base + at.STROKE_LINKAGE] = stroke.amplitude
        x[base + at.STROKE_TRANSIT_TIME] = stroke.width
        x[base + at.STROKE_SPEED] = 1.0
    for s, step in enumerate(node.sequence):
        base = at.FIXED + at.PER_STROKE * strokes + at.PER_STEP * s
        x[base + at.STEP_DURATION] = step.duration
        x[base + at.STEP_CURRENT] = step.current
        x[base + at.STEP_MINIMUM_SUPPLY] = step.minimum_supply
    return x


def run_node(node: ReferenceNode, accuracy: float = 0.5e-3) -> tuple[np.ndarray, np.ndarray]:
    """Values and codes of a node's one actuation, the start margin filled."""
    x = value_vector(node)
    values, codes = run(
        kernel_design(node),
        x[None],
        np.zeros((1, len(x))),
        np.zeros((1, 3), dtype=np.int64),
        full=True,
        accuracy=accuracy,
    )
    return values[0], codes[0]


def outcome_of(node: ReferenceNode, code: int) -> str:
    """The outcome's name, as the reference gives it."""
    if code >= at.BROWN_OUT:
        return f"brown-out in {node.sequence[code - at.BROWN_OUT].name}"
    return {at.COMPLETE: "complete", at.NEVER_STARTED: "never started"}.get(code, f"code {code}")

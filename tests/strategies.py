"""Hypothesis strategies of nodes, and a kernel run of a node with its curve and ledger.

A node's thresholds and load are drawn in proportion to what its source can give, by the flux that bounds the
charge of the coil, so that nodes that never start, that brown out and that live are all common.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent / "published"))

from kernel_node import kernel_design, value_vector
from reference_node import LoadStep, ReferenceNode, Stroke

from yieldsim.kernel import layout as at
from yieldsim.kernel.actuation import ledger_size, record_room
from yieldsim.kernel.loop import run

RECORD_POINTS = 20_000
REGULATORS = ("linear", "buck", "direct")


@dataclass(frozen=True)
class Opened:
    """One actuation of a node: values and codes as in `layout`, its curve (N, RECORD), its energies [J]."""

    values: np.ndarray
    codes: np.ndarray
    record: np.ndarray
    ledger: np.ndarray

    @property
    def left(self) -> float:
        """Work of the source and energy stored at the release [J]."""
        return float(self.ledger[at.LED_SOURCE] + self.ledger[at.LED_INITIAL])

    @property
    def right(self) -> float:
        """Everything that became of it [J]."""
        return float(self.ledger[at.LED_COIL :].sum())


def opened(node: ReferenceNode, accuracy: float = 0.5e-3) -> Opened:
    """Run a node with the recorder on."""
    x = value_vector(node)
    record, ledger = record_room(RECORD_POINTS), np.zeros(ledger_size(len(node.sequence)))
    values, codes = run(
        kernel_design(node), x[None], np.zeros((1, len(x))), np.zeros((1, 3), dtype=np.int64),
        full=True, accuracy=accuracy, record=record, ledger=ledger,
    )  # fmt: skip
    return Opened(values[0], codes[0], record[1 : int(record[0, 0]) + 1], ledger)


def logarithmic(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers spread evenly in their logarithm."""
    return st.floats(math.log(low), math.log(high)).map(math.exp)


def maybe(strategy: st.SearchStrategy[float], absent: float = 0.0) -> st.SearchStrategy[float]:
    """The strategy's, or nothing at all."""
    return st.one_of(st.just(absent), strategy)


@st.composite
def biases(draw: st.DrawFn) -> tuple[tuple[float, float], ...]:
    """Small-signal factor of a class II ceramic: falls in a bell about a voltage of its own."""
    half, floor = draw(st.floats(4.0, 14.0)), draw(st.floats(0.1, 0.3))
    volts = (0.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 25.0)
    return tuple((v, 1.0 if v == 0.0 else floor + (1.0 - floor) / (1.0 + (v / half) ** 2)) for v in volts)


@st.composite
def supplies(draw: st.DrawFn, strokes: int = 2) -> ReferenceNode:
    """Coil, strokes, rectifier and store; the load comes later."""
    emf, width = draw(logarithmic(4.0, 25.0)), draw(logarithmic(0.5e-3, 10e-3))
    begin = draw(maybe(st.floats(0.1e-3, 3e-3)))
    pulses = [Stroke(begin, emf, width)]
    if strokes > 1 and draw(st.booleans()):
        gap = draw(maybe(logarithmic(0.05e-3, 20e-3)))
        pulses.append(Stroke(begin + width + gap, -emf * draw(st.floats(0.7, 1.1)), width))
    return ReferenceNode(
        sequence=(LoadStep("none", 1e-3, 0.0, 0.0),),
        strokes=tuple(pulses),
        coil_resistance=draw(logarithmic(20.0, 1000.0)),
        coil_inductance=draw(maybe(logarithmic(1e-3, 0.1))),
        bridge=draw(st.booleans()),
        junction_voltage=draw(st.floats(0.15, 0.45)),
        junction_slope=draw(logarithmic(0.2, 3.0)),
        reverse_leakage=draw(maybe(logarithmic(0.1e-6, 10e-6))),
        capacitance=draw(logarithmic(4.7e-6, 470e-6)),
        bias=draw(st.one_of(st.none(), biases())),
        esr=draw(maybe(logarithmic(0.01, 1.0))),
        insulation=draw(maybe(logarithmic(10.0, 1000.0), math.inf)),
        initial_voltage=draw(maybe(st.floats(0.1, 1.2))),
        clamp=draw(maybe(logarithmic(2.5, 12.0), math.inf)),
        off_current=draw(maybe(logarithmic(0.05e-6, 2e-6))),
    )


def reachable(node: ReferenceNode) -> float:
    """An estimate of the highest voltage [V]: the flux over R C, or where the emf ends it."""
    flux = sum(2.0 * abs(s.amplitude) * s.width / math.pi for s in node.strokes)
    highest = max((abs(s.amplitude) for s in node.strokes), default=0.0) - node.drop
    rise = flux / (node.coil_resistance * node.capacitance)
    return min(max(highest, 0.0) * rise / (1.0 + rise), node.clamp) + node.initial_voltage


@st.composite
def nodes(draw: st.DrawFn, strokes: int = 2) -> ReferenceNode:
    """A node of any regulator, with one or two strokes."""
    node = draw(supplies(strokes))
    top = max(reachable(node), 0.5)
    kind = draw(st.sampled_from(REGULATORS))
    start = top * draw(st.floats(0.3, 1.0))
    output = 0.0 if kind == "direct" else start * draw(st.floats(0.6, 0.97))
    minimum = (start if kind == "direct" else output) * draw(st.floats(0.55, 0.92))
    charge = node.capacitance * max(top - minimum, 0.1 * top) * draw(st.floats(0.1, 1.5))
    steps = draw(sequences(charge, minimum))
    most = max(step.current for step in steps)
    return replace(
        node,
        sequence=steps,
        regulator=kind,
        output_voltage=output,
        efficiency=draw(st.floats(0.75, 0.95)) if kind == "buck" else 1.0,
        start_voltage=start,
        stop_voltage=draw(maybe(st.floats(0.8, 1.0))) * minimum,
        start_delay=draw(maybe(logarithmic(20e-6, 600e-6))),
        output_capacitance=draw(maybe(st.floats(0.001, 0.05))) * node.capacitance,
        quiescent=draw(maybe(logarithmic(0.5e-6, 20e-6))),
        ground_share=draw(st.floats(0.0, 0.02)) if kind == "linear" else 0.0,
        pass_resistance=0.0 if kind == "direct" else 0.08 * minimum * draw(st.floats(0.0, 1.0)) / most,
    )


@st.composite
def sequences(draw: st.DrawFn, charge: float, minimum: float) -> tuple[LoadStep, ...]:
    """Boot, a frame and a listening step that take ``charge`` [C] in all."""
    parts = [
        ("boot", draw(logarithmic(0.5e-3, 5e-3)), draw(st.floats(0.3, 1.0))),
        # 32 us an octet, six octets of overhead: value from memory of IEEE 802.15.4 (O-QPSK, 2.4 GHz)
        ("transmit", (6 + draw(st.integers(11, 127))) * 32e-6, draw(st.floats(0.8, 1.5))),
        ("listen", draw(st.floats(0.544e-3, 0.864e-3)), draw(st.floats(0.7, 1.3))),
    ]
    scale = charge / sum(duration * share for _, duration, share in parts)
    return tuple(LoadStep(name, duration, scale * share, minimum) for name, duration, share in parts)


@st.composite
def short_strokes(draw: st.DrawFn) -> ReferenceNode:
    """A node of one stroke that is over, its coil current run out, before the first step can be."""
    node = draw(nodes(strokes=1))
    first = node.sequence[0]
    runs_out = 6.0 * node.coil_inductance / node.coil_resistance
    longer = max(first.duration, 1.1 * node.strokes[0].width + runs_out)
    slower = replace(first, duration=longer, current=first.current * first.duration / longer)
    return replace(node, sequence=(slower, *node.sequence[1:]))


# ---- a radio on the bench: a full store, no source, and a link ---------------------------------------------


@dataclass(frozen=True)
class RadioStep:
    """One step of a load sequence with a link; an acknowledgement has ``spread`` and ``timeout`` [s]."""

    kind: int = at.FIXED_STEP
    when: int = at.ONCE
    duration: float = 1e-3
    current: float = 1e-3
    required: bool = True
    spread: float = 0.0
    timeout: float = 0.0
    slope: float = 0.0  # dI/dV_out [S] about ``slope_at`` [V]
    slope_at: float = 0.0


BOOT = RadioStep()
FRAME = RadioStep(at.FRAME_STEP, at.EACH_ATTEMPT, 1.024e-3)
LISTEN = RadioStep(at.LISTEN_STEP, at.EACH_ATTEMPT, 0.544e-3, timeout=0.864e-3)


FULL = ReferenceNode(
    sequence=(),
    capacitance=1e-3,
    initial_voltage=5.0,
    output_voltage=2.4,
    start_voltage=2.6,
)


@dataclass(frozen=True)
class Radio:
    """A node of such steps, and what its link does."""

    steps: tuple[RadioStep, ...] = (BOOT, FRAME, LISTEN)
    attempts: int = 1
    frame_loss: float = 0.0
    acknowledgement_loss: float = 0.0
    signal_to_noise: float | None = None
    octets: tuple[int, int, int] = (26, 26, 5)  # of a frame, of a retry's frame, of the acknowledgement
    retry_duration: float | None = None  # of the frame in later attempts [s]
    retry_above: float = 0.0  # [V]
    exponents: tuple[int, int, int] | None = None  # minimum, maximum, most backoffs
    busy: float = 0.0
    unit: float = 320e-6
    assess: float = 128e-6
    turnaround: float = 192e-6
    node: ReferenceNode = FULL
    minimum: float = 1.9

    @property
    def slots(self) -> int:
        """Uniforms of one attempt: frame loss, acknowledgement loss, latency, backoffs, assessments, press, message."""
        return 5 + 2 * (1 + (self.exponents[2] if self.exponents else 0))

    def design(self) -> at.KernelDesign:
        plain = tuple(LoadStep(str(k), s.duration, s.current, self.minimum) for k, s in enumerate(self.steps))
        design = kernel_design(replace(self.node, sequence=plain))
        rows = design.steps.copy()
        rows[:, at.STEP_KIND] = [s.kind for s in self.steps]
        rows[:, at.STEP_WHEN] = [s.when for s in self.steps]
        rows[:, at.STEP_REQUIRED] = [s.required for s in self.steps]
        return design._replace(
            steps=rows,
            slopes=np.array([(s.slope, s.slope_at) for s in self.steps]),
            attempts=self.attempts,
            octets=np.array([self.octets]),
            air_time=np.array([[(s.duration, self.retry_duration or s.duration)] for s in self.steps]),
            use_signal_to_noise=self.signal_to_noise is not None,
            use_backoff=self.exponents is not None,
            exponents=np.array(self.exponents or (0, 0, 0)),
            keys=np.arange(2 * self.slots, dtype=np.int64).reshape(-1, 2),
        )

    def values(self) -> np.ndarray:
        plain = tuple(LoadStep(str(k), s.duration, s.current, self.minimum) for k, s in enumerate(self.steps))
        x = value_vector(replace(self.node, sequence=plain))
        for k, step in enumerate(self.steps):
            base = len(x) - at.PER_STEP * (len(self.steps) - k)
            x[base + at.STEP_SPREAD], x[base + at.STEP_TIMEOUT] = step.spread, step.timeout
        x[at.MINIMUM_SUPPLY] = self.minimum
        x[at.RETRY_ABOVE] = self.retry_above
        x[at.FRAME_LOSS], x[at.ACKNOWLEDGEMENT_LOSS] = self.frame_loss, self.acknowledgement_loss
        x[at.SIGNAL_TO_NOISE] = self.signal_to_noise or 0.0
        x[at.BACKOFF_UNIT], x[at.BACKOFF_BUSY] = self.unit, self.busy
        x[at.ASSESS_TIME], x[at.TURNAROUND] = self.assess, self.turnaround
        x[at.BACKOFF_IDLE_CURRENT], x[at.ASSESS_CURRENT], x[at.TURNAROUND_CURRENT] = 0.1e-3, 8e-3, 5e-3
        return x

    def run(
        self, points: np.ndarray | None = None, plan: tuple[int, ...] | None = None, rows: int = 1
    ) -> tuple[np.ndarray, np.ndarray]:
        """Values and codes of ``rows`` actuations: of uniforms (rows, attempts, slots), a plan, or by
        address.
        """
        x = self.values()
        addresses = np.zeros((rows, 3), dtype=np.int64)
        addresses[:, at.ROW_ACTUATION] = np.arange(rows)
        plans = None if plan is None else np.tile(np.array((*plan, 0, 0), dtype=np.int64), (rows, 1))
        return run(
            self.design(), x[None], np.zeros((1, len(x))), addresses, points=points, plans=plans, full=True
        )  # fmt: skip

    def uniforms(self, fill: float = 0.5) -> np.ndarray:
        """One actuation's uniforms, all at one value."""
        return np.full((1, self.attempts, self.slots), fill)


def lasted(values: np.ndarray) -> float:
    """From the regulator's start to the end of the sequence [s], of one actuation."""
    return float(values[0, at.SEQUENCE_END] - values[0, at.START_TIME])

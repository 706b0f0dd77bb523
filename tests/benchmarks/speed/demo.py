"""Draws of the valve-turn demo, as the compiled code, the peers and the tight reference read them."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from yieldsim import Settings, read_design
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run
from yieldsim.kernel.shapes import deviations

ROOT = Path(__file__).resolve().parents[3]
sys.path.insert(0, str(ROOT / "tests" / "published"))

from reference_node import LoadStep, ReferenceNode, Stroke, solve  # noqa: E402

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CONFIG = ROOT / "configs" / "valve-turn.toml"
ACCURACY = 0.5e-3  # [V]
SEGMENTS = ("boot", "backoff", "assess", "turnaround", "transmit", "listen")


@dataclass(frozen=True)
class Plain:
    """What a peer is given: n actuations as plain numbers in SI units, (n,) unless said otherwise.

    The link is planned: the first assessment finds the channel clear and the first frame is acknowledged, so that
    every actuation runs `SEGMENTS`; backoff and latency are drawn. Making these columns is not timed: a peer finds its
    inputs at hand, where the compiled code starts from a value vector and builds the sequence itself.
    """

    emf: FloatArray  # peak of the half-sine, which begins at 0
    width: FloatArray
    resistance: FloatArray  # coil, and the slope of the diode line
    inductance: FloatArray
    drop: FloatArray  # of the bridge at no current
    capacitance: FloatArray
    esr: FloatArray
    conductance: FloatArray
    reverse: FloatArray  # leakage of the rectifier
    off: FloatArray  # regulator current before the start
    starting: FloatArray  # during the start delay
    start_voltage: FloatArray
    delay: FloatArray
    durations: FloatArray  # (n, segments)
    currents: FloatArray  # (n, segments) regulator input current
    needs: FloatArray  # (n, segments) lowest V_in
    bias: tuple[tuple[float, float], ...]  # (voltage, factor on the capacitance)

    def __len__(self) -> int:
        return len(self.emf)

    def rows(self, some: slice | IntArray) -> Plain:
        """The actuations of some rows."""
        parts = {k: v if k == "bias" else v[some] for k, v in vars(self).items()}
        return Plain(**parts)


@dataclass(frozen=True)
class Margins:
    """What everything measured is held against: reserve, start margin and run margin [V], (n,) each."""

    reserve: FloatArray
    start: FloatArray  # NaN where it was not asked for and cannot matter
    run: FloatArray

    def errors(self, exact: Margins) -> dict[str, float]:
        """Largest error of reserve and of start margin [mV]."""
        reserve = float(np.max(np.abs(self.reserve - exact.reserve)))
        start = float(np.max(np.abs(self.start - exact.start)))
        return {"reserve_mV": 1e3 * reserve, "start_margin_mV": 1e3 * start}


class Draws:
    """Units spread evenly over the demo's twelve conditions, so many actuations each.

    The rows of a unit stand together, as the engine runs them; `sample` picks rows by chance.
    """

    def __init__(self, units: int, actuations: int) -> None:
        self.design = valve_turn()
        self.response = Response(self.design, Settings())
        self.actuations = actuations
        cells = [Condition(t, a) for a in self.design.conditions.ages for t in self.design.conditions.temperatures]
        each = -(-units // len(cells))
        pairs = [self.response.unit_base(np.arange(each), cell) for cell in cells]
        self.base = np.concatenate([base for base, _ in pairs])
        self.scale = np.concatenate([scale for _, scale in pairs])
        count = len(self.base)
        self.rows = np.zeros((count * actuations, 3), dtype=np.int64)
        self.rows[:, at.ROW_UNIT] = np.repeat(np.arange(count), actuations)
        self.rows[:, at.ROW_UNIT_ID] = np.repeat(np.tile(np.arange(each), len(cells)), actuations)
        self.rows[:, at.ROW_ACTUATION] = np.tile(np.arange(actuations), count)

    def __len__(self) -> int:
        return len(self.rows)

    @cached_property
    def points(self) -> FloatArray:
        """Uniforms (n, A, slots) in place of those drawn by address."""
        kernel = self.response.kernel
        rng = np.random.default_rng(20260101)
        return rng.uniform(1e-9, 1.0 - 1e-9, (len(self), kernel.attempts, len(self.response.slots)))

    @cached_property
    def plans(self) -> IntArray:
        """One assessment and an acknowledgement, a full press, the one message."""
        plans = np.zeros((len(self), self.response.kernel.attempts + at.PLAN_MORE), dtype=np.int64)
        plans[:, 0] = 1
        plans[:, -at.PLAN_MORE] = at.PRESS_FULL
        plans[:, -at.PLAN_MORE + 1] = 1
        return plans

    # ---- the compiled code ----
    def by_address(self, some: slice = slice(None)) -> tuple[FloatArray, IntArray]:
        """As the engine runs them: link and press drawn by address in the loop."""
        return run(self.response.kernel, self.base, self.scale, self.rows[some], accuracy=ACCURACY)

    def given(self, some: slice = slice(None)) -> tuple[FloatArray, IntArray]:
        """Their physics alone: the uniforms are given, so that nothing is hashed."""
        return run(
            self.response.kernel, self.base, self.scale, self.rows[some], points=self.points[some], accuracy=ACCURACY
        )

    def planned(
        self, some: slice | IntArray = slice(None), *, full: bool = False, accuracy: float = ACCURACY
    ) -> tuple[FloatArray, IntArray]:
        """The actuations of `plain`: physics alone, link planned."""
        return run(
            self.response.kernel, self.base, self.scale, self.rows[some], points=self.points[some],
            plans=self.plans[some], full=full, accuracy=accuracy,
        )  # fmt: skip

    def margins(self, some: IntArray) -> Margins:
        values, _ = self.planned(some, full=True)
        return Margins(values[:, at.RESERVE], values[:, at.START_MARGIN], values[:, at.RUN_MARGIN])

    # ---- the peers ----
    @cached_property
    def value_vectors(self) -> FloatArray:
        """(n, K), the variables of the actuation moved."""
        kernel = self.response.kernel
        x = self.base[self.rows[:, at.ROW_UNIT]].copy()
        scale = self.scale[self.rows[:, at.ROW_UNIT]]
        for v, column in enumerate(kernel.variable_column):
            u = np.ascontiguousarray(self.points[:, 0, v])
            moved = deviations(int(kernel.variable_shape[v]), kernel.variable_params[v], kernel.variable_table, u)
            x[:, column] += scale[:, column] * moved
        return x

    @cached_property
    def plain(self) -> Plain:
        x, kernel, design = self.value_vectors, self.response.kernel, self.design
        names = [step.name for step in design.radio.sequence]
        assert names == ["boot", "transmit", "listen"]
        assert kernel.drop_line[1] > 0.0
        intercept, slope, nominal = kernel.drop_line
        boot, transmit, listen = (at.FIXED + at.PER_STROKE + at.PER_STEP * s for s in range(3))
        slots = {name: k for k, name in enumerate(self.response.slots)}
        backoff = np.floor(self.points[:, 0, slots["link.backoff.slot_1"]] * 2.0 ** kernel.exponents[0])
        latency = self.points[:, 0, slots["radio.listen.latency"]]
        frame = design.radio.sequence[1].frame
        assert frame is not None
        air = frame.time_of(frame.octets)
        durations = _columns([
            x[:, boot + at.STEP_DURATION],
            backoff * x[:, at.BACKOFF_UNIT],
            x[:, at.ASSESS_TIME],
            x[:, at.TURNAROUND],
            np.full(len(x), air),
            x[:, listen + at.STEP_DURATION] + latency * x[:, listen + at.STEP_SPREAD],
        ])  # fmt: skip
        loads = _columns([
            x[:, boot + at.STEP_CURRENT],
            x[:, at.BACKOFF_IDLE_CURRENT],
            x[:, at.ASSESS_CURRENT],
            x[:, at.TURNAROUND_CURRENT],
            x[:, transmit + at.STEP_CURRENT],
            x[:, listen + at.STEP_CURRENT],
        ])  # fmt: skip
        dropout = (x[:, at.DROPOUT] / kernel.dropout_current)[:, None] * loads
        bias = design.storage.parts[0].capacitance.bias
        assert bias is not None
        return Plain(
            emf=x[:, at.PEAK_EMF] * x[:, at.SPEED] * x[:, at.FIXED + at.STROKE_LINKAGE],
            width=x[:, at.TRANSIT_TIME] / x[:, at.SPEED],
            resistance=x[:, at.COIL_RESISTANCE] + kernel.junctions * slope,
            inductance=x[:, at.COIL_INDUCTANCE].copy(),
            drop=kernel.junctions * np.maximum(intercept + x[:, at.FORWARD_DROP] - nominal, 0.0),
            capacitance=x[:, at.CAPACITANCE].copy(),
            esr=x[:, at.ESR].copy(),
            conductance=x[:, at.CAPACITANCE] / x[:, at.INSULATION],
            reverse=x[:, at.REVERSE_LEAKAGE].copy(),
            off=x[:, at.OFF_CURRENT].copy(),
            starting=x[:, at.QUIESCENT] + x[:, at.OUTPUT_CAPACITANCE] * x[:, at.OUTPUT] / x[:, at.START_DELAY],
            start_voltage=x[:, at.START_VOLTAGE].copy(),
            delay=x[:, at.START_DELAY].copy(),
            durations=durations,
            currents=np.asfortranarray(loads * (1.0 + x[:, at.GROUND_SHARE])[:, None] + x[:, at.QUIESCENT][:, None]),
            needs=np.asfortranarray(
                np.maximum(x[:, at.MINIMUM_SUPPLY][:, None] + dropout, x[:, at.STOP_VOLTAGE][:, None])
            ),
            bias=tuple(bias),
        )

    def node(self, row: int) -> ReferenceNode:
        """One actuation as the tight reference reads it."""
        p, x, kernel = self.plain, self.value_vectors[row], self.response.kernel
        slope = float(kernel.drop_line[1])
        ground = 1.0 + x[at.GROUND_SHARE]
        steps = [
            LoadStep(name, float(p.durations[row, k]), float((p.currents[row, k] - x[at.QUIESCENT]) / ground),
                     float(x[at.MINIMUM_SUPPLY]))
            for k, name in enumerate(SEGMENTS)
            if p.durations[row, k] > 0.0
        ]  # fmt: skip
        return ReferenceNode(
            sequence=tuple(steps),
            strokes=(Stroke(0.0, float(p.emf[row]), float(p.width[row])),),
            coil_resistance=float(x[at.COIL_RESISTANCE]),
            coil_inductance=float(x[at.COIL_INDUCTANCE]),
            junction_voltage=float(p.drop[row]) / 2.0,
            junction_slope=slope,
            reverse_leakage=float(p.reverse[row]),
            capacitance=float(p.capacitance[row]),
            bias=p.bias,
            esr=float(p.esr[row]),
            insulation=float(x[at.INSULATION]),
            regulator="linear",
            output_voltage=float(x[at.OUTPUT]),
            quiescent=float(x[at.QUIESCENT]),
            off_current=float(x[at.OFF_CURRENT]),
            ground_share=float(x[at.GROUND_SHARE]),
            start_voltage=float(x[at.START_VOLTAGE]),
            stop_voltage=float(x[at.STOP_VOLTAGE]),
            start_delay=float(x[at.START_DELAY]),
            output_capacitance=float(x[at.OUTPUT_CAPACITANCE]),
            pass_resistance=float(x[at.DROPOUT] / kernel.dropout_current),
        )

    def sample(self, count: int) -> IntArray:
        """Rows of chance, all conditions among them; a smaller sample is the beginning of a larger one."""
        chosen: IntArray = np.random.default_rng(20260102).permutation(len(self))[:count]
        return chosen

    def exact(self, some: IntArray) -> Margins:
        """What the tight reference (`tests/published/reference_node.py`) answers."""
        found = [solve(self.node(int(row))) for row in some]
        return Margins(
            np.array([r.reserve for r in found]),
            np.array([r.start_margin for r in found]),
            np.array([r.run_margin for r in found]),
        )


def capacitor(bias: tuple[tuple[float, float], ...], points: int) -> tuple[FloatArray, FloatArray, float]:
    """Voltage [V] of a store against q/C [V] at uniform places, its slope to the next place, and their spacing.

    By quadrature of the shape-preserving cubic through the bias points; the last slope goes on.
    """
    from scipy.interpolate import PchipInterpolator

    volts, factors = zip(*bias, strict=True)
    charge = PchipInterpolator(volts, factors).antiderivative()
    dense = np.linspace(0.0, volts[-1], 400_001)
    places = np.linspace(0.0, float(charge(volts[-1])), points)
    table = np.interp(places, charge(dense), dense)
    slope = np.append(np.diff(table), table[-1] - table[-2])
    return table, slope, float(places[1])


def _columns(columns: list[FloatArray]) -> FloatArray:
    """Columns side by side, each in one piece of memory."""
    return np.asfortranarray(np.column_stack(columns))


@cache
def valve_turn() -> Design:
    return read_design(CONFIG)

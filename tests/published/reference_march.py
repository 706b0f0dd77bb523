"""The march of a reference node through time: pieces of one mode each, cut at every change of the equations.

The steppers are those behind ``scipy.integrate.solve_ivp`` (DOP853; Radau where the equations are stiff), taken
step by step so that the interpolant of every step can be searched for the instants at which the equations
change.  A kink of a continuous curve is left to the control of the step.  Part of the independent integration of
`reference_node`; nothing of the project is imported.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
from reference_circuit import Circuit, Draw, Mode, Source
from reference_parts import ReferenceNode, Store, Stroke, at_release, validate
from scipy.integrate import DOP853, Radau
from scipy.optimize import brentq, minimize_scalar

STIFF = 3000.0  # widths of a stroke in coil time constants, beyond which an implicit stepper is quicker
STEPS_PER_STROKE = 40  # at least: no bump of the emf slips between two steps
STEPS_PER_STRETCH = 8  # at least: a step over the whole of a stretch may not see its own error
SWITCHES = 10_000  # changes of the equations in one stretch, beyond which something chatters


@dataclass
class Piece:
    """A stretch of one mode: the interpolants of its steps, ended at ``end``."""

    circuit: Circuit
    mode: Mode
    begin: float
    end: float
    dense: list[Callable[[float], np.ndarray]]
    edges: list[float]  # ends of the steps; the last is not before ``end``

    def raw(self, t: float) -> list[float]:
        k = min(bisect_right(self.edges, t), len(self.dense) - 1)
        return [float(x) for x in self.dense[k](t)]

    def state(self, t: float) -> list[float]:
        return self.circuit.outward(self.raw(t))

    def operate(self, t: float) -> tuple[float, float, float]:
        """Magnitude of the harvester's current [A], V_in [V], the regulator's current [A]."""
        return self.circuit.operate(t, self.raw(t), self.mode)

    def v_in(self, t: float) -> float:
        return self.operate(t)[1]

    def slope(self, t: float, forward: bool) -> float:
        """One-sided difference quotient of V_in, second order."""
        h = min(1e-7, 0.4 * (self.end - self.begin)) * (1.0 if forward else -1.0)
        return (-3.0 * self.v_in(t) + 4.0 * self.v_in(t + h) - self.v_in(t + 2.0 * h)) / (2.0 * h)

    @cached_property
    def samples(self) -> list[tuple[float, float]]:
        """(time, V_in) at the ends and middles of the steps and at every local extremum between."""
        ends = [self.begin, *(t for t in self.edges if t < self.end), self.end]
        grid = [ends[0]]
        for left, right in pairwise(ends):
            grid += [0.5 * (left + right), right]
        values = [self.v_in(t) for t in grid]
        found = list(zip(grid, values, strict=True))
        for k, value in enumerate(values):
            around = values[max(k - 1, 0) : k + 2]
            low, high = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
            for sign in (1.0, -1.0):
                # a plateau is no extremum; at an edge the extremum may lie just inside
                if sign * value <= min(sign * x for x in around) and max(around) > min(around):
                    best = minimize_scalar(
                        lambda t, s=sign: s * self.v_in(t), bounds=(low, high), method="bounded",
                        options={"xatol": 1e-6 * (high - low)},
                    )  # fmt: skip
                    found.append((float(best.x), sign * float(best.fun)))
        return sorted(found)

    def cut(self, end: float) -> Piece:
        return Piece(self.circuit, self.mode, self.begin, end, self.dense, self.edges)


class Actuation:
    """Integrates one node piece by piece; ``rtol`` and ``atol`` are those of the steppers."""

    circuits = Circuit

    def __init__(self, node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> None:
        validate(node)
        self.node, self.rtol, self.atol = node, rtol, atol
        self.store = Store(node)
        self.breaks = _breaks(node)

    def first_state(self) -> list[float]:
        """Voltages and current at t = 0."""
        state = [at_release(self.node)]
        return [*state, 0.0] if self.node.piezoelectric else state

    def run(
        self, draw: Draw, begin: float, end: float, y: list[float], sign: int
    ) -> tuple[list[Piece], list[float], int]:
        """From ``begin`` to ``end`` with one draw: pieces, state and sign of the current at the end."""
        pieces: list[Piece] = []
        y = list(y)
        edges = [begin, *(t for t in self.breaks if begin < t < end), end]
        for left, right in pairwise(edges):
            sign = self._smooth(draw, left, right, y, sign, pieces)
        return pieces, y, sign

    def _smooth(self, draw: Draw, t: float, end: float, y: list[float], sign: int, pieces: list[Piece]) -> int:
        source, widest = _source_between(self.node, t, end)
        circuit = self.circuits(self.node, draw, source, self.store)
        circuit.hysteresis = max(circuit.hysteresis, 10.0 * self.rtol)
        inner = circuit.inward(y)
        mode = circuit.begin(t, inner, sign)
        for _ in range(SWITCHES):
            if end - t < 32.0 * math.ulp(end):  # shorter than a stepper can resolve
                y[:] = circuit.outward(inner)
                return mode.sign
            piece, event = self._until_event(circuit, mode, t, end, inner, widest)
            if piece.end > t:
                pieces.append(piece)
                inner[:] = piece.raw(piece.end)
                t = piece.end
            if event is not None:
                mode = circuit.switch(event, t, inner, mode)
        raise RuntimeError(f"the equations switch without end near t = {t:.9g} s")

    def _stiff(self, circuit: Circuit, mode: Mode, y: list[float], widest: float) -> bool:
        if circuit.stores > 1:
            return True
        if self.node.piezoelectric:
            return mode.sign != 0
        if len(y) == 1 or math.isinf(widest):  # the coil current runs out without an emf: as long as it takes
            return self.node.junction_law is not None and math.isfinite(widest)
        return widest * STEPS_PER_STROKE * circuit.loop > STIFF * self.node.coil_inductance

    def _until_event(
        self, circuit: Circuit, mode: Mode, t: float, end: float, y: list[float], widest: float
    ) -> tuple[Piece, str | None]:
        longest = min(widest, (end - t) / STEPS_PER_STRETCH)
        stepper = (Radau if self._stiff(circuit, mode, y, widest) else DOP853)(
            lambda t, y: circuit.rates(t, y, mode), t, y, end, max_step=longest, rtol=self.rtol, atol=self.atol
        )
        piece = Piece(circuit, mode, t, t, [], [])
        guards = circuit.guards(mode)
        before = {name: guard(t, y) for name, guard in guards.items()}
        while stepper.status == "running":
            message = stepper.step()
            if stepper.status == "failed":
                raise RuntimeError(f"the stepper failed at t = {stepper.t:.9g} s: {message}")
            dense = stepper.dense_output()
            left = stepper.t_old
            for right in (0.5 * (stepper.t_old + stepper.t), stepper.t):
                after = {name: guard(right, dense(right)) for name, guard in guards.items()}
                met = [
                    (_root(guards[name], dense, left, right, before[name]), name)
                    for name, value in after.items()
                    if value > 0.0
                ]
                if met:
                    piece.end, event = min(met)
                    piece.dense.append(dense)
                    piece.edges.append(stepper.t)
                    return piece, event
                left, before = right, after
            piece.dense.append(dense)
            piece.edges.append(stepper.t)
        piece.end = end
        return piece, None


def _root(
    guard: Callable[..., float],
    dense: Callable[[float], np.ndarray],
    left: float,
    right: float,
    at_left: float,
) -> float:
    if at_left >= 0.0 or guard(left, dense(left)) >= 0.0:
        return left
    return float(brentq(lambda t: guard(t, dense(t)), left, right, xtol=1e-16, rtol=4 * np.finfo(float).eps))


def _breaks(node: ReferenceNode) -> list[float]:
    """Instants at which the source is not smooth, and the middles of the half-sines."""
    if node.packet is not None:
        return [node.spans[0][1]]
    if not node.waveform:
        found = {t for start, end, s in node.timed for t in (start, min(start + 0.5 * s.width, end), end)}
        return sorted(found)
    breaks = {t for t, _ in node.waveform}
    for (t0, e0), (t1, e1) in pairwise(node.waveform):
        if e0 * e1 < 0.0:
            breaks.add(t0 - e0 * (t1 - t0) / (e1 - e0))
    return sorted(breaks)


def _source_between(node: ReferenceNode, begin: float, end: float) -> tuple[Source, float]:
    """The smooth source between two neighbouring breaks, and the widest step that resolves it."""
    middle = 0.5 * (begin + end)
    if node.packet is not None:
        last = node.spans[0][1]
        if middle < last:
            power = node.packet.energy * node.packet.efficiency / node.packet.time
            return lambda _: power, last / STEPS_PER_STROKE
        return lambda _: 0.0, math.inf
    for start, stop, stroke in node.timed if not node.waveform else ():
        if start < middle < stop:
            shape = _rising if node.piezoelectric else _half_sine
            return partial(shape, stroke, start), stroke.width / STEPS_PER_STROKE
    for (t0, e0), (t1, e1) in pairwise(node.waveform):
        if t0 < middle < t1:
            whole = node.waveform[-1][0] - node.waveform[0][0]
            return partial(_line, t0, e0, (e1 - e0) / (t1 - t0)), whole / STEPS_PER_STROKE
    return lambda _: 0.0, math.inf


def _half_sine(stroke: Stroke, start: float, t: float) -> float:
    return stroke.amplitude * math.sin(math.pi * (t - start) / stroke.width)


def _rising(stroke: Stroke, start: float, t: float) -> float:
    """Rate of the open voltage of a piezoelectric element [V/s]."""
    return stroke.amplitude * math.pi / (2.0 * stroke.width) * math.sin(math.pi * (t - start) / stroke.width)


def _line(t0: float, e0: float, slope: float, t: float) -> float:
    return e0 + slope * (t - t0)

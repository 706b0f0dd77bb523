"""An independent integration of one actuation, to hold the compiled physics against.

It shares no code and no choice of state with the package: the voltage of the ideal capacitor is the
state, dV/dt = i/C(V) (Faraday's and Kirchhoff's laws, any circuit theory textbook), beside it the coil
current where the coil has an inductance.  The steppers are those behind ``scipy.integrate.solve_ivp``
(DOP853, Radau where the coil is stiff), taken step by step so that the interpolant of every step can be
searched for the instants at which the equations change: conduction, the store at zero, the clamp, a
converter that passes through.  Everything is in SI units; nothing of the project is imported.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
from scipy.integrate import DOP853, Radau, solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar

HORIZON = 0.5  # [s] after the last stroke, the time within which the regulator has to start
STIFF = 3000.0  # widths of a stroke in coil time constants, beyond which an implicit stepper is quicker
STEPS_PER_STROKE = 40  # at least: no bump of the emf slips between two steps
SWITCHES = 10_000  # changes of the equations in one stretch, beyond which something chatters

ABOVE, BELOW, ZERO, CLAMPED = "above zero", "below zero", "held at zero", "clamped"


@dataclass(frozen=True)
class Stroke:
    """A half-sine pulse of open-circuit emf: ``amplitude``·sin(π(t − start)/width), signed [V], [s]."""

    start: float
    amplitude: float
    width: float


@dataclass(frozen=True)
class LoadStep:
    """One step of the radio: duration [s], current [A], the lowest supply it works from [V]."""

    name: str
    duration: float
    current: float
    minimum_supply: float


@dataclass(frozen=True)
class ReferenceNode:
    """One node with plain numbers in SI units; what is left out is absent or ideal."""

    sequence: tuple[LoadStep, ...]
    strokes: tuple[Stroke, ...] = ()
    waveform: tuple[tuple[float, float], ...] = ()  # (time, emf), linear between, in place of the strokes
    coil_resistance: float = 1.0
    coil_inductance: float = 0.0
    bridge: bool = True  # False: a single diode, which passes positive current only
    junction_voltage: float = 0.0  # one junction: junction_voltage + junction_slope * current
    junction_slope: float = 0.0
    reverse_leakage: float = 0.0
    capacitance: float = 1e-6  # small-signal, at no bias
    bias: tuple[tuple[float, float], ...] | None = None  # (voltage, factor), flat beyond
    esr: float = 0.0
    insulation: float = math.inf  # [ohm F]
    initial_voltage: float = 0.0
    clamp: float = math.inf
    regulator: str = "linear"  # linear | buck | direct
    output_voltage: float = 0.0  # of linear and buck
    quiescent: float = 0.0
    off_current: float = 0.0
    ground_share: float = 0.0  # of linear
    start_voltage: float = 0.0
    stop_voltage: float = 0.0
    start_delay: float = 0.0
    output_capacitance: float = 0.0
    pass_resistance: float = 0.0  # of linear and buck
    efficiency: float = 1.0  # of buck

    @property
    def junctions(self) -> int:
        return 2 if self.bridge else 1

    @property
    def drop(self) -> float:
        """The rectifier's drop at no current [V]."""
        return self.junctions * self.junction_voltage

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Start and end of every stroke [s]; a sampled waveform is one stroke."""
        if self.waveform:
            return [(self.waveform[0][0], self.waveform[-1][0])]
        return [(s.start, s.start + s.width) for s in self.strokes]

    @property
    def horizon(self) -> float:
        return max((end for _, end in self.spans), default=0.0) + HORIZON

    def need(self, step: LoadStep) -> float:
        """The lowest V_in [V] with which the step works."""
        dropout = 0.0 if self.regulator == "direct" else self.pass_resistance * step.current
        return max(step.minimum_supply + dropout, self.stop_voltage)


@dataclass(frozen=True)
class ReferenceResult:
    """What came of one actuation; margins and voltages [V], times [s], slopes [V/s]."""

    outcome: str  # complete | never started | brown-out in <step>
    start_margin: float
    run_margin: float
    reserve: float
    start_time: float | None  # V_in reaches V_start
    sequence_start: float  # the first step begins, after a forced start too
    brown_out_time: float | None
    complete_time: float | None
    peak_voltage: float  # highest V_in from t = 0 to the end of the sequence
    unloaded_peak: float  # highest V_in with the regulator kept off, to the horizon
    unloaded_peak_time: float
    stroke_peaks: tuple[float, ...]  # highest V_in that each stroke drives, regulator off; nan: none
    first_slope: float  # of V_in where the first step begins, the steeper of its two sides
    end_slope: float  # of V_in at brown-out or completion (end of the sequence if never started)
    lowest_input: float  # lowest V_in over the sequence, which runs on as if it could not brown out
    overlap: bool  # the load ran, before any brown-out, while a stroke delivered
    clamp_active: bool
    pass_through: bool  # a buck converter ran as a plain switch


class Store:
    """The ideal capacitor: C(V) = C_s * b(V), b a shape-preserving cubic, 1 below zero, flat beyond."""

    def __init__(self, node: ReferenceNode) -> None:
        self._nominal = node.capacitance
        self._knots: list[float] = []
        if node.bias is not None:
            volts, factors = zip(*node.bias, strict=True)
            curve = PchipInterpolator(volts, factors)
            self._knots = [float(v) for v in volts]
            self._cubics = [tuple(map(float, row)) for row in curve.c.T]
            self._last = float(factors[-1])

    def capacitance(self, v: float) -> float:
        if not self._knots or v <= 0.0:
            return self._nominal
        if v >= self._knots[-1]:
            return self._nominal * self._last
        k = bisect_right(self._knots, v) - 1
        x = v - self._knots[k]
        a, b, c, d = self._cubics[k]
        return self._nominal * (((a * x + b) * x + c) * x + d)

    def after_charge(self, v: float, charge: float) -> float:
        """The voltage once ``charge`` [C] has been taken from the store at ``v``."""
        taken = solve_ivp(
            lambda _, y: [-charge / self.capacitance(y[0])], (0.0, 1.0), [v], "DOP853", rtol=1e-11, atol=1e-13
        )
        return float(taken.y[0, -1])

    def after_energy(self, v: float, energy: float) -> float:
        """The voltage once ``energy`` [J] has been taken; ValueError if the store does not hold it."""

        # y = V^2: d(V^2)/dE = -2/C is regular down to an empty store
        def rate(_: float, y: Sequence[float]) -> list[float]:
            return [-2.0 * energy / self.capacitance(math.sqrt(max(y[0], 0.0)))]

        taken = solve_ivp(rate, (0.0, 1.0), [v * v], "DOP853", rtol=1e-11, atol=1e-13)
        if v <= 0.0 or taken.y[0, -1] <= 0.0:
            raise ValueError(f"the output capacitor asks for {energy:.3g} J, more than the store holds")
        return math.sqrt(taken.y[0, -1])


@dataclass(frozen=True)
class Draw:
    """What the regulator takes from the store: ``fixed`` [A], and beside it a power [W] over V_in, or a
    converter's min(1, knee/V_in) * ``current`` with ``knee`` = V_set/efficiency [V]."""

    fixed: float
    power: float = 0.0
    current: float = 0.0
    knee: float = 0.0

    def terminal(self, open_voltage: float, resistance: float, passing: bool) -> float:
        """V_in = open_voltage - resistance * current(V_in), the upper root."""
        u = open_voltage - resistance * self.fixed
        if self.power:
            return 0.5 * (u + math.sqrt(max(u * u - 4.0 * resistance * self.power, 0.0)))
        if not self.current:
            return u
        if passing:
            return u - resistance * self.current
        return 0.5 * (u + math.sqrt(max(u * u - 4.0 * resistance * self.knee * self.current, 0.0)))

    def amperes(self, v_in: float, passing: bool) -> float:
        # the floors are met only by trials of a stepper that overshoot the end of the mode
        if self.power:
            return self.fixed + self.power / max(v_in, 1e-4)
        if passing or not self.current:
            return self.fixed + self.current
        return self.fixed + self.current * self.knee / max(v_in, 0.5 * self.knee)


@dataclass(frozen=True)
class Mode:
    """Which equations hold: sign of the coil current (0: blocked), place of the store, converter."""

    sign: int
    place: str
    passing: bool


Emf = Callable[[float], float]


class Circuit:
    """The equations of one node between two switchings."""

    def __init__(self, node: ReferenceNode, draw: Draw, emf: Emf, store: Store) -> None:
        self.node, self.draw, self.emf, self.store = node, draw, emf, store
        self.loop = node.coil_resistance + node.junctions * node.junction_slope
        self.drop = node.drop
        self.insulation = node.insulation / node.capacitance

    def operate(self, t: float, y: Sequence[float], mode: Mode) -> tuple[float, float, float]:
        """Magnitude of the coil current, V_in, and the regulator's current."""
        opened, resistance = self.source(t, y, mode)
        v_in = self.draw.terminal(opened, resistance, mode.passing)
        if not mode.sign:
            magnitude = 0.0
        elif self.node.coil_inductance:
            magnitude = y[1]
        else:
            magnitude = (mode.sign * self.emf(t) - v_in - self.drop) / self.loop
        return magnitude, v_in, self.draw.amperes(v_in, mode.passing)

    def source(self, t: float, y: Sequence[float], mode: Mode) -> tuple[float, float]:
        """The terminal without the regulator: open voltage and resistance."""
        esr = self.node.esr
        if not mode.sign:
            return y[0], esr
        if self.node.coil_inductance:
            return y[0] + esr * y[1], esr
        # no inductance: the coil is a second source in parallel, e - drop behind its resistance
        pushed = mode.sign * self.emf(t) - self.drop
        whole = self.loop + esr
        return (y[0] * self.loop + esr * pushed) / whole, esr * self.loop / whole

    def leakage(self, v: float, place: str) -> float:
        if place in (BELOW, ZERO):
            return 0.0
        return self.node.reverse_leakage + v / self.insulation

    def rates(self, t: float, y: Sequence[float], mode: Mode) -> list[float]:
        magnitude, v_in, drawn = self.operate(t, y, mode)
        rate = 0.0
        if mode.place in (ABOVE, BELOW):
            rate = (magnitude - drawn - self.leakage(y[0], mode.place)) / self.store.capacitance(y[0])
        if len(y) == 1:
            return [rate]
        drive = mode.sign * self.emf(t) - self.loop * magnitude - v_in - self.drop
        return [rate, drive / self.node.coil_inductance]

    def drive(self, t: float, y: Sequence[float], mode: Mode) -> float:
        """What pushes a current through the blocked rectifier [V]; it conducts above 0."""
        e = self.emf(t)
        v_in = self.operate(t, y, mode)[1]
        return (abs(e) if self.node.bridge else e) - v_in - self.drop

    def forward(self, t: float) -> int:
        return 1 if self.emf(t) >= 0.0 or not self.node.bridge else -1

    def knee(self, t: float, y: Sequence[float], mode: Mode) -> float:
        """Above 0 the converter converts, below it passes through; monotone in V_in."""
        opened, resistance = self.source(t, y, mode)
        return opened - resistance * (self.draw.fixed + self.draw.current) - self.draw.knee

    def collapse(self, t: float, y: Sequence[float], mode: Mode) -> float:
        opened, resistance = self.source(t, y, mode)
        least = max(2.0 * math.sqrt(resistance * self.draw.power), 1e-3)
        return least + resistance * self.draw.fixed - opened

    def at_rest(self, t: float, y: Sequence[float], sign: int, passing: bool) -> str:
        """The place of the store where a stretch begins."""
        v = y[0]
        if 0.0 < v < self.node.clamp:
            return ABOVE
        if v < 0.0:
            return BELOW
        magnitude, _, drawn = self.operate(t, y, Mode(sign, ABOVE, passing))
        if v > 0.0:
            return CLAMPED if magnitude - drawn > self.leakage(v, ABOVE) else ABOVE
        if magnitude - drawn > self.node.reverse_leakage:
            return ABOVE
        return BELOW if magnitude < drawn else ZERO

    def begin(self, t: float, y: list[float], sign: int) -> Mode:
        """The mode where a stretch of smooth emf and one draw begins; a coil current goes on."""
        mode = Mode(sign, ABOVE, passing=False)
        if not (self.node.coil_inductance and sign and y[1] > 0.0):
            mode = self._resistive(t, y)
            if self.node.coil_inductance and mode.sign:
                y[1:] = [0.0]
        if self.draw.current:
            mode = replace(mode, passing=self.knee(t, y, mode) <= 0.0)
        return replace(mode, place=self.at_rest(t, y, mode.sign, mode.passing))

    def _resistive(self, t: float, y: list[float]) -> Mode:
        del y[1:]
        blocked = Mode(0, ABOVE, passing=False)
        if self.draw.current:
            blocked = replace(blocked, passing=self.knee(t, y, blocked) <= 0.0)
        return replace(blocked, sign=self.forward(t)) if self.drive(t, y, blocked) > 0.0 else blocked

    def guards(self, mode: Mode) -> dict[str, Callable[[float, Sequence[float]], float]]:
        """Functions that are negative while the mode holds and rise through zero where it ends."""
        guards: dict[str, Callable[[float, Sequence[float]], float]] = {}
        if mode.sign:
            guards["block"] = lambda t, y: -self.operate(t, y, mode)[0]
        else:
            guards["conduct"] = lambda t, y: self.drive(t, y, mode)
        if mode.place == ABOVE:
            guards["sink"] = lambda t, y: -y[0]
            if math.isfinite(self.node.clamp):
                guards["clamp"] = lambda t, y: y[0] - self.node.clamp
        elif mode.place == BELOW:
            guards["surface"] = lambda t, y: y[0]
        elif mode.place == ZERO:
            guards["rise"] = lambda t, y: self.surplus(t, y, mode) - self.node.reverse_leakage
            guards["fall"] = lambda t, y: -self.surplus(t, y, mode)
        else:
            guards["unclamp"] = lambda t, y: self.leakage(y[0], CLAMPED) - self.surplus(t, y, mode)
        if self.draw.current:
            side = 1.0 if mode.passing else -1.0
            guards["knee"] = lambda t, y: side * self.knee(t, y, mode)
        if self.draw.power:
            guards["collapse"] = lambda t, y: self.collapse(t, y, mode)
        return guards

    def surplus(self, t: float, y: Sequence[float], mode: Mode) -> float:
        magnitude, _, drawn = self.operate(t, y, mode)
        return magnitude - drawn

    def switch(self, event: str, t: float, y: list[float], mode: Mode) -> Mode:
        """The mode after ``event``; puts the state exactly on the threshold it has met."""
        if event == "collapse":
            raise ValueError("the converter's start-up draws more power than the store can deliver")
        if event == "conduct":
            if self.node.coil_inductance:
                y[1:] = [0.0]
            return replace(mode, sign=self.forward(t))
        if event == "block":
            del y[1:]
            return replace(mode, sign=0)
        if event == "knee":
            return replace(mode, passing=not mode.passing)
        if event in ("sink", "surface"):
            y[0] = 0.0
            surplus = self.surplus(t, y, mode)
            if event == "sink":
                return replace(mode, place=BELOW if surplus < 0.0 else ZERO)
            return replace(mode, place=ABOVE if surplus > self.node.reverse_leakage else ZERO)
        if event == "clamp":
            y[0] = self.node.clamp
            return replace(mode, place=CLAMPED)
        return replace(mode, place=BELOW if event == "fall" else ABOVE)


@dataclass
class Piece:
    """A stretch of one mode: the interpolants of its steps, ended at ``end``."""

    circuit: Circuit
    mode: Mode
    begin: float
    end: float
    dense: list[Callable[[float], np.ndarray]]
    edges: list[float]  # ends of the steps; the last is not before ``end``

    def state(self, t: float) -> list[float]:
        k = min(bisect_right(self.edges, t), len(self.dense) - 1)
        return [float(x) for x in self.dense[k](t)]

    def operate(self, t: float) -> tuple[float, float, float]:
        """Magnitude of the coil current [A], V_in [V], the regulator's current [A]."""
        return self.circuit.operate(t, self.state(t), self.mode)

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

    def __init__(self, node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> None:
        _validate(node)
        self.node, self.rtol, self.atol = node, rtol, atol
        self.store = Store(node)
        self.breaks = _breaks(node)

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
        emf, widest = _emf_between(self.node, t, end)
        circuit = Circuit(self.node, draw, emf, self.store)
        mode = circuit.begin(t, y, sign)
        for _ in range(SWITCHES):
            if end - t < 32.0 * math.ulp(end):  # shorter than a stepper can resolve
                return mode.sign
            piece, event = self._until_event(circuit, mode, t, end, y, widest)
            if piece.end > t:
                pieces.append(piece)
                y[:] = piece.state(piece.end)
                t = piece.end
            if event is not None:
                mode = circuit.switch(event, t, y, mode)
        raise RuntimeError(f"the equations switch without end near t = {t:.9g} s")

    def _until_event(
        self, circuit: Circuit, mode: Mode, t: float, end: float, y: list[float], widest: float
    ) -> tuple[Piece, str | None]:
        stiff = len(y) == 2 and widest * STEPS_PER_STROKE * circuit.loop > STIFF * self.node.coil_inductance
        if math.isinf(widest):  # the coil current runs out without an emf: as long as it takes
            stiff = False
        stepper = (Radau if stiff else DOP853)(
            lambda t, y: circuit.rates(t, y, mode), t, y, end, max_step=widest, rtol=self.rtol, atol=self.atol
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
    if at_left >= 0.0:
        return left
    return float(brentq(lambda t: guard(t, dense(t)), left, right, xtol=1e-16, rtol=4 * np.finfo(float).eps))


def _breaks(node: ReferenceNode) -> list[float]:
    """Instants at which the emf is not smooth, and the middles of the half-sines."""
    if not node.waveform:
        return sorted({s.start + part * s.width for s in node.strokes for part in (0.0, 0.5, 1.0)})
    breaks = {t for t, _ in node.waveform}
    for (t0, e0), (t1, e1) in pairwise(node.waveform):
        if e0 * e1 < 0.0:
            breaks.add(t0 - e0 * (t1 - t0) / (e1 - e0))
    return sorted(breaks)


def _emf_between(node: ReferenceNode, begin: float, end: float) -> tuple[Emf, float]:
    """The smooth emf between two neighbouring breaks, and the widest step that resolves it."""
    middle = 0.5 * (begin + end)
    for stroke in node.strokes if not node.waveform else ():
        if stroke.start < middle < stroke.start + stroke.width:
            return partial(_half_sine, stroke), stroke.width / STEPS_PER_STROKE
    for (t0, e0), (t1, e1) in pairwise(node.waveform):
        if t0 < middle < t1:
            whole = node.waveform[-1][0] - node.waveform[0][0]
            return partial(_line, t0, e0, (e1 - e0) / (t1 - t0)), whole / STEPS_PER_STROKE
    return lambda _: 0.0, math.inf


def _half_sine(stroke: Stroke, t: float) -> float:
    return stroke.amplitude * math.sin(math.pi * (t - stroke.start) / stroke.width)


def _line(t0: float, e0: float, slope: float, t: float) -> float:
    return e0 + slope * (t - t0)


def _validate(node: ReferenceNode) -> None:
    if node.regulator not in ("linear", "buck", "direct"):
        raise ValueError(f"no regulator of the kind {node.regulator!r}")
    if node.waveform and node.strokes:
        raise ValueError("strokes or a sampled waveform, not both")
    spans = sorted(node.spans)
    if any(right[0] < left[1] for left, right in pairwise(spans)):
        raise ValueError("strokes overlap")
    if node.initial_voltage > node.clamp or not node.sequence:
        raise ValueError("the store begins above its clamp, or there is no sequence")
    most = max(step.current for step in node.sequence)
    if node.regulator == "buck" and node.esr * most >= node.output_voltage / node.efficiency:
        raise ValueError("the ESR alone would take the converter's whole input voltage")


def step_draw(node: ReferenceNode, step: LoadStep) -> Draw:
    """What the regulator takes while the radio is in ``step``."""
    if node.regulator == "linear":
        return Draw(step.current * (1.0 + node.ground_share) + node.quiescent)
    if node.regulator == "direct":
        return Draw(step.current + node.quiescent)
    return Draw(node.quiescent, current=step.current, knee=node.output_voltage / node.efficiency)


def delay_draw(node: ReferenceNode) -> Draw:
    """What the regulator takes during a start delay: its own current and the output capacitor's."""
    if node.regulator == "buck":
        energy = 0.5 * node.output_capacitance * node.output_voltage**2 / node.efficiency
        return Draw(node.quiescent, power=energy / node.start_delay)
    return Draw(node.quiescent + node.output_capacitance * _charged_to(node) / node.start_delay)


def _charged_to(node: ReferenceNode) -> float:
    return node.start_voltage if node.regulator == "direct" else node.output_voltage


def unloaded(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> list[Piece]:
    """The store with the regulator kept off, from t = 0 to the horizon."""
    actuation = Actuation(node, rtol, atol)
    return actuation.run(Draw(node.off_current), 0.0, node.horizon, [node.initial_voltage], 0)[0]


def highest(pieces: Sequence[Piece]) -> tuple[float, float]:
    """(time, V_in) of the highest V_in."""
    return max((s for piece in pieces for s in piece.samples), key=lambda s: s[1])


def crossing(pieces: Sequence[Piece], level: float, upward: bool) -> tuple[float, Piece] | None:
    """The first instant at which V_in is at ``level`` or above (``upward``) or below it, with its piece."""
    side = 1.0 if upward else -1.0
    for piece in pieces:
        before: float | None = None
        for t, value in piece.samples:
            if side * (value - level) > 0.0 or (upward and value == level):
                if before is not None and value != level:
                    t = float(brentq(lambda x, p=piece: p.v_in(x) - level, before, t, xtol=1e-16))
                return t, piece
            before = t
    return None


def stroke_peaks(node: ReferenceNode, pieces: Sequence[Piece]) -> tuple[float, ...]:
    """Highest V_in while the current that each stroke drives flows; nan for a stroke that drives none."""
    starts = [begin for begin, _ in node.spans]
    peaks = []
    for k, begin in enumerate(starts):
        end = starts[k + 1] if k + 1 < len(starts) else math.inf
        fed = [v for p in pieces if p.mode.sign and begin <= p.begin < end for _, v in p.samples]
        peaks.append(max(fed, default=math.nan))
    return tuple(peaks)


def ramp_up(actuation: Actuation, t: float, y: list[float], sign: int) -> tuple[list[Piece], float, list[float], int]:
    """From the regulator's start to the first step: the start delay and the output capacitor."""
    node = actuation.node
    if node.start_delay > 0.0:
        pieces, y, sign = actuation.run(delay_draw(node), t, t + node.start_delay, y, sign)
        return pieces, t + node.start_delay, y, sign
    if node.output_capacitance > 0.0:
        if node.regulator == "buck":
            energy = 0.5 * node.output_capacitance * node.output_voltage**2 / node.efficiency
            y = [actuation.store.after_energy(y[0], energy), *y[1:]]
        else:
            charge = node.output_capacitance * _charged_to(node)
            y = [actuation.store.after_charge(y[0], charge), *y[1:]]
    return [], t, y, sign


@dataclass(frozen=True)
class Trace:
    """One actuation opened: its pieces, and the instants that divide it [s]."""

    off: list[Piece]  # regulator kept off, from t = 0 to the horizon
    before: list[Piece]  # as it ran, up to the first step
    steps: list[list[Piece]]  # of the sequence, one list a step
    peak_time: float  # of the highest V_in with the regulator off ...
    peak: float  # ... and that voltage [V]
    start_time: float | None  # None: V_start is not reached
    sequence_start: float


def trace(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> Trace:
    """Integrate one actuation; raises as ``solve`` does."""
    actuation = Actuation(node, rtol, atol)
    off = actuation.run(Draw(node.off_current), 0.0, node.horizon, [node.initial_voltage], 0)[0]
    peak_time, peak = highest(off)
    started = crossing(off, node.start_voltage, upward=True)
    if started is not None:
        start, piece = started
    else:  # a forced start at the highest V_in
        start = peak_time
        piece = next(p for p in off if p.begin <= start <= p.end and p.v_in(start) == peak)
    delay, begin, state, sign = ramp_up(actuation, start, piece.state(start), piece.mode.sign)
    steps: list[list[Piece]] = []
    t = begin
    for step in node.sequence:
        pieces, state, sign = actuation.run(step_draw(node, step), t, t + step.duration, state, sign)
        steps.append(pieces)
        t += step.duration
    before = [*(p if p.end <= start else p.cut(start) for p in off if p.begin < start), *delay]
    return Trace(off, before, steps, peak_time, peak, None if started is None else start, begin)


def solve(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> ReferenceResult:
    """One actuation of ``node``.

    Raises ValueError for a node that has no solution (a buck converter that charges its output capacitor
    from more energy than the store holds), RuntimeError where a stepper fails.
    """
    return judge(node, trace(node, rtol, atol))


def judge(node: ReferenceNode, run: Trace) -> ReferenceResult:
    """Outcome and margins of an actuation that has been integrated."""
    needs = [node.need(step) for step in node.sequence]
    lowest = [min(v for piece in pieces for _, v in piece.samples) for pieces in run.steps]
    ends = [pieces[-1].v_in(pieces[-1].end) - need for pieces, need in zip(run.steps, needs, strict=True)]
    outcome, finish, end_slope = _ending(node, run, needs, lowest)
    whole = [*run.before, *(piece for pieces in run.steps for piece in pieces)]
    begin, started = run.sequence_start, run.start_time is not None
    return ReferenceResult(
        outcome=outcome,
        start_margin=run.peak - node.start_voltage,
        run_margin=min(low - need for low, need in zip(lowest, needs, strict=True)),
        reserve=min(ends),
        start_time=run.start_time,
        sequence_start=begin,
        brown_out_time=finish if outcome.startswith("brown-out") else None,
        complete_time=finish if outcome == "complete" else None,
        peak_voltage=highest(whole)[1],
        unloaded_peak=run.peak,
        unloaded_peak_time=run.peak_time,
        stroke_peaks=stroke_peaks(node, run.off),
        first_slope=_first_slope(run),
        end_slope=end_slope,
        lowest_input=min(lowest),
        overlap=started and any(max(a, begin) < min(b, finish) for a, b in node.spans),
        clamp_active=any(piece.mode.place == CLAMPED for piece in whole),
        pass_through=any(piece.mode.passing for pieces in run.steps for piece in pieces),
    )


def _ending(
    node: ReferenceNode, run: Trace, needs: Sequence[float], lowest: Sequence[float]
) -> tuple[str, float, float]:
    """Outcome, the instant at which the actuation ends [s], the slope of V_in there [V/s]."""
    last = run.steps[-1][-1]
    failed = next((k for k, need in enumerate(needs) if lowest[k] < need), None)
    if run.start_time is None or failed is None:
        outcome = "never started" if run.start_time is None else "complete"
        return outcome, last.end, last.slope(last.end, forward=False)
    found = crossing(run.steps[failed], needs[failed], upward=False)
    assert found is not None
    t, piece = found
    early = t - piece.begin < 0.5 * (piece.end - piece.begin)
    return f"brown-out in {node.sequence[failed].name}", t, piece.slope(t, forward=early)


def _first_slope(run: Trace) -> float:
    slopes = [run.steps[0][0].slope(run.sequence_start, forward=True)]
    if run.before:
        slopes.append(run.before[-1].slope(run.before[-1].end, forward=False))
    return max(slopes, key=abs)

"""An independent integration of one actuation, to hold the compiled physics against.

It shares no code and no choice of state with the package: the voltage of the ideal capacitor is the
state, dV/dt = i/C(V) (Faraday's and Kirchhoff's laws, any circuit theory textbook), beside it the coil
current where the coil has an inductance, or the voltage of a piezoelectric element.  `reference_parts` says
what a node is, `reference_circuit` its equations, `reference_march` takes them through time; here an actuation
is put together and judged.  Everything is in SI units; nothing of the project is imported.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reference_circuit import (
    ABOVE,
    BELOW,
    CLAMPED,
    ZERO,
    charged_to,
    delay_draw,
    off_draw,
    step_draw,
)
from reference_march import Actuation, Piece
from reference_parts import (
    HORIZON,
    Capacitor,
    LoadStep,
    Packet,
    Precharge,
    ReferenceNode,
    Store,
    Stroke,
    at_release,
)
from scipy.optimize import brentq

__all__ = [
    "ABOVE", "BELOW", "CLAMPED", "HORIZON", "ZERO", "Actuation", "Capacitor", "LoadStep", "Packet", "Piece",
    "Precharge", "ReferenceNode", "ReferenceResult", "Run", "Store", "Stroke", "Trace", "at_release", "crossing",
    "highest", "judge", "march", "solve", "stroke_peaks", "trace", "unloaded",
]  # fmt: skip

MOST_STARTS = 1000  # of one actuation, beyond which something chatters


@dataclass(frozen=True)
class ReferenceResult:
    """What came of one actuation; margins and voltages [V], times [s], slopes [V/s]."""

    outcome: str  # complete | never started | unacknowledged | brown-out in <step>
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
    start_slope: float  # of V_in where it reaches V_start; inf at the release, nan where it does not
    end_slope: float  # of V_in at brown-out or completion (end of the sequence if never started)
    lowest_input: float  # lowest V_in over the sequence, which runs on as if it could not brown out
    overlap: bool  # the load ran, before any brown-out, while a stroke delivered
    clamp_active: bool
    pass_through: bool  # a buck converter ran as a plain switch
    starts: int  # times the regulator started
    run_margins: tuple[float, ...]  # of every start
    gate_margins: tuple[float, ...]  # V_in above the gate of each step that has one, as far as it got
    restart_excess: float  # highest V_in behind the last brown-out, above V_start; nan where none may restart


def unloaded(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> list[Piece]:
    """The store with the regulator kept off, from t = 0 to the horizon."""
    actuation = Actuation(node, rtol, atol)
    return actuation.run(off_draw(node), 0.0, node.horizon, actuation.first_state(), 0)[0]


def highest(pieces: Sequence[Piece]) -> tuple[float, float]:
    """(time, V_in) of the highest V_in."""
    return max((s for piece in pieces for s in piece.samples), key=lambda s: s[1])


def crossing(pieces: Sequence[Piece], level: float, upward: bool, rising: bool = False) -> tuple[float, Piece] | None:
    """The first instant at which V_in is at ``level`` or above (``upward``) or below it, with its piece.

    With ``rising`` V_in has to be below the level first.
    """
    side = 1.0 if upward else -1.0
    armed = not rising
    for piece in pieces:
        before: float | None = None
        for t, value in piece.samples:
            if armed and (side * (value - level) > 0.0 or (upward and value == level)):
                if before is not None and value != level:
                    t = float(brentq(lambda x, p=piece: p.v_in(x) - level, before, t, xtol=1e-16))
                return t, piece
            armed = armed or side * (value - level) < 0.0
            before = t
    return None


def stroke_peaks(node: ReferenceNode, pieces: Sequence[Piece]) -> tuple[float, ...]:
    """Highest V_in while each stroke feeds the store, regulator off; nan for a stroke that does not."""
    starts = [begin for begin, _ in node.spans]
    peaks = []
    for k, begin in enumerate(starts):
        end = starts[k + 1] if k + 1 < len(starts) else math.inf
        fed = [
            v for p in pieces if (p.mode.sign or p.circuit.delivers) and begin <= p.begin < end for _, v in p.samples
        ]
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
            charge = node.output_capacitance * charged_to(node)
            y = [actuation.store.after_charge(y[0], charge), *y[1:]]
    return [], t, y, sign


@dataclass(frozen=True)
class Run:
    """One start of the regulator: its pieces, and the instants that divide it [s]."""

    before: list[Piece]  # from t = 0 up to the first step, what earlier starts did included
    steps: list[list[Piece]]  # of the sequence, one list a step, as if the supply could not brown out
    start_time: float | None  # None: V_start is not reached
    sequence_start: float
    refused: bool  # a gate ended it
    gates: tuple[float, ...]  # V_in above each gate that it came to [V]

    def lows(self) -> list[float]:
        return [min(v for piece in pieces for _, v in piece.samples) for pieces in self.steps]

    def margins(self, node: ReferenceNode) -> list[float]:
        """The least of V_in over its need in every step."""
        return [low - node.need(step) for low, step in zip(self.lows(), node.sequence, strict=False)]


@dataclass(frozen=True)
class Trace:
    """One actuation opened."""

    off: list[Piece]  # regulator kept off, from t = 0 to the horizon
    peak_time: float  # of the highest V_in with the regulator off ...
    peak: float  # ... and that voltage [V]
    runs: list[Run]
    best: int  # the run that is judged: the highest run margin, the first that suffices
    restart_excess: float

    @property
    def before(self) -> list[Piece]:
        return self.runs[self.best].before

    @property
    def steps(self) -> list[list[Piece]]:
        return self.runs[self.best].steps

    @property
    def start_time(self) -> float | None:
        return self.runs[self.best].start_time

    @property
    def sequence_start(self) -> float:
        return self.runs[self.best].sequence_start


def trace(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> Trace:
    """Integrate one actuation; raises as ``solve`` does."""
    return march(Actuation(node, rtol, atol))


def march(actuation: Actuation) -> Trace:
    """Integrate the actuation of a node."""
    node = actuation.node
    off = actuation.run(off_draw(node), 0.0, node.horizon, actuation.first_state(), 0)[0]
    peak_time, peak = highest(off)
    started = crossing(off, node.start_voltage, upward=True)
    if started is None:  # a forced start at the highest V_in
        piece = next(p for p in off if p.begin <= peak_time <= p.end and p.v_in(peak_time) == peak)
        run = _run_from(actuation, off, peak_time, piece, reached=False)
        return Trace(off, peak_time, peak, [run], 0, math.nan)
    runs: list[Run] = []
    excess, waiting = math.nan, off
    while started is not None:
        runs.append(_run_from(actuation, waiting, *started, reached=True))
        started = None
        failed = _violation(node, runs[-1])
        if failed is None or not node.restart or failed[0] >= node.horizon:
            break
        t, piece, history = failed
        again = actuation.run(off_draw(node), t, node.horizon, piece.state(t), piece.mode.sign)[0]
        excess = highest(again)[1] - node.start_voltage
        # where shedding the load lifts V_in above V_start, it has to fall below it first
        started = crossing(again, node.start_voltage, upward=True, rising=True)
        waiting = [*history, *again]
        if len(runs) > MOST_STARTS:
            raise RuntimeError("the regulator starts without end")
    worth = [min(run.margins(node)) for run in runs]
    return Trace(off, peak_time, peak, runs, worth.index(max(worth)), excess)


def _run_from(actuation: Actuation, waiting: list[Piece], start: float, piece: Piece, reached: bool) -> Run:
    """The sequence of a regulator that starts at ``start``, in ``piece`` of what went before."""
    node = actuation.node
    delay, begin, state, sign = ramp_up(actuation, start, piece.state(start), piece.mode.sign)
    steps: list[list[Piece]] = []
    gates: list[float] = []
    t, v_in = begin, math.inf
    for step in node.sequence:
        if step.gate > 0.0 and steps:
            gates.append(v_in - step.gate)
            if v_in < step.gate:
                break
        pieces, state, sign = actuation.run(step_draw(node, step), t, t + step.duration, state, sign)
        steps.append(pieces)
        v_in = pieces[-1].v_in(pieces[-1].end)
        t += step.duration
    past = [p if p.end <= start else p.cut(start) for p in waiting if p.begin < start]
    return Run([*past, *delay], steps, start if reached else None, begin, len(steps) < len(node.sequence), tuple(gates))


def _violation(node: ReferenceNode, run: Run) -> tuple[float, Piece, list[Piece]] | None:
    """The first instant at which a step has less than its need, its piece, and the pieces up to then."""
    for k, margin in enumerate(run.margins(node)):
        if margin < 0.0:
            found = crossing(run.steps[k], node.need(node.sequence[k]), upward=False)
            assert found is not None
            t, piece = found
            done = [*run.before, *(p for pieces in run.steps[: k + 1] for p in pieces)]
            return t, piece, [p if p.end <= t else p.cut(t) for p in done if p.begin < t]
    return None


def solve(node: ReferenceNode, rtol: float = 1e-10, atol: float = 1e-12) -> ReferenceResult:
    """One actuation of ``node``.

    Raises ValueError for a node that has no solution (a buck converter that charges its output capacitor
    from more energy than the store holds), RuntimeError where a stepper fails.
    """
    return judge(node, trace(node, rtol, atol))


def judge(node: ReferenceNode, run: Trace) -> ReferenceResult:
    """Outcome and margins of an actuation that has been integrated."""
    best = run.runs[run.best]
    needs = [node.need(step) for step in node.sequence]
    lowest = best.lows()
    ends = [pieces[-1].v_in(pieces[-1].end) - need for pieces, need in zip(run.steps, needs, strict=False)]
    outcome, finish, end_slope = _ending(node, best, needs, lowest)
    whole = [*run.before, *(piece for pieces in run.steps for piece in pieces)]
    begin, started = run.sequence_start, run.start_time is not None
    return ReferenceResult(
        outcome=outcome,
        start_margin=run.peak - node.start_voltage,
        run_margin=min(best.margins(node)),
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
        start_slope=_start_slope(node, best),
        end_slope=end_slope,
        lowest_input=min(lowest),
        overlap=started and any(max(a, begin) < min(b, finish) for a, b in node.spans),
        clamp_active=any(piece.mode.place == CLAMPED for piece in whole),
        pass_through=any(piece.mode.passing for pieces in run.steps for piece in pieces),
        starts=len(run.runs) if started else 0,
        run_margins=tuple(min(one.margins(node)) for one in run.runs),
        gate_margins=tuple(gate for one in run.runs for gate in one.gates),
        restart_excess=run.restart_excess,
    )


def _ending(node: ReferenceNode, run: Run, needs: Sequence[float], lowest: Sequence[float]) -> tuple[str, float, float]:
    """Outcome, the instant at which the actuation ends [s], the slope of V_in there [V/s]."""
    last = run.steps[-1][-1]
    failed = next((k for k, low in enumerate(lowest) if low < needs[k]), None)
    if run.start_time is None or failed is None:
        outcome = "never started" if run.start_time is None else "unacknowledged" if run.refused else "complete"
        return outcome, last.end, last.slope(last.end, forward=False)
    found = crossing(run.steps[failed], needs[failed], upward=False)
    assert found is not None
    t, piece = found
    early = t - piece.begin < 0.5 * (piece.end - piece.begin)
    return f"brown-out in {node.sequence[failed].name}", t, piece.slope(t, forward=early)


def _start_slope(node: ReferenceNode, run: Run) -> float:
    if not run.start_time:
        return math.nan if run.start_time is None else math.inf
    past = next(p for p in run.before if p.begin <= run.start_time <= p.end)
    return past.slope(run.start_time, forward=False) if past.begin < run.start_time else math.inf


def _first_slope(run: Trace) -> float:
    slopes = [run.steps[0][0].slope(run.sequence_start, forward=True)]
    if run.before:
        slopes.append(run.before[-1].slope(run.before[-1].end, forward=False))
    return max(slopes, key=abs)

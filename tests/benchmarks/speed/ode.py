"""The peer with an adaptive solver: one actuation at a time by ``scipy.integrate.solve_ivp``, split by events.

Store voltage and coil current are the state. Every stretch between two switchings is one call; the instants at
which the bridge blocks and at which V_in reaches V_start are terminal events. It answers less than the compiled code:
reserve, run margin, and the start margin where it can matter; no hold-up, no ratings, no link.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator

from tests.benchmarks.speed.demo import Margins, Plain

METHODS = ("RK45", "DOP853", "LSODA", "Radau")
TOLERANCES = tuple(10.0 ** (-k / 2.0) for k in range(2, 19))

State = list[float]


@dataclass
class Solver:
    """How it is solved; ``stepped`` takes stretches without source current in one plain step, not by
    the adaptive solver."""

    plain: Plain
    method: str
    tolerance: float
    stepped: bool = False

    def __post_init__(self) -> None:
        # the shape-preserving cubic through the bias points, as plain lists, which Python reads fastest
        volts, factors = zip(*self.plain.bias, strict=True)
        self.knots = [float(v) for v in volts]
        self.cubics = [tuple(map(float, row)) for row in PchipInterpolator(volts, factors).c.T]

    def margins(self, *, full: bool = True) -> Margins:
        found = np.array([self.actuation(row, full=full) for row in range(len(self.plain))])
        return Margins(found[:, 0], found[:, 1], found[:, 2])

    # ---- one actuation ----
    def actuation(self, row: int, *, full: bool = False) -> tuple[float, float, float]:
        """Reserve, start margin and run margin [V] of one actuation."""
        one = _One(self, row)
        return one.run(full)


class _One:
    def __init__(self, solver: Solver, row: int) -> None:
        p = solver.plain
        self.solver = solver
        self.emf, self.omega, self.width = float(p.emf[row]), math.pi / float(p.width[row]), float(p.width[row])
        self.resistance, self.inductance = float(p.resistance[row]), float(p.inductance[row])
        self.drop, self.capacitance, self.esr = float(p.drop[row]), float(p.capacitance[row]), float(p.esr[row])
        self.conductance, self.reverse = float(p.conductance[row]), float(p.reverse[row])
        self.off, self.starting = float(p.off[row]), float(p.starting[row])
        self.start_voltage, self.delay = float(p.start_voltage[row]), float(p.delay[row])
        self.durations, self.currents = p.durations[row].tolist(), p.currents[row].tolist()
        self.needs = p.needs[row].tolist()

    # ---- equations ----
    def slope(self, v: float) -> float:
        """dV/dq [V/C]."""
        if v <= 0.0:
            return 1.0 / self.capacitance
        s = self.solver
        k = min(bisect_right(s.knots, v), len(s.cubics)) - 1
        x = v - s.knots[k]
        a, b, c, d = s.cubics[k]
        return 1.0 / ((((a * x + b) * x + c) * x + d) * self.capacitance)

    def conducting(self, drawn: float) -> Callable[[float, Any], tuple[float, float]]:
        def rates(t: float, y: Any) -> tuple[float, float]:
            v, j = float(y[0]), float(y[1])
            lost = self.conductance * v + self.reverse if v > 0.0 else 0.0
            e = self.emf * math.sin(self.omega * t) if t < self.width else 0.0
            v_in = v + self.esr * (j - drawn)
            return (
                (j - drawn - lost) * self.slope(v),
                (e - self.drop - v_in - self.resistance * j) / self.inductance,
            )

        return rates

    def blocked(self, drawn: float) -> Callable[[float, Any], tuple[float]]:
        def rates(_: float, y: Any) -> tuple[float]:
            v = float(y[0])
            lost = self.conductance * v + self.reverse if v > 0.0 else 0.0
            return (-(drawn + lost) * self.slope(v),)

        return rates

    def input(self, y: State, drawn: float) -> float:
        return y[0] + self.esr * ((y[1] if len(y) > 1 else 0.0) - drawn)

    # ---- stretches ----
    def conduct(self, t: float, end: float, y: State, drawn: float, watch: str) -> tuple[float, State, str, float]:
        """Go on until ``end``, until the bridge blocks, or (``watch`` start) until V_in reaches V_start.

        Returns time, state, what ended it, and with ``watch`` top the highest V_in. The source's end, at which its
        slope jumps, is an end of its own.
        """
        rates = self.conducting(drawn)

        def runs_out(_: float, y: Any) -> float:
            return float(y[1])

        def reaches(_: float, y: Any) -> float:
            return float(y[0]) + self.esr * (float(y[1]) - drawn) - self.start_voltage

        def rises(t: float, y: Any) -> float:
            dv, dj = rates(t, y)
            return dv + self.esr * dj

        _event(runs_out, -1.0, terminal=True)
        _event(reaches, 1.0, terminal=True)
        _event(rises, -1.0, terminal=False)
        events = {"start": [runs_out, reaches], "top": [runs_out, rises], "block": [runs_out]}[watch]
        top = self.input(y, drawn)
        top_at, top_state = t, y
        ended = "end"
        while t < end:
            until = min(end, self.width) if t < self.width else end
            run = self.call(rates, t, until, y, events)
            t, y = float(run.t[-1]), [float(v) for v in run.y[:, -1]]
            if watch == "top":
                for when, state in [*zip(run.t_events[1], run.y_events[1], strict=True), (t, y)]:
                    v_in = self.input([float(v) for v in state], drawn)
                    if v_in > top:
                        top, top_at, top_state = v_in, float(when), [float(v) for v in state]
            if run.t_events[0].size:
                ended = "block"
            elif watch == "start" and run.t_events[1].size:
                ended = "start"
            if ended != "end":
                break
        if watch == "top":
            return top_at, top_state, ended, top
        return t, y[:1] if ended == "block" else y, ended, top

    def call(self, rates: Any, t: float, until: float, y: State, events: Any = None) -> Any:
        s = self.solver
        scale = [1.0, 0.1][: len(y)]  # [V], [A]
        solve: Any = solve_ivp
        run = solve(
            rates, (t, until), y, s.method, rtol=s.tolerance, atol=[s.tolerance * unit for unit in scale], events=events
        )
        if not run.success:
            raise RuntimeError(run.message)
        return run

    def rest(self, t: float, end: float, y: State, drawn: float) -> State:
        """A stretch without current from the source."""
        if not self.solver.stepped:
            return [float(self.call(self.blocked(drawn), t, end, y).y[0, -1])]
        rate, h, v = self.blocked(drawn), end - t, y[0]  # one classical Runge-Kutta step: the rate hardly changes
        k1 = rate(t, (v,))[0]
        k2 = rate(t, (v + 0.5 * h * k1,))[0]
        k3 = rate(t, (v + 0.5 * h * k2,))[0]
        k4 = rate(t, (v + h * k3,))[0]
        return [v + h * (k1 + 2.0 * (k2 + k3) + k4) / 6.0]

    def stretch(self, t: float, end: float, y: State, drawn: float) -> State:
        """From ``t`` to ``end`` with one current drawn, the bridge conducting or not."""
        if len(y) > 1:
            t, y, ended, _ = self.conduct(t, end, y, drawn, "block")
            if ended != "block":
                return y
        return self.rest(t, end, y, drawn) if t < end else y

    def run(self, full: bool) -> tuple[float, float, float]:
        # an empty store, blocked until the emf overcomes the bridge
        t = math.asin(self.drop / self.emf) / self.omega
        y = [-self.off * t / self.capacitance, 0.0]
        t, y, ended, _ = self.conduct(t, self.width + 1.0, y, self.off, "start")
        first, state = t, y
        start_margin = math.nan
        if ended != "start":  # forced at the highest V_in
            begin = math.asin(self.drop / self.emf) / self.omega
            t, y, _, top = self.conduct(
                begin, self.width + 1.0, [-self.off * begin / self.capacitance, 0.0], self.off, "top"
            )
            start_margin = top - self.start_voltage
        end = t + self.delay
        y = self.stretch(t, end, y, self.starting)
        t = end
        run_margin, reserve, highest = math.inf, math.inf, -math.inf
        for duration, drawn, need in zip(self.durations, self.currents, self.needs, strict=True):
            run_margin = min(run_margin, self.input(y, drawn) - need)
            if duration > 0.0:
                y = self.stretch(t, t + duration, y, drawn)
                t += duration
            margin = self.input(y, drawn) - need
            highest = max(highest, self.input(y, drawn))
            reserve, run_margin = min(reserve, margin), min(run_margin, margin)
        if ended == "start" and (full or highest - self.start_voltage < run_margin):
            _, _, _, top = self.conduct(first, self.width + 1.0, state, self.off, "top")
            start_margin = top - self.start_voltage
        return reserve, start_margin, run_margin


def _event(function: Any, direction: float, *, terminal: bool) -> None:
    function.terminal, function.direction = terminal, direction


def loosest(plain: Plain, exact: Margins, method: str, limit: float) -> tuple[float, dict[str, float]] | None:
    """The loosest tolerance whose largest error of reserve and start margin is within ``limit`` [V]; None if none is.

    The next tighter one has to meet it too, or the first did by luck.
    """
    met = None
    for tolerance in TOLERANCES:
        try:
            errors = Solver(plain, method, tolerance).margins().errors(exact)
        except RuntimeError:
            errors = {"failed": math.inf}
        if not max(errors.values()) <= 1e3 * limit:
            met = None
        elif met is not None:
            return met
        else:
            met = tolerance, errors
    return None

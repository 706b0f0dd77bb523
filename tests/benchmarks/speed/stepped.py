"""The peer in vectorised numpy: blocks of 4,096 actuations in lockstep, nothing in Python per actuation.

Charge over capacitance [V] and coil current [A] are the state, stepped by an explicit Runge-Kutta formula whose steps
are a fixed share of what each actuation has before it. All work is done in arrays that are made once (``out=``); the
sine comes by rotation, the store's voltage from a table. Events are met on the cubic of the step they fall into. What
follows once the bridge blocks is closed-form.

It answers less than the compiled code: reserve, run margin, start margin where it can matter, hold-up, start time;
no peaks, no ledger, no link, no other circuit, and no control of its error: the number of steps is chosen beforehand
to meet the limit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.speed.demo import FloatArray, IntArray, Margins, Plain, capacitor

BLOCK = 4096
POINTS = 2048  # of the store's table
BEYOND = 60  # steps at most after the source has ended


class Formula(NamedTuple):
    """An explicit Runge-Kutta formula: nodes, rows of the matrix, weights."""

    nodes: tuple[float, ...]
    matrix: tuple[tuple[float, ...], ...]
    weights: tuple[float, ...]


FORMULAS = {
    # Bogacki and Shampine 1989; Kutta 1901; Dormand and Prince 1980
    "order 3": Formula((0.0, 0.5, 0.75), ((), (0.5,), (0.0, 0.75)), (2 / 9, 1 / 3, 4 / 9)),
    "order 4": Formula((0.0, 0.5, 0.5, 1.0), ((), (0.5,), (0.0, 0.5), (0.0, 0.0, 1.0)), (1 / 6, 1 / 3, 1 / 3, 1 / 6)),
    "order 5": Formula(
        (0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0),
        (
            (),
            (1 / 5,),
            (3 / 40, 9 / 40),
            (44 / 45, -56 / 15, 32 / 9),
            (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
            (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
        ),
        (35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84),
    ),
}


class Plan(NamedTuple):
    """Which formula, and its number of steps: from the first current to the source's end, in the start delay, and from
    the first step of the load to the source's end.
    """

    formula: str
    off: int
    starting: int
    loaded: int


class Answer(NamedTuple):
    """What comes of a block, (n,) each."""

    reserve: FloatArray
    start_margin: FloatArray
    run_margin: FloatArray
    hold_up: FloatArray
    start_time: FloatArray


class Stepped:
    """Arrays for blocks of one size, and the way through an actuation."""

    def __init__(self, bias: tuple[tuple[float, float], ...], plan: Plan, size: int = BLOCK) -> None:
        self.plan, self.formula = plan, FORMULAS[plan.formula]
        self.table, self.rise, step = capacitor(bias, POINTS)
        self.per_volt = 1.0 / step
        self.top = float(self.table[-1])
        grid = np.linspace(0.0, self.top, POINTS)  # charge at a voltage, for the hold-up
        self.charges = np.interp(grid, self.table, np.arange(POINTS) * step)
        self.k = np.empty((len(self.formula.nodes), 2, size))
        self.turn = {c: np.empty((2, size)) for c in {*self.formula.nodes, 1.0} if c > 0.0}
        self.place = np.empty(size, dtype=np.intp)
        single = "a b v e sin cos cs cl rl gs i0 d angle h t step_at share level bound begin blocked_at".split()
        self.one = {name: np.empty(size) for name in single}
        double = "y z work was was_rate y0 k0 y1 k1 start".split()
        self.two = {name: np.empty((2, size)) for name in double}
        self.hit, self.found = np.empty(size, dtype=bool), np.empty(size, dtype=bool)
        self.ends = np.empty((6, size))

    # ---- the store ----
    def voltage(self, s: FloatArray, out: FloatArray) -> FloatArray:
        """Voltage at q/C ``s``."""
        n = len(s)
        x, place, rise = self.one["a"][:n], self.place[:n], self.one["b"][:n]
        np.multiply(s, self.per_volt, out=x)
        np.copyto(place, x, casting="unsafe")
        np.subtract(x, place, out=x)
        np.take(self.rise, place, out=rise, mode="clip")
        np.take(self.table, place, out=out, mode="clip")
        np.multiply(rise, x, out=rise)
        np.add(out, rise, out=out)
        return out

    def slope_at(self, s: FloatArray) -> FloatArray:
        """dV/d(q/C); for the few rows whose highest V_in is asked for."""
        return self.rise[np.clip((s * self.per_volt).astype(np.intp), 0, POINTS - 1)] * self.per_volt

    def charge_at(self, v: FloatArray) -> FloatArray:
        """q/C at a voltage."""
        x = v * ((POINTS - 1) / self.top)
        place = np.minimum(x.astype(np.intp), POINTS - 2)
        below = np.take(self.charges, place)
        return below + (x - place) * (np.take(self.charges, place + 1) - below)

    # ---- one step ----
    def set_circuit(self, p: Plain, h: FloatArray, drawn: FloatArray) -> None:
        """Coefficients times the step ``h`` for a stretch with ``drawn`` [A]."""
        n = len(p)
        cs, cl, rl, gs, i0, d = (self.one[name][:n] for name in ("cs", "cl", "rl", "gs", "i0", "d"))
        np.divide(h, p.capacitance, out=cs)
        np.divide(h, p.inductance, out=cl)
        np.add(p.resistance, p.esr, out=rl)
        np.multiply(rl, cl, out=rl)
        np.multiply(p.conductance, cs, out=gs)
        np.add(drawn, p.reverse, out=i0)
        np.multiply(i0, cs, out=i0)
        np.multiply(p.esr, drawn, out=d)
        np.subtract(p.drop, d, out=d)
        np.multiply(d, cl, out=d)

    def set_sine(self, p: Plain, t: FloatArray, h: FloatArray) -> None:
        """The emf over L times the step at ``t``, and the turns to the nodes of a step."""
        n = len(p)
        angle, scale, sin, cos = (self.one[name][:n] for name in ("angle", "e", "sin", "cos"))
        np.multiply(p.emf, self.one["cl"][:n], out=scale)
        np.divide(np.pi, p.width, out=angle)
        np.multiply(angle, t, out=cos)
        np.sin(cos, out=sin)
        np.cos(cos, out=cos)
        np.multiply(sin, scale, out=sin)
        np.multiply(cos, scale, out=cos)
        np.multiply(angle, h, out=angle)
        for c, turn in self.turn.items():
            np.multiply(angle, c, out=scale)
            np.cos(scale, out=turn[0, :n])
            np.sin(scale, out=turn[1, :n])

    def turn_to(self, c: float, out: FloatArray) -> None:
        """The emf at node ``c``."""
        n = len(out)
        work = self.one["a"][:n]
        np.multiply(self.one["sin"][:n], self.turn[c][0, :n], out=out)
        np.multiply(self.one["cos"][:n], self.turn[c][1, :n], out=work)
        np.add(out, work, out=out)

    def turn_on(self, n: int) -> None:
        """Move the emf to the end of the step."""
        sin, cos, work, e = (self.one[name][:n] for name in ("sin", "cos", "a", "e"))
        c, s = self.turn[1.0][0, :n], self.turn[1.0][1, :n]
        np.multiply(sin, s, out=e)
        np.multiply(sin, c, out=sin)
        np.multiply(cos, s, out=work)
        np.add(sin, work, out=sin)
        np.multiply(cos, c, out=cos)
        np.subtract(cos, e, out=cos)

    def rates(self, y: FloatArray, c: float, driven: bool, out: FloatArray) -> None:
        """Rates times the step at node ``c``; the store's voltage is left in ``v``."""
        n = y.shape[1]
        one = self.one
        v, work = one["v"][:n], one["b"][:n]
        self.voltage(y[0], v)
        if not driven:
            out[1] = 0.0
        elif c == 0.0:
            np.copyto(out[1], one["sin"][:n])
        else:
            self.turn_to(c, out[1])
        np.multiply(one["rl"][:n], y[1], out=work)
        np.subtract(out[1], work, out=out[1])
        np.multiply(one["cl"][:n], v, out=work)
        np.subtract(out[1], work, out=out[1])
        np.subtract(out[1], one["d"][:n], out=out[1])
        np.multiply(one["cs"][:n], y[1], out=out[0])
        np.subtract(out[0], one["i0"][:n], out=out[0])
        np.multiply(one["gs"][:n], v, out=work)
        np.subtract(out[0], work, out=out[0])

    def finish_step(self, y: FloatArray, driven: bool) -> None:
        """The rest of a step whose first stage stands in ``k[0]``."""
        n = y.shape[1]
        z, work, k = self.two["z"][:, :n], self.two["work"][:, :n], self.k[:, :, :n]
        nodes, matrix, weights = self.formula
        for stage in range(1, len(nodes)):
            base = y
            for j, a in enumerate(matrix[stage]):
                if a != 0.0:
                    part = k[j] if a == 1.0 else np.multiply(k[j], a, out=work)
                    base = np.add(base, part, out=z)
            self.rates(z, nodes[stage], driven, k[stage])
        for j, weight in enumerate(weights):
            if weight != 0.0:
                np.multiply(k[j], weight, out=work)
                np.add(y, work, out=y)
        if driven:
            self.turn_on(n)

    # ---- a stretch with current ----
    def conduct(self, p: Plain, t: FloatArray, h: FloatArray, y: FloatArray, drawn: FloatArray, watch: str,
                driven: int, most: int) -> NDArray[np.bool_]:  # fmt: skip
        """Step ``y`` (2, n) on from ``t``, ``driven`` steps with the source, until every row has met what is watched
        or ``most`` steps are done.

        ``watch`` is "rise" (V_in reaches V_start), "block" (the current runs out) or "top" (V_in turns). Returns
        which rows met it; `state_at` tells where.
        """
        n = len(p)
        self.set_circuit(p, h, drawn)
        self.set_sine(p, t, h)
        hit, found, k0 = self.hit[:n], self.found[:n], self.k[0, :, :n]
        was, was_rate = self.two["was"][:, :n], self.two["was_rate"][:, :n]
        bound, level = self.one["bound"][:n], self.one["level"][:n]
        np.multiply(p.esr, drawn, out=bound)
        np.add(bound, p.start_voltage, out=bound)
        found[:] = False
        for step in range(most + 1):
            self.rates(y, 0.0, step < driven, k0)
            if step > 0:
                if watch == "rise":
                    np.multiply(p.esr, y[1], out=level)
                    np.add(level, self.one["v"][:n], out=level)
                    np.greater_equal(level, bound, out=hit)
                elif watch == "block":
                    np.less_equal(y[1], 0.0, out=hit)
                else:
                    np.less_equal(self.slope_at(y[0]) * k0[0] + p.esr * k0[1], 0.0, out=hit)
                np.greater(hit, found, out=hit)
                if hit.any():
                    pairs = (("y0", was), ("k0", was_rate), ("y1", y), ("k1", k0))
                    for name, value in pairs:
                        np.copyto(self.two[name][:, :n], value, where=hit)
                    np.copyto(self.one["step_at"][:n], step - 1.0, where=hit)
                    np.logical_or(found, hit, out=found)
                    if found.all():
                        break
            if step == most:
                break
            np.copyto(was, y)
            np.copyto(was_rate, k0)
            self.finish_step(y, step < driven)
        return found

    def state_at(self, p: Plain, drawn: FloatArray, watch: str, some: slice | IntArray) -> tuple[FloatArray, ...]:
        """Share of steps from the beginning at which ``some`` rows met what was watched, and the state there (2, m)."""
        y0, k0, y1, k1 = (self.two[name][:, some] for name in ("y0", "k0", "y1", "k1"))
        rise = y1 - y0
        c2, c3 = 3.0 * rise - 2.0 * k0 - k1, k0 + k1 - 2.0 * rise
        x = np.full(rise.shape[1], 0.5)
        for _ in range(5):  # Newton's method
            s, j = y0 + x * (k0 + x * (c2 + x * c3))
            ds, dj = k0 + x * (2.0 * c2 + 3.0 * x * c3)
            if watch == "block":
                excess, slope = j, dj
            elif watch == "rise":
                excess = self.voltage(s, np.empty_like(s)) + p.esr * (j - drawn) - p.start_voltage
                slope = self.slope_at(s) * ds + p.esr * dj
            else:
                bend, other = 2.0 * c2 + 6.0 * x * c3
                excess = self.slope_at(s) * ds + p.esr * dj
                slope = self.slope_at(s) * bend + p.esr * other
            with np.errstate(divide="ignore", invalid="ignore"):
                change = np.nan_to_num(excess / slope)
            x = np.clip(x - change, 0.0, 1.0)
            if np.max(np.abs(change), initial=0.0) < 1e-6:
                break
        return x + self.one["step_at"][some], y0 + x * (k0 + x * (c2 + x * c3))

    # ---- an actuation ----
    def block(self, p: Plain, *, full: bool = False) -> Answer:
        """One block."""
        n, steps = len(p), self.plan
        y, start, h, begin = self.two["y"][:, :n], self.two["start"][:, :n], self.one["h"][:n], self.one["begin"][:n]
        # an empty store, blocked until the emf overcomes the bridge
        np.divide(p.drop, p.emf, out=begin)
        np.arcsin(begin, out=begin)
        np.multiply(begin, p.width, out=begin)
        np.multiply(begin, 1.0 / np.pi, out=begin)
        np.multiply(begin, p.off, out=y[0])
        np.divide(y[0], p.capacitance, out=y[0])
        np.negative(y[0], out=y[0])
        y[1] = 0.0
        np.subtract(p.width, begin, out=h)
        np.multiply(h, 1.0 / steps.off, out=h)
        found = self.conduct(p, begin, h, y, p.off, "rise", steps.off, steps.off)
        started = found.copy()
        shares, at_start = self.state_at(p, p.off, "rise", slice(0, n))
        np.copyto(start, at_start)
        t = begin + shares * h
        start_margin = np.full(n, np.nan)
        never = np.flatnonzero(~started)
        if never.size:  # forced at the highest V_in
            empty = np.stack([-p.off[never] * begin[never] / p.capacitance[never], np.zeros(never.size)])
            t[never], start[:, never], start_margin[never] = self.unloaded(p.rows(never), begin[never], empty)
        np.copyto(self.one["t"][:n], t)
        np.copyto(y, start)
        answer = self.loaded(p, t, y)
        matters = np.flatnonzero(started & (full | (answer.highest - p.start_voltage < answer.run)))
        if matters.size:
            some = p.rows(matters)
            _, _, start_margin[matters] = self.unloaded(some, t[matters], start[:, matters])
        return Answer(answer.reserve, start_margin, answer.run, answer.hold_up, np.where(started, t, np.nan))

    def unloaded(self, p: Plain, t: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Time, state and start margin at the highest V_in with the regulator off; for some rows."""
        h = (p.width - t) / self.plan.loaded
        y = np.ascontiguousarray(y)
        found = self.conduct(p, t, h, y.copy(), p.off, "top", self.plan.loaded, self.plan.loaded + BEYOND)
        if not found.all():
            raise RuntimeError("V_in rises without end")
        shares, state = self.state_at(p, p.off, "top", slice(0, len(p)))
        v_in = self.voltage(state[0], np.empty(len(p))) + p.esr * (state[1] - p.off)
        return t + shares * h, state, v_in - p.start_voltage

    def loaded(self, p: Plain, t: FloatArray, y: FloatArray) -> _Loaded:
        """From the regulator's start to the end of the sequence."""
        n, steps = len(p), self.plan
        h = self.one["h"][:n]
        np.multiply(p.delay, 1.0 / steps.starting, out=h)
        ran_out = self.conduct(p, t, h, y, p.starting, "block", steps.starting, steps.starting)
        blocked_at = self.one["blocked_at"][:n]
        blocked_at[:] = np.inf
        early = np.flatnonzero(ran_out)
        if early.size:  # the current ran out within the start delay
            shares, state = self.state_at(p.rows(early), p.starting[early], "block", early)
            some = p.rows(early)
            blocked_at[early] = t[early] + shares * h[early]
            rest = t[early] + p.delay[early] - blocked_at[early]
            y[0, early] = self.after(some, state[0], some.starting, rest)
            y[1, early] = 0.0
        began = t + p.delay
        boot = p.currents[:, 0]
        v = self.voltage(y[0], self.one["v"][:n])
        run = v + p.esr * (y[1] - boot) - p.needs[:, 0]
        self.boot(p, began, y, blocked_at)
        if early.size:
            blocked_at[early] = began[early]
        rest = began + p.durations[:, 0] - blocked_at
        if rest.min() < 0.0:
            raise RuntimeError("the first step ends while the bridge conducts, which this peer does not know")
        return self.sequence(p, y[0], rest, run, began)

    def boot(self, p: Plain, began: FloatArray, y: FloatArray, blocked_at: FloatArray) -> None:
        """The part of the first step in which the bridge conducts; ``y`` is left where it blocks."""
        n, steps = len(p), self.plan
        h = self.one["h"][:n]
        kept = y[0].copy()
        np.subtract(p.width, began, out=h)
        np.maximum(h, 0.1 * p.inductance / p.resistance, out=h)
        np.multiply(h, 1.0 / steps.loaded, out=h)
        found = self.conduct(p, began, h, y, p.currents[:, 0], "block", steps.loaded, steps.loaded + BEYOND)
        if not found.all():
            raise RuntimeError("the coil current does not run out")
        shares, state = self.state_at(p, p.currents[:, 0], "block", slice(0, n))
        conducting = np.isinf(blocked_at)
        np.copyto(y[0], kept)
        np.copyto(y[0], state[0], where=conducting)
        np.copyto(blocked_at, began + shares * h, where=conducting)

    def after(self, p: Plain, s: FloatArray, drawn: FloatArray, time: FloatArray) -> FloatArray:
        """q/C after ``time`` without source current, the leakage held."""
        v = self.voltage(s, np.empty_like(s))
        return s - (drawn + p.reverse + p.conductance * v) * time / p.capacitance

    def sequence(self, p: Plain, s: FloatArray, rest: FloatArray, run: FloatArray, began: FloatArray) -> _Loaded:
        """The load sequence from where the bridge blocks."""
        n = len(p)
        ends, v, lost, work = self.ends[:, :n], self.one["v"][:n], self.one["e"][:n], self.one["d"][:n]
        reserve, level = np.full(n, np.inf), self.one["level"][:n]
        self.voltage(s, v)
        highest = v - p.esr * p.currents[:, 0]
        time = rest
        for k in range(len(ends)):
            drawn = p.currents[:, k]
            np.multiply(p.conductance, v, out=lost)
            np.add(lost, p.reverse, out=lost)
            np.add(lost, drawn, out=lost)
            np.multiply(lost, time, out=lost)
            np.divide(lost, p.capacitance, out=lost)
            np.subtract(s, lost, out=ends[k])
            s = ends[k]
            self.voltage(s, v)
            np.multiply(p.esr, drawn, out=work)
            np.subtract(v, work, out=level)
            np.subtract(level, p.needs[:, k], out=level)
            np.minimum(reserve, level, out=reserve)
            time = p.durations[:, k + 1] if k + 1 < len(ends) else time
        np.minimum(run, reserve, out=run)
        held = _time_left(p, s, self.charge_at(p.needs[:, -1] + p.esr * p.currents[:, -1]), p.currents[:, -1], v)
        failed = np.flatnonzero(run < 0.0)
        if failed.size:
            held[failed] = self.failing(p.rows(failed), ends[:, failed], rest[failed])
        return _Loaded(reserve, run, highest, held)

    def failing(self, p: Plain, ends: FloatArray, rest: FloatArray) -> FloatArray:
        """Time from the end of the sequence back to the brown-out, of the few rows that fail."""
        times = p.durations.copy()
        times[:, 0] = rest
        held = np.full(len(p), np.nan)
        left = times[:, ::-1].cumsum(axis=1)[:, ::-1]  # from the beginning of a step to the end of the sequence
        for k in reversed(range(len(ends))):
            bound = self.charge_at(p.needs[:, k] + p.esr * p.currents[:, k])
            fails = ends[k] < bound
            before = _time_left(p, ends[k], bound, p.currents[:, k], p.needs[:, k])  # negative: so long ago
            after = left[:, k + 1] if k + 1 < len(ends) else 0.0
            held = np.where(fails, np.maximum(before, -times[:, k]) - after, held)
        return held


def _time_left(p: Plain, s: FloatArray, bound: FloatArray, drawn: FloatArray, v: FloatArray) -> FloatArray:
    """Time until q/C has fallen to ``bound``, the leakage that at ``v`` [V]."""
    return (s - bound) * p.capacitance / (drawn + p.reverse + p.conductance * v)


class _Loaded(NamedTuple):
    reserve: FloatArray
    run: FloatArray
    highest: FloatArray  # V_in where the bridge blocks: a lower bound of the highest under load
    hold_up: FloatArray


def margins(plain: Plain, plan: Plan, *, full: bool = True) -> Margins:
    """All actuations of ``plain``, block by block."""
    stepped = Stepped(plain.bias, plan, min(BLOCK, len(plain)))
    parts = [stepped.block(plain.rows(slice(k, k + BLOCK)), full=full) for k in range(0, len(plain), BLOCK)]
    return Margins(
        np.concatenate([part.reserve for part in parts]),
        np.concatenate([part.start_margin for part in parts]),
        np.concatenate([part.run_margin for part in parts]),
    )

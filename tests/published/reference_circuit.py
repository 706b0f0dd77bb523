"""The equations of a reference node between two changes of its equations: Kirchhoff's laws, voltage as state.

Part of the independent integration of `reference_node`; nothing of the project is imported.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from reference_parts import LoadStep, Points, ReferenceNode, Store, factor
from scipy.special import wrightomega

ABOVE, BELOW, ZERO, CLAMPED = "above zero", "below zero", "held at zero", "clamped"
LEAST_RESISTANCE = 1e-3  # [ohm] between a piezoelectric element and the store, lest the current be undefined
Source = Callable[[float], float]


@dataclass(frozen=True)
class Draw:
    """What the regulator takes from the store.

    ``fixed`` [A] times a factor that is ``curve`` against V_in; beside it a power [W] over V_in, a constant
    ``charging`` current [A], or the load of a ``step``.
    """

    fixed: float
    curve: Points = ()
    power: float = 0.0
    charging: float = 0.0
    step: LoadStep | None = None
    node: ReferenceNode | None = None  # whose regulator feeds the step

    @property
    def constant(self) -> bool:
        """Whether nothing in it hangs on V_in."""
        if self.curve or self.power:
            return False
        return self.step is None or (self.node.regulator != "buck" and not self.step.slope)

    @property
    def converts(self) -> bool:
        return self.step is not None and self.node.regulator == "buck" and self.step.load(self.supply) > 0.0

    @property
    def supply(self) -> float:
        """The regulated supply [V]."""
        return math.inf if self.node.regulator == "direct" else self.node.output_voltage

    @property
    def knee(self) -> float:
        """V_in [V] down to which a converter converts."""
        share = factor(self.node.efficiency_curve, self.step.load(self.supply))
        return self.node.output_voltage / (self.node.efficiency * share)

    def own(self, v_in: float) -> float:
        return self.fixed * factor(self.curve, v_in) + self.charging

    def load(self, v_in: float) -> float:
        """Load current [A] of a step behind a series regulator or a plain switch, in dropout or not."""
        step, node = self.step, self.node
        if not step.slope:
            return step.load(0.0)
        lost = 0.0
        if node.regulator != "direct":
            regulated = step.load(self.supply)
            lost = node.pass_resistance * factor(node.dropout_curve, v_in)
            if v_in - lost * regulated >= self.supply:
                return regulated
        current = (step.current + step.slope * (v_in - step.reference)) / (1.0 + step.slope * lost)
        if current > 0.0 and v_in - lost * current >= step.minimum_supply:
            return current
        return step.load(0.0)

    def amperes(self, v_in: float, passing: bool) -> float:
        # the floors are met only by trials of a stepper that overshoot the end of the mode
        own = self.own(v_in)
        if self.power:
            return own + self.power / max(v_in, 1e-4)
        if self.step is None:
            return own
        if self.converts and not passing:
            return own + self.step.load(self.supply) * self.knee / max(v_in, 0.5 * self.knee)
        share = self.node.ground_share if self.node.regulator == "linear" else 0.0
        return own + (1.0 + share) * self.load(v_in)

    def terminal(self, opened: float, resistance: float, passing: bool) -> float:
        """V_in = opened - resistance * amperes(V_in), the upper root."""
        if resistance == 0.0:
            return opened
        if self.constant:
            return opened - resistance * self.amperes(opened, passing)
        power = self.power
        if self.converts and not passing:
            power = self.step.load(self.supply) * self.knee
        v_in = opened
        for _ in range(60):
            # what hangs little on V_in by iteration, the power by its quadratic
            rest = self.own(v_in) if power else self.amperes(v_in, passing)
            u = opened - resistance * rest
            new = 0.5 * (u + math.sqrt(max(u * u - 4.0 * resistance * power, 0.0))) if power else u
            if abs(new - v_in) <= 2.0 * math.ulp(v_in):
                return new
            v_in = new
        return v_in


@dataclass(frozen=True)
class Mode:
    """Which equations hold: sign of the harvester's current (0: blocked), place of the store, converter."""

    sign: int
    place: str
    passing: bool


class Circuit:
    """The equations of one node between two switchings.

    ``source`` is the emf of a coil [V], the rate of a piezoelectric element's open voltage [V/s] or the power of
    a packet [W] against time.  The state is the store's voltage, and behind it the coil current or the voltage of
    the piezoelectric element; while a packet delivers, the square of the store's voltage in its place, whose rate
    is regular at zero.
    """

    def __init__(self, node: ReferenceNode, draw: Draw, source: Source, store: Store) -> None:
        self.node, self.draw, self.store = node, draw, store
        self.source_at = source
        self.delivers = node.packet is not None and source(0.0) > 0.0
        self.esr = node.series_resistance
        slope = 0.0 if node.junction_law else node.junctions * node.junction_slope
        self.loop = slope + (0.0 if node.piezoelectric else node.coil_resistance)
        if node.piezoelectric:
            self.loop = max(self.loop, LEAST_RESISTANCE - self.esr)
        self.drop = node.drop
        self.conductance = node.conductance
        self.stores = 1
        # [V] by which a piezoelectric element must overcome the rectifier anew: its current may die out at zero
        self.hysteresis = 1e-8
        self.inductive = node.coil_inductance > 0.0 and not node.piezoelectric
        if node.junction_law:
            (i0, v0), (i1, v1) = node.junction_law
            self.per_junction = (v1 - v0) / math.log(i1 / i0)
            self.saturation = i0 * math.exp(-v0 / self.per_junction)
            self.scale = node.junctions * self.per_junction

    # ---- state ----
    def inward(self, y: Sequence[float]) -> list[float]:
        """The state as it is integrated, from voltages and current."""
        return [y[0] * y[0], *y[1:]] if self.delivers else list(y)

    def outward(self, y: Sequence[float]) -> list[float]:
        return [math.sqrt(max(y[0], 0.0)), *y[1:]] if self.delivers else list(y)

    def emf(self, t: float, y: Sequence[float] | None = None) -> float:
        """The open-circuit voltage behind the rectifier."""
        if self.node.piezoelectric:
            return y[self.stores]
        return 0.0 if self.node.packet is not None else self.source_at(t)

    # ---- currents ----
    def operate(self, t: float, y: Sequence[float], mode: Mode) -> tuple[float, float, float]:
        """Magnitude of the harvester's current, V_in, and the regulator's current."""
        v = self.outward(y)[0]
        if self.node.junction_law:
            return self._operate_by_law(t, y, mode)
        opened, resistance = self.source(t, y, mode)
        v_in = self.draw.terminal(opened, resistance, mode.passing)
        drawn = self.draw.amperes(v_in, mode.passing)
        if self.delivers:
            magnitude = self.source_at(t) / max(v, 1e-9)
        elif not mode.sign:
            magnitude = 0.0
        elif self.inductive:
            magnitude = y[self.stores]
        else:
            behind, esr = self.behind(y)
            magnitude = (mode.sign * self.emf(t, y) - self.drop - behind + esr * drawn) / (self.loop + esr)
        return magnitude, v_in, drawn

    def _operate_by_law(self, t: float, y: Sequence[float], mode: Mode) -> tuple[float, float, float]:
        drawn = self.draw.amperes(0.0, mode.passing)
        magnitude = 0.0
        if mode.sign and self.inductive:
            magnitude = y[1]
        elif mode.sign:
            # whole*j + scale*ln(1 + j/Is) = push, by Wright's omega (Corless and Jeffrey 2002)
            push, whole = mode.sign * self.emf(t, y) - y[0] + self.esr * drawn, self.loop + self.esr
            share = whole * self.saturation / self.scale
            place = math.log(share) + push / self.scale + share
            magnitude = float(wrightomega(place)) * self.scale / whole - self.saturation
        return magnitude, y[0] + self.esr * (magnitude - drawn), drawn

    def behind(self, y: Sequence[float]) -> tuple[float, float]:
        """The store without harvester and regulator: open voltage and resistance."""
        return self.outward(y)[0], self.esr

    def source(self, t: float, y: Sequence[float], mode: Mode) -> tuple[float, float]:
        """The terminal without the regulator: open voltage and resistance."""
        v, esr = self.behind(y)
        if not mode.sign:
            return v, esr
        if self.inductive:
            return v + esr * y[self.stores], esr
        # algebraic: the harvester is a second source in parallel, e - drop behind its resistance
        pushed = mode.sign * self.emf(t, y) - self.drop
        whole = self.loop + esr
        return (v * self.loop + esr * pushed) / whole, esr * self.loop / whole

    def leakage(self, v: float, place: str) -> float:
        if place in (BELOW, ZERO):
            return 0.0
        return self.node.reverse_leakage + v * self.conductance

    # ---- rates ----
    def rates(self, t: float, y: Sequence[float], mode: Mode) -> list[float]:
        magnitude, v_in, drawn = self.operate(t, y, mode)
        out = self.store_rates(y, mode, magnitude, v_in, drawn, t)
        if len(y) == self.stores:
            return out
        if self.node.piezoelectric:
            v = y[self.stores]
            lost = v / self.node.loss_resistance + (mode.sign or 0) * magnitude
            return [*out, self.source_at(t) - lost / self.node.source_capacitance]
        drop = self.drop
        if self.node.junction_law:
            drop = self.scale * math.log1p(max(magnitude, -0.5 * self.saturation) / self.saturation)
        drive = mode.sign * self.emf(t, y) - self.loop * magnitude - v_in - drop
        return [*out, drive / self.node.coil_inductance]

    def store_rates(
        self, y: Sequence[float], mode: Mode, magnitude: float, v_in: float, drawn: float, t: float
    ) -> list[float]:
        if mode.place not in (ABOVE, BELOW):
            return [0.0]
        v = self.outward(y)[0]
        lost = drawn + self.leakage(v, mode.place)
        if self.delivers:
            return [2.0 * (self.source_at(t) - v * lost) / self.store.capacitance(v)]
        return [(magnitude - lost) / self.store.capacitance(v)]

    # ---- switching ----
    def drive(self, t: float, y: Sequence[float], mode: Mode) -> float:
        """What pushes a current through the blocked rectifier [V]; it conducts above 0."""
        if self.node.packet is not None or not (self.node.strokes or self.node.waveform):
            return -1.0
        e = self.emf(t, y)
        v_in = self.operate(t, y, mode)[1]
        ahead = self.hysteresis if self.node.piezoelectric else 0.0
        return (abs(e) if self.node.bridge else e) - v_in - self.drop - ahead

    def forward(self, t: float, y: Sequence[float]) -> int:
        return 1 if self.emf(t, y) >= 0.0 or not self.node.bridge else -1

    def knee(self, t: float, y: Sequence[float], mode: Mode) -> float:
        """Above 0 the converter converts, below it passes through; monotone in V_in."""
        opened, resistance = self.source(t, y, mode)
        knee = self.draw.knee
        return opened - resistance * (self.draw.own(knee) + self.draw.step.load(self.draw.supply)) - knee

    def collapse(self, t: float, y: Sequence[float], mode: Mode) -> float:
        opened, resistance = self.source(t, y, mode)
        least = max(2.0 * math.sqrt(resistance * self.draw.power), 1e-3)
        return least + resistance * self.draw.own(least) - opened

    def at_rest(self, t: float, y: Sequence[float], sign: int, passing: bool) -> str:
        """The place of the store where a stretch begins."""
        v = self.outward(y)[0]
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
        """The mode where a stretch of smooth source and one draw begins; a coil current goes on."""
        mode = Mode(sign, ABOVE, passing=False)
        if not (self.inductive and sign and y[self.stores] > 0.0):
            mode = self._resistive(t, y)
            if self.inductive and mode.sign:
                y[self.stores :] = [0.0]
        if self.draw.converts:
            mode = replace(mode, passing=self.knee(t, y, mode) <= 0.0)
        return replace(mode, place=self.at_rest(t, y, mode.sign, mode.passing))

    def _resistive(self, t: float, y: list[float]) -> Mode:
        if not self.node.piezoelectric:
            del y[self.stores :]
        blocked = Mode(0, ABOVE, passing=False)
        if self.draw.converts:
            blocked = replace(blocked, passing=self.knee(t, y, blocked) <= 0.0)
        return replace(blocked, sign=self.forward(t, y)) if self.drive(t, y, blocked) > 0.0 else blocked

    def guards(self, mode: Mode) -> dict[str, Callable[[float, Sequence[float]], float]]:
        """Functions that are negative while the mode holds and rise through zero where it ends."""
        guards: dict[str, Callable[[float, Sequence[float]], float]] = {}
        if mode.sign:
            # an element's current at rest is nil but for rounding: it ends only where it turns
            turned = 0.01 * self.hysteresis if self.node.piezoelectric else 0.0
            guards["block"] = lambda t, y: -self.operate(t, y, mode)[0] - turned
        elif self.node.packet is None:
            guards["conduct"] = lambda t, y: self.drive(t, y, mode)
        if mode.place == ABOVE:
            guards["sink"] = lambda t, y: -y[0]
            if math.isfinite(self.node.clamp):
                guards["clamp"] = lambda t, y: self.outward(y)[0] - self.node.clamp
        elif mode.place == BELOW:
            guards["surface"] = lambda t, y: y[0]
        elif mode.place == ZERO:
            guards["rise"] = lambda t, y: self.surplus(t, y, mode) - self.node.reverse_leakage
            guards["fall"] = lambda t, y: -self.surplus(t, y, mode)
        else:
            guards["unclamp"] = lambda t, y: self.leakage(self.node.clamp, CLAMPED) - self.surplus(t, y, mode)
        if self.draw.converts:
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
            if self.inductive:
                y[self.stores :] = [0.0]
            sign = self.forward(t, y)
            if self.node.piezoelectric:  # on the threshold itself: no transient to follow
                y[self.stores] -= sign * self.hysteresis
            return replace(mode, sign=sign)
        if event == "block":
            if not self.node.piezoelectric:
                del y[self.stores :]
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
            y[:1] = self.inward([self.node.clamp])
            return replace(mode, place=CLAMPED)
        return replace(mode, place=BELOW if event == "fall" else ABOVE)


def off_draw(node: ReferenceNode) -> Draw:
    """What the regulator takes while it is off."""
    return Draw(node.off_current, node.off_curve)


def step_draw(node: ReferenceNode, step: LoadStep) -> Draw:
    """What the regulator takes while the radio is in ``step``."""
    return Draw(node.quiescent, node.quiescent_curve, step=step, node=node)


def delay_draw(node: ReferenceNode) -> Draw:
    """What the regulator takes during a start delay: its own current and the output capacitor's."""
    if node.regulator == "buck":
        energy = 0.5 * node.output_capacitance * node.output_voltage**2 / node.efficiency
        return Draw(node.quiescent, node.quiescent_curve, power=energy / node.start_delay)
    charge = node.output_capacitance * charged_to(node)
    return Draw(node.quiescent, node.quiescent_curve, charging=charge / node.start_delay)


def charged_to(node: ReferenceNode) -> float:
    return node.start_voltage if node.regulator == "direct" else node.output_voltage

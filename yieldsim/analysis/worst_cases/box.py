"""The box that a worst case is searched in: every deviation between its extremes, the link forced to one outcome."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.described import LIMIT, POINTS, TAIL
from yieldsim.analysis.drawn import unit_of
from yieldsim.analysis.margins import Margins
from yieldsim.engine.columns import Condition, column_of, unit_columns, width
from yieldsim.engine.response import RECORD_POINTS, Dimension, Response
from yieldsim.engine.strata import Stratum, chances_of, probability
from yieldsim.kernel import layout as at
from yieldsim.kernel import shapes
from yieldsim.kernel.actuation import ledger_size, record_room
from yieldsim.kernel.loop import run
from yieldsim.kernel.shapes import deviations
from yieldsim.population.variables import Shapes, shapes_of

FloatArray = NDArray[np.float64]

CLEAR, BUSIEST = "clear", "busy to the last"
NO_ACCESS = "no channel access"
_LONGEST = 1.0 - 1e-9  # uniform of the longest backoff, of the highest slot


@dataclass(frozen=True)
class Extreme:
    """How far one drawn variable is taken, by itself and before the laws.

    Attributes
    ----------
    name, level : as drawn; ``event`` for the latency of an acknowledgement
    low, high : values [``unit``]
    unit : SI, degC; empty for a number
    kind : ``limit``, or ``0.135 % and 99.865 % points`` where there is none
    """

    name: str
    level: str
    low: float
    high: float
    unit: str
    kind: str


@dataclass(frozen=True)
class LinkCase:
    """What the link is taken to do: ``attempts`` transmissions, all but the last one lost.

    Attributes
    ----------
    attempts : transmissions
    channel : ``clear`` at the first assessment, ``busy to the last`` one allowed, or ``no channel access``; every
        backoff lasts as long as it can
    strata : what this leaves open, to be searched over: message, press, whether the last frame is answered
    """

    attempts: int
    channel: str
    strata: tuple[Stratum, ...]

    def probability(self, response: Response, condition: Condition, like: Stratum) -> float:
        """Return the probability of so many attempts on such a channel, answered or not, with the press and message of
        one of the strata: for the nominal unit, and whatever the lengths of the backoffs.
        """
        base = response.nominal_base(condition)[None]
        chances = chances_of(response, base, np.zeros_like(base))
        same = [s for s in self.strata if (s.partial, s.message) == (like.partial, like.message)]
        return float(sum(probability(stratum, chances)[0] for stratum in same))


def link_cases(response: Response) -> tuple[LinkCase, ...]:
    """Return the cases of the link of a design, fewest attempts first."""
    base = response.nominal_base(Condition(25.0, 0.0))[None]
    chances = chances_of(response, base, np.zeros_like(base))
    attempts = response.kernel.attempts
    partial = response.design.harvester is not None and response.design.harvester.partial is not None
    channels = {CLEAR: 1, BUSIEST: chances.assessments} if response.kernel.use_backoff else {NO_ACCESS: 1}
    cases = []
    for used in range(1, attempts + 1):
        for channel, n in channels.items():
            strata = [
                Stratum(tries, acknowledged, press, message)
                for press in ((False, True) if partial else (False,))
                for message, listens in enumerate(chances.listens)
                for tries, acknowledged in _endings(n, used, attempts, listens)
            ]
            if strata:
                cases.append(LinkCase(used, channel, tuple(strata)))
    return tuple(cases)


def _endings(n: int, used: int, attempts: int, listens: bool) -> list[tuple[tuple[int, ...], bool]]:
    """Attempts of one message: all but the last lost, the last answered; or lost as well where there is no other."""
    if not listens:  # every attempt is a repetition
        return [((n,) * attempts, True)] if used == attempts else []
    lost = (n + at.PLAN_LOST,) * (used - 1)
    found = [((*lost, n), True)]
    return [*found, ((*lost, n + at.PLAN_LOST), False)] if used == attempts else found


class WorstCaseBox:
    """A design's deviations as points of the unit box, 0 for each lower and 1 for each upper extreme.

    Levels are axes of their own, so that their limits add up; what lot and unit may be together (``within_total``)
    stops the unit's. Rank correlations are not looked at: every variable may stand at its extreme.

    Parameters
    ----------
    response : Response
    used : attempts whose draws are axes
    """

    def __init__(self, response: Response, used: int) -> None:
        self.response = response
        population = response.population
        kernel = response.kernel
        unit_ends = _ends(shapes_of(population.unit_variables))
        drawn = population.actuation_variables
        drawn_ends = _ends(drawn.shapes)
        self.axes: list[Dimension] = []
        ends: list[tuple[float, float]] = []
        for axis in response.dimensions:
            if axis.attempt >= used or (axis.level == "event" and not _latency(axis, used)):
                continue
            if axis.level == "event":
                low, high = 0.0, 1.0
            else:
                low, high = (unit_ends if axis.attempt < 0 else drawn_ends)[axis.place]
            if high > low:
                self.axes.append(axis)
                ends.append((low, high))
        self.low, self.high = np.array(ends, dtype=np.float64).reshape(-1, 2).T
        self._unit_fixed = np.array([low for low, _ in unit_ends])
        self._unit = np.array([k for k, a in enumerate(self.axes) if a.attempt < 0], dtype=np.intp)
        self._unit_places = np.array([self.axes[k].place for k in self._unit], dtype=np.intp)
        self._drawn = [(k, a.attempt, a.place) for k, a in enumerate(self.axes) if a.attempt >= 0]
        # the same physics with every actuation-level law replaced by a straight line between its extremes
        params = np.zeros((len(drawn.names), shapes.SHAPE_PARAMETERS))
        if len(drawn.names):
            params[:, [shapes.LOW, shapes.HIGH]] = drawn_ends
        self._kernel = kernel._replace(
            variable_shape=np.full(len(drawn.names), shapes.UNIFORM, dtype=np.int64),
            variable_params=params,
            variable_factor=np.zeros((0, 0)),
        )
        self._slots = np.full((kernel.attempts, len(response.slots)), 0.5)
        for slot, name in enumerate(response.slots):
            if name.startswith("link.backoff.slot"):
                self._slots[:, slot] = _LONGEST
        for slot, (low, high) in enumerate(drawn_ends):
            self._slots[:, slot] = _share(0.0, low, high)

    @property
    def middle(self) -> FloatArray:
        """The nominal point (d,): no deviation, the acknowledgement in the middle of its spread."""
        return np.array(
            [
                0.5 if axis.level == "event" else _share(0.0, low, high)
                for axis, low, high in zip(self.axes, self.low, self.high, strict=True)
            ]
        )

    def base(self, points: FloatArray, condition: Condition) -> tuple[FloatArray, FloatArray]:
        """Return base and scale (n, K) of units at points (n, d)."""
        n, population = len(points), self.response.population
        found = np.tile(self._unit_fixed, (n, 1))
        if self._unit.size:
            low, high = self.low[self._unit], self.high[self._unit]
            found[:, self._unit_places] = low + points[:, self._unit] * (high - low)
        lots = {v.name: k for k, v in enumerate(population.unit_variables) if v.level == "lot"}
        for k, variable in enumerate(population.unit_variables):
            if variable.total is not None:
                lot = lots.get(variable.name)
                taken = variable.lot_scale * found[:, lot] if lot is not None else 0.0
                found[:, k] = np.clip(found[:, k], variable.total[0] - taken, variable.total[1] - taken)
        return unit_columns(self.response.design, condition, population, found)

    def uniforms(self, points: FloatArray) -> FloatArray:
        """Return what is drawn for each attempt (n, A, slots), every backoff at its longest."""
        u = np.tile(self._slots, (len(points), 1, 1))
        for k, attempt, place in self._drawn:
            u[:, attempt, place] = points[:, k]
        return u

    def values(self, points: FloatArray, condition: Condition, stratum: Stratum) -> FloatArray:
        """Return the kernel's values (n, VALUES + 1), the regulated voltage [V] behind them, at points (n, d)."""
        base, scale = self.base(points, condition)
        return self.values_of(base, scale, self.uniforms(points), stratum)

    def values_of(self, base: FloatArray, scale: FloatArray, u: FloatArray, stratum: Stratum) -> FloatArray:
        """Return the same of base and scale (n, K) and uniforms (n, A, slots)."""
        rows = np.zeros((len(base), 3), dtype=np.int64)
        rows[:, at.ROW_UNIT] = np.arange(len(base))
        plans = np.broadcast_to(stratum.plan(self.response.kernel.attempts), (len(base), u.shape[1] + at.PLAN_MORE))
        accuracy = self.response.settings.accuracy
        values = run(self._kernel, base, scale, rows, points=u, plans=plans, full=True, accuracy=accuracy)[0]
        return np.column_stack([values, self._regulated(base, scale, u)])

    def _regulated(self, base: FloatArray, scale: FloatArray, u: FloatArray) -> FloatArray:
        output = base[:, at.OUTPUT].copy()
        drawn = self.response.population.actuation_variables
        if "regulator.output" in drawn.names:
            k = drawn.names.index("regulator.output")
            low, high = self._kernel.variable_params[k, [shapes.LOW, shapes.HIGH]]
            output += scale[:, at.OUTPUT] * (low + u[:, 0, k] * (high - low))
        return output

    def opened(self, point: FloatArray, condition: Condition, stratum: Stratum) -> tuple[Margins, FloatArray]:
        """Open one point (d,): what its reserve is converted by, and its values."""
        base, scale = self.base(point[None], condition)
        record = record_room(RECORD_POINTS)
        x = np.zeros(base.shape[1])
        steps = len(self.response.design.radio.sequence)
        values, codes = run(
            self._kernel, base, scale, np.zeros((1, 3), dtype=np.int64), points=self.uniforms(point[None]),
            plans=stratum.plan(self.response.kernel.attempts)[None], full=True,
            accuracy=self.response.settings.accuracy, record=record, ledger=np.zeros(ledger_size(steps)), x=x,
        )  # fmt: skip
        curve = record[1 : int(record[0, 0]) + 1]
        return Margins(self.response.design, x, curve, int(codes[0, at.MESSAGE])), values[0]


def extremes_of(response: Response) -> tuple[Extreme, ...]:
    """Return how far each drawn variable is taken, for print."""
    parameters = response.design.parameters
    box = WorstCaseBox(response, 1)
    found = []
    for axis, low, high in zip(box.axes, box.low, box.high, strict=True):
        if axis.level == "event":
            spread = parameters[f"{axis.name.removesuffix('.latency')}.spread"].nominal
            found.append(Extreme(axis.name, axis.level, 0.0, spread, "s", LIMIT))
            continue
        parameter = parameters[axis.name]
        tolerance = parameter.tolerance_at(axis.level)
        scale = parameter.nominal if tolerance is None or tolerance.relative else 1.0
        ends = sorted((parameter.nominal + scale * low, parameter.nominal + scale * high))
        unbounded = tolerance is not None and tolerance.shape in ("normal", "lognormal")
        unit = unit_of(parameter)
        found.append(Extreme(axis.name, axis.level, ends[0], ends[1], unit, POINTS if unbounded else LIMIT))
    return tuple(found)


def law_groups(response: Response) -> dict[str, tuple[int, ...]]:
    """Return parameter -> the columns of a value vector that follow its laws: its own, and what is made of it.

    The capacitors of a bank are one, since the columns of the whole store are made of all of them.
    """
    design = response.design
    groups: dict[str, tuple[int, ...]] = {}
    bank: list[int] = []
    first = width(design) - at.PER_PART * len(design.storage.capacitors)
    for name, column in column_of(design).items():
        if column >= first:
            bank.append(column)
        elif design.regulator.output is None and column == at.START_VOLTAGE:
            groups[name] = (column, at.OUTPUT)
        else:
            groups[name] = (column,)
    if bank:
        groups["storage.capacitor"] = (*bank, at.CAPACITANCE, at.ESR, at.INSULATION)
    return groups


def _latency(axis: Dimension, used: int) -> bool:
    return axis.name.endswith(".latency") and axis.attempt == used - 1


def _share(value: float, low: float, high: float) -> float:
    return min(max((value - low) / (high - low), 0.0), 1.0) if high > low else 0.0


def _ends(found: Shapes) -> list[tuple[float, float]]:
    """Extremes of deviations: limits where the shape has them, else the 0.135 % and 99.865 % points."""
    ends = []
    for code, params in zip(found.codes, found.params, strict=True):
        if code in (shapes.NORMAL, shapes.LOGNORMAL):
            pair = deviations(int(code), params, found.table, np.array([TAIL, 1.0 - TAIL]))
        elif code == shapes.MEASURED:
            first, count = int(params[shapes.LOW]), int(params[shapes.HIGH])
            pair = found.table[[first, first + count - 1]] + params[shapes.OFFSET]
        else:
            pair = params[[shapes.LOW, shapes.HIGH]] + params[shapes.OFFSET]
        ends.append((float(pair[0]), float(pair[1])))
    return ends

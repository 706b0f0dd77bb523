"""Where actuations are ranked: in one condition, or over the mission, whose temperature and age are drawn as well."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import MissionAxes, mission_axes
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import Mapper
from yieldsim.engine.response import Response
from yieldsim.words.errors import Problem, WorkError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MISSION = "mission"  # level of what a mission draws
TEMPERATURE, AGE = "ambient temperature", "age in service"
_ROWS = 256  # at a time


@dataclass(frozen=True)
class Scene:
    """A response at one condition, or over the mission.

    Over the mission the unit cube has an axis more for the temperature and one for the age, where there is more than
    one: each is drawn with its share of the actuations and of the years, as the average over a life has them.

    Attributes
    ----------
    response : what is run
    condition : where; None for over the mission
    over : where blocks are run
    """

    response: Response
    condition: Condition | None
    over: Mapper

    @cached_property
    def axes(self) -> MissionAxes:
        """How the mission divides."""
        return mission_axes(self.response.design)

    @cached_property
    def more(self) -> tuple[str, ...]:
        """Names of the axes behind those of the response."""
        if self.condition is not None:
            return ()
        sizes = ((TEMPERATURE, len(self.axes.temperatures)), (AGE, len(self.axes.ages)))
        return tuple(name for name, size in sizes if size > 1)

    @property
    def dimension(self) -> int:
        """Axes in all."""
        return len(self.response.dimensions) + len(self.more)

    def run(self, points: FloatArray) -> tuple[FloatArray, IntArray]:
        """Run one actuation a point (n, `dimension`) of the unit cube: values (n, VALUES), codes (n, CODES)."""
        own = np.ascontiguousarray(points[:, : len(self.response.dimensions)])
        tasks: list[tuple[Condition, IntArray]] = []
        for condition, rows in self._cells(points):
            tasks += [(condition, rows[k : k + _ROWS]) for k in range(0, len(rows), _ROWS)]

        def work(task: tuple[Condition, IntArray]) -> tuple[FloatArray, IntArray]:
            return self.response.respond(own[task[1]], task[0])

        answers = list(self.over.map(work, tasks))
        order = np.argsort(np.concatenate([rows for _, rows in tasks]))
        values, codes = (np.concatenate(parts)[order] for parts in zip(*answers, strict=True))
        return values, codes

    def _cells(self, points: FloatArray) -> list[tuple[Condition, IntArray]]:
        """Rows of the points by the condition that they meet."""
        n = len(points)
        if self.condition is not None:
            return [(self.condition, np.arange(n))]
        places = []
        column = len(self.response.dimensions)
        for name, shares in ((TEMPERATURE, self.axes.temperature_shares), (AGE, self.axes.age_shares)):
            if name not in self.more:
                places.append(np.zeros(n, dtype=np.int64))
                continue
            edges = np.cumsum(shares)[:-1]
            places.append(np.searchsorted(edges, points[:, column], side="right"))
            column += 1
        cell = places[0] * len(self.axes.ages) + places[1]
        found = []
        for number in np.unique(cell):
            t, a = divmod(int(number), len(self.axes.ages))
            found.append((Condition(self.axes.temperatures[t], self.axes.ages[a]), np.flatnonzero(cell == number)))
        return found

    def column(self, points: FloatArray, column: int, name: str) -> FloatArray:
        """Return one value (n,) of each point.

        Raises
        ------
        WorkError : it is not finite somewhere; ``name`` is what it is called
        """
        values: FloatArray = self.run(points)[0][:, column]
        lost = np.flatnonzero(~np.isfinite(values))
        if lost.size:
            design, c = self.response.design, self.condition
            place = "over the mission" if c is None else f"at {c.temperature:g} degC and {c.age:g} yr"
            raise WorkError(
                Problem(
                    design.source.name if design.source is not None else None,
                    name,
                    None,
                    f"not a finite number in {lost.size} of {len(values)} actuations {place}",
                    "look at the outcome `not finished` of `yieldsim yield`, and open one of its addresses",
                )
            )
        return values

"""Extreme values of one design: each quantity searched over the box, and what each tolerance does alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.worst_cases.answers import Asked
from yieldsim.analysis.worst_cases.box import LinkCase, WorstCaseBox
from yieldsim.analysis.worst_cases.shares import adverse_effects, correlation_of, root_sum_square
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.strata import Stratum
from yieldsim.estimate.box_search import BoxSearch, search_box

FloatArray = NDArray[np.float64]

_ROUNDS = 3  # of searches, each from where the last one found another outcome to be worse
_BETWEEN = 7  # temperatures looked at between two stated ones


@dataclass(frozen=True)
class Found:
    """The worst of one quantity in one case of the link, at one condition.

    Attributes
    ----------
    search : values turned so that less is worse
    stratum : what of the case was worst
    evaluations : of all searches
    """

    asked: Asked
    case: LinkCase
    condition: Condition
    stratum: Stratum
    search: BoxSearch
    evaluations: int
    combined: float

    def message(self, design: Design) -> str | None:
        """The message that was worst; None where there is no choice."""
        messages = design.radio.messages
        return messages[self.stratum.message].name if len(messages) > 1 else None

    @property
    def press(self) -> str | None:
        """The press that was worst; None where there is no choice."""
        if not any(stratum.partial for stratum in self.case.strata):
            return None
        return "stopped short" if self.stratum.partial else "full"

    @property
    def extreme(self) -> float:
        """The extreme value [unit]."""
        return _turned(self.asked, self.search.value)

    @property
    def biased(self) -> float:
        """The value of the nominal part [unit]."""
        return _turned(self.asked, self.search.start_value)

    @property
    def root_sum_square(self) -> float:
        """The value by root-sum-square [unit]."""
        return _turned(self.asked, self.search.start_value - self.combined)


class Searcher:
    """Searches over the boxes of a response.

    Parameters
    ----------
    response : Response
    cases : of the link
    """

    def __init__(self, response: Response, cases: Sequence[LinkCase]) -> None:
        self.response = response
        self._asked: list[int] = []  # by whichever thread
        self.boxes = {used: WorstCaseBox(response, used) for used in sorted({case.attempts for case in cases})}
        self.correlations = {used: correlation_of(response.design, box.axes) for used, box in self.boxes.items()}

    @property
    def evaluations(self) -> int:
        """Actuations computed so far."""
        return sum(self._asked)

    def evaluate(self, asked: Asked, condition: Condition, stratum: Stratum, points: FloatArray) -> FloatArray:
        """Return the values (n,) at points (n, d), turned so that less is worse."""
        box = self.boxes[len(stratum.tries)]
        self._asked.append(len(points))
        column = box.values(points, condition, stratum)[:, asked.column]
        return column if asked.least else -column

    def find(self, asked: Asked, case: LinkCase, condition: Condition, also: FloatArray | None = None) -> Found:
        """Search one case: the worst of what it leaves open first, and again if another one is worse in the end."""
        box = self.boxes[len(case.strata[0].tries)]
        stratum, spent = self._worst_stratum(asked, case, condition, box.middle)
        best: tuple[BoxSearch, Stratum] | None = None
        for _ in range(_ROUNDS):
            search = search_box(
                partial(self.evaluate, asked, condition, stratum),
                box.middle,
                seed=self.response.settings.seed,
                tolerance=asked.noise,
                also=also,
            )
            spent += search.evaluations
            if best is None or search.value < best[0].value:
                best = search, stratum
            other, more = self._worst_stratum(asked, case, condition, search.point)
            spent += more
            if other == stratum:
                break
            stratum, also = other, search.point[None]
        search, stratum = best or (search, stratum)
        alone = adverse_effects(search.start_value, search.alone)
        combined = root_sum_square(alone, self.correlations[len(stratum.tries)])
        return Found(asked, case, condition, stratum, search, spent, combined)

    def _worst_stratum(
        self, asked: Asked, case: LinkCase, condition: Condition, point: FloatArray
    ) -> tuple[Stratum, int]:
        if len(case.strata) == 1:
            return case.strata[0], 0
        values = [float(self.evaluate(asked, condition, s, point[None])[0]) for s in case.strata]
        values = [np.inf if not np.isfinite(value) else value for value in values]
        return case.strata[int(np.argmin(values))], len(values)

    def compared(self, found: Sequence[Found]) -> list[tuple[Asked, LinkCase, Condition, FloatArray]]:
        """Return the searches to make again, each with the point to start from.

        What is worst for one quantity or condition may lie in a part of the box that the search for another one
        missed: every worst point is tried everywhere.

        Parameters
        ----------
        found : so far
        """
        again = []
        for used in self.boxes:
            own = [f for f in found if len(f.stratum.tries) == used]
            if not own or not len(own[0].search.point):
                continue
            points = np.unique(np.stack([f.search.point for f in own]), axis=0)
            for f in own:
                values = self.evaluate(f.asked, f.condition, f.stratum, points)
                best = int(np.nanargmin(values)) if np.isfinite(values).any() else 0
                if values[best] < f.search.value - f.asked.noise:
                    again.append((f.asked, f.case, f.condition, points[best : best + 1]))
        return again

    def between(self, found: Sequence[Found]) -> list[Condition]:
        """Return temperatures between stated ones at which a worst point is worse than at all stated ones.

        Parameters
        ----------
        found : of one quantity in one case at one age, by temperature

        Notes
        -----
        The worst points of both neighbours are carried along; only where one of them turns out worse is it worth a
        search of its own.
        """
        best: tuple[float, Condition] | None = None
        for low, high in pairwise(found):
            first, last = low.condition, high.condition
            if low.stratum != high.stratum:
                continue
            points = np.stack([low.search.point, high.search.point])
            for t in np.linspace(first.temperature, last.temperature, _BETWEEN + 2)[1:-1]:
                here = Condition(round(float(t), 1), first.age)
                value = float(np.nanmin(self.evaluate(low.asked, here, low.stratum, points)))
                if best is None or value < best[0]:
                    best = value, here
        if best is None or best[0] >= min(f.search.value for f in found) - 2.0 * found[0].asked.noise:
            return []
        return [best[1]]


def _turned(asked: Asked, value: float) -> float:
    return value if asked.least else -value

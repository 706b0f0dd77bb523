"""Unit yield of many designs that differ by a tolerance: the same units, most of them settled without a full run.

Each unit is asked for the margin of the critical actuation (`yieldsim.engine.critical`) in every condition. Where that
is farther from 0 than a guard, the unit is settled; within the guard its completion is worked out as `yield` does, from
the same draws. The guard is measured: three times the farthest that the critical actuation was wrong in a pilot of the
units next to 0, and at least a part of the margin's spread; a trial in which it is wrong farther out takes a wider one.
A pair of unit and condition that was worked out for the stated design, and whose margin has since moved away from 0 on
the side that it was found on, keeps what was found.

The bounds do not allow for units that the guard settles wrongly. Of every trial the settled pairs that lie next to the
guard are therefore worked out as well; where one was settled wrongly, the guard is widened beyond it and the trial made
again, until they are all right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.mission import life_weights, lifetime, over_the_mission, plan_of
from yieldsim.design.schema import Design
from yieldsim.engine.cells import run_block
from yieldsim.engine.critical import critical_actuation
from yieldsim.engine.execution import Inline, Mapper
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.intervals import Estimate, binomial_estimate, mean_of_clusters
from yieldsim.estimate.unit_completion import STAGES, Sampling, UnitCompletion
from yieldsim.estimate.unit_yield import scores_of, unit_yield

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Flags = NDArray[np.bool_]

_PILOT = 256  # units
_NEAREST, _SPACED = 256, 64  # pairs of unit and condition worked out in the pilot
_FEW = 64  # units by which the critical actuation is found
_TIMES_WRONG, _SPREADS, _LEAST = 3.0, 0.15, 1e-3  # guard: times the farthest error, standard deviations, [V]
_AT_ONCE = 64  # units worked out together
_BESIDE = 2  # settled pairs that are worked out next to the guard on either side
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Trial:
    """The units of one design.

    Attributes
    ----------
    margins : (C, n) of the critical actuation [V]
    completion : (C, n) of each unit in each cell, 0 or 1 where it is settled
    worked_out : (C, n) whether it was worked out
    units : completion that the requirement judges, (C, n), or (n,) over the mission
    checked, wrong : settled pairs next to the guard that were worked out, and those that had been settled wrongly
    """

    margins: FloatArray
    completion: UnitCompletion
    worked_out: Flags
    units: UnitCompletion
    checked: int = 0
    wrong: int = 0


class Trials:
    """Runs designs that differ from a stated one.

    Parameters
    ----------
    design : Design
        As stated; its requirement names a completion.
    settings : Settings
    confidence : float
        Of each one-sided bound.
    over : Mapper
        Where the stated design and the pilot are run; a trial runs in the calling thread.
    in_full : bool
        Work out every unit in every condition.
    like : Trials, optional
        Of the same design with other units: its critical actuation and guard are used.

    Attributes
    ----------
    guard : float
        Margin of the critical actuation from which a unit is settled [V]; infinite where all are worked out.
    stated : Trial
        Of the design as stated.
    """

    def __init__(
        self,
        design: Design,
        settings: Settings,
        confidence: float,
        over: Mapper,
        *,
        in_full: bool = False,
        like: Trials | None = None,
    ) -> None:
        requirement = design.requirement
        if requirement is None or requirement.completion is None:
            raise ValueError("trials of units need a completion that a unit must reach")
        self.required = requirement.completion
        self.settings, self.confidence = settings, confidence
        self.numbers = np.arange(settings.units, dtype=np.int64)
        response, plan = Response(design, settings), plan_of(design)
        self.conditions = plan.conditions
        self.weights = life_weights(response, plan, self.numbers) if over_the_mission(design) else None
        self.clusters = None if settings.lots is None else response.population.lot_of(self.numbers)
        if like is None:
            few = self.numbers[:_FEW]
            self.critical = None if in_full else critical_actuation(response, self.conditions, few, self.required)
            self.guard = np.inf if self.critical is None else self._measured_guard(response, over)
        else:
            self.critical, self.guard = like.critical, like.guard
        self.stated: Trial | None = None
        found = self._run(response, over, False)
        if found is None:
            raise AssertionError("a run that is not cut short gives a trial")
        self.stated = found

    # --- one design -------------------------------------------------------------------------------------------------

    def run(self, design: Design) -> Trial:
        """Return the units of a design that differs from the stated one by its tolerances alone."""
        found = self._run(Response(design, self.settings), Inline(), False)
        if found is None:
            raise AssertionError("a run that is not cut short gives a trial")
        return found

    def meets(self, design: Design, required_yield: float, *, leading: bool = False) -> bool:
        """Whether the lower bound of the unit yield of a design reaches a share; ended as soon as it cannot.

        ``leading`` asks the leading conditions alone, which can refute it, and otherwise only makes it likely.
        """
        found = self._run(Response(design, self.settings), Inline(), True, required_yield, leading)
        return found is not None and self.estimate(found).low >= required_yield

    def _run(
        self,
        response: Response,
        over: Mapper,
        cut_short: bool,
        required_yield: float = 0.0,
        leading: bool = False,
    ) -> Trial | None:
        margins = self._margins(response, over, self.leading if leading else tuple(range(len(self.conditions))))
        guard, checked, wrong = self.guard, 0, 0
        while True:
            state = np.sign(margins) * (np.abs(margins) > guard)
            known, held = self._held(margins, state)
            state[held] = known[held]
            failing = np.asarray((state < 0).any(axis=0))
            if cut_short and self.weights is None and self._best(failing).low < required_yield:
                return None
            trial = self._worked_out(response, margins, state, held, self._to_do(state, held, failing), over)
            wider = _TIMES_WRONG * self._farthest_wrong(trial)
            if self.critical is None:
                return trial
            if wider <= guard and not leading:
                found = self._wrong_beside(response, trial, guard)
                checked, wrong = checked + len(found), wrong + int(np.count_nonzero(found))
                wider = _TIMES_WRONG * max(found, default=0.0)
            if wider <= guard:
                return replace(trial, checked=checked, wrong=wrong)
            guard = wider

    def _wrong_beside(self, response: Response, trial: Trial, guard: float) -> list[float]:
        """Work out the settled pairs next to the guard: how far from 0 [V] each is that was settled wrongly, else 0."""
        found = []
        for side in (1.0, -1.0):
            far = np.where(~trial.worked_out & (trial.margins * side > guard), np.abs(trial.margins), np.inf)
            for place in np.argsort(far, axis=None, kind="stable")[:_BESIDE]:
                k, n = np.unravel_index(place, far.shape)
                if np.isfinite(far[k, n]):
                    completion = _middle(self._full(response, int(k), np.array([n], dtype=np.intp)))[0]
                    right = bool(completion >= self.required - _ROUNDING) == (side > 0.0)
                    found.append(0.0 if right else float(far[k, n]))
        return found

    def _farthest_wrong(self, trial: Trial) -> float:
        """How far from 0 the critical actuation was on the wrong side, of all pairs that were worked out [V]."""
        complies = _middle(trial.completion) >= self.required - _ROUNDING
        wrong = trial.worked_out & (complies != (trial.margins >= 0.0))
        return float(np.abs(trial.margins[wrong]).max(initial=0.0))

    def _margins(self, response: Response, over: Mapper, cells: Sequence[int]) -> FloatArray:
        """Margins (C, n) of the critical actuation; 0, which settles nothing, without one; infinite in other cells."""
        critical = self.critical
        if critical is None:
            return np.zeros((len(self.conditions), len(self.numbers)))
        margins = np.full((len(self.conditions), len(self.numbers)), np.inf)
        found = over.map(lambda k: critical.margins(response, self.conditions[k], self.numbers), cells)
        for k, row in zip(cells, found, strict=True):
            margins[k] = row
        return margins

    def _held(self, margins: FloatArray, state: FloatArray) -> tuple[FloatArray, Flags]:
        """Side (C, n) that the stated design was found on, and where a pair keeps it."""
        if self.stated is None or self.weights is not None:
            return state, np.zeros(margins.shape, dtype=np.bool_)
        side = np.where(_middle(self.stated.completion) >= self.required - _ROUNDING, 1.0, -1.0)
        farther = (margins - self.stated.margins) * side >= 0.0
        same = self.critical is not None and self.stated.worked_out & (state == 0.0) & farther
        return side, np.asarray(same, dtype=np.bool_) & np.ones(margins.shape, dtype=np.bool_)

    def _to_do(self, state: FloatArray, held: Flags, failing: Flags) -> Flags:
        """Pairs (C, n) to be worked out."""
        if self.weights is None:
            return np.asarray((state == 0.0) & ~held & ~failing)
        # over the mission a unit complies if it does wherever it works; else the values themselves count
        weighs = self.weights > 0.0
        settled = np.asarray(((state > 0.0) | ~weighs).all(axis=0))
        return np.asarray(weighs & ~settled)

    def _worked_out(
        self, response: Response, margins: FloatArray, state: FloatArray, held: Flags, to_do: Flags, over: Mapper
    ) -> Trial:
        low = np.where(state < 0.0, 0.0, 1.0)
        high, error = low.copy(), np.zeros_like(low)
        halves, draws = np.stack([low, low]), np.full(low.shape, STAGES[-1], dtype=np.int64)
        if self.stated is not None and held.any():
            was = self.stated.completion
            low[held], high[held] = was.low[held], was.high[held]
            if was.sampling is not None:
                error[held], halves[:, held] = was.sampling.standard_error[held], was.sampling.halves[:, held]
                draws[held] = was.sampling.counts[held]
        tasks = [(k, part) for k in range(len(state)) for part in _parts(np.flatnonzero(to_do[k]))]
        for (k, part), found in zip(tasks, over.map(lambda task: self._full(response, *task), tasks), strict=True):
            low[k, part], high[k, part] = found.low, found.high
            halves[:, k, part] = 0.5 * (found.low + found.high)
            if found.sampling is not None:
                error[k, part], halves[:, k, part] = found.sampling.standard_error, found.sampling.halves
                draws[k, part] = found.sampling.counts
        completion = UnitCompletion(low, high, Sampling(error, halves, int(draws.min()), draws))
        return Trial(margins, completion, to_do | held, self._judged(completion))

    def _full(self, response: Response, cell: int, places: NDArray[np.intp]) -> UnitCompletion:
        found = run_block(response, self.conditions[cell], self.numbers[places], 1, self.required).completion
        if found is None:
            raise AssertionError("a block with a required completion gives that of its units")
        return found

    def _judged(self, all_cells: UnitCompletion) -> UnitCompletion:
        """What the requirement judges: all cells, or the life of each unit."""
        if self.weights is None:
            return all_cells
        s = all_cells.sampling
        cells = [
            UnitCompletion(
                all_cells.low[k],
                all_cells.high[k],
                None if s is None else Sampling(s.standard_error[k], s.halves[:, k], s.draws, s.counts[k]),
            )
            for k in range(len(self.conditions))
        ]
        return lifetime(cells, self.weights)

    # --- what trials say --------------------------------------------------------------------------------------------

    def estimate(self, trial: Trial) -> Estimate:
        """Return the unit yield with its one-sided bounds."""
        u = trial.units
        return unit_yield(u.low, u.high, self.required, self.confidence, self.clusters, sampling=u.sampling)

    def difference(self, trial: Trial) -> Estimate:
        """Return how much more units comply than of the stated design, paired unit by unit, with one-sided bounds."""
        if self.stated is None:
            raise AssertionError("the stated design is run first")
        return mean_difference(self._scores(trial) - self._scores(self.stated), self.clusters, self.confidence)

    def _scores(self, trial: Trial) -> FloatArray:
        return scores_of(trial.units, self.required)[1]

    def _best(self, failing: Flags) -> Estimate:
        """Unit yield if all that are not settled as failing complied."""
        if self.clusters is None:
            return binomial_estimate(int((~failing).sum()), failing.size, self.confidence)
        return mean_of_clusters((~failing).astype(np.float64), self.clusters, self.confidence)

    @cached_property
    def leading(self) -> tuple[int, ...]:
        """Conditions in which some unit of the stated design has its least margin, or nearly so; all over a mission."""
        if self.stated is None or self.critical is None or self.weights is not None:
            return tuple(range(len(self.conditions)))
        above = self.stated.margins - self.stated.margins.min(axis=0)
        return tuple(int(k) for k in np.flatnonzero(above.min(axis=1) < self.guard))

    @property
    def worst(self) -> int:
        """Index of the condition in which one unit in a hundred of the stated design has the least margin."""
        if self.stated is None or self.critical is None:
            return 0
        return int(np.argmin(np.quantile(self.stated.margins, 0.01, axis=1)))

    # --- the guard --------------------------------------------------------------------------------------------------

    def _measured_guard(self, response: Response, over: Mapper) -> float:
        """Return how far from 0 the critical actuation settles a unit [V], from a pilot."""
        critical = self.critical
        if critical is None:
            return np.inf
        pilot = self.numbers[:_PILOT]
        margins = np.stack(list(over.map(lambda c: critical.margins(response, c, pilot), self.conditions)))
        order = np.argsort(np.abs(margins), axis=None, kind="stable")
        rest = order[_NEAREST:]
        chosen = np.concatenate([order[:_NEAREST], rest[:: max(1, len(rest) // _SPACED)]])
        asked = np.zeros(margins.shape, dtype=np.bool_)
        asked.flat[chosen] = True
        tasks = [(k, part) for k in range(len(margins)) for part in _parts(np.flatnonzero(asked[k]))]
        wrong = 0.0
        for (k, part), found in zip(tasks, over.map(lambda task: self._full(response, *task), tasks), strict=True):
            complies = _middle(found) >= self.required - _ROUNDING
            far = np.abs(margins[k, part])[complies != (margins[k, part] >= 0.0)]
            wrong = max(wrong, float(far.max(initial=0.0)))
        spread = float(margins[int(np.argmin(margins.mean(axis=1)))].std())
        return max(_TIMES_WRONG * wrong, _SPREADS * spread, _LEAST)


def mean_difference(differences: FloatArray, clusters: IntArray | None, confidence: float) -> Estimate:
    """Mean of paired differences with one-sided bounds that assume nothing of their distribution.

    Differences in [-r, r] become fractions (d / r + 1) / 2, whose mean is bounded like any (`mean_of_clusters`).

    Parameters
    ----------
    differences : (n,) one a unit
    clusters : (n,) lot of each unit, or None
    confidence : of each bound
    """
    reach = max(1.0, float(np.abs(differences).max(initial=0.0)))
    found = mean_of_clusters((differences / reach + 1.0) / 2.0, clusters, confidence)
    value = float(differences.mean())
    low, high = reach * (2.0 * found.low - 1.0), reach * (2.0 * found.high - 1.0)
    return Estimate(value, min(low, value), max(high, value), confidence, f"paired unit by unit; {found.method}")


def _middle(completion: UnitCompletion) -> FloatArray:
    return np.asarray(0.5 * (completion.low + completion.high))


def _parts(places: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    return np.array_split(places, -(-places.size // _AT_ONCE)) if places.size else []

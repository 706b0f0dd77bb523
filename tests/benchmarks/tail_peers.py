"""OpenTURNS' methods on the same limit states, one answer a seed, with the calls that they really made."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import openturns as ot

from tests.benchmarks.limit_states import Case

Row = dict[str, Any]


#: A run that needs more is counted as failed: some do not come to an end.
MOST_CALLS = 300_000


class Counted:
    """A limit state as an OpenTURNS function, and the number of points it was computed at."""

    def __init__(self, case: Case) -> None:
        self.calls = 0

        def many(u: Any) -> Any:
            if self.calls > MOST_CALLS:
                raise RuntimeError("given up")
            points = np.asarray(u)
            self.calls += points.shape[0]
            g = case.function(points)
            return (g if g.ndim == 1 else g.min(axis=1))[:, None]

        function = ot.PythonFunction(case.dimension, 1, func=lambda u: many([u])[0], func_sample=many)
        self.vector = ot.CompositeRandomVector(function, ot.RandomVector(ot.Normal(case.dimension)))
        self.event = ot.ThresholdEvent(self.vector, ot.Less(), 0.0)
        self.dimension = case.dimension


def _first_order(counted: Counted) -> Any:
    solver = ot.AbdoRackwitz()
    solver.setMaximumIterationNumber(200)
    solver.setCheckStatus(False)
    form = ot.FORM(solver, counted.event, [0.1] * counted.dimension)
    form.run()
    return form.getResult()


def first_order_sampling(counted: Counted) -> Any:
    """Importance sampling about the first-order design point, to a reported 5 %."""
    point = _first_order(counted).getStandardSpaceDesignPoint()
    experiment = ot.ImportanceSamplingExperiment(ot.Normal(point, ot.CovarianceMatrix(counted.dimension)))
    algorithm = ot.ProbabilitySimulationAlgorithm(ot.StandardEvent(counted.event), experiment)
    algorithm.setMaximumCoefficientOfVariation(0.05)
    algorithm.setBlockSize(100)
    algorithm.setMaximumOuterSampling(500)
    algorithm.run()
    return algorithm.getResult()


def subset(counted: Counted) -> Any:
    """Subset sampling, 10 blocks of 1,000 a level."""
    algorithm = ot.SubsetSampling(counted.event)
    algorithm.setBlockSize(1000)
    algorithm.setMaximumOuterSampling(10)
    algorithm.run()
    return algorithm.getResult()


def cross_entropy(counted: Counted) -> Any:
    """Cross-entropy importance sampling in the standard space, 10,000 a step."""
    algorithm = ot.StandardSpaceCrossEntropyImportanceSampling(counted.event, 0.1)
    algorithm.setBlockSize(1)
    algorithm.setMaximumOuterSampling(10_000)
    algorithm.run()
    return algorithm.getResult()


def adaptive_nonparametric(counted: Counted) -> Any:
    """Nonparametric adaptive importance sampling, 10,000 a step."""
    algorithm = ot.NAIS(counted.event, 0.1)
    algorithm.setBlockSize(1)
    algorithm.setMaximumOuterSampling(10_000)
    algorithm.run()
    return algorithm.getResult()


def directional(counted: Counted) -> Any:
    """Directional sampling with the medium-safe root strategy, 1,000 directions."""
    algorithm = ot.DirectionalSampling(counted.event)
    algorithm.setBlockSize(10)
    algorithm.setMaximumOuterSampling(100)
    algorithm.setMaximumCoefficientOfVariation(0.05)
    algorithm.run()
    return algorithm.getResult()


#: Those that take seconds for an answer are left to the full size.
SLOW = ("NAIS",)
PEERS: dict[str, Callable[[Counted], Any]] = {
    "FORM importance sampling": first_order_sampling,
    "subset": subset,
    "cross-entropy": cross_entropy,
    "NAIS": adaptive_nonparametric,
    "directional": directional,
}


def peer_row(case: Case, peer: str, repeats: int) -> Row:
    """Answers of one method with seeds 0, 1, ...; a run that raises is counted, not repeated."""
    told: Row = {"p": [], "low": [], "high": [], "calls": [], "flagged": [], "method": [], "failed": 0}
    ot.Log.Show(ot.Log.NONE)
    for seed in range(repeats):
        ot.RandomGenerator.SetSeed(seed)
        counted = Counted(case)
        try:
            result = PEERS[peer](counted)
            p, length = result.getProbabilityEstimate(), result.getConfidenceLength(0.95)
        except (RuntimeError, TypeError, ValueError):
            told["failed"] += 1
            continue
        told["p"].append(float(p))
        told["low"].append(float(p - 0.5 * length))
        told["high"].append(float(p + 0.5 * length))
        told["calls"].append(counted.calls)
        told["flagged"].append(False)
        told["method"].append(peer)
    if len(told["p"]) < 2:
        told["p"] = []
    return told

"""What a tail analysis answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.estimate.tails.limit_state import Floats
from yieldsim.estimate.tails.region import Region


class MethodAnswer(NamedTuple):
    """One method's own answer."""

    name: str
    probability: float
    low: float
    high: float
    calls: int


class FailurePoint(NamedTuple):
    """A point of the limit state that is locally nearest to the origin.

    Attributes
    ----------
    beta : float
        Reliability index: its distance from the origin, in standard deviations.
    cause : int
        Column of the limit state that fails there.
    share : float
        Share of the failure probability that its region carries, as the sample tells.
    converged : bool
        Whether it is a most probable point; False where the limit state has no smooth one there.
    """

    beta: float
    cause: int
    share: float
    converged: bool


@dataclass(frozen=True)
class TailAnswer:
    """Failure probability with everything it rests on.

    Attributes
    ----------
    probability, low, high : float
        Estimate and two-sided interval at `level`. The interval is about sampling; `flag` says when a region
        may be missing.
    level : float
        Of the interval.
    calls : int
        Points at which the limit state was computed, searches included.
    method : str
        ``mixture``, ``subset`` or ``monte-carlo``: the one the answer comes from.
    agreement : tuple of MethodAnswer
        Every method's own answer, the chosen one first.
    flag : str or None
        In plain words what keeps the answer from being trusted.
    points : (m, d) array
        Most probable failure points, the nearest first.
    indices : tuple of FailurePoint
        What is known of each of them.
    importance : (d,) array
        Importance factors, adding up to 1: squared direction cosines of the failing points' centre, regions
        weighted by what they carry. Zeros when no failure was seen.
    cause_probabilities : (k,) array
        Probability that each cause fails; they add up to more than `probability` where causes fail together.
    reached : float
        Least probability down to which the population was looked at: an answer of 0 says nothing below it.
    farthest : float
        Largest absolute coordinate, in standard deviations, of the failing points that carry 95 % of the
        probability: how far out in the tail of an input the answer lies.
    searches : int
        Gradient searches begun.
    unknown : float
        Probability that it is not known whether a point fails (the limit state is not a number there); it is
        counted as failing in `probability` and `high`, as not failing in `low`.
    note : str or None
        What else is worth knowing and no reason for doubt.
    failing : (n, d) array
        Failing points of the method that answers.
    failing_weight : (n,) array
        Their weights, adding up to 1: they follow the population where it fails.
    failing_source : (n,) array of int
        Label of what was drawn independently: the point itself, or the subset run that it comes from.
    """

    probability: float
    low: float
    high: float
    level: float
    calls: int
    method: str
    agreement: tuple[MethodAnswer, ...]
    flag: str | None
    points: Floats
    indices: tuple[FailurePoint, ...]
    importance: Floats
    cause_probabilities: Floats
    reached: float
    farthest: float
    searches: int
    unknown: float = 0.0
    note: str | None = None
    regions: tuple[Region, ...] = field(default=(), repr=False)
    shares: Floats = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    sentinels: Floats = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    failing: Floats = field(default_factory=lambda: np.zeros((0, 0)), repr=False)
    failing_weight: Floats = field(default_factory=lambda: np.zeros(0), repr=False)
    failing_source: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp), repr=False)

"""Stop rules: run until a requirement is decided, or until the bounds are narrow enough.

Bounds and decisions hold with their confidence at all looks together (confidence sequences), so that a run may look
after every block and stop when it likes; bounds for a fixed number of units, looked at again and again, would in the
end pass anything. `PassFailWatch` counts units that comply, `MeanWatch` averages shares (a unit's completions, a
lot's mean), one a unit or a lot, whatever the dependence within it. What they rest on: `yieldsim.estimate.evidence`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from yieldsim.estimate.evidence import (
    evidence_above,
    evidence_below,
    evidence_of_mean_above,
    evidence_of_mean_below,
)
from yieldsim.estimate.intervals import Estimate, check_confidence

Floats = NDArray[np.float64]

MET, NOT_MET, UNDECIDED = "met", "not met", "undecided"
PASS_FAIL = "confidence sequence, beta-binomial mixture, valid at every look"
MEAN = "confidence sequence, mixture of bets on a bounded mean, valid at every look"

# shares are rounded to so many binary digits, up for the lower bound and down for the upper one
_DIGITS = 10


@dataclass(frozen=True)
class StopRule:
    """When a run may stop.

    Attributes
    ----------
    required : float or None
        Share that is required, strictly between 0 and 1: stop when it is known to be reached, or not to be.
    confidence : float
        Confidence of each bound and of each decision, at all looks together.
    absolute_width : float or None
        Stop when high - low is no more than this [share].
    relative_width : float or None
        Stop when high - low is no more than this times the failing share, 1 - value.

    Raises
    ------
    ValueError
        For shares or widths outside their range, or a rule under which nothing stops a run.
    """

    required: float | None = None
    confidence: float = 0.95
    absolute_width: float | None = None
    relative_width: float | None = None

    def __post_init__(self) -> None:
        """Refuse a rule that makes no sense."""
        check_confidence(self.confidence)
        if self.required is None and self.absolute_width is None and self.relative_width is None:
            raise ValueError("a stop rule needs a required share, an absolute or a relative width")
        if self.required is not None and not 0.0 < self.required < 1.0:
            raise ValueError(f"required = {self.required}: a share strictly between 0 and 1 is needed")
        for name in ("absolute_width", "relative_width"):
            width = getattr(self, name)
            if width is not None and not width > 0.0:
                raise ValueError(f"{name} = {width}: a width above 0 is needed")


@dataclass(frozen=True)
class Look:
    """What is known after a block.

    Attributes
    ----------
    trials : int
        Units, or clusters, so far.
    estimate : Estimate
        Share with bounds that hold at this and all other looks together.
    word : str
        ``met``, ``not met`` or ``undecided``; ``undecided`` too where nothing is required.
    stop : bool
        Whether the rule lets the run stop.
    reason : str
        Why it stops, or what it waits for.
    """

    trials: int
    estimate: Estimate
    word: str
    stop: bool
    reason: str


class _Watch:
    """Bounds that only ever narrow, and the decision taken first, which stands."""

    def __init__(self, rule: StopRule, method: str) -> None:
        self.rule, self._method = rule, method
        self._low, self._high, self._word = 0.0, 1.0, UNDECIDED

    def _told(
        self, trials: int, value: float, below: Callable[[float], float], above: Callable[[float], float]
    ) -> Look:
        """Return the look, from the evidence that the failing share is below and above a limit."""
        rule = self.rule
        wanted = -math.log1p(-rule.confidence)
        failing = 1.0 - value
        self._low = max(self._low, 1.0 - _largest(lambda p: below(p) < wanted, failing, 1.0 - self._low))
        self._high = min(self._high, 1.0 - _smallest(lambda p: above(p) < wanted, failing, 1.0 - self._high))
        if rule.required is not None and self._word == UNDECIDED:
            limit = 1.0 - rule.required
            self._word = MET if below(limit) >= wanted else NOT_MET if above(limit) >= wanted else UNDECIDED
            # the bisection of the bounds rounds outwards, which must not leave a decided limit inside
            if self._word == MET:
                self._low = max(self._low, rule.required)
            elif self._word == NOT_MET:
                self._high = min(self._high, math.nextafter(rule.required, 0.0))
        # a later look cannot take back what an earlier one has shown
        low, high = min(self._low, value), max(self._high, value)
        estimate = Estimate(value, low, high, rule.confidence, self._method)
        return Look(trials, estimate, self._word, *self._stops(estimate))

    def _stops(self, estimate: Estimate) -> tuple[bool, str]:
        rule, width = self.rule, estimate.high - estimate.low
        if self._word != UNDECIDED:
            return True, f"the requirement is {self._word}"
        if rule.absolute_width is not None and width <= rule.absolute_width:
            return True, "the bounds are within the absolute width"
        if rule.relative_width is not None and width <= rule.relative_width * (1.0 - estimate.value):
            return True, "the bounds are within the relative width"
        return False, "neither decided nor narrow enough" if rule.required is not None else "not narrow enough"


class PassFailWatch(_Watch):
    """Watches the share of independent units that comply.

    Parameters
    ----------
    rule : StopRule
        When to stop.
    """

    def __init__(self, rule: StopRule) -> None:
        super().__init__(rule, PASS_FAIL)
        self._trials = self._surely = self._perhaps = 0

    def look(self, units: int, surely: int, perhaps: int | None = None) -> Look:
        """Add a block and look.

        Parameters
        ----------
        units : int
            Units of the block, at least 1.
        surely, perhaps : int
            How many of them surely comply, and how many surely or perhaps; the same where nothing is in doubt.

        Raises
        ------
        ValueError
            For counts that do not fit each other.
        """
        perhaps = surely if perhaps is None else perhaps
        if units < 1 or not 0 <= surely <= perhaps <= units:
            raise ValueError(
                f"units = {units}, surely = {surely}, perhaps = {perhaps}: "
                "0 <= surely <= perhaps <= units and a unit at least are needed"
            )
        self._trials, self._surely, self._perhaps = (
            self._trials + int(units),
            self._surely + int(surely),
            self._perhaps + int(perhaps),
        )
        n, most, least = self._trials, self._trials - self._surely, self._trials - self._perhaps
        value = 1.0 - 0.5 * (most + least) / n
        return self._told(n, value, lambda p: evidence_below(most, n, p), lambda p: evidence_above(least, n, p))


class MeanWatch(_Watch):
    """Watches the mean of independent shares in [0, 1]: one a unit, or one a lot.

    Parameters
    ----------
    rule : StopRule
        When to stop.
    """

    def __init__(self, rule: StopRule) -> None:
        super().__init__(rule, MEAN)
        self._sum, self._count = 0.0, 0
        self._most, self._least = (np.empty(0), np.empty(0)), (np.empty(0), np.empty(0))

    def look(self, low: ArrayLike, high: ArrayLike | None = None) -> Look:
        """Add a block and look.

        Parameters
        ----------
        low, high : (n,) array_like
            Completing shares of the block's units or lots, bracketed; the same where nothing is in doubt.

        Raises
        ------
        ValueError
            For an empty block, shares outside [0, 1] or not finite, or unequal lengths.
        """
        x = np.asarray(low, dtype=np.float64).reshape(-1)
        y = x if high is None else np.asarray(high, dtype=np.float64).reshape(-1)
        if x.size == 0 or x.shape != y.shape or not np.all((x >= 0.0) & (x <= y) & (y <= 1.0)):
            raise ValueError(f"low of {x.size}, high of {y.size}: as many finite shares with 0 <= low <= high <= 1")
        self._sum, self._count = self._sum + float(0.5 * (x + y).sum()), self._count + x.size
        self._most = _added(self._most, _rounded(1.0 - x, np.ceil))
        self._least = _added(self._least, _rounded(1.0 - y, np.floor))
        most, least = self._most, self._least
        return self._told(
            self._count,
            min(self._sum / self._count, 1.0),
            lambda p: evidence_of_mean_below(*most, p),
            lambda p: evidence_of_mean_above(*least, p),
        )


def _rounded(failing: Floats, towards: Callable[[Floats], Floats]) -> Floats:
    """Round shares to a few binary digits, so that the distinct ones stay few."""
    mantissa, exponent = np.frexp(failing)
    scale = float(1 << _DIGITS)
    return np.minimum(np.ldexp(towards(mantissa * scale) / scale, exponent), 1.0)


def _added(known: tuple[Floats, Floats], values: Floats) -> tuple[Floats, Floats]:
    """Distinct values and their counts, with more values added."""
    distinct, index = np.unique(np.concatenate([known[0], values]), return_inverse=True)
    return distinct, np.bincount(index, np.concatenate([known[1], np.ones(values.size)])).astype(np.float64)


def _largest(possible: Callable[[float], bool], start: float, end: float) -> float:
    """Largest limit from start to end that is possible, when all up to it are; rounded outwards."""
    if start >= end:
        return end
    inside, outside = start, end
    while outside - inside > 1e-4 * (1.0 - inside) * max(inside, 1e-12) and outside - inside > 1e-12:
        middle = _between(inside, outside)
        inside, outside = (middle, outside) if possible(middle) else (inside, middle)
    return outside


def _smallest(possible: Callable[[float], bool], start: float, end: float) -> float:
    """Smallest limit from end (below) to start that is possible; rounded outwards."""
    if end >= start:
        return end
    outside, inside = end, start
    while inside - outside > 1e-4 * inside and inside - outside > 1e-12:
        middle = _between(outside, inside)
        outside, inside = (outside, middle) if possible(middle) else (middle, inside)
    return outside


def _between(low: float, high: float) -> float:
    """Middle of two shares: geometric where they are far apart in size, since small shares matter."""
    return math.sqrt(low * high) if low > 0.0 and high > 4.0 * low else 0.5 * (low + high)

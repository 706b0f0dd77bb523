"""The widest one tolerance could be, everything else as stated, with the requirement still met at its confidence."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from yieldsim.analysis.allocations.unit_trials import Trials
from yieldsim.analysis.described import tolerance_text
from yieldsim.design.parameter import Parameter
from yieldsim.design.scaling import scaled
from yieldsim.design.schema import Design
from yieldsim.words.errors import InputError

#: Beyond this factor no tolerance is widened.
LARGEST = 16.0
#: Factors are told apart to this part of themselves, and to this much below 1.
_NEAR, _NEAR_BELOW = 1.1, 0.03
_BISECTIONS_OF_POSSIBLE = 12

NOT_WITHOUT = "not met even without this tolerance"
WIDENED = "wider than stated"
NARROWED = "narrower than stated"
ANY = "met at any width tried"
POSSIBLE = "met as wide as it can be"


@dataclass(frozen=True)
class Widest:
    """The widest tolerance with the requirement still met.

    Attributes
    ----------
    word : one of `NOT_WITHOUT`, `NARROWED`, `WIDENED`, `ANY` (up to `LARGEST`), `POSSIBLE` (wider, a value would be
        impossible)
    factor : on the stated width; None where it is met at none
    tolerance : the tolerance of this factor in words; empty where it is met at none
    beyond : the least factor tried above it at which the requirement is not shown to be met; None without one
    """

    word: str
    factor: float | None
    tolerance: str
    beyond: float | None


def widest(
    design: Design, parameter: Parameter, required_yield: float, trials: Trials, known: dict[float, bool]
) -> Widest:
    """Bracket the factor of one tolerance at which the lower bound of the unit yield leaves what is required.

    From the stated width outwards by factors of 2, then by bisection: between neighbours of the bracket, and nowhere
    else, a unit yield that falls with the factor is taken for granted. Every factor is tried on the same draws, so that
    where the yield falls throughout, the answer exceeds the true one with probability 1 - confidence at most.

    Parameters
    ----------
    design, parameter : as stated
    required_yield : share of units
    trials : of the design
    known : factor -> whether it is met, that of 1 included
    """
    return _Search(design, parameter, required_yield, trials, known).answer()


class _Search:
    def __init__(
        self, design: Design, parameter: Parameter, required: float, trials: Trials, known: dict[float, bool]
    ) -> None:
        self.design, self.parameter, self.required, self.trials = design, parameter, required, trials
        self.known = dict(known)
        self.leading, self.likely = True, set[float]()

    def met(self, factor: float) -> bool:
        """Whether the requirement is met at a factor at which the design is possible, by what is asked at present."""
        if factor not in self.known:
            self.known[factor] = self.trials.meets(self._at(factor), self.required, leading=self.leading)
            if self.leading and self.known[factor]:
                self.likely.add(factor)
        return self.known[factor]

    def answer(self) -> Widest:
        """Search by the leading conditions; where all conditions do not confirm what is found, by all of them."""
        found = self.above() if self.met(1.0) else self.below()
        if found.factor in self.likely and not self.trials.meets(self._at(found.factor), self.required):
            self.known = {factor: met for factor, met in self.known.items() if factor not in self.likely}
            self.known[found.factor], self.leading = False, False
            return self.answer()
        return found

    def below(self) -> Widest:
        """Answer where the stated width is too wide."""
        if not self.met(0.0):
            return Widest(NOT_WITHOUT, None, "", 0.0)
        low, high = 0.0, 1.0
        if 0.5 in self.known:
            low, high = (0.5, 1.0) if self.known[0.5] else (0.0, 0.5)
        while high - low > _NEAR_BELOW:
            middle = _short(0.5 * (low + high))
            low, high = (middle, high) if self.met(middle) else (low, middle)
        return self._told(NARROWED, low, high)

    def above(self) -> Widest:
        """Answer where the stated width is met."""
        low, high, most = 1.0, 2.0, self._largest_possible()
        while high < most and self.met(high):
            low, high = high, 2.0 * high
        if high >= most:
            if self.met(most):
                return self._told(ANY if most == LARGEST else POSSIBLE, most, None)
            high = most
        while high / low > _NEAR:
            middle = _short(math.sqrt(low * high))
            low, high = (middle, high) if self.met(middle) else (low, middle)
        return self._told(WIDENED, low, high)

    def _told(self, word: str, factor: float, beyond: float | None) -> Widest:
        wide = replace(scaled(self.parameter, factor), sample_size=None)  # what was measured is the stated one
        return Widest(word, factor, tolerance_text(wide), beyond)

    def _at(self, factor: float) -> Design:
        return self.design.with_parameter(scaled(self.parameter, factor))

    def _possible(self, factor: float) -> bool:
        try:
            self._at(factor)
        except InputError:
            return False
        return True

    def _largest_possible(self) -> float:
        """Return the largest factor up to `LARGEST` at which no value is impossible, but for a part in a hundred."""
        if self._possible(LARGEST):
            return LARGEST
        low, high = 1.0, LARGEST
        for _ in range(_BISECTIONS_OF_POSSIBLE):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if self._possible(middle) else (low, middle)
        return max(math.floor(100.0 * low) / 100.0, 1.0)


def _short(factor: float) -> float:
    """Return a factor with the three digits that are told of it, so that what is told has been tried."""
    return float(f"{factor:.3g}")

"""Which values of one variable meet a requirement: where to look, what is still possible, and what is shown.

The share that meets a requirement need not rise or fall with the variable (a larger store holds more charge at a lower
voltage), so nothing is bisected blindly: all values of a list are asked, then the gaps in which the answer changes are
halved; where no value is possible, the gaps beside the best one, since a narrow window may lie between two values of
the list.

What is *ruled out* and what is *shown* are two families of statements, each held by its confidence for all of its
members together. Ruling out is a test of each of m values at 1 - (1 - confidence) / m (Bonferroni), with m fixed before
anything is asked, so that where the gaps are halved may depend on the answers. Showing is a tree of tests in an order
that was fixed by OTHER draws: the centre first, at the full confidence; only if it is shown the values next to it
outwards, half of what may go wrong for each side, each side up to its first value that is not shown. A false statement
needs the first untrue value in the order of its side to be shown, and of these there is one a side, or one in all where
the centre is untrue: the whole family is wrong with no more than 1 - confidence (fixed-sequence tests; Maurer, Hothorn
and Lehmacher 1995; as a tree Bretz et al. 2009, with Marcus, Peritz and Gabriel's closure behind both). So the centre
costs what it would cost alone, where Bonferroni would charge it for the values beside it.

References
----------
Bretz, F., Maurer, W., Brannath, W. and Posch, M. (2009). A graphical approach to sequentially rejective multiple test
    procedures. Statistics in Medicine 28, 586-604.
Maurer, W., Hothorn, L. A. and Lehmacher, W. (1995). Multiple comparisons in drug clinical trials and preclinical
    assays: a-priori ordered hypotheses. In: Biometrie in der chemisch-pharmazeutischen Industrie 6.

Both are cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

_CLOSE = 1e-6  # values nearer to each other, relative, are one


@dataclass(frozen=True)
class Answer:
    """What is known of one value.

    Attributes
    ----------
    value : of the variable
    possible : False where it is ruled out
    score : how near it is to meeting the requirement; larger is better, any scale
    """

    value: float
    possible: bool
    score: float


@dataclass(frozen=True)
class Block:
    """Neighbouring values that are possible.

    Attributes
    ----------
    values : ascending
    below, above : nearest values that are ruled out; None where the list ends before
    """

    values: tuple[float, ...]
    below: float | None
    above: float | None

    @property
    def ends(self) -> tuple[float, float]:
        """Where the block may end: halfway to what is ruled out, else its own outermost values."""
        low = self.values[0] if self.below is None else halfway(self.below, self.values[0])
        high = self.values[-1] if self.above is None else halfway(self.values[-1], self.above)
        return low, high


Ask = Callable[[Sequence[float]], Sequence[Answer]]


def spaced(low: float, high: float, points: int) -> tuple[float, ...]:
    """Return ``points`` values from ``low`` to ``high``, of equal ratios where both are positive, else of equal steps.

    Raises
    ------
    ValueError : fewer than two points, or ends that are not finite and in order
    """
    if points < 2 or not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"{points} points from {low} to {high}: two or more from a lower to a higher end are needed")
    shares = [k / (points - 1) for k in range(points)]
    if low > 0.0:
        inner = [low * (high / low) ** share for share in shares]
    else:
        inner = [low + (high - low) * share for share in shares]
    return (low, *inner[1:-1], high)


def halfway(a: float, b: float) -> float:
    """Return the middle of two values: geometric where both are positive, else arithmetic."""
    return math.sqrt(a) * math.sqrt(b) if a > 0.0 and b > 0.0 else 0.5 * (a + b)


def merged(preferred: Sequence[float], others: Sequence[float], apart: float) -> tuple[float, ...]:
    """Return all of ``preferred``, and of ``others`` those that no value before is near to, ascending.

    Parameters
    ----------
    preferred, others : values
    apart : least distance from another value, relative to the larger one
    """
    kept = list(preferred)
    for value in others:
        if all(abs(value - k) > apart * max(abs(value), abs(k)) for k in kept):
            kept.append(value)
    return tuple(sorted(kept))


def search(
    values: Sequence[float], ask: Ask, *, rounds: int, at_most: int, rounded: Callable[[float], float] | None = None
) -> tuple[Answer, ...]:
    """Ask all values, then halve the gaps in which the answer changes.

    Parameters
    ----------
    values : two or more, or one; each is asked
    ask : answers for several values at once, in their order
    rounds : how often gaps are halved
    at_most : values added in all
    rounded : what makes a value between two others a possible one (whole numbers, for instance)

    Returns
    -------
    tuple of Answer : by value

    Raises
    ------
    ValueError : no value
    """
    if not values:
        raise ValueError("no value to ask about")
    known = sorted(ask(sorted(values)), key=lambda a: a.value)
    left = at_most
    for _ in range(rounds):
        fresh: list[float] = []
        for i in _gaps(known):
            middle = halfway(known[i].value, known[i + 1].value)
            middle = middle if rounded is None else rounded(middle)
            near = [known[i].value, known[i + 1].value, *fresh]
            if all(abs(middle - k) > _CLOSE * max(abs(middle), abs(k)) for k in near):
                fresh.append(middle)
        fresh = fresh[:left]
        if not fresh:
            break
        left -= len(fresh)
        known = sorted([*known, *ask(fresh)], key=lambda a: a.value)
    return tuple(known)


def _gaps(known: Sequence[Answer]) -> list[int]:
    """Indices of the values behind which a gap is worth halving."""
    gaps = [i for i in range(len(known) - 1) if known[i].possible is not known[i + 1].possible]
    if gaps or any(a.possible for a in known):
        return gaps
    best = max(range(len(known)), key=lambda i: known[i].score)
    beside = [i for i in (best - 1, best) if 0 <= i < len(known) - 1]
    # the side whose outer value is nearer to meeting it comes first
    return sorted(beside, key=lambda i: -min(known[i].score, known[i + 1].score))


def blocks_of(answers: Sequence[Answer]) -> tuple[Block, ...]:
    """Return the runs of possible values, from answers in the order of their values."""
    blocks: list[Block] = []
    begin = None
    for i, answer in enumerate([*answers, None]):
        if answer is not None and answer.possible:
            begin = i if begin is None else begin
        elif begin is not None:
            inside = tuple(a.value for a in answers[begin:i])
            below = None if begin == 0 else answers[begin - 1].value
            blocks.append(Block(inside, below, None if answer is None else answer.value))
            begin = None
    return tuple(blocks)


def room(value: float, ends: tuple[float, float]) -> float:
    """Return the distance to the nearer end: in logarithms where all is positive, else relative to the width."""
    low, high = ends
    if low > 0.0:
        return min(math.log(value / low), math.log(high / value))
    return min(value - low, high - value) / (high - low) if high > low else 0.0


def central(choices: Sequence[float], ends: tuple[float, float]) -> float | None:
    """Return the choice between two ends that is farthest from the nearer one; the smaller of equals, None of none."""
    inside = [value for value in sorted(choices) if ends[0] <= value <= ends[1]]
    return max(inside, key=lambda value: room(value, ends)) if inside else None


def shown_outwards(
    centre: float,
    values: Sequence[float],
    show: Callable[[float, float], bool],
    confidence: float,
) -> tuple[float, ...]:
    """Show that values meet a requirement, from the centre outwards; true for all that are returned together.

    Parameters
    ----------
    centre : shown first, at ``confidence``
    values : others, on either side; their order is that of the numbers, fixed before ``show`` is asked
    show : (value, confidence) -> whether it is shown at that confidence, from draws that did not choose the order
    confidence : that all of those returned meet it

    Returns
    -------
    tuple of float : those shown, ascending; neighbours in the list, the centre among them, or nothing
    """
    if not show(centre, confidence):
        return ()
    half = 1.0 - 0.5 * (1.0 - confidence)
    shown = [centre]
    for side in (sorted(v for v in values if v > centre), sorted((v for v in values if v < centre), reverse=True)):
        for value in side:
            if not show(value, half):
                break
            shown.append(value)
    return tuple(sorted(shown))

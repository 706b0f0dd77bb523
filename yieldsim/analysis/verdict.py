"""Met, not met, undecided: a pure function of bounds. A point estimate never decides."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from yieldsim.estimate.intervals import Estimate

MET, NOT_MET, UNDECIDED, NONE = "met", "not met", "undecided", "none"
_MOST_UNITS = 10**9  # beyond that nobody will run them


@dataclass(frozen=True)
class Judged:
    """One requirement beside what was reached.

    Attributes
    ----------
    name : ``unit yield``, or what a derating rule is about
    required : share
    reached : with its one-sided bounds
    word : ``met``, ``not met`` or ``undecided``
    deciding_bound : the lower bound where it is met or undecided, the upper one where it is not met
    reason : one sentence with the numbers
    more_units : how many more units would decide it if the observed share holds; None where it is decided or
        more units are not what is lacking
    """

    name: str
    required: float
    reached: Estimate
    word: str
    deciding_bound: float
    reason: str
    more_units: int | None = None


@dataclass(frozen=True)
class Verdict:
    """The answer to a requirement.

    Attributes
    ----------
    word : ``met``, ``not met``, ``undecided``, or ``none`` where nothing is required of the units
    deciding_bound : bound that decides, or would have to [share]
    required : what it is compared with [share]
    reason : in plain words, with the numbers
    more_units : see `Judged`
    worst_cell : temperature [degC] and age [yr] of the condition that complies least
    """

    word: str
    deciding_bound: float | None
    required: float | None
    reason: str
    more_units: int | None
    worst_cell: tuple[float, float] | None


def judge(low: float, high: float, required: float) -> str:
    """Return the word for a share known to lie between two one-sided bounds.

    Met when the lower bound reaches what is required, not met when the upper bound does not, else undecided.
    """
    if low >= required:
        return MET
    return NOT_MET if high < required else UNDECIDED


def judged(name: str, reached: Estimate, required: float, subject: str, more_units: int | None = None) -> Judged:
    """Judge one requirement.

    Parameters
    ----------
    name : see `Judged`
    reached : estimate with its bounds
    required : share
    subject : what the share is of, with its verb: ``of units reach 99.9 % completion in every condition``
    more_units : how many more units would decide it, kept where it is undecided
    """
    word = judge(reached.low, reached.high, required)
    low, high = percent(reached.low, down=True), percent(reached.high, down=False)
    found = {
        MET: f"at least {low} {subject}",
        NOT_MET: f"at most {high} {subject}",
        UNDECIDED: f"between {low} and {high} {subject}",
    }[word]
    sure = (
        f"each bound at {percent(reached.confidence)} confidence"
        if word == UNDECIDED
        else (f"at {percent(reached.confidence)} confidence")
    )
    reason = f"{found[0].upper()}{found[1:]} ({sure}); {percent(required)} is required."
    bound = reached.high if word == NOT_MET else reached.low
    return Judged(name, required, reached, word, bound, reason, more_units if word == UNDECIDED else None)


def overall(
    units: Judged | None, deratings: Sequence[Judged], worst_cell: tuple[float, float] | None = None
) -> Verdict:
    """Combine the requirements: not met if one is not met, met if all are met, else undecided.

    Without a requirement on the units (``units`` None) nothing can be met as a whole: the verdict is
    ``none``, unless a derating rule is not met.
    """
    parts = [part for part in (units, *deratings) if part is not None]
    broken = [part for part in parts if part.word == NOT_MET]
    if broken:
        reason = " ".join(part.reason for part in broken)
        return Verdict(NOT_MET, broken[0].deciding_bound, broken[0].required, reason, None, worst_cell)
    if units is None:
        reason = " ".join(["No unit yield is required.", *(part.reason for part in deratings)])
        return Verdict(NONE, None, None, reason, None, worst_cell)
    open_ones = [part for part in parts if part.word == UNDECIDED]
    if open_ones:
        known = [part.more_units for part in open_ones]
        more = None if None in known else max(n for n in known if n is not None)
        reason = " ".join(part.reason for part in open_ones)
        return Verdict(UNDECIDED, open_ones[0].deciding_bound, open_ones[0].required, reason, more, worst_cell)
    reason = " ".join(part.reason for part in parts)
    return Verdict(MET, units.deciding_bound, units.required, reason, None, worst_cell)


def more_units(share: float, units: int, required: float, confidence: float) -> int | None:
    """Return how many more units would decide a requirement if the observed share holds.

    By the exact binomial bounds (Clopper and Pearson 1934): the complying units are rounded against the
    decision.

    Parameters
    ----------
    share : observed share of units that comply
    units : already run
    required : share of units
    confidence : of each one-sided bound

    Returns
    -------
    int or None : None where so many units as have been run would decide it already (what is lacking is
        something else), where the share equals what is required, or where it would take more than 1e9 units
    """
    from yieldsim.estimate.intervals import clopper_pearson_bounds

    def decided(n: int) -> bool:
        # rounding of share * n must not turn an exact count into the next one
        if share > required:
            return clopper_pearson_bounds(math.floor(share * n * (1 + 1e-12)), n, confidence)[0] >= required
        return clopper_pearson_bounds(math.ceil(share * n * (1 - 1e-12)), n, confidence)[1] < required

    if share == required or decided(units):
        return None
    low, high = units, 2 * units
    while not decided(high):
        low, high = high, 2 * high
        if high > _MOST_UNITS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decided(middle) else (middle, high)
    return high - units


def percent(share: float, *, down: bool | None = None) -> str:
    """Spell a share in per cent with two digits of what is missing to 0 % or 100 %.

    ``down`` rounds towards zero, False away from it: a lower bound stays a lower bound, an upper one an
    upper one.
    """
    value = 100.0 * share
    gap = min(abs(value), abs(100.0 - value))
    decimals = 0 if gap == 0.0 else min(max(1 - math.floor(math.log10(gap)), 1), 6)
    scale = 10.0**decimals
    if down is None:
        number = round(value, decimals)
    else:
        near = round(value * scale)
        # what is on the grid already, but for rounding, stays there
        exact = abs(value * scale - near) < 1e-9 * scale
        number = (near if exact else math.floor(value * scale) if down else math.ceil(value * scale)) / scale
    text = f"{number:.{decimals}f}"
    return f"{text.rstrip('0').rstrip('.') if '.' in text else text} %"

"""How wide tolerances may truly be that nobody has measured: a convention, which whoever knows better can replace."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from yieldsim.words.errors import InputError, Problem

WIDEST = 10.0  # beyond it the stated width says nothing of the true one


@dataclass(frozen=True)
class PlausibleWidths:
    """Range of the true width of a tolerance over the stated one, by the basis of the number.

    Attributes
    ----------
    assumed : lowest and highest [-]; of measured numbers without a sample size, too. Half to twice as wide when left
        out: somebody's guess of a spread is taken to be good to a factor of 2 (common practice, no published source)
    datasheet : half as wide to as wide as stated when left out: a maker vouches for the limits, not for how parts fill
        them (common practice, no published source)

    Raises
    ------
    InputError : a range that is not two finite numbers above 0 in order, or one beyond ten times the stated width
    """

    assumed: tuple[float, float] = (0.5, 2.0)
    datasheet: tuple[float, float] = (0.5, 1.0)

    def __post_init__(self) -> None:
        """Refuse ranges that are none, all of them at once."""
        problems = [problem for basis in bases() if (problem := _problem(basis, *getattr(self, basis))) is not None]
        if problems:
            raise InputError(*problems)


def bases() -> tuple[str, ...]:
    """Return the bases that have a range."""
    return tuple(field.name for field in fields(PlausibleWidths))


def _problem(basis: str, low: float, high: float) -> Problem | None:
    reason = None
    if not (math.isfinite(low) and math.isfinite(high)):
        reason = "a width is a finite number of times the stated one"
    elif not 0.0 < low:
        reason = "a width is above 0 times the stated one"
    elif low > high:
        reason = "the lower width comes first"
    elif high > WIDEST:
        reason = f"more than {WIDEST:g} times as wide is no range that the stated width could tell of"
    if reason is None:
        return None
    return Problem(None, f"plausible widths, {basis}", f"{low:g}:{high:g}", reason, f"write {basis}=0.5:2, for example")

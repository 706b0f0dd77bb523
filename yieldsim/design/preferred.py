"""Preferred values: the numbers of the E series in which resistors and capacitors are sold.

The series of IEC 60063 are rounded geometric series, 10**(k / n), except for values of E24 and coarser that were in use
before the rule: 27, 30, 33, 36, 39, 43, 47 and 82 stand where the rule gives 26, 29, 32, 35, 38, 42, 46 and 83. They
are therefore listed, not computed. (Values from memory of the standard, which is not freely readable; the exceptions
from comparing them with the rule.)
"""

from __future__ import annotations

import math
from decimal import Decimal

from yieldsim.words.errors import InputError, Problem

#: IEC 60063, values of one decade times ten
SERIES: dict[str, tuple[int, ...]] = {
    "E3": (10, 22, 47),
    "E6": (10, 15, 22, 33, 47, 68),
    "E12": (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82),
    "E24": (
        10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30,
        33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91,
    ),
}  # fmt: skip
#: dimensions of parts that are sold in such values
SOLD_IN_SERIES = ("F", "ohm", "H")
_WITHIN = 1e-9  # relative; the double of an end need not be that of the value


def preferred_values(series: str, low: float, high: float) -> tuple[float, ...]:
    """Return the values of a series from ``low`` to ``high``, ascending, both ends included.

    Parameters
    ----------
    series : a key of `SERIES`
    low, high : in any unit; 0 < low <= high

    Returns
    -------
    tuple of float : each the double nearest to the decimal value

    Raises
    ------
    InputError : no such series, or ends that are not positive or not in order
    """
    if series not in SERIES:
        raise InputError(Problem(None, "series", series, "no such series", f"use {', '.join(SERIES)}"))
    if not 0.0 < low <= high < math.inf:
        raise InputError(
            Problem(None, "range", f"{low:g} to {high:g}", "preferred values are positive", "give 0 < from <= to")
        )
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    found = (float(Decimal(value).scaleb(decade - 1)) for decade in range(first, last) for value in SERIES[series])
    return tuple(value for value in found if low * (1.0 - _WITHIN) <= value <= high * (1.0 + _WITHIN))

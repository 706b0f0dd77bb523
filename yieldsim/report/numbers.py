"""How numbers are written for people: engineering prefixes, shares near 0 and near 1, and bounds.

A bound is rounded away from the estimate, so that what is printed is still a bound.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from yieldsim.analysis.drawn import DrawnValue
    from yieldsim.estimate.intervals import Estimate

ABSENT = "\u2013"  # what stands where a quantity does not apply
MINUS = "\u2212"

Rounding = Literal["nearest", "down", "up"]

_MODES = {"nearest": ROUND_HALF_EVEN, "down": ROUND_FLOOR, "up": ROUND_CEILING}
_PREFIXES = {9: "G", 6: "M", 3: "k", 0: "", -3: "m", -6: "\u00b5", -9: "n", -12: "p"}
_PREFIXED = ("V", "A", "s", "F", "H", "J", "W", "ohm", "Hz")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|pp[mb]|\u00b0C|yr|[GMkm\u00b5np]?[VAJCsFH\u03a9])(?![\w-]))|(?<=\u2265) ")
_MOST_DECIMALS = 8  # of a share in per cent: a tenth of a ppb


def engineering(value: float | None, unit: str, digits: int = 3, *, signed: bool = False) -> str:
    """Return a number with its unit and an engineering prefix: 0.00123 J becomes ``1.23 mJ``.

    Parameters
    ----------
    value : in ``unit``, an SI unit that takes prefixes; None and what is not finite give a dash
    digits : significant ones
    signed : whether a positive number gets its sign
    """
    if value is None or not math.isfinite(value):
        return ABSENT
    number = _rounded(value, digits)
    exponent = 0 if not number else number.adjusted() // 3 * 3
    exponent = min(max(exponent, min(_PREFIXES)), max(_PREFIXES))
    scaled = number.scaleb(-exponent)
    decimals = max(digits - 1 - scaled.adjusted(), 0) if scaled else 0
    sign = "+" if signed and number > 0 else MINUS if number < 0 else ""
    return f"{sign}{abs(scaled):,.{decimals}f} {_PREFIXES[exponent]}{unit}".rstrip()


def share(value: float | None, rounding: Rounding = "nearest") -> str:
    """Return a share in per cent, with two digits of what is missing to 0 % or to 100 %.

    0.999312 becomes ``99.931 %``, 0.5 ``50.0 %``, 0.00077 ``0.077 %``; 0 is ``0 %``, 1 is ``100 %``.
    """
    if value is None or not math.isfinite(value):
        return ABSENT
    exact = Decimal(repr(float(value))) * 100
    gap = min(abs(exact), abs(100 - exact))
    if not gap:
        return f"{exact:.0f} %"
    decimals = min(max(1 - gap.adjusted(), 1), _MOST_DECIMALS)
    number = exact.quantize(Decimal(1).scaleb(-decimals), rounding=_MODES[rounding])
    return f"{_with_minus(number, decimals)} %"


def small_share(value: float | None, rounding: Rounding = "nearest", digits: int = 2) -> str:
    """Return a share that may be tiny: per cent down to 0.1 %, then ppm, then ppb.

    0.0077 becomes ``0.77 %``, 0.00012 ``120 ppm``, 3e-8 ``30 ppb``.
    """
    if value is None or not math.isfinite(value):
        return ABSENT
    size = abs(value)
    scale, unit = (100, "%") if size >= 1e-3 or not size else (10**6, "ppm") if size >= 1e-6 else (10**9, "ppb")
    number = Decimal(repr(float(value))) * scale
    places = digits - 1 - number.adjusted() if number else 0
    if unit == "%" and number > 90:
        return share(value, rounding)
    number = number.quantize(Decimal(1).scaleb(-places), rounding=_MODES[rounding])
    return f"{_with_minus(number, max(places, 0))} {unit}"


def stated(value: float | None) -> str:
    """Return a share that somebody chose, a requirement or a confidence: ``99.9 %``, as it was said."""
    return ABSENT if value is None else f"{plain(100 * value, 10)} %"


def quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """Return a value of a parameter: with an engineering prefix where its unit takes one."""
    if value is None or not math.isfinite(value):
        return ABSENT
    if unit in _PREFIXED:
        return engineering(value, unit, digits)
    return f"{plain(value, digits)} {unit}".rstrip()


def difference_text(row: DrawnValue) -> str:
    """Return how far a drawn value is from its nominal, in per cent of it; in its unit where that is 0, or a level."""
    if row.unit == "dB":
        return f"{fixed(row.value - row.nominal, 2, signed=True)} dB"
    if row.difference is None:
        return engineering(row.value, row.unit, signed=True)
    return f"{fixed(100.0 * row.difference, 1, signed=True)} %"


def plain(value: float | None, digits: int = 4) -> str:
    """Return a number with ``digits`` significant ones, without prefix, and without exponent if readable."""
    if value is None or not math.isfinite(value):
        return ABSENT
    number = _rounded(value, digits)
    if number and not -5 <= number.adjusted() <= 9:
        return f"{number:.{digits - 1}e}".replace("-", MINUS)
    text = f"{number:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", MINUS)


def fixed(value: float | None, decimals: int, *, signed: bool = False) -> str:
    """Return a number with a fixed number of decimals, for columns of a table."""
    if value is None or not math.isfinite(value):
        return ABSENT
    text = f"{value:+,.{decimals}f}" if signed else f"{value:,.{decimals}f}"
    if not any(c in "123456789" for c in text):  # no negative zero
        text = text.replace("-", "").replace("+", "")
    return text.replace("-", MINUS)


def count(value: int | None) -> str:
    """Return a whole number with its thousands marked."""
    return ABSENT if value is None else f"{value:,d}"


def temperature(value: float) -> str:
    """Return a temperature in degrees Celsius."""
    return f"{plain(value)} \u00b0C"


def years(value: float) -> str:
    """Return an age in years."""
    return f"{plain(value)} yr"


def condition(temperature_degC: float, age_yr: float) -> str:
    """Return the name of a cell: ``60 °C after 12 yr``, or ``25 °C when new``."""
    return f"{temperature(temperature_degC)} " + (f"after {years(age_yr)}" if age_yr else "when new")


def low_bound(estimate: Estimate | None) -> str:
    """Return the lower bound of a share, rounded down."""
    return ABSENT if estimate is None else share(estimate.low, "down")


def high_bound(estimate: Estimate | None) -> str:
    """Return the upper bound of a share, rounded up."""
    return ABSENT if estimate is None else share(estimate.high, "up")


def share_with_bounds(estimate: Estimate | None) -> str:
    """Return a share with both one-sided bounds: ``99.23 % (99.19 % to 99.27 %)``."""
    if estimate is None:
        return ABSENT
    return f"{share(estimate.value)} ({low_bound(estimate)} to {high_bound(estimate)})"


def tied(text: str) -> str:
    """Return a sentence whose numbers keep their units on the same line."""
    return _BEFORE_UNIT.sub("\u00a0", text)


def _rounded(value: float, digits: int) -> Decimal:
    number = Decimal(repr(float(value)))
    if not number:
        return Decimal(0)
    return number.quantize(Decimal(1).scaleb(number.adjusted() - digits + 1), rounding=ROUND_HALF_EVEN)


def _with_minus(number: Decimal, decimals: int) -> str:
    return f"{number:.{decimals}f}".replace("-", MINUS)

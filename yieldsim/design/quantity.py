"""Reads and writes quantities: ``"47 uF ±20 %"`` becomes an SI number and its limits.

The reader is told the dimension by the field and knows a closed list of units (:mod:`yieldsim.design.units`).
Numbers are scaled in decimal arithmetic, so ``"47 uF"`` is the double nearest to 47e-6.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from decimal import Context, Decimal, localcontext
from typing import Any, NoReturn

from yieldsim.design.units import DIMENSIONS, owner_of, spellings
from yieldsim.words.errors import InputError, Problem
from yieldsim.words.spelling import closest

_MINUS = "\u2212"
_SIGN = rf"[+\-{_MINUS}]"
_NUMBER = rf"[+\-{_MINUS}]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+\-{_MINUS}]?[0-9]+)?"
_QUANTITY = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>.*?)\s*", re.DOTALL)
_SYMMETRIC = re.compile(r"(?P<nominal>.*?)\s*(?:±|\+/-|\+-)\s*(?P<width>.*?)\s*", re.DOTALL)
_TWO_SIDED = re.compile(
    rf"(?P<nominal>.*?)\s*(?P<first>{_SIGN}\s*[0-9.][^/+\-{_MINUS}]*?)\s*/\s*(?P<second>{_SIGN}\s*[0-9.].*?)\s*",
    re.DOTALL,
)
_LONGEST = 100  # characters; beyond that nobody wrote a quantity
_PRECISE = Context(prec=60)
_ALIKE = 0.7  # how like a unit a wrong spelling must be before it is taken for it


@dataclass(frozen=True)
class Limits:
    """Lowest and highest deviation from a nominal, relative to it or in its SI unit; ``low <= 0 <= high``."""

    low: float
    high: float
    relative: bool


def shown(value: Any) -> str:
    """Show a value of the file in an error: as TOML writes it, on one line, cut at 60 characters."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{key} = {shown(item)}" for key, item in value.items()) + " }" if value else "{}"
    elif isinstance(value, (list, tuple)):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    text = "".join(c if c.isprintable() else "\ufffd" for c in text)
    return text if len(text) <= 60 else text[:57] + "..."


def read_quantity(
    value: Any, dimension: str, *, unit: str | None = None, key: str | None = None, file: str | None = None
) -> float:
    """Read the number that a quantity spells.

    Parameters
    ----------
    value : ``"47 uF"``; a bare number only where the dimension has no unit
    dimension : a key of :data:`~yieldsim.design.units.DIMENSIONS`
    unit : unit of the answer; the SI unit (degC for temperatures) when left out
    key, file : named in the error

    Returns
    -------
    float : finite

    Raises
    ------
    InputError : not a number with one unit of this dimension
    """
    try:
        return _scaled(value, dimension, unit)
    except _NotRead as error:
        raise InputError(Problem(file, key, shown(value), error.reason, error.remedy)) from None


def read_limits(value: Any, dimension: str, *, key: str | None = None) -> Limits:
    """Read the limits that ``"±5 %"``, ``"+80/-20 %"`` or ``"±30 mV"`` spell.

    Per cent and ppm are relative to the nominal, except where the values themselves are in per cent (shares,
    changes): there they are points. Two equal signs, a missing sign and a unit of another dimension are
    refused.

    Raises
    ------
    InputError : not such a spelling
    """
    try:
        if isinstance(value, str):
            parts = _split(value)
            if parts is not None and parts[0] == "":
                return _limits(parts[1:], dimension)
        raise _NotRead("limits need a sign on each side", f'write "±5 %" or "+80/-20 %"{_or_absolute(dimension)}')
    except _NotRead as error:
        raise InputError(Problem(None, key, shown(value), error.reason, error.remedy)) from None


def read_toleranced(value: Any, dimension: str, *, key: str | None = None) -> tuple[float, Limits | None]:
    """Read the nominal and the limits that ``"68 ohm ±5 %"`` spells; no limits for a plain quantity.

    Raises
    ------
    InputError : not a quantity of this dimension, or limits that cannot be read
    """
    try:
        parts = _split(value) if isinstance(value, str) else None
        if parts is None:
            return _scaled(value, dimension, None), None
        return _scaled(parts[0], dimension, None), _limits(parts[1:], dimension)
    except _NotRead as error:
        raise InputError(Problem(None, key, shown(value), error.reason, error.remedy)) from None


def read_width(value: Any, dimension: str, *, key: str | None = None) -> tuple[float, bool]:
    """Read a signed deviation such as ``"3 %"`` or ``"10 mV"`` and whether it is relative to the nominal.

    Raises
    ------
    InputError : not such a spelling
    """
    try:
        return _width(value, dimension)
    except _NotRead as error:
        raise InputError(Problem(None, key, shown(value), error.reason, error.remedy)) from None


def si_value(value: Any, dimension: str, *, key: str | None = None) -> float:
    """Take a number from the Python interface: SI number, spelled quantity, or one that converts itself.

    An object with ``.to(unit)`` whose answer has ``.magnitude`` is asked for the SI unit of the dimension.

    Raises
    ------
    InputError : not finite, or not a quantity of this dimension
    """
    if isinstance(value, str):
        return read_quantity(value, dimension, key=key)
    if hasattr(value, "to"):
        unit = next(iter(DIMENSIONS[dimension].units)) or "dimensionless"
        try:
            value = value.to(unit).magnitude
        except Exception as error:  # any unit library, each with its own errors
            reason = f"it does not convert to {unit} ({error})"
            raise InputError(Problem(None, key, str(value), reason, f"give {_article(dimension)}")) from error
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise InputError(Problem(None, key, shown(value), "not a finite number", f"give {_article(dimension)} in SI"))
    return number


def format_quantity(value: float, dimension: str, digits: int | None = 6) -> str:
    """Write a spelling that :func:`read_quantity` reads, with an engineering prefix.

    ``digits`` is the number of significant ones; None spells every digit, so that reading gives the same
    double.
    """
    units = DIMENSIONS[dimension].units
    with localcontext(_PRECISE) as context:
        number = Decimal(repr(float(value)))
        if digits is not None:
            context.prec = digits
            number = +number
            context.prec = _PRECISE.prec
        candidates = DIMENSIONS[dimension].shown
        scales = [(number / units[unit], unit) for unit in candidates]
        fitting = [pair for pair in scales if abs(pair[0]) >= 1]
        best = fitting[0] if fitting else (scales[-1] if number else (Decimal(0), next(iter(units))))
        if not number and dimension in ("share", "change", "1/K"):
            best = (Decimal(0), candidates[-1])
        text = _digits_of(best[0])
    return f"{text} {best[1]}".rstrip()


def _digits_of(number: Decimal) -> str:
    number = number.normalize()
    return f"{number:f}" if -9 <= number.adjusted() <= 15 else f"{number:e}"


class _NotRead(Exception):  # noqa: N818 - never leaves this file
    def __init__(self, reason: str, remedy: str) -> None:
        super().__init__(reason)
        self.reason = reason
        self.remedy = remedy


def _article(dimension: str) -> str:
    return DIMENSIONS[dimension].noun


def _or_absolute(dimension: str) -> str:
    unit = DIMENSIONS[dimension].shown[-1]
    return "" if unit in ("", "%") else f", or an absolute width in {unit}"


def _example(dimension: str) -> str:
    known = DIMENSIONS[dimension]
    return known.example if known.bare and "" in known.shown else f'"{known.example}"'


def _scaled(value: Any, dimension: str, unit: str | None) -> float:
    """Return the number in ``unit``; every refusal is a _NotRead."""
    known = DIMENSIONS[dimension]
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise _NotRead(f"{known.noun} is due here", f"write {_example(dimension)}")
    if not isinstance(value, str):
        if isinstance(value, float) and not math.isfinite(value):
            raise _NotRead("not a finite number", f"write a finite one, for example {_example(dimension)}")
        if "" not in known.units:
            raise _NotRead("a number without its unit", f"write the unit too, for example {_example(dimension)}")
        return _finite(Decimal(repr(value)), Decimal(1), dimension)
    if len(value) > _LONGEST:
        raise _NotRead(f"longer than {_LONGEST} characters", f"write {_example(dimension)}")
    match = _QUANTITY.fullmatch(value)
    if match is None:
        _refuse_number(value, dimension)
    number, spelled = match["number"].replace(_MINUS, "-"), match["unit"]
    if spelled not in known.units:
        _refuse_unit(number, spelled, dimension)
    with localcontext(_PRECISE):
        exponent = re.search(r"[eE]([+-]?[0-9]+)$", number)
        if exponent and abs(int(exponent[1])) > 300:
            raise _NotRead("beyond the range of numbers", f"write {_example(dimension)}")
        size = known.units[spelled] / (known.units[unit] if unit is not None else Decimal(1))
        return _finite(Decimal(number), size, dimension)


def _finite(number: Decimal, size: Decimal, dimension: str) -> float:
    with localcontext(_PRECISE):
        answer = float(number * size)
    if not math.isfinite(answer) or (number != 0 and abs(answer) < 1e-300):
        raise _NotRead("beyond the range of numbers", f"write {_example(dimension)}")
    return answer


def _refuse_number(value: str, dimension: str) -> NoReturn:
    example = _example(dimension)
    bare = value.strip().lstrip("+-" + _MINUS).casefold()
    if re.match(r"(nan|inf)", bare):
        raise _NotRead("not a finite number", f"write a finite one, for example {example}")
    raise _NotRead("no number at its beginning", f"write one number and one unit, for example {example}")


def _refuse_unit(number: str, spelled: str, dimension: str) -> NoReturn:
    """Says what is wrong with a unit that the dimension does not have."""
    known = DIMENSIONS[dimension]
    example = _example(dimension)
    if spelled == "":
        raise _NotRead("a number without its unit", f"write the unit too, for example {example}")
    if re.match(r",\s*[0-9]", spelled):
        fraction = re.match(r",\s*([0-9]+)\s*(.*)", spelled, re.DOTALL)
        unit = fraction[2] if fraction and fraction[2] in known.units else ""
        point = f"{number}.{fraction[1]} {unit}".strip() if fraction else known.example
        raise _NotRead("a comma inside the number", f'use a decimal point and no thousands mark: "{point}"')
    if re.match(r"[\s_'.]*[0-9*^(]|[eE][+-]?[0-9]", spelled):
        raise _NotRead("not one number with one unit", f"write {example}")
    if dimension == "degC" and spelled in (
        "C",
        "c",
        "deg C",
        "degc",
        "celsius",
        "Celsius",
        "\u00b0",
        "\u2103",
    ):
        raise _NotRead(f"{shown(spelled)} is not a unit here", f'write "{number} degC" or "{number} \u00b0C"')
    owner = owner_of(spelled)
    if owner is not None:
        due = f"{spelled} belongs to {DIMENSIONS[owner].noun}, but {known.noun} is due here"
        raise _NotRead(due, f"write it in {spellings(dimension)}" if spellings(dimension) else f"write {example}")
    match = closest(spelled, [unit for unit in known.units if unit], _ALIKE)
    if match is not None:
        raise _NotRead(f"{shown(spelled)} is not a unit here", f'did you mean "{number} {match}"?')
    listed = spellings(dimension)
    raise _NotRead(f"{shown(spelled)} is not a unit here", f"units here: {listed}" if listed else f"write {example}")


def _split(text: str) -> tuple[str, ...] | None:
    """(nominal, width) or (nominal, first side, second side), or None where the text has no tolerance."""
    match = _SYMMETRIC.fullmatch(text)
    if match is not None:
        return match["nominal"].strip(), match["width"]
    match = _TWO_SIDED.fullmatch(text)
    return None if match is None else (match["nominal"].strip(), match["first"], match["second"])


def _limits(sides: tuple[str, ...], dimension: str) -> Limits:
    if len(sides) == 1:
        if re.match(rf"[+\-{_MINUS}]", sides[0]):
            raise _NotRead("a second sign behind ±", 'write "±5 %"')
        width, relative = _width(sides[0], dimension)
        return Limits(-width + 0.0, width, relative)
    first, second = (re.sub(r"^([+-])\s+", r"\1", side.replace(_MINUS, "-")) for side in sides)
    if first[0] == second[0]:
        raise _NotRead("both limits on one side of the nominal", 'write one with + and one with -: "+80/-20 %"')
    unit = _QUANTITY.fullmatch(second)
    if unit is not None and re.fullmatch(_NUMBER, first.strip()):
        first = f"{first} {unit['unit']}"  # "+80/-20 %": one unit for both
    (a, relative), (b, also_relative) = _width(first, dimension), _width(second, dimension)
    if relative is not also_relative:
        raise _NotRead("one limit relative, the other absolute", 'write both in one unit: "+80/-20 %"')
    return Limits(min(a, b), max(a, b), relative)


def _width(value: Any, dimension: str) -> tuple[float, bool]:
    known = DIMENSIONS[dimension]
    example = f'write "5 %"{_or_absolute(dimension)}'
    if not isinstance(value, str):
        raise _NotRead("a width without its unit", example)
    match = _QUANTITY.fullmatch(value)
    if match is None:
        raise _NotRead("no width that can be read", example)
    if match["unit"] in ("%", "ppm") and not known.points:
        if dimension in ("dB", "degC"):
            raise _NotRead(f"a width in {match['unit']} means nothing for {known.noun}", f"write it in {dimension}")
        return _scaled(value, "factor", None), True
    if match["unit"] == "" and not known.bare:
        raise _NotRead("a width without its unit", example)
    return _scaled(value, dimension, None), False

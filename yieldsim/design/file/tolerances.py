"""A tolerance as the file writes it: a text such as ``"±5 %"``, a table, or a list of tables, one a level."""

from __future__ import annotations

from statistics import median
from typing import Annotated, Any

from pydantic import Field, ValidationInfo

from yieldsim.design.file.fields import (
    Flawed,
    Reading,
    Table,
    collected,
    each,
    flaw,
    one_of,
    quantity,
    validated,
)
from yieldsim.design.file.read_by import ReadBy
from yieldsim.design.parameter import LEVELS, SHAPES, Tolerance
from yieldsim.design.quantity import Limits, read_limits, read_quantity, read_width
from yieldsim.words.tables import read_columns


def _limits(value: Any, info: ValidationInfo[Any]) -> Limits:
    limits = read_limits(value, info.context.dimension)
    if limits.low == limits.high:
        raise Flawed(flaw(value=value, reason="limits without a width", remedy="leave the tolerance out"))
    return limits


def _width(value: Any, info: ValidationInfo[Any]) -> tuple[float, bool]:
    return read_width(value, info.context.dimension)


def _sigma(value: Any, info: ValidationInfo[Any]) -> tuple[float, bool]:
    """Read a standard deviation; a bare number is one of ln x, which only a lognormal has."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        width = read_quantity(value, "factor"), True
    else:
        width = read_width(value, info.context.dimension)
    if width[0] <= 0.0:
        raise Flawed(flaw(value=value, reason="must be above 0", remedy="give a larger value, or leave it out"))
    return width


LimitsField = Annotated[Limits, ReadBy(_limits, str), Field(examples=["±5 %", "+80/-20 %"])]
WidthField = Annotated[tuple[float, bool], ReadBy(_width, str), Field(examples=["3 %"])]
SigmaField = Annotated[tuple[float, bool], ReadBy(_sigma, str | float), Field(examples=["3 %"])]


class ToleranceTable(Table):
    """How a parameter spreads at one level."""

    level: Annotated[str | None, one_of(*LEVELS)] = None
    shape: Annotated[str | None, one_of(*SHAPES)] = None
    sigma: SigmaField | None = None
    within: LimitsField | None = None
    mode: WidthField | None = None
    flat: Annotated[float | None, quantity("share"), Field(examples=["50 %"])] = None
    removed: LimitsField | None = None
    offset: WidthField | None = None
    file: Annotated[str | None, Field(examples=["measured/emf.csv"])] = None
    column: Annotated[str | None, Field(examples=["emf_V"])] = None
    absolute: bool = False


# What each shape is made of: keys it must have, keys it may have.
_NEEDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "normal": (("sigma",), ()),
    "truncated normal": (("within",), ("sigma",)),
    "uniform": (("within",), ()),
    "triangular": (("within",), ("mode",)),
    "trapezoidal": (("within", "flat"), ()),
    "lognormal": (("sigma",), ()),
    "sorted": (("within", "removed"), ("sigma",)),
    "measured": (("file", "column"), ("absolute",)),
}
_COMMON = ("level", "shape", "offset")


def read_tolerances(value: Any, reading: Reading) -> tuple[Tolerance, ...]:
    """All tolerances of a parameter from what stands under its key ``tolerance``."""
    if isinstance(value, list):
        if not value:
            raise Flawed(flaw(value=value, reason="an empty list", remedy="leave the tolerance out"))
        tolerances = tuple(each(value, lambda entry: read_tolerance(entry, reading)))
    else:
        tolerances = (read_tolerance(value, reading),)
    levels = [t.level for t in tolerances]
    for level in LEVELS:
        if levels.count(level) > 1:
            reason = f'more than one tolerance at the level "{level}"'
            raise Flawed(flaw(reason=reason, remedy="give each its own level: lot, unit or actuation"))
    return tolerances


def read_tolerance(value: Any, reading: Reading) -> Tolerance:
    """One tolerance from a text or a table."""
    if isinstance(value, str):
        limits = read_limits(value, reading.dimension)
        if limits.low == limits.high:
            raise Flawed(flaw(value=value, reason="limits without a width", remedy="leave the tolerance out"))
        return default_tolerance(limits, reading)
    if not isinstance(value, dict):
        raise Flawed(flaw(value=value, reason="a tolerance is due here", remedy='write "±5 %" or { sigma = "3 %" }'))
    return _tolerance(validated(ToleranceTable, value, reading), value, reading)


def default_tolerance(limits: Limits, reading: Reading) -> Tolerance:
    """Tell what bare limits mean: the shape and level of the file's defaults."""
    return _with_limits(reading.defaults.shape, reading.defaults.level, limits)


def _with_limits(shape: str, level: str, limits: Limits, sigma: float | None = None) -> Tolerance:
    mode = 0.0
    if shape == "truncated normal" and sigma is None:
        sigma, mode = (limits.high - limits.low) / 6.0, (limits.high + limits.low) / 2.0
    return Tolerance(level, shape, limits.relative, limits.low, limits.high, sigma=sigma, mode=mode + 0.0)


def _shape_of(table: ToleranceTable, reading: Reading) -> str:
    if table.shape is not None:
        return table.shape
    if table.sigma is not None:
        return "normal" if table.within is None else "truncated normal"
    return reading.defaults.shape


def _tolerance(table: ToleranceTable, written: dict[str, Any], reading: Reading) -> Tolerance:
    shape = _shape_of(table, reading)
    needs, may = _NEEDS[shape]
    flaws = []
    for key in needs:
        if key not in written:
            alternatives = 'write "±5 %", sigma = "3 %" or both' if table.shape is None else f"add {key}"
            flaws.append(flaw(key, reason=f'a tolerance of shape "{shape}" needs it', remedy=alternatives))
    for key in written:
        if key not in (*needs, *may, *_COMMON):
            uses = ", ".join(needs + may)
            remedy = f"leave it out, or name the shape that it belongs to; this one takes {uses}"
            flaws.append(flaw(key, value=written[key], reason=f'no part of the shape "{shape}"', remedy=remedy))
    if flaws:
        raise Flawed(*flaws)
    return _checked(table, shape, table.level or reading.defaults.level, written, reading)


def _checked(table: ToleranceTable, shape: str, level: str, written: dict[str, Any], reading: Reading) -> Tolerance:
    """Read the tolerance of a table that has the right keys."""
    if shape == "measured":
        return _measured(table, level, reading)
    relative = table.within.relative if table.within else table.sigma[1] if table.sigma else True
    if isinstance(written.get("sigma"), (int, float)) and shape != "lognormal":
        raise Flawed(flaw("sigma", value=written["sigma"], reason="a width without its unit", remedy='write "3 %"'))
    if shape == "lognormal" and not relative:
        remedy = "write the standard deviation of ln x as a bare number, for example 0.4"
        raise Flawed(flaw("sigma", value=written["sigma"], reason="a lognormal spreads by factors", remedy=remedy))
    for key, kind in (("sigma", table.sigma), ("mode", table.mode), ("offset", table.offset)):
        if kind is not None and kind[1] is not relative and shape != "lognormal":
            _refuse_mixture(key, written)
    if table.removed is not None and table.removed.relative is not relative:
        _refuse_mixture("removed", written)
    sigma = table.sigma[0] if table.sigma else None
    offset = table.offset[0] if table.offset else 0.0
    if table.within is None:
        return Tolerance(level, shape, relative, sigma=sigma, offset=offset)
    made = _with_limits(shape, level, table.within, sigma)
    mode = table.mode[0] if table.mode else made.mode
    removed = (table.removed.low, table.removed.high) if table.removed else None
    if not table.within.low <= mode <= table.within.high:
        raise Flawed(flaw("mode", value=written["mode"], reason="outside the limits", remedy="put it between them"))
    if removed is not None and not (table.within.low < removed[0] and removed[1] < table.within.high):
        remedy = "remove a band narrower than the limits on both sides"
        raise Flawed(flaw("removed", value=written["removed"], reason="nothing is left beside it", remedy=remedy))
    return Tolerance(level, shape, relative, made.low, made.high, made.sigma, mode, table.flat, removed, offset)


def _refuse_mixture(key: str, written: dict[str, Any]) -> None:
    reason = "relative and absolute widths in one tolerance"
    raise Flawed(flaw(key, value=written[key], reason=reason, remedy="write all of them in % or all in one unit"))


def _measured(table: ToleranceTable, level: str, reading: Reading) -> Tolerance:
    """Deviations of a column from its own median, or from the nominal where the table says ``absolute``.

    The nominal is not known here, so absolute values are kept as they are; the parameter subtracts its
    nominal.
    """
    if table.file is None or table.column is None:  # the caller has refused this in words
        raise TypeError("a measured tolerance names its file and column")
    file, column = table.file, table.column
    (columns,) = collected([("file", lambda: read_columns(file, [column], base=_folder(reading), key="file"))])
    numbers = sorted(columns[table.column])
    if len(numbers) < 2 or numbers[0] == numbers[-1]:
        remedy = "give at least two different values"
        raise Flawed(flaw("file", value=table.file, reason="measured values without a spread", remedy=remedy))
    if not table.absolute:
        middle = median(numbers)
        if middle == 0.0 or any(x / middle <= 0.0 for x in numbers):
            remedy = "use absolute = true for values that change sign"
            raise Flawed(flaw("file", value=table.file, reason="relative to a median of the other sign", remedy=remedy))
        numbers = sorted(x / middle - 1.0 for x in numbers)
    offset, same = table.offset or (0.0, not table.absolute)
    if same is table.absolute:
        _refuse_mixture("offset", {"offset": offset})
    return Tolerance(
        level,
        "measured",
        not table.absolute,
        numbers[0],
        numbers[-1],
        offset=offset,
        values=tuple(numbers),
        file=table.file,
        column=table.column,
        sample_size=len(numbers),
    )


def _folder(reading: Reading) -> Any:
    if reading.folder is None:
        remedy = "read the configuration from a file, or say which folder its files are in"
        raise Flawed(flaw(reason="a file is named, but the configuration has no folder", remedy=remedy))
    return reading.folder

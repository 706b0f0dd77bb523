"""The drawn variables of a design: every tolerance, named by its parameter and its level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.parameter import LEVELS, Parameter, Tolerance
from yieldsim.design.schema import Design
from yieldsim.kernel import shapes
from yieldsim.words.errors import InputError, Problem

CODES = {
    "normal": shapes.NORMAL,
    "truncated normal": shapes.TRUNCATED_NORMAL,
    "uniform": shapes.UNIFORM,
    "triangular": shapes.TRIANGULAR,
    "trapezoidal": shapes.TRAPEZOIDAL,
    "lognormal": shapes.LOGNORMAL,
    "sorted": shapes.SORTED,
    "measured": shapes.MEASURED,
}
# Shapes whose truncation to what the lot left has a closed form here.
_SORTABLE = ("normal", "truncated normal", "uniform")


@dataclass(frozen=True)
class Variable:
    """One drawn tolerance.

    Attributes
    ----------
    name : name of the parameter that it moves
    level : ``lot``, ``unit`` or ``actuation``
    relative : the deviation is relative to the nominal; otherwise absolute in the parameter's SI unit
    code : shape, as `yieldsim.kernel.shapes` numbers them
    parameters : eight numbers of the shape, in the order of that module
    values : sorted deviations of a measured shape, else empty
    total : (low, high) limits of lot and unit deviation together, in this variable's own measure; None
        without sorting
    lot_scale : what the lot's deviation is multiplied by to stand in this variable's measure
    """

    name: str
    level: str
    relative: bool
    code: int
    parameters: tuple[float, ...]
    values: tuple[float, ...] = ()
    total: tuple[float, float] | None = None
    lot_scale: float = 1.0


@dataclass(frozen=True)
class Shapes:
    """Shapes of V variables as the compiled code reads them.

    ``codes`` (V,), ``params`` (V, 8) and ``table`` (N,), the values of the measured shapes one behind the
    other.
    """

    codes: NDArray[np.int64]
    params: NDArray[np.float64]
    table: NDArray[np.float64]


def shapes_of(variables: Sequence[Variable]) -> Shapes:
    """Return the shapes of the variables, in their order."""
    params = np.array([v.parameters for v in variables], dtype=np.float64).reshape(-1, shapes.SHAPE_PARAMETERS)
    table: list[float] = []
    for i, variable in enumerate(variables):
        if variable.code == shapes.MEASURED:
            params[i, shapes.LOW] = len(table)
            table.extend(variable.values)
    return Shapes(np.array([v.code for v in variables], dtype=np.int64), params, np.array(table, dtype=np.float64))


def variables_of(design: Design) -> tuple[Variable, ...]:
    """Return every drawn variable: parameters in the order of the file, levels from lot to actuation.

    Raises
    ------
    InputError
        A coefficient of an ageing law that varies from actuation to actuation, or ``within_total`` on a shape
        that cannot be sorted.
    """
    problems: list[Problem] = []
    found: list[Variable] = []
    source = design.source.name if design.source is not None else None
    coefficients = {c.name for p in design.parameters.values() for c in p.coefficients}
    for parameter in design.parameters.values():
        problems.extend(_problems(parameter, source, coefficient=parameter.name in coefficients))
        for level in LEVELS:
            tolerance = parameter.tolerance_at(level)
            if tolerance is not None:
                found.append(_variable(parameter, tolerance))
    if problems:
        raise InputError(*problems)
    return tuple(found)


def _variable(parameter: Parameter, tolerance: Tolerance) -> Variable:
    code, row = _row(tolerance)
    variable = Variable(parameter.name, tolerance.level, tolerance.relative, code, row, tolerance.values)
    if tolerance.level != "unit" or parameter.within_total is None:
        return variable
    low, high, relative = parameter.within_total
    scale = _conversion(relative, tolerance.relative, parameter.nominal)
    lot = parameter.tolerance_at("lot")
    lot_scale = 1.0 if lot is None else _conversion(lot.relative, tolerance.relative, parameter.nominal)
    limits = (low * scale, high * scale)
    return replace(variable, total=(min(limits), max(limits)), lot_scale=lot_scale)


def _conversion(given_relative: bool, wanted_relative: bool, nominal: float) -> float:
    if given_relative == wanted_relative:
        return 1.0
    return nominal if given_relative else 1.0 / nominal


def _row(tolerance: Tolerance) -> tuple[int, tuple[float, ...]]:
    """Shape code and its eight parameters."""
    low, high = tolerance.low, tolerance.high
    code = CODES[tolerance.shape]
    row = [0.0] * shapes.SHAPE_PARAMETERS
    row[shapes.OFFSET] = tolerance.offset
    if tolerance.shape == "measured":
        row[shapes.HIGH] = float(len(tolerance.values))
        return code, tuple(row)
    row[shapes.LOW] = -math.inf if low is None else low
    row[shapes.HIGH] = math.inf if high is None else high
    row[shapes.CENTRE] = tolerance.mode
    sigma = tolerance.sigma
    if tolerance.shape == "truncated normal" and sigma is None:
        # The common reading of bare limits: three standard deviations either side of their middle.
        sigma = (row[shapes.HIGH] - row[shapes.LOW]) / 6.0
        row[shapes.CENTRE] = (row[shapes.HIGH] + row[shapes.LOW]) / 2.0
    row[shapes.SIGMA] = sigma or 0.0
    row[shapes.FLAT] = tolerance.flat or 0.0
    if tolerance.removed is not None:
        row[shapes.REMOVED_LOW], row[shapes.REMOVED_HIGH] = tolerance.removed
    if tolerance.shape in ("normal", "lognormal"):
        row[shapes.LOW] = row[shapes.HIGH] = 0.0
    elif row[shapes.LOW] == row[shapes.HIGH]:
        # A band of no width: every shape is its one value, which the uniform gives without dividing by the
        # width.
        return shapes.UNIFORM, tuple(row)
    elif tolerance.shape == "truncated normal" and row[shapes.SIGMA] == 0.0:
        value = min(max(tolerance.mode, row[shapes.LOW]), row[shapes.HIGH])
        row[shapes.LOW] = row[shapes.HIGH] = value
        return shapes.UNIFORM, tuple(row)
    if code == shapes.TRUNCATED_NORMAL:
        for place, limit in ((shapes.BELOW, shapes.LOW), (shapes.ABOVE, shapes.HIGH)):
            score = (row[limit] - row[shapes.CENTRE]) / row[shapes.SIGMA]
            row[place] = 0.5 * math.erf(score * math.sqrt(0.5))
    return code, tuple(row)


def _problems(parameter: Parameter, source: str | None, *, coefficient: bool) -> list[Problem]:
    problems = []
    if coefficient and parameter.tolerance_at("actuation") is not None:
        problems.append(
            Problem(
                source,
                parameter.name,
                "actuation",
                "a coefficient of ageing belongs to a part and cannot change from one actuation to the next",
                'give its tolerance level = "unit" or "lot"',
            )
        )
    if parameter.within_total is None:
        return problems
    key = f"{parameter.name}.within_total"
    unit = parameter.tolerance_at("unit")
    if unit is None:
        problems.append(
            Problem(
                source,
                key,
                None,
                "sorting needs a tolerance that differs from unit to unit",
                'add a tolerance with level = "unit", or remove within_total',
            )
        )
    elif unit.shape not in _SORTABLE:
        problems.append(
            Problem(
                source,
                key,
                unit.shape,
                "this shape of the unit's tolerance cannot be limited by what its lot left",
                f"use one of {', '.join(_SORTABLE)}, or remove within_total",
            )
        )
    return problems

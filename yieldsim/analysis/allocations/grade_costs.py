"""What tolerance grades cost: a delimited file with one row a grade, read against a design."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from yieldsim.analysis.described import dimension_of
from yieldsim.design.parameter import Parameter
from yieldsim.design.quantity import read_limits, read_width
from yieldsim.design.scaling import scaled
from yieldsim.design.schema import Design
from yieldsim.words.errors import InputError, Problem
from yieldsim.words.spelling import nearest
from yieldsim.words.tables import read_texts

KEY = "--costs"
MOST_ROWS = 1000
_COLUMNS = ("parameter", "factor", "grade", "cost")


@dataclass(frozen=True)
class Grade:
    """One grade of a tolerance: every deviation ``factor`` times the stated one, at a relative ``cost``."""

    factor: float
    cost: float


@dataclass(frozen=True)
class GradedParameter:
    """The grades that one parameter can be had in, the tightest first."""

    name: str
    grades: tuple[Grade, ...]


def read_grades(path: str | Path, design: Design) -> tuple[GradedParameter, ...]:
    """Read what grades of tolerances cost.

    The header names ``parameter``, ``cost`` and either ``factor`` (on the stated width) or ``grade`` (the width itself,
    as the configuration writes it: limits such as ``±1 %``, or the sigma of a normal such as ``2 %``); a file may have
    both columns, with one of the two filled in each row. Costs are relative, in any unit, and not negative.

    Parameters
    ----------
    path : file
    design : whose tolerances are graded

    Raises
    ------
    InputError : every row that cannot be used
    """
    header, rows = read_texts(path, key=KEY, max_rows=MOST_ROWS)
    name = str(path)
    columns = _columns(header, name)
    problems: list[Problem] = []
    found: dict[str, list[Grade]] = {}
    for number, row in enumerate(rows, start=1):
        cells = {column: row[k].strip() if k < len(row) else "" for column, k in columns.items()}
        try:
            parameter, grade = _grade(cells, design, name)
        except InputError as error:
            problems += [
                Problem(p.file or name, f"row {number} below the header, {p.key}", p.value, p.reason, p.remedy)
                for p in error.problems
            ]
            continue
        twice = [g for g in found.get(parameter, []) if g.factor == grade.factor]
        if twice:
            key = f"row {number} below the header, parameter"
            problems.append(Problem(name, key, parameter, "one grade given twice", "give each grade one row"))
        found.setdefault(parameter, []).append(grade)
    if problems:
        raise InputError(*problems)
    return tuple(GradedParameter(p, tuple(sorted(g, key=lambda x: x.factor))) for p, g in found.items())


def graded_design(design: Design, names: Sequence[str], factors: Sequence[float]) -> Design:
    """Return the design with the tolerances of these parameters multiplied by these factors.

    Raises
    ------
    InputError : a tolerance that reaches an impossible value
    """
    for name, factor in zip(names, factors, strict=True):
        if factor != 1.0:
            design = design.with_parameter(scaled(design.parameters[name], factor))
    return design


def _columns(header: Sequence[str], name: str) -> dict[str, int]:
    """Places of the columns, refusing those that are missing."""
    problems = []
    for column in header:
        if column not in _COLUMNS:
            problems.append(Problem(name, f"column {column}", None, "unknown column", nearest(column, _COLUMNS)))
    for column in ("parameter", "cost"):
        if column not in header:
            problems.append(Problem(name, f"column {column}", None, "missing", "head it parameter,factor,cost"))
    if not {"factor", "grade"} & set(header):
        remedy = "add factor (on the stated width) or grade (the width itself)"
        problems.append(Problem(name, "column factor", None, "missing, and grade too", remedy))
    if problems:
        raise InputError(*problems)
    return {column: list(header).index(column) for column in _COLUMNS if column in header}


def _grade(cells: dict[str, str], design: Design, name: str) -> tuple[str, Grade]:
    """Name of the parameter and its grade, from one row."""

    def refused(key: str, reason: str, remedy: str) -> InputError:
        return InputError(Problem(name, key, cells.get(key) or None, reason, remedy))

    parameters = design.parameters
    written = cells["parameter"]
    if written not in parameters:
        raise refused("parameter", "no parameter of the design has this name", nearest(written, parameters))
    parameter = parameters[written]
    if not parameter.tolerances:
        raise refused("parameter", "it has no tolerance that could be graded", "leave the row out")
    cost = _number(cells["cost"])
    if not 0.0 <= cost < math.inf:
        raise refused("cost", "a cost is a number of 0 or more", "write it with a decimal point, without a unit")
    factor, width = cells.get("factor", ""), cells.get("grade", "")
    if bool(factor) == bool(width):
        state = "neither a factor nor a grade" if not factor else "a factor and a grade"
        raise refused("factor", state, "fill one of the two in")
    times = _number(factor) if factor else _times(parameter, width)
    if not 0.0 < times < math.inf:
        raise refused("factor", "a factor on the stated width is a number above 0", "write 0.5 for half the width")
    return written, Grade(times, cost)


def _number(text: str) -> float:
    try:
        return float(text.replace("\u2212", "-")) if "_" not in text else math.nan
    except ValueError:
        return math.nan


def _times(parameter: Parameter, width: str) -> float:
    """How many times the stated width a grade is, from its spelling."""
    stated, dimension = parameter.tolerances[0], dimension_of(parameter)
    key = "grade"
    if len(parameter.tolerances) > 1:
        reason = "the parameter spreads at more than one level, and one width does not say which"
        raise InputError(Problem(None, key, width, reason, "give a factor in place of the grade"))
    if stated.low is not None and stated.high is not None:
        limits = read_limits(width, dimension, key=key)
        span, relative, whole = limits.high - limits.low, limits.relative, stated.high - stated.low
    elif stated.shape == "normal" and stated.sigma is not None:
        (span, relative), whole = read_width(width, dimension, key=key), stated.sigma
    else:
        reason = f"a tolerance of shape {stated.shape} has no width that could be written so"
        raise InputError(Problem(None, key, width, reason, "give a factor in place of the grade"))
    if relative is not stated.relative:
        if parameter.nominal == 0.0:
            reason, remedy = "relative to a nominal of nothing", "write it in the unit of the parameter"
            raise InputError(Problem(None, key, width, reason, remedy))
        span *= abs(parameter.nominal) if relative else 1.0 / abs(parameter.nominal)
    return span / whole

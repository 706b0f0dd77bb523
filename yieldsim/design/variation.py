"""A design with one number replaced, and what is tied to it: the variable of a sizing.

Any parameter may be varied, and of the plain numbers those that are sized: octets and bit rate of a frame
(``radio.transmit.octets``), attempts of the link, ratings (``storage.voltage_rating``), and ``bias_stretch`` of a
parameter with a bias curve, a factor on the voltages of that curve.

A class 2 ceramic loses capacitance with the field in its layers. In a row of parts of one dielectric, thicker layers
carry a higher rating, and the curve of each is about the same over the share of its rating: its voltages stretch with
the rating. A stretch of 2 therefore stands for a part of twice the rating; ties and tables of candidate parts move
rating and stretch together.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from yieldsim.design.advice import warnings_of
from yieldsim.design.quantity import format_quantity, read_quantity
from yieldsim.design.rules import RATINGS, problems_of
from yieldsim.design.schema import Design, Step
from yieldsim.words.errors import InputError, Problem
from yieldsim.words.spelling import nearest
from yieldsim.words.tables import read_texts

STRETCH = "bias_stretch"
_NAME_COLUMNS = ("name", "part")
_TIE = re.compile(r"\s*(?P<key>[^\^\s]+)\s*(?:\^\s*(?P<power>[+\-\u2212]?[0-9.]+))?\s*")
_MOST_CANDIDATES = 200
_RATING_UNITS = {"voltage_rating": "V", "maximum_supply": "V", "reverse_rating": "V", "current_rating": "A"}


@dataclass(frozen=True)
class Variable:
    """A number of a design that may be replaced.

    Attributes
    ----------
    key : dotted path
    dimension : as in :data:`yieldsim.design.units.DIMENSIONS`
    nominal : its value in the design, SI
    low, high : possible values, None for no bound
    whole : whether it counts something
    """

    key: str
    dimension: str
    nominal: float
    low: float | None = None
    high: float | None = None
    whole: bool = False

    def spelled(self, value: float, digits: int = 4) -> str:
        """Write a value with its unit."""
        return format_quantity(value, self.dimension, digits)


@dataclass(frozen=True)
class Tie:
    """``key`` moves with the variable: times (value / nominal) to the ``power``."""

    key: str
    power: float = 1.0

    def __str__(self) -> str:
        return self.key if self.power == 1.0 else f"{self.key}^{self.power:g}"


@dataclass(frozen=True)
class Candidate:
    """A part that could be fitted: its name and the numbers that it has, SI, by key."""

    name: str
    values: tuple[tuple[str, float], ...]


def variable_of(design: Design, key: str) -> Variable:
    """Return the variable of a key.

    Raises
    ------
    InputError : the design has no such number
    """
    known = _variables(design)
    if key not in known:
        remedy = nearest(key, known)
        raise InputError(Problem(_file(design), key, None, "no number of the design has this name", remedy))
    return known[key]


def variables(design: Design) -> tuple[str, ...]:
    """Return the keys that may be varied: parameters first, then plain numbers."""
    return tuple(_variables(design))


def with_values(design: Design, values: Mapping[str, float]) -> Design:
    """Return the same design with other numbers.

    Parameters
    ----------
    design : Design
    values : key -> SI value

    Raises
    ------
    InputError : no such number, or a design that they make impossible
    """
    plain: dict[str, float] = {}
    for key, value in values.items():
        if variable_of(design, key).key in design.parameters:
            design = design.with_nominal(key, value)
        else:
            plain[key] = value
    for key, value in plain.items():
        design = _with_plain(design, key, value)
    return design


def tied_values(design: Design, variable: Variable, ties: Sequence[Tie], value: float) -> dict[str, float]:
    """Return all numbers that go with one value of the variable, itself first.

    Raises
    ------
    InputError : a tie to nothing, or to a variable whose ratio means nothing
    """
    values = {variable.key: value}
    if not ties:
        return values
    if variable.nominal <= 0.0 or value <= 0.0:
        reason = "a tie follows the ratio to the nominal value, which has none here"
        raise InputError(Problem(_file(design), variable.key, variable.spelled(value), reason, "leave out the tie"))
    for tie in ties:
        moved = variable_of(design, tie.key)
        if tie.key in values:
            raise InputError(Problem(None, "tie", str(tie), "tied twice, or to itself", "name each key once"))
        number = moved.nominal * (value / variable.nominal) ** tie.power
        values[tie.key] = float(round(number)) if moved.whole else number
    return values


def read_tie(text: str) -> Tie:
    """Read ``storage.esr^-1``: the key moves with that power of the variable's ratio; 1 when left out.

    Raises
    ------
    InputError : not such a spelling
    """
    match = _TIE.fullmatch(text)
    try:
        power = 1.0 if match is None or match["power"] is None else float(match["power"].replace("\u2212", "-"))
    except ValueError:
        match = None
    if match is None:
        remedy = "write KEY or KEY^POWER, for example storage.esr^-1"
        raise InputError(Problem(None, "--tie", text, "not a key with a power", remedy))
    return Tie(match["key"], power)


def read_candidates(path: str | Path, design: Design, key: str) -> tuple[Candidate, ...]:
    """Read a table of parts: one a row, columns headed by keys of the design, cells with their units.

    A column ``name`` or ``part`` names them; without it they are named by the value of ``key``. The column of ``key``
    must be there. A column ``storage.capacitance.bias_stretch`` stretches the bias curve.

    Parameters
    ----------
    path : delimited text with a header line; anywhere
    design : Design
    key : of the variable that is sized

    Returns
    -------
    tuple of Candidate : by the value of ``key``, else in the order of the file

    Raises
    ------
    InputError : the file cannot be read, a column is no key of the design, or a cell is no such quantity
    """
    header, rows = read_texts(path, key="--candidates", max_rows=_MOST_CANDIDATES)
    file = str(path)
    named = [column for column in header if column.casefold() in _NAME_COLUMNS]
    keys = [column for column in header if column not in named]
    known = _variables(design)
    problems = [
        Problem(file, column, None, "this column is no number of the design", nearest(column, known))
        for column in keys
        if column not in known
    ]
    if key not in keys:
        problems.append(Problem(file, key, None, "no column of the sized number", f"add a column {key}"))
    if problems:
        raise InputError(*problems)
    found = []
    for row in rows:
        cells = dict(zip(header, row, strict=True))
        values = tuple((k, read_quantity(cells[k], known[k].dimension, key=k, file=file)) for k in keys)
        name = cells[named[0]] if named else known[key].spelled(dict(values)[key])
        found.append(Candidate(name, values))
    return tuple(sorted(found, key=lambda part: dict(part.values)[key]))


def _file(design: Design) -> str | None:
    return str(design.source) if design.source is not None else None


def _variables(design: Design) -> dict[str, Variable]:
    from yieldsim.design.physical import physical_of

    found = {}
    for name, p in design.parameters.items():
        limits = physical_of(p)
        found[name] = Variable(name, p.dimension, p.nominal, limits.low, limits.high)
    for step in design.radio.sequence:
        if step.frame is not None:
            place = f"radio.{step.name}"
            found[f"{place}.octets"] = Variable(f"{place}.octets", "count", step.frame.octets, 1, 65_535, True)
            found[f"{place}.bit_rate"] = Variable(f"{place}.bit_rate", "bit/s", step.frame.bit_rate, 0.0)
    found["link.attempts"] = Variable("link.attempts", "count", design.link.attempts, 1, None, True)
    for section, field in RATINGS.values():
        rating = getattr(getattr(design, section), field)
        if rating is not None:
            found[f"{section}.{field}"] = Variable(f"{section}.{field}", _RATING_UNITS[field], rating, 0.0)
    for name, p in design.parameters.items():
        if p.bias is not None:
            found[f"{name}.{STRETCH}"] = Variable(f"{name}.{STRETCH}", "factor", 1.0, 0.0)
    return found


def _with_plain(design: Design, key: str, value: float) -> Design:
    """Replace a number that is no parameter."""
    variable = variable_of(design, key)
    low = variable.low is None or (value >= variable.low if variable.whole else value > variable.low)
    if not (math.isfinite(value) and low and (variable.high is None or value <= variable.high)):
        ends = f"{variable.low:g} or more" if variable.whole else "a value above 0"
        raise InputError(Problem(_file(design), key, f"{value:g}", "an impossible value", f"use {ends}"))
    if variable.whole and value != round(value):
        raise InputError(Problem(_file(design), key, f"{value:g}", "not a whole number", f"use {round(value)}"))
    owner, _, field = key.rpartition(".")
    if field == STRETCH:
        parameter = design.parameters[owner]
        bias = tuple((voltage * value, factor) for voltage, factor in parameter.bias or ())
        return design.with_parameter(replace(parameter, bias=bias))
    if key == "link.attempts":
        changed = replace(design, link=replace(design.link, attempts=round(value)))
    elif owner.startswith("radio."):
        changed = replace(design, radio=replace(design.radio, sequence=_with_frame(design, owner, field, value)))
    else:
        part = replace(getattr(design, owner), **{field: value})
        changed = replace(design, **{owner: part})
    problems = problems_of(changed)
    if problems:
        raise InputError(*problems)
    return replace(changed, warnings=warnings_of(changed))


def _with_frame(design: Design, owner: str, field: str, value: float) -> tuple[Step, ...]:
    """Return the sequence with another number of one frame; a message's own octets stay as they are.

    Raises
    ------
    InputError : every message states its own octets, so that those of the frame are never sent
    """
    messages = design.radio.messages
    if field == "octets" and messages and all(message.octets is not None for message in messages):
        reason = "every message states its own octets, so the frame's are never sent"
        raise InputError(Problem(_file(design), f"{owner}.octets", f"{value:g}", reason, "size another number"))

    def changed(step: Step) -> Step:
        if step.frame is None or f"radio.{step.name}" != owner:
            return step
        if field == "octets":
            return replace(step, frame=replace(step.frame, octets=round(value)))
        return replace(step, frame=replace(step.frame, bit_rate=value))

    return tuple(changed(step) for step in design.radio.sequence)

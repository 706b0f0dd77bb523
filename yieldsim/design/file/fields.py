"""What the models of the file share: the base of every table, kinds of fields, faults in our own words."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, TypeVar, Union

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)

from yieldsim.design.file.read_by import ReadBy
from yieldsim.design.quantity import format_quantity, read_quantity, shown
from yieldsim.design.schema import Defaults
from yieldsim.design.units import DIMENSIONS
from yieldsim.words.errors import InputError
from yieldsim.words.spelling import nearest

T = TypeVar("T")
Path_ = tuple[str | int, ...]


@dataclass(frozen=True)
class Flaw:
    """One fault in the file: where (keys, and list positions from 0), the value, why not, what to do."""

    path: Path_
    value: str | None
    reason: str
    remedy: str


class Flawed(ValueError):  # noqa: N818 - it carries flaws, and never reaches a user
    """Carries the faults of one table out of a validator."""

    def __init__(self, *flaws: Flaw) -> None:
        super().__init__("; ".join(flaw.reason for flaw in flaws))
        self.flaws = flaws


def flaw(*path: str | int, value: Any = None, reason: str, remedy: str) -> Flaw:
    """Return a :class:`Flaw` whose value is shown as the file writes it."""
    return Flaw(path, None if value is None else shown(value), reason, remedy)


@dataclass(frozen=True)
class Reading:
    """What a validator may ask while a file is read.

    ``dimension`` and ``key`` belong to the parameter being read; ``folder`` is None when there is no file.
    """

    defaults: Defaults = dataclasses.field(default_factory=Defaults)
    folder: Path | None = None
    dimension: str = "factor"
    key: str = ""

    def of(self, dimension: str, key: str) -> Reading:
        """Return the same, inside a parameter of this dimension."""
        return replace(self, dimension=dimension, key=key)


class Table(BaseModel):
    """A table of the file. Unknown keys get the nearest spelling; faults are told in our own words."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, populate_by_name=False, defer_build=True)

    is_file: ClassVar[bool] = False  # the outermost table, whose keys are sections

    @model_validator(mode="wrap")
    @classmethod
    def _in_our_words(cls, data: Any, handler: Callable[[Any], Any]) -> Any:
        if isinstance(data, cls):
            return data
        if not isinstance(data, dict):
            raise Flawed(flaw(value=data, reason="a table is due here", remedy=f"write {cls.example()}"))
        try:
            return handler(data)
        except ValidationError as error:
            raise Flawed(*flaws_of(error, cls)) from None

    @classmethod
    def keys(cls) -> list[str]:
        """Return the keys of the table as the file spells them."""
        return [field.alias or name for name, field in cls.model_fields.items()]

    @classmethod
    def example(cls) -> str:
        """How the table's required keys are written."""
        required = [field.alias or name for name, field in cls.model_fields.items() if field.is_required()]
        return "{ " + ", ".join(f"{key} = ..." for key in required or cls.keys()[:2]) + " }"

    @classmethod
    def stranger(cls, key: str) -> str:
        """Return the remedy for a key that the table does not have."""
        return nearest(key, cls.keys())


def flaws_of(error: ValidationError, table: type[Table] | None = None) -> list[Flaw]:
    """Return the faults that a validation found, those of nested tables included."""
    flaws: list[Flaw] = []
    for row in error.errors(include_url=False):
        path: Path_ = row["loc"]
        cause = row.get("ctx", {}).get("error")
        if isinstance(cause, Flawed):
            flaws.extend(replace(inner, path=path + inner.path) for inner in cause.flaws)
        elif isinstance(cause, InputError):
            flaws.extend(Flaw(path, p.value, p.reason, p.remedy) for p in cause.problems)
        else:
            flaws.append(_native(row, path, table))
    return flaws


def _native(row: Any, path: Path_, table: type[Table] | None) -> Flaw:
    """Put into our words a fault that pydantic found itself."""
    kind, value = row["type"], row["input"]
    if kind == "extra_forbidden":
        remedy = table.stranger(str(path[-1])) if table else "leave it out"
        return flaw(*path, value=value, reason="unknown key", remedy=remedy)
    if kind == "missing" and len(path) == 1 and is_section(table, str(path[0])):
        return flaw(*path, reason="this section is missing", remedy=f"add [{path[0]}]")
    if kind == "missing":
        return flaw(*path, reason="missing", remedy=f"add it, for example {example_of(str(path[-1]), table)}")
    due = {
        "list_type": ("a list is due here", "write [ ... ]"),
        "tuple_type": ("a list is due here", "write [ ... ]"),
        "string_type": ("a text is due here", 'write it in quotes, "..."'),
        "bool_type": ("true or false is due here", "write true or false without quotes"),
        "too_short": ("it is empty", "give at least one entry"),
    }.get(kind, ("it cannot be read", row["msg"]))
    return flaw(*path, value=value, reason=due[0], remedy=due[1])


def is_section(table: type[Table] | None, key: str) -> bool:
    """Whether a key of the outermost table has a table of its own."""
    return table is not None and table.is_file and not table.model_fields[key].examples


def example_of(key: str, table: type[Table] | None) -> str:
    """``key = value`` as a file might say it."""
    for name, field in (table.model_fields if table else {}).items():
        if (field.alias or name) == key and field.examples:
            return f"{key} = {shown(field.examples[0])}"
    return f"{key} = ..."


def collected(items: Iterable[tuple[str | int, Callable[[], T]]]) -> list[T]:
    """Return all answers; raise the faults of all that fail, each below its own key, in one error."""
    answers: list[T] = []
    flaws: list[Flaw] = []
    for key, make in items:
        try:
            answers.append(make())
        except Flawed as error:
            flaws.extend(replace(inner, path=(key, *inner.path)) for inner in error.flaws)
        except InputError as error:
            flaws.extend(Flaw((key,), p.value, p.reason, p.remedy) for p in error.problems)
    if flaws:
        raise Flawed(*flaws)
    return answers


def each(values: Sequence[Any], read: Callable[[Any], T]) -> list[T]:
    """Tell what ``read`` makes of each entry of a list; the faults of all entries in one error."""
    return collected((i, partial(read, value)) for i, value in enumerate(values))


_LARGEST = 1e300  # of a bare number

# Kinds of plain fields: each is the metadata of an Annotated type.


def quantity(
    dimension: str,
    *,
    unit: str | None = None,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> ReadBy:
    """Accept a plain quantity within bounds, in ``unit`` (SI when left out)."""
    known = DIMENSIONS[dimension]

    def spelled(bound: float) -> str:
        return f"{bound:g} {unit}" if unit else format_quantity(bound, dimension)

    def read(value: Any) -> float:
        number = read_quantity(value, dimension, unit=unit)
        if dimension == "share" and not 0.0 <= number <= 1.0:
            raise Flawed(out_of_share(value, number))
        if above is not None and number <= above:
            raise Flawed(flaw(value=value, reason=f"must be above {spelled(above)}", remedy="give a larger value"))
        if at_least is not None and number < at_least:
            reason = f"must not be below {spelled(at_least)}"
            raise Flawed(flaw(value=value, reason=reason, remedy="give a larger value"))
        if at_most is not None and number > at_most:
            reason = f"must not be above {spelled(at_most)}"
            raise Flawed(flaw(value=value, reason=reason, remedy="give a smaller value"))
        return number

    input_type: Any = float | str if known.bare else str
    return ReadBy(read, input_type)


def out_of_share(value: Any, number: float) -> Flaw:
    """Say what is wrong with a share that is not one."""
    bare = not (isinstance(value, str) and "%" in value)
    remedy = f'for {number:g} per cent write "{number:g} %"' if bare and 1 < number <= 100 else "write 0 % to 100 %"
    return flaw(value=value, reason="a share lies between 0 % and 100 %", remedy=remedy)


def number(*, above: float | None = None, at_least: float | None = None, at_most: float | None = None) -> ReadBy:
    """Accept a bare number within bounds."""

    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise Flawed(
                flaw(value=value, reason="a bare number is due here", remedy="write it without quotes and unit")
            )
        if not -_LARGEST <= value <= _LARGEST:
            raise Flawed(flaw(value=value, reason="not a finite number", remedy="write a finite number"))
        _within(value, above, at_least, at_most)
        return float(value)

    return ReadBy(read, float)


def whole(*, at_least: int, at_most: int) -> ReadBy:
    """Accept a whole number within bounds."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise Flawed(
                flaw(
                    value=value,
                    reason="a whole number is due here",
                    remedy="write it without quotes and unit",
                )
            )
        _within(value, None, at_least, at_most)
        return value

    bounded: Any = Annotated[int, Field(ge=at_least, le=at_most)]
    return ReadBy(read, bounded)


def _within(value: float, above: float | None, at_least: float | None, at_most: float | None) -> None:
    if above is not None and value <= above:
        raise Flawed(flaw(value=value, reason=f"must be above {above:g}", remedy="give a larger value"))
    if at_least is not None and value < at_least:
        raise Flawed(flaw(value=value, reason=f"must not be below {at_least:g}", remedy="give a larger value"))
    if at_most is not None and value > at_most:
        raise Flawed(flaw(value=value, reason=f"must not be above {at_most:g}", remedy="give a smaller value"))


def one_of(*choices: str) -> ReadBy:
    """One of a few words."""

    def read(value: Any) -> str:
        if value not in choices or not isinstance(value, str):
            listed = ", ".join(shown(choice) for choice in choices)
            raise Flawed(flaw(value=value, reason="unknown here", remedy=f"choose from {listed}"))
        return value

    return ReadBy(read, Literal[choices])


def read_kind(value: Any, kinds: dict[str, type[Table]], noun: str, key: str, context: Any) -> Any:
    """Return the table among ``kinds`` that the word under ``key`` names, read from ``value``."""
    listed = ", ".join(shown(kind) for kind in kinds)
    if not isinstance(value, dict):
        example = f'{{ {key} = "{next(iter(kinds))}", ... }}'
        raise Flawed(flaw(value=value, reason="a table is due here", remedy=f"write {example}"))
    if key not in value:
        raise Flawed(flaw(key, reason="missing", remedy=f"add it, one of {listed}"))
    kind = value[key]
    if not isinstance(kind, str) or kind not in kinds:
        raise Flawed(flaw(key, value=kind, reason=f"no such {noun}", remedy=f"choose from {listed}"))
    return validated(kinds[kind], value, context)


def of_another_kind(key: str, kinds: dict[str, type[Table]]) -> str | None:
    """Return the remedy for a key that other kinds of the table have; None where none has it."""
    owners = [kind for kind, table in kinds.items() if key in table.keys()]
    if not owners:
        return None
    return f"it belongs to the kind {' or '.join(shown(kind) for kind in owners)}; leave it out"


def by_kind(kinds: dict[str, type[Table]], noun: str, *, key: str = "kind") -> ReadBy:
    """Accept a table whose keys depend on the word under ``key``."""

    def read(value: Any, info: ValidationInfo) -> Any:
        return read_kind(value, kinds, noun, key, info.context)

    union: Any = Union[tuple(dict.fromkeys(kinds.values()))]  # noqa: UP007 - built at run time
    return ReadBy(read, union)


def validated(table: type[Table], value: Any, context: Any) -> Any:
    """Return the table read from ``value``; faults as :class:`Flawed`."""
    try:
        return table.model_validate(value, context=context)
    except ValidationError as error:
        raise Flawed(*flaws_of(error, table)) from None


def list_of(table: type[Table], example: str) -> ReadBy:
    """Accept a list of tables, all faults of all entries at once; not empty."""

    def read(value: Any, info: ValidationInfo) -> tuple[Any, ...]:
        if not isinstance(value, list) or not value:
            raise Flawed(flaw(value=value, reason="a list of tables is due here", remedy=f"write {example}"))
        return tuple(each(value, lambda entry: validated(table, entry, info.context)))

    item: Any = table
    return ReadBy(read, list[item])

"""Reads a configuration file: TOML to :class:`~yieldsim.design.schema.Design`, with every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

from yieldsim.design.advice import warnings_of
from yieldsim.design.file import building, building_sources
from yieldsim.design.file.alternates import (
    AlternateTable,
    alternate_flaws,
    replaces,
    replaces_parameter,
    with_alternate,
    with_partial_sections,
)
from yieldsim.design.file.fields import Flawed, Reading, Table, flaw, flaws_of
from yieldsim.design.file.sections import DefaultsTable, DesignFile, nearest_section
from yieldsim.design.place import Places, key_of
from yieldsim.design.quantity import shown
from yieldsim.design.rules import cross_problems
from yieldsim.design.schema import Alternate, Defaults, Design
from yieldsim.design.tree import parameters_of
from yieldsim.words.errors import InputError, Problem

MAX_BYTES = 1_000_000
_SECTIONS = ("conditions", "harvester", "precharge", "rectifier", "storage", "regulator", "radio", "link")


def read_design(path: str | Path) -> Design:
    """Read the design that a configuration file describes.

    Parameters
    ----------
    path : TOML file; files that it names lie in its folder or below

    Raises
    ------
    InputError : every fault found, in the order of the file, each with file, key, value and remedy
    """
    path = Path(path)
    return design_from_toml(_text_of(path), source=path, folder=path.parent)


def design_from_toml(text: str, source: str | Path | None = None, folder: str | Path | None = None) -> Design:
    """Read the design that a TOML text describes.

    Parameters
    ----------
    text : TOML 1.0
    source : named in errors and kept in the design
    folder : where files that it names are looked for; None refuses such files

    Raises
    ------
    InputError : every fault found, in the order of the text
    """
    file = None if source is None else str(source)
    document = _parsed(text, file)
    reading = Reading(folder=None if folder is None else Path(folder))
    places = Places(document)
    try:
        return _design(document, reading, text, None if source is None else Path(source))
    except Flawed as error:
        problems = [Problem(None, key_of(f.path, document) or None, f.value, f.reason, f.remedy) for f in error.flaws]
    except InputError as error:
        problems = list(error.problems)
    problems = list(dict.fromkeys(_located(problem, file, places) for problem in problems))
    problems.sort(key=lambda problem: places.order(problem.key or ""))
    raise InputError(*problems)


def json_schema() -> dict[str, Any]:
    """JSON Schema of the configuration file, for editors; made from the classes that read it."""
    own = with_partial_sections(DesignFile.model_json_schema())
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **own}
    cleaned: dict[str, Any] = _without_nulls(schema)
    return cleaned


def _without_nulls(node: Any) -> Any:
    """Return the schema without null defaults: TOML has no null, an absent key is absent."""
    if isinstance(node, dict):
        return {key: _without_nulls(value) for key, value in node.items() if value is not None}
    return [_without_nulls(value) for value in node] if isinstance(node, list) else node


def starter() -> str:
    """Return a commented configuration that runs, to be changed into one's own."""
    return files("yieldsim.design").joinpath("starter.toml").read_text(encoding="utf-8")


def _text_of(path: Path) -> str:
    def fault(reason: str, remedy: str) -> InputError:
        return InputError(Problem(str(path), None, None, reason, remedy))

    try:
        if not path.exists():
            raise fault("no such file", "check its name and folder")
        if not path.is_file():
            raise fault("not a file", "name a configuration file in TOML")
        if path.stat().st_size > MAX_BYTES:
            raise fault(f"larger than {MAX_BYTES // 1_000_000} MB", "put measured data into CSV files beside it")
        data = path.read_bytes()
    except OSError as error:
        raise fault(f"it cannot be read ({error.strerror})", "check the file and its permissions") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise fault(f"not a text file in UTF-8 (line {line})", "save it as TOML in UTF-8") from None
    if "\0" in text:
        raise fault("not a text file", "name a configuration file in TOML")
    if not text.strip():
        raise fault("the file is empty", "start from the commented file that `yieldsim new` writes")
    return text


def _parsed(text: str, file: str | None) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as error:  # a TOMLDecodeError, or a number too long to be read
        message = str(error)
        found = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$", message)
        lines = text.splitlines() or [""]
        line, column = (int(found[1]), int(found[2])) if found and found[1] else (len(lines), len(lines[-1]) + 1)
        reason = message[: found.start()] if found else message
        written = lines[line - 1].strip() if line <= len(lines) else ""
        place = f"not TOML at line {line}, column {column} ({reason[:1].lower()}{reason[1:]})"
        raise InputError(Problem(file, None, written[:60] or None, place, "correct this line")) from None
    except RecursionError:
        raise InputError(
            Problem(file, None, None, "tables nested too deeply", "use the tables of the schema")
        ) from None


def _located(problem: Problem, file: str | None, places: Places) -> Problem:
    """Return the problem with its file and, where the file says it, the value as written."""
    value = problem.value
    if problem.key is not None:
        written = places.value(problem.key, through_table=value is not None)
        if written is not None and not isinstance(written, dict | list):
            value = shown(written)
    return replace(problem, file=file, value=value)


class _Faults:
    """Collects faults from one part of the file after the other."""

    def __init__(self) -> None:
        self.flaws: list[Any] = []

    def attempt(self, make: Callable[[], Any], *below: str) -> Any:
        """Return the answer of ``make``, or None with its faults noted, each below these keys."""
        try:
            return make()
        except Flawed as error:
            self.flaws.extend(replace(found, path=below + found.path) for found in error.flaws)
        return None


def _design(document: dict[str, Any], reading: Reading, text: str, source: Path | None) -> Design:
    """Return the design, section by section, so that a fault in one does not hide those of another."""
    faults = _Faults()
    for key in document:
        if key not in DesignFile.keys():
            faults.flaws.append(flaw(key, value=document[key], reason="unknown section", remedy=nearest_section(key)))
    defaults = faults.attempt(lambda: _defaults(document), "defaults")
    reading = replace(reading, defaults=defaults or Defaults())
    tables, parts, problems = _whole(document, reading, faults)
    known = () if faults.flaws or problems else tuple(vars(parts).items())
    alternates = _alternates(tables["alternate"] or (), document, reading, dict(known), faults, problems)
    if faults.flaws or problems:
        told = [Problem(None, key_of(f.path, document), f.value, f.reason, f.remedy) for f in faults.flaws]
        raise InputError(*told, *problems)
    design = Design(
        title=tables["title"],
        source=source,
        text=text,
        defaults=reading.defaults,
        alternates=alternates,
        **vars(parts),
    )
    return replace(design, warnings=warnings_of(design))


def _whole(
    document: dict[str, Any], reading: Reading, faults: _Faults
) -> tuple[dict[str, Any], SimpleNamespace, list[Problem]]:
    """Return the tables of a document, the parts they make, and what is wrong between these."""
    tables = {key: faults.attempt(partial(_section, key, document, reading)) for key in DesignFile.keys()}
    parts = _parts(tables, reading, faults)
    parameters = {p.name: p for p in parameters_of(tuple(getattr(parts, section) for section in _SECTIONS))}
    if not faults.flaws:  # with a section missing, a name that is not found may be right
        parts.correlations = faults.attempt(lambda: building.correlations(tables["correlation"], parameters)) or ()
    return tables, parts, list(cross_problems(parts))


def _alternates(
    tables: tuple[AlternateTable, ...],
    document: dict[str, Any],
    reading: Reading,
    stated: dict[str, Any],
    faults: _Faults,
    problems: list[Problem],
) -> tuple[Alternate, ...]:
    """Read each alternate in the whole that it makes; faults of the stated parts, told already, are not told again.

    Without ``stated`` parts, which are faulty then, only what stands in an alternate itself is told of it.
    """
    faults.flaws.extend(alternate_flaws(tables))
    found = []
    for i, table in enumerate(tables):
        own = _Faults()
        _, parts, between = _whole(with_alternate(document, table), reading, own)
        told = [f for f in own.flaws if stated or replaces(table, f.path)]
        faults.flaws.extend(replace(f, path=("alternate", i, *f.path)) for f in told)
        if stated:
            problems.extend(replace(p, key=f"alternate[{i + 1}].{p.key}") for p in between)
        if stated and not own.flaws and not between:
            changed = tuple((name, part) for name, part in vars(parts).items() if part != stated[name])
            names = (p.name for p in parameters_of(tuple(part for _, part in changed)))
            known = {p.name: p for p in parameters_of(tuple(stated[name] for name, _ in changed))}
            fresh = {p.name: p for p in parameters_of(tuple(part for _, part in changed))}
            brought = tuple(n for n in names if replaces_parameter(table, n, document) or fresh[n] != known.get(n))
            found.append(Alternate(table.name, table.share, changed, brought))
    return tuple(found)


def _defaults(document: dict[str, Any]) -> Defaults:
    from yieldsim.design.file.fields import validated

    return building.defaults(validated(DefaultsTable, document.get("defaults", {}), Reading()))


def _parts(tables: dict[str, Any], reading: Reading, faults: _Faults) -> SimpleNamespace:
    """Return the parts of a design; None for one whose table is missing or faulty."""

    def built(key: str, build: Callable[..., Any], *more: Any) -> Any:
        return None if tables[key] is None else faults.attempt(lambda: build(tables[key], *more))

    return SimpleNamespace(
        conditions=built("conditions", building.conditions, tables["site"] or ()),
        requirement=built("requirement", building.requirement),
        deratings=built("derating", building.deratings) or (),
        harvester=built("harvester", building_sources.harvester, reading),
        precharge=built("precharge", building_sources.precharge),
        rectifier=built("rectifier", building.rectifier),
        storage=built("storage", building.storage),
        regulator=built("regulator", building.regulator),
        radio=built("radio", building.radio),
        link=built("link", building.link),
        correlations=(),
    )


class _Only(Table):
    """One section alone, with the outermost table's way of telling that it is missing."""

    is_file: ClassVar[bool] = True


_ADAPTERS: dict[str, type[Table]] = {}


def _section(key: str, document: dict[str, Any], reading: Reading) -> Any:
    """One section of the file, read alone; its default where the file leaves it out."""
    from pydantic import ValidationError, create_model

    field = DesignFile.model_fields[key]
    if key not in document and not field.is_required():
        return field.default
    if key not in _ADAPTERS:
        _ADAPTERS[key] = create_model(f"Only_{key}", __base__=_Only, **{key: (field.rebuild_annotation(), ...)})  # type: ignore[call-overload]
    present = {key: document[key]} if key in document else {}
    try:
        return getattr(_ADAPTERS[key].model_validate(present, context=reading), key)
    except ValidationError as error:
        raise Flawed(*flaws_of(error, DesignFile)) from None

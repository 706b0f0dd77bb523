"""Approved second sources as the file writes them: the keys that they replace, and the whole with these replaced."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, ValidationInfo

from yieldsim.design.file.fields import Flawed, Table, flaw, quantity
from yieldsim.design.file.read_by import ReadBy
from yieldsim.design.schema import STATED

#: Sections of which an alternate may replace keys; a list among them is replaced whole.
REPLACEABLE = ("harvester", "precharge", "rectifier", "storage", "regulator", "radio", "link", "correlation")
EXAMPLE = '[{ name = "second source", storage = { capacitance = "47 uF ±20 %" } }]'


def _keys_of(section: str) -> ReadBy:
    """Accept some keys of a section as they stand; what they say is read with the whole file."""

    def read(value: Any, info: ValidationInfo) -> dict[str, Any]:
        if not isinstance(value, dict) or not value:
            remedy = f"write the keys of [{section}] that it replaces"
            raise Flawed(flaw(value=value, reason="a table with one key or more is due here", remedy=remedy))
        return value

    return ReadBy(read, dict[str, Any])


def _list_of_tables(value: Any) -> list[Any]:
    if not isinstance(value, list):
        reason, remedy = "a list of tables is due here", 'write [{ between = ["a", "b"], rank = 0.4 }], or [] for none'
        raise Flawed(flaw(value=value, reason=reason, remedy=remedy))
    return value


class AlternateTable(Table):
    """A second source: the keys that it replaces, each whole, as the file's own sections write them.

    A section that names its ``kind`` is replaced whole.
    """

    name: Annotated[str, Field(examples=["second source"])]
    share: Annotated[float | None, quantity("share", above=0.0), Field(examples=["30 %"])] = None
    harvester: Annotated[dict[str, Any] | None, _keys_of("harvester")] = None
    precharge: Annotated[dict[str, Any] | None, _keys_of("precharge")] = None
    rectifier: Annotated[dict[str, Any] | None, _keys_of("rectifier")] = None
    storage: Annotated[dict[str, Any] | None, _keys_of("storage")] = None
    regulator: Annotated[dict[str, Any] | None, _keys_of("regulator")] = None
    radio: Annotated[dict[str, Any] | None, _keys_of("radio")] = None
    link: Annotated[dict[str, Any] | None, _keys_of("link")] = None
    correlation: Annotated[list[Any] | None, ReadBy(_list_of_tables, list[dict[str, Any]])] = None

    @property
    def replaced(self) -> dict[str, Any]:
        """Sections, and what they replace."""
        found = {section: getattr(self, section) for section in REPLACEABLE}
        return {section: value for section, value in found.items() if value is not None}


def with_partial_sections(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the JSON Schema of the file in which an alternate's sections have the keys of the file's own, none due."""
    known = dict(schema["$defs"])
    alternate = known["AlternateTable"]
    properties = dict(alternate["properties"])
    for section in REPLACEABLE:
        if section == "correlation":
            properties[section] = {"items": schema["properties"][section]["items"], "type": "array"}
            continue
        stated = schema["properties"][section]
        names = [option["$ref"].rpartition("/")[2] for option in stated.get("anyOf", [stated]) if "$ref" in option]
        for name in names:
            part = {key: value for key, value in known[name].items() if key not in ("required", "oneOf")}
            known[f"Partial{name}"] = {**part, "minProperties": 1}
        properties[section] = {"anyOf": [{"$ref": f"#/$defs/Partial{name}"} for name in names]}
    known["AlternateTable"] = {**alternate, "properties": properties}
    return {**schema, "$defs": known}


def with_alternate(document: dict[str, Any], table: AlternateTable) -> dict[str, Any]:
    """Return the document as it would be written out in full with an alternate's parts; without any alternates."""
    whole = {key: value for key, value in document.items() if key != "alternate"}
    for section, value in table.replaced.items():
        stated = whole.get(section)
        if isinstance(value, dict) and isinstance(stated, dict) and "kind" not in value:
            whole[section] = {**stated, **value}
        else:
            whole[section] = value
    if whole.get("correlation") == []:
        del whole["correlation"]
    return whole


def replaces(table: AlternateTable, path: tuple[str | int, ...]) -> bool:
    """Whether a place of the whole document stands in the alternate."""
    if not path or path[0] not in table.replaced:
        return False
    value = table.replaced[path[0]]
    return not isinstance(value, dict) or "kind" in value or len(path) < 2 or path[1] in value


def replaces_parameter(table: AlternateTable, name: str, document: dict[str, Any]) -> bool:
    """Whether a parameter of this dotted name stands under a key of the alternate, or in a list that it replaces."""
    section, _, rest = name.partition(".")
    value = table.replaced.get(section)
    if not isinstance(value, dict):
        return value is not None
    key = rest.partition(".")[0]
    if "kind" in value or key in value:
        return True
    # entries of lists are called by their own names, which are no keys of the section
    return any(isinstance(part, list) for part in value.values()) and key not in document.get(section, {})


def alternate_flaws(tables: tuple[AlternateTable, ...]) -> list[Any]:
    """Tell what is wrong with the names and shares of alternates together."""
    flaws = []
    names = [table.name for table in tables]
    given = [table.share is not None for table in tables]
    for i, table in enumerate(tables):
        place = ("alternate", i)
        if table.name == STATED or not table.name.strip() or not table.name.isprintable():
            reason = "this name is taken by the parts as stated" if table.name == STATED else "not a name"
            flaws.append(flaw(*place, "name", value=table.name, reason=reason, remedy="choose another name"))
        if table.name in names[:i]:
            reason = "two alternates of one name"
            flaws.append(flaw(*place, "name", value=table.name, reason=reason, remedy="give each its own name"))
        if not table.replaced:
            remedy = f"add one, for example [alternate.storage]; sections: {', '.join(REPLACEABLE)}"
            flaws.append(flaw(*place, reason="it replaces no key of any section", remedy=remedy))
        if table.share is None and any(given):
            reason = "missing, and another alternate has one"
            remedy = "give all alternates a share, or none; without shares sign-off must hold for each"
            flaws.append(flaw(*place, "share", reason=reason, remedy=remedy))
    total = sum(table.share or 0.0 for table in tables)
    if total > 1.0 + 1e-9:
        reason = f"the shares of the alternates add up to {100 * total:g} %"
        flaws.append(flaw("alternate", reason=reason, remedy="keep them to 100 %; the rest has the parts as stated"))
    return flaws

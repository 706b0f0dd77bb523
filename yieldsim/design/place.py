"""Where things stand in the file: the dotted key of a place, and the order of places."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

Path_ = tuple[str | int, ...]
# Lists whose entries have names: the place of the list, the key of the name
_NAMED: dict[Path_, str] = {("radio", "sequence"): "step", ("storage", "capacitor"): "name"}


def key_of(path: Path_, document: dict[str, Any]) -> str:
    """Return the dotted key of a place, as parameters have it: ``radio.boot.current``.

    Entries of other lists are counted from 1: ``conditions.mission[2].share``.
    """
    key = ""
    node: Any = document
    for depth, part in enumerate(path):
        node = _child(node, part)
        if part == "acknowledgement" and path[:2] == ("radio", "sequence") and depth + 1 < len(path):
            continue  # its times are named as the step's own
        if isinstance(part, str):
            key = f"{key}.{part}" if key else part
        elif path[:depth] in _NAMED and (name := _own_name(document, path[:depth], part)) is not None:
            key = f"{path[0]}.{name}"
        elif path[:depth] == ("harvester", "strokes"):
            key = f"harvester.stroke_{part + 1}"
        elif depth and path[depth - 1] == "ageing":
            key = f"{key}_{part + 1}"
        else:
            key = f"{key}[{part + 1}]"
    return key


def _own_name(document: dict[str, Any], place: Path_, index: int) -> str | None:
    """Return the name of an entry of the list at ``place`` where it is a text of its own."""
    entries = _child(_child(document, place[0]), place[1])
    names = [entry.get(_NAMED[place]) if isinstance(entry, dict) else None for entry in entries]
    name = names[index] if index < len(names) else None
    return name if isinstance(name, str) and name and names.count(name) == 1 and "." not in name else None


def _child(node: Any, part: str | int) -> Any:
    if isinstance(node, dict):
        return node.get(part) if isinstance(part, str) else None
    if isinstance(node, list) and isinstance(part, int) and part < len(node):
        return node[part]
    return None


class Places:
    """Every place of a document in the order of the file."""

    def __init__(self, document: dict[str, Any]) -> None:
        self._order: dict[str, int] = {}
        self._values: dict[str, Any] = {}
        for path, value in _walk(document, ()):
            key = key_of(path, document)
            self._order.setdefault(key, len(self._order))
            self._values.setdefault(key, value)

    def order(self, key: str) -> tuple[int, int, str]:
        """Sorts keys by place; a key that is not in the file comes behind the last of its table."""
        if key in self._order:
            return self._order[key], 0, key
        parent = key
        while parent:
            parent = parent.rpartition(".")[0]
            last = [n for k, n in self._order.items() if k == parent or k.startswith(parent + ".")]
            if parent and last:
                return max(last), 1, key
        return len(self._order), 1, key

    def value(self, key: str, *, through_table: bool) -> Any:
        """Tell what the file says under a key; of a table its nominal, where asked; None for nothing."""
        value = self._values.get(key)
        return value.get("nominal") if isinstance(value, dict) and through_table else value


def _walk(node: Any, path: Path_) -> Iterator[tuple[Path_, Any]]:
    if path:
        yield path, node
    if isinstance(node, dict):
        for key, value in node.items():
            yield from _walk(value, (*path, key))
    elif isinstance(node, list) and any(isinstance(item, dict | list) for item in node):
        for i, value in enumerate(node):
            yield from _walk(value, (*path, i))

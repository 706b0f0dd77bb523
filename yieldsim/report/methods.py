"""How each estimate of a result was made, gathered from its own answer for machines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from yieldsim.report.layout import wrapped

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result


def methods_text(result: Result) -> str:
    """Return a line or more for every method that a result names, with what was made by it."""
    made: dict[str, list[str]] = {}
    for place, method in _methods(result.as_json(), ()):
        where = made.setdefault(method, [])
        if place not in where:
            where.append(place)
    if not made:
        return "Methods: nothing here is an estimate."
    lines = ["Methods:"]
    for method, places in made.items():
        lines += wrapped(f"- {', '.join(places)}: {method}.")
    return "\n".join(lines)


def _methods(value: Any, path: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """Walk through an answer and give (place, method) pairs; a list is one place."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if isinstance(inner, str) and (key == "method" or key.endswith("_method")):
                of = () if key == "method" else (key.removesuffix("_method").replace("_", " "),)
                yield " ".join([*path, *of]) or "all", inner
            else:
                yield from _methods(inner, (*path, str(key).replace("_", " ")))
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _methods(inner, path)

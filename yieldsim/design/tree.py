"""Walks a design: finds its parameters and puts another in the place of one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from yieldsim.design.parameter import Parameter

T = TypeVar("T")
#: A field with this metadata holds what stands apart from a design's own parts; it is not walked.
APART = {"apart": True}


def parameters_of(node: Any) -> Iterator[Parameter]:
    """Every parameter below ``node``, in the order of the fields, coefficients behind their owner."""
    if isinstance(node, Parameter):
        yield node
        yield from node.coefficients
    elif isinstance(node, tuple):
        for item in node:
            yield from parameters_of(item)
    elif is_dataclass(node):
        for field in fields(node):
            if not field.metadata.get("apart"):
                yield from parameters_of(getattr(node, field.name))


def with_replaced(node: T, parameter: Parameter) -> T:
    """Return a copy of ``node`` in which the parameter of that name is ``parameter``; shares the rest."""
    return _replaced(node, parameter)  # type: ignore[no-any-return]


def _replaced(node: Any, parameter: Parameter) -> Any:
    if isinstance(node, Parameter):
        if node.name == parameter.name:
            return parameter
        if not parameter.name.startswith(node.name + "."):
            return node
    if isinstance(node, tuple):
        items = tuple(_replaced(item, parameter) for item in node)
        return items if any(new is not old for new, old in zip(items, node, strict=True)) else node
    if is_dataclass(node) and not isinstance(node, type):
        changes = {}
        for field in fields(node):
            if field.metadata.get("apart"):
                continue
            old = getattr(node, field.name)
            new = _replaced(old, parameter)
            if new is not old:
                changes[field.name] = new
        return replace(node, **changes) if changes else node
    return node

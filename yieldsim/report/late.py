"""What makes one kind of output, imported when it is asked for: all of it together takes seconds to load."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any


def late(module: str, name: str) -> Callable[[Any], Any]:
    """Return the function ``name`` of a module of the report room, which is imported when it is called."""

    def made(result: Any) -> Any:
        return getattr(import_module(f"yieldsim.report.{module}"), name)(result)

    return made

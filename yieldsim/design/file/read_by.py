"""How a field of a table is read by a function of ours, whole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from inspect import signature
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, TypeAdapter
from pydantic_core import core_schema


@dataclass(frozen=True)
class ReadBy:
    """Metadata of an Annotated type: its value is what a function makes of what the file says.

    pydantic's own plain validator models the type that comes out, and what may go in, of every field anew, to write
    the value back. Nothing here is ever written back, and what may go in is asked for by the JSON Schema alone: leaving
    both out until then is most of the time it takes to start.

    Attributes
    ----------
    read : what the file says -> the value, or what the file says and pydantic's ``ValidationInfo`` -> the value
    shape : type of what the file may say, for the JSON Schema
    """

    read: Callable[..., Any]
    shape: Any

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Return a validator that is the function alone."""
        if len(signature(self.read).parameters) == 1:
            return core_schema.no_info_plain_validator_function(self.read)
        return core_schema.with_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Return what may go in."""
        return handler(TypeAdapter(self.shape).core_schema)

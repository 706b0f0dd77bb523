"""The identity of a design: a hash of what it computes with, blind to what it is called."""

from __future__ import annotations

import hashlib
from dataclasses import fields, is_dataclass
from typing import Any

# What a reader sees but no calculation uses; `source` is a path or a citation. Names of files do not count:
# their contents are in the numbers.
_BLIND_TO = frozenset({"title", "source", "text", "note", "basis", "defaulted", "file", "column", "mission_given"})


def fingerprint(node: Any) -> str:
    """16 hexadecimal digits (BLAKE2b, RFC 7693) over every number and name below ``node``."""
    digest = hashlib.blake2b(digest_size=8)
    for word in _words(node):
        digest.update(word.encode())
        digest.update(b"\x00")
    return digest.hexdigest()


def _words(node: Any) -> list[str]:
    if is_dataclass(node):
        words = [type(node).__name__]
        for field in fields(node):
            if field.name not in _BLIND_TO:
                words.append(field.name)
                words.extend(_words(getattr(node, field.name)))
        return words
    if isinstance(node, tuple):
        return [f"({len(node)}", *(word for item in node for word in _words(item))]
    if isinstance(node, bool) or node is None or isinstance(node, str):
        return [repr(node)]
    return [(float(node) + 0.0).hex()]  # an int and a float of one value are one number, and so are -0.0 and 0.0

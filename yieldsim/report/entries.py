"""The entries of an energy ledger, grouped by what became of them."""

from __future__ import annotations

SOURCES = ("source", "stored at the release")
_HARVEST = ("coil", "diodes", "ESR", "clamp", "leakage")
_LEFT = ("left in store", "left in coil")


def group_of(name: str) -> str:
    """Return the group an entry belongs to; what is neither lost nor left over was used by a step."""
    if name in _HARVEST:
        return "lost before the regulator"
    if name == "regulator":
        return "lost in the regulator"
    return "left over" if name in _LEFT else "used by the radio"

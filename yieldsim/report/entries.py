"""The entries of an energy ledger: what became of each, and what it is called for a kind of source."""

from __future__ import annotations

SOURCES = ("source", "stored at the release")
CAME_IN, LOST, USED, LEFT_OVER = "came in", "lost on the way", "used by the radio", "left over"
_HARVEST = ("coil", "diodes", "ESR", "clamp", "leakage")
_LEFT = ("left in store", "left in coil")
_NAMES = {
    "electromagnetic": {"source": "from the coil", "coil": "coil resistance"},
    "piezoelectric": {
        "source": "from the piezoelectric element",
        "coil": "loss resistance of the element",
        "left in coil": "left in the element",
    },
    "energy packet": {"source": "from the harvester module", "coil": "losses inside the module"},
}


def group_of(name: str) -> str:
    """Return the group an entry belongs to; what is neither lost nor left over was used by a step."""
    if name in _HARVEST:
        return "lost before the regulator"
    if name == "regulator":
        return "lost in the regulator"
    return LEFT_OVER if name in _LEFT else USED


def part_of(name: str) -> str:
    """Return which part of the balance an entry belongs to: came in, lost on the way, used, left over."""
    if name in SOURCES:
        return CAME_IN
    group = group_of(name)
    return LOST if group.startswith("lost") else group


def shown(name: str, source: str) -> str:
    """Return what an entry is called where the harvester is of the kind ``source``."""
    return _NAMES.get(source, {}).get(name, name)

"""What a check finds: one sentence and how pressing it is."""

from __future__ import annotations

from dataclasses import dataclass

from yieldsim.design.quantity import format_quantity

OK, LOOK, WARNING = "ok", "look", "warning"


@dataclass(frozen=True)
class Finding:
    """One sentence, ``ok``, ``look`` or ``warning``."""

    kind: str
    text: str


def volts(value: float) -> str:
    """Return a voltage as sentences write it."""
    return format_quantity(value, "V", 4)

"""The nearest right spelling of a wrong word."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def closest(word: str, known: Iterable[str], likeness: float = 0.6) -> str | None:
    """Return the known word most like ``word``, or None when none reaches the likeness (0 to 1)."""
    known = list(known)
    folded = {name.casefold(): name for name in reversed(known)}
    matches = difflib.get_close_matches(word.casefold(), folded, n=1, cutoff=likeness)
    return folded[matches[0]] if matches else None


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a remedy: the nearest spelling where there is one, otherwise all that are known."""
    known = list(known)
    match = closest(word, known, 0.6 if len(word) > 3 else 0.5)
    if match is not None:
        return f"did you mean {match}?"
    return f"known here: {', '.join(known)}" if known else "nothing is known here"

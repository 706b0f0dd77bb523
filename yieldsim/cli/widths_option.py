"""``--plausible-widths``: how wide tolerances may truly be that nobody has measured."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths

F = TypeVar("F", bound=Callable[..., Any])

OPTION = "--plausible-widths"
_EXAMPLE = "assumed=0.5:2,datasheet=0.5:1"


def widths_option(function: F) -> F:
    """Add ``--plausible-widths``."""
    text = (
        "How wide tolerances may truly be that nobody has measured, times the stated width, by basis. "
        f"[default: {_EXAMPLE}]"
    )
    return click.option(OPTION, "widths", metavar="BASIS=LOW:HIGH,...", help=text)(function)


def widths_of(text: str | None) -> PlausibleWidths:
    """Return the ranges that the option spells; what it leaves out stays at the convention.

    Raises
    ------
    InputError : it cannot be read, or a range is none
    """
    from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths, bases

    found: dict[str, tuple[float, float]] = {}
    for part in [] if text is None else text.split(","):
        basis, equals, between = (piece.strip() for piece in part.partition("="))
        low, colon, high = between.partition(":")
        if basis == "measured":
            raise _refused(
                part.strip(),
                "the width of a measured number follows from its sample size, and without one it counts as assumed",
                "state sample_size in the configuration, or give assumed=LOW:HIGH",
            )
        if not equals or basis not in bases():
            named = " and ".join(bases())
            raise _refused(part.strip(), f"ranges are given of {named} numbers", f"write {_EXAMPLE}")
        if basis in found:
            raise _refused(part.strip(), f"the range of {basis} numbers is given twice", "give it once")
        if not colon:
            raise _refused(part.strip(), "a range has a lower and an upper end", f"write {basis}=0.5:2, for example")
        found[basis] = (_factor(low, part), _factor(high, part))
    return PlausibleWidths(**found)


def _factor(text: str, part: str) -> float:
    """A number of times the stated width; whether it is finite and in order is the range's own concern."""
    try:
        return float(text.strip().replace("\u2212", "-"))
    except ValueError:
        reason = f'"{text.strip()}" is no number of times the stated width'
        raise _refused(part.strip(), reason, f"write {_EXAMPLE}") from None


def _refused(value: str, reason: str, remedy: str) -> Exception:
    from yieldsim.words.errors import InputError, Problem

    return InputError(Problem(None, OPTION, value or None, reason, remedy))

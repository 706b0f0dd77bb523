"""Pictures of results, one file a picture; none of them touches the plotting library's global state."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from yieldsim.report.figures import (
    actuation,
    completion_map,
    drawn,
    ledger,
    outcome_shares,
    ranking,
    reserve_distribution,
    tails,
    tolerances,
)
from yieldsim.report.folders import MORE

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result
    from yieldsim.analysis.signoff import SignoffResult

_FIRST: dict[str, Callable[[Any], Figure]] = {
    "yield": completion_map.draw,
    "rank": ranking.draw,
    "tail": tails.draw,
    "actuation": actuation.draw,
    "check": tolerances.draw,
    "signoff": lambda result: completion_map.draw(result.yields),
}
_MORE: dict[tuple[str, str], Callable[[Any], Figure]] = {
    ("yield", "ledger"): lambda result: ledger.draw_worst(result.ledgers),
    ("actuation", "ledger"): ledger.draw,
    ("actuation", "drawn"): drawn.draw,
}


def figure_of(result: Result) -> Figure:
    """Return the picture that answers the question of a result.

    Raises
    ------
    TypeError : a kind of result that has no picture
    """
    if result.command not in _FIRST:
        raise TypeError(f"{type(result).__name__}: there is no picture of this kind of result")
    return _FIRST[result.command](result)


def figures_of(result: SignoffResult) -> dict[str, Figure]:
    """All pictures of a sign-off by the name of their file, in the order of the page."""
    return {
        "completion": completion_map.draw(result.yields),
        "outcomes": outcome_shares.draw(result.yields),
        "reserve": reserve_distribution.draw(result.yields),
        "ranking": ranking.draw(result.ranking),
        "actuation_worst": actuation.draw(result.actuation),
        "actuation_bench": actuation.draw(result.nominal),
        "ledger": ledger.draw(result.actuation),
        "ledger_run": ledger.draw_worst(result.yields.ledgers),
    }


def more_figures_of(result: Result) -> dict[str, Figure]:
    """Pictures beside the one of `figure_of`, by what is put behind the name of its file."""
    return {name: _MORE[result.command, name](result) for name in MORE.get(result.command, ())}

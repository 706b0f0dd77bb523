"""Pictures of results, one file a picture; none of them touches the plotting library's global state."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from yieldsim.report.figures import (
    actuation,
    allocation,
    alternates,
    comparison,
    completion_map,
    convergence,
    drawn,
    failure_causes,
    ledger,
    life,
    outcome_shares,
    ranking,
    ratings,
    reserve_distribution,
    sizing,
    tails,
    tolerances,
    worst_case,
)
from yieldsim.report.folders import CONVERGENCE, MORE

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result
    from yieldsim.analysis.signoff import SignoffResult

_FIRST: dict[str, Callable[[Any], Figure]] = {
    "yield": completion_map.draw,
    "rank": lambda result: (failure_causes if result.response == "failure" else ranking).draw(result),
    "worst-case": worst_case.draw,
    "tail": tails.draw,
    "size": sizing.draw,
    "life": life.draw,
    "allocate": allocation.draw,
    "alternates": alternates.draw,
    "ratings": ratings.draw,
    "compare": comparison.draw,
    "actuation": actuation.draw,
    "check": tolerances.draw,
    "signoff": lambda result: completion_map.draw(result.yields),
}
_MORE: dict[tuple[str, str], Callable[[Any], Figure]] = {
    ("yield", "ledger"): lambda result: ledger.draw_worst(result.ledgers),
    ("actuation", "ledger"): ledger.draw,
    ("life", "laws"): life.draw_laws,
    ("life", "losses"): life.draw_losses,
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
    """All pictures of a sign-off by the name of their file."""
    parts: dict[str, tuple[Result | None, Callable[[Any], Figure]]] = {
        "worst_case": (result.worst_case, worst_case.draw),
        "life": (result.life, life.draw),
        "sizing": (result.sizing, sizing.draw),
    }
    return {
        "completion": completion_map.draw(result.yields),
        "outcomes": outcome_shares.draw(result.yields),
        "reserve": reserve_distribution.draw(result.yields),
        "ranking": ranking.draw(result.ranking),
        "actuation_worst": actuation.draw(result.actuation),
        "actuation_bench": actuation.draw(result.nominal),
        "ledger": ledger.draw(result.actuation),
        "ledger_run": ledger.draw_worst(result.yields.ledgers),
        **{name: draw(part) for name, (part, draw) in parts.items() if part is not None},
    }


def more_figures_of(result: Result) -> dict[str, Figure]:
    """Pictures beside the one of `figure_of`, by what is put behind the name of its file."""
    drawn = {name: _MORE[result.command, name](result) for name in MORE.get(result.command, ())}
    curves = getattr(result, "convergence", ())
    return {**drawn, CONVERGENCE: convergence.draw(curves)} if curves else drawn

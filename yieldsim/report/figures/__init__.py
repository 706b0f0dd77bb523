"""Pictures of results, one file a picture; none of them touches the plotting library's global state."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from matplotlib.figure import Figure

from yieldsim.report.folders import CONVERGENCE, MORE
from yieldsim.report.late import late

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result
    from yieldsim.analysis.signoff import SignoffResult


def _draw(module: str, name: str = "draw") -> Callable[[Any], Figure]:
    return late(f"figures.{module}", name)


_FIRST: dict[str, Callable[[Any], Figure]] = {
    "yield": _draw("completion_map"),
    "rank": lambda result: _draw("failure_causes" if result.response == "failure" else "ranking")(result),
    "worst-case": _draw("worst_case"),
    "tail": _draw("tails"),
    "size": _draw("sizing"),
    "life": _draw("life"),
    "allocate": _draw("allocation"),
    "alternates": _draw("alternates"),
    "ratings": _draw("ratings"),
    "compare": _draw("comparison"),
    "actuation": _draw("actuation"),
    "check": _draw("tolerances"),
    "signoff": lambda result: _draw("completion_map")(result.yields),
}
_MORE: dict[tuple[str, str], Callable[[Any], Figure]] = {
    ("yield", "ledger"): lambda result: _draw("ledger", "draw_worst")(result.ledgers),
    ("actuation", "ledger"): _draw("ledger"),
    ("life", "laws"): _draw("life", "draw_laws"),
    ("life", "losses"): _draw("life", "draw_losses"),
    ("actuation", "drawn"): _draw("drawn"),
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
        "worst_case": (result.worst_case, _draw("worst_case")),
        "life": (result.life, _draw("life")),
        "sizing": (result.sizing, _draw("sizing")),
    }
    return {
        "completion": _draw("completion_map")(result.yields),
        "outcomes": _draw("outcome_shares")(result.yields),
        "reserve": _draw("reserve_distribution")(result.yields),
        "ranking": _draw("ranking")(result.ranking),
        "actuation_worst": _draw("actuation")(result.actuation),
        "actuation_bench": _draw("actuation")(result.nominal),
        "ledger": _draw("ledger")(result.actuation),
        "ledger_run": _draw("ledger", "draw_worst")(result.yields.ledgers),
        **{name: draw(part) for name, (part, draw) in parts.items() if part is not None},
    }


def more_figures_of(result: Result) -> dict[str, Figure]:
    """Pictures beside the one of `figure_of`, by what is put behind the name of its file."""
    drawn = {name: _MORE[result.command, name](result) for name in MORE.get(result.command, ())}
    curves = getattr(result, "convergence", ())
    return {**drawn, CONVERGENCE: _draw("convergence")(curves)} if curves else drawn

"""``--alternate``: which of a design's approved sources a command works with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from yieldsim.design.schema import Design

F = TypeVar("F", bound=Callable[..., Any])

_CHOSEN = "yieldsim.alternate"  # where the context of a command keeps the name


def alternate_option(each: bool = False) -> Callable[[F], F]:
    """Add ``--alternate``; without it a command works with ``each`` source, or with the stated parts."""
    default = "each" if each else "as stated"
    text = f'Name of an alternate of the configuration, or "as stated". [default: {default}]'

    def add(function: F) -> F:
        return click.option(
            "--alternate", metavar="NAME", expose_value=False, help=text, callback=lambda ctx, _, name: _keep(ctx, name)
        )(function)

    return add


def _keep(ctx: click.Context, name: str | None) -> None:
    ctx.meta[_CHOSEN] = name


def read_chosen(config: Path, *, each: bool = False) -> Design:
    """Read a design with the alternate that was asked for.

    Where none was, the design comes with its alternates for a command that runs ``each``; else without them and with a
    warning that names them.

    Raises
    ------
    InputError : what `read_design` refuses, or no alternate of that name
    """
    from dataclasses import replace

    from yieldsim.design.reading import read_design
    from yieldsim.design.schema import STATED

    design = read_design(config)
    name = click.get_current_context().meta.get(_CHOSEN)
    if name == STATED:
        return replace(design, alternates=())
    if name is not None:
        return design.with_alternate(name)
    if each or not design.alternates:
        return design
    names = ", ".join(alternate.name for alternate in design.alternates)
    warning = f"this is the design with its parts as stated; it has alternates ({names}), see --alternate"
    return replace(design, alternates=(), warnings=(*design.warnings, warning))

"""Options that several commands share, and how their texts become numbers."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from yieldsim.engine.settings import Settings

if TYPE_CHECKING:
    from yieldsim.analysis.until import Until
    from yieldsim.engine.columns import Condition

F = TypeVar("F", bound=Callable[..., Any])

METHODS = "yieldsim.methods"  # where the context of a command keeps whether methods are asked for
YEAR = "1 yr = 8,760 h"


def configuration(function: F) -> F:
    """Add the argument that names the configuration file."""
    return click.argument("config", metavar="CONFIG", type=click.Path(path_type=Path))(function)


def json_flag(function: F) -> F:
    """Add ``--json``, and ``--methods``, which `yieldsim.cli.showing.show` looks for."""
    methods = "Say behind the answer how each estimate and interval was made."
    function = click.option(
        "--methods", is_flag=True, expose_value=False, help=methods, callback=lambda ctx, _, on: _remember(ctx, on)
    )(function)
    return click.option("--json", "as_json", is_flag=True, help="Print JSON alone, errors too.")(function)


def _remember(ctx: click.Context, on: bool) -> None:
    ctx.meta[METHODS] = on


def out_folder(function: F) -> F:
    """Add ``--out``."""
    text = "Write the result, its table and its picture into this folder."
    return click.option("--out", type=click.Path(path_type=Path, file_okay=False), help=text)(function)


def effort(*names: str) -> Callable[[F], F]:
    """Add the named options out of those that say how much, how accurate, how sure, from which seed."""

    def add(function: F) -> F:
        for name in reversed(names):
            kind, text = _SETTINGS[name]
            function = click.option(f"--{name}", type=kind, help=text)(function)
        return function

    return add


_SETTINGS: dict[str, tuple[Any, str]] = {
    "units": (int, f"Units in every condition, the same ones. [default: {Settings.units}]"),
    "actuations": (int, f"Actuations of each unit in each condition. [default: {Settings.actuations}]"),
    "lots": (int, "Lots that the units come from. [default: a lot of its own for each unit]"),
    "effort": (int, f"Base points, a power of two; each costs one actuation a parameter. [default: {Settings.effort}]"),
    "seed": (int, f"Seed of every draw. [default: {Settings.seed}]"),
    "confidence": (str, 'Of each bound or interval, "95 %" or 0.95. [default: the requirement\'s, or 95 %]'),
    "threads": (int, f"Threads; the result does not depend on them. [default: {Settings.threads}]"),
    "accuracy": (str, 'Bound aimed at for the error of reserve and start margin, at most 0.5 mV. [default: "0.5 mV"]'),
}


def convergence_flag(function: F) -> F:
    """Add ``--convergence``."""
    text = "Tell how estimate and interval narrow with effort; a picture with --out."
    return click.option("--convergence", is_flag=True, help=text)(function)


def points_option(text: str) -> Callable[[F], F]:
    """Add ``--points``, which says where the units come from."""
    return click.option("--points", type=click.Choice(["random", "sobol"]), default="random", help=text)


def units_for(points: str, options: dict[str, Any]) -> None:
    """Fill in the number of units that Sobol' sets take where none is given."""
    if points == "sobol" and options["units"] is None:
        from yieldsim.analysis.point_sets import DEFAULT_UNITS

        options["units"] = DEFAULT_UNITS


def watched(function: F) -> F:
    """Add the options that end a run when enough is known."""
    texts = {
        "relative-width": 'The same as a share of what does not comply, as in "50 %".',
        "width": 'Run until the bounds on the units that comply are no farther apart, as in "0.5 %".',
        "decided": "Run until the verdict is known; --units is then the most.",
    }
    for name in ("relative-width", "width"):
        function = click.option(f"--until-{name}", metavar="SHARE", help=texts[name])(function)
    return click.option("--until-decided", is_flag=True, help=texts["decided"])(function)


def until_of(options: dict[str, Any]) -> Until | None:
    """Take out what ends a run, or None; without ``units`` among the options they get the most of a watched run.

    Raises
    ------
    InputError : a width that cannot be read or is out of range
    """
    decided, width, relative = (options.pop(f"until_{name}") for name in ("decided", "width", "relative_width"))
    if not decided and width is None and relative is None:
        return None
    from yieldsim.analysis.until import MOST_UNITS, Until

    if options["units"] is None:
        options["units"] = MOST_UNITS
    return Until(
        decided,
        None if width is None else number(width, "share", "until-width"),
        None if relative is None else number(relative, "share", "until-relative-width"),
    )


BENCH, WORST, ALL = ("25 degC", "0 yr"), ("worst condition",) * 2, ("every condition",) * 2


def temperature_and_age(default: tuple[str, str]) -> Callable[[F], F]:
    """Add ``--temperature`` and ``--age``; ``default`` says what stands for them: `BENCH`, `WORST` or `ALL`."""

    def add(function: F) -> F:
        degrees = f'Ambient temperature, "60 degC" or 60. [default: {default[0]}]'
        years = f'Age in service, "12 yr" or 12 ({YEAR}). [default: {default[1]}]'
        function = click.option("--age", help=years)(function)
        return click.option("--temperature", help=degrees)(function)

    return add


def settings_of(**given: Any) -> Settings:
    """Return settings from the options given; None stands for the default.

    Raises
    ------
    InputError : a value that cannot be read or is out of range
    """
    values = {name: value for name, value in given.items() if value is not None}
    if "confidence" in values:
        values["confidence"] = number(values["confidence"], "share", "confidence")
    if "accuracy" in values:
        values["accuracy"] = number(values["accuracy"], "V", "accuracy", bare=False)
    return Settings(**values)


def number(text: str, dimension: str, key: str, *, unit: str | None = None, bare: bool = True) -> float:
    """Return the number that an option spells; a bare one counts in ``unit`` where ``bare``.

    Raises
    ------
    InputError : it cannot be read
    """
    from yieldsim.design.quantity import read_quantity

    if bare:
        try:
            value = float(text.replace("\u2212", "-"))
        except ValueError:
            value = math.nan
        if math.isfinite(value):
            return value
    return read_quantity(text, dimension, unit=unit, key=f"--{key}")


def degrees_of(text: str) -> float:
    """Return a temperature [degC]."""
    return number(text, "degC", "temperature")


def years_of(text: str) -> float:
    """Return an age [yr] of 8,760 h each."""
    return number(text, "s", "age", unit="yr")


def condition_of(temperature: str | None, age: str | None) -> Condition | None:
    """Return the one condition that is named, or None; refuses half of one."""
    if temperature is not None and age is not None:
        from yieldsim.engine.columns import Condition

        return Condition(degrees_of(temperature), years_of(age))
    if temperature is not None or age is not None:
        raise click.UsageError("--temperature and --age belong together: give both, or neither")
    return None

"""``yieldsim actuation``: one actuation opened."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import (
    BENCH,
    configuration,
    degrees_of,
    effort,
    json_flag,
    out_folder,
    points_option,
    settings_of,
    temperature_and_age,
    years_of,
)
from yieldsim.cli.showing import refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim actuation node.toml --temperature "60 degC" --age "12 yr"
  yieldsim actuation node.toml --temperature 60 --age 12 --unit 1187 --actuation 5 --seed 7
"""


def uncompiled() -> None:
    """Let the physics run as plain Python where it is not loaded yet: one actuation is done before it is compiled."""
    if "yieldsim.kernel.compiled" not in sys.modules:
        os.environ["NUMBA_DISABLE_JIT"] = "1"


@click.command("actuation", epilog=_EPILOG)
@configuration
@alternate_option()
@temperature_and_age(BENCH)
@click.option("--unit", type=int, help="Unit of an addressed actuation, as yield lists it; with --actuation.")
@click.option("--actuation", type=int, help="Number of an addressed actuation; with --unit.")
@effort("lots", "seed", "accuracy")
@points_option("Where the units of that run came from, as yield lists it. [default: random]")
@out_folder
@json_flag
def command(
    config: Path,
    temperature: str | None,
    age: str | None,
    unit: int | None,
    actuation: int | None,
    points: str,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """What happens in one actuation?

    Opens the nominal actuation, every value at its nominal for the condition and no loss on the link, or an
    addressed one of a run with this seed: margins, steps, energies, and what was drawn for it beside the nominal
    values, the farthest out first.
    """
    if (unit is None) != (actuation is None):
        raise click.UsageError("--unit and --actuation belong together: give both, or neither")
    uncompiled()
    from yieldsim.analysis.actuation import actuation as opened
    from yieldsim.engine.columns import Condition

    condition = Condition(
        25.0 if temperature is None else degrees_of(temperature), 0.0 if age is None else years_of(age)
    )
    address = None if unit is None or actuation is None else (unit, actuation)
    settings = settings_of(**options)
    design = read_chosen(config)
    refuse(out, "actuation")
    result = opened(design, settings, condition, address, points=points)
    show(result, as_json, write_files(result, out))

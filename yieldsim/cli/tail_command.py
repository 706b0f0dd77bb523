"""``yieldsim tail``: how rare a failure is."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import (
    ALL,
    condition_of,
    configuration,
    convergence_flag,
    effort,
    json_flag,
    out_folder,
    settings_of,
    temperature_and_age,
)
from yieldsim.cli.showing import progress, refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim tail node.toml
  yieldsim tail node.toml --temperature 60 --age 12 --of completion --target 0.05
  yieldsim tail node.toml --level unit
"""


@click.command("tail", epilog=_EPILOG)
@configuration
@alternate_option()
@temperature_and_age(ALL)
@click.option(
    "--of",
    type=click.Choice(["energy", "completion"]),
    default="energy",
    show_default=True,
    help="Failures of energy, or of completion: the link's included.",
)
@click.option(
    "--level",
    type=click.Choice(["actuation", "unit"]),
    default="actuation",
    show_default=True,
    help="Of an actuation, or of a unit that completes less than required.",
)
@click.option("--target", type=float, default=0.1, show_default=True, help="Relative standard error aimed at.")
@click.option(
    "--method",
    type=click.Choice(["auto", "mixture", "subset", "monte-carlo"]),
    default="auto",
    show_default=True,
    help="Estimator that answers.",
)
@click.option(
    "--budget",
    type=int,
    default=60_000,
    show_default=True,
    help="Model calls, for each outcome of the link, after which no new effort is begun.",
)
@effort("seed", "confidence", "accuracy", "threads")
@convergence_flag
@out_folder
@json_flag
def command(
    config: Path,
    temperature: str | None,
    age: str | None,
    of: str,
    level: str,
    target: float,
    method: str,
    budget: int,
    convergence: bool,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """How rare is a failure?

    Estimates failure probabilities down to one in a thousand million, in every condition of the design unless
    --temperature and --age name one: each with its interval, the methods that agree on it or do not, and the most
    probable way to fail.
    """
    from yieldsim.analysis.converging_runs import tail_curves
    from yieldsim.analysis.tail import Asked, tail

    settings = settings_of(**options)
    condition = condition_of(temperature, age)
    design = read_chosen(config)
    refuse(out, "tail")
    asked = Asked(of, level, target, method, budget)
    with progress() as stages:
        result = tail(
            design,
            settings,
            condition,
            asked,
            None if stages is None else lambda done, cells: stages("tail", done, cells),
        )
        if convergence:
            result = replace(result, convergence=tail_curves(design, settings, asked, result))
    show(result, as_json, write_files(result, out))

"""``yieldsim life``: until when."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import YEAR, configuration, effort, json_flag, number, out_folder, settings_of
from yieldsim.cli.showing import progress, refuse, show, write_files

_UNITS, _AGES, _NODES = 320, 8, 1000  # as in analysis/, which is not imported to show the help
_EPILOG = """\b
Example:
  yieldsim life node.toml
  yieldsim life node.toml --until "20 yr" --ages 12 --fleet 5000
  yieldsim life node.toml --units 2048 --out life
"""


@click.command("life", epilog=_EPILOG)
@configuration
@alternate_option()
@click.option("--until", help=f'Last age, "12 yr" or 12 ({YEAR}). [default: the service life]')
@click.option(
    "--ages",
    type=int,
    default=_AGES,
    show_default=True,
    help="Ages looked at, 0 and the last one among them, closer together where ageing is fast; those that the design "
    "states come always.",
)
@click.option(
    "--fleet", "nodes", type=int, default=_NODES, show_default=True, help="Nodes of the fleet whose losses are told."
)
@click.option("--units", type=int, default=_UNITS, show_default=True, help="Units, the same ones at every age.")
@effort("actuations", "lots", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(
    config: Path,
    until: str | None,
    ages: int,
    nodes: int,
    units: int,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Until when?

    Follows the same units through their lives: completion and share of complying units over the years, the age at which
    units first fall below the requirement (B1 and B10 life), which law of ageing costs most, and what a fleet loses.
    Completion is worked out for each unit; --actuations serve the mean reserve alone.
    """
    from yieldsim.analysis.ageing import life

    settings = settings_of(units=units, **options)
    horizon = None if until is None else number(until, "s", "until", unit="yr")
    design = read_chosen(config)
    refuse(out, "life")
    with progress() as stages:
        result = life(
            design,
            settings,
            horizon,
            ages,
            nodes,
            None if stages is None else lambda done, of: stages("life", done, of),
        )
    show(result, as_json, write_files(result, out))

"""``yieldsim rank``: what decides it."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.cli.options import (
    condition_of,
    configuration,
    effort,
    json_flag,
    out_folder,
    settings_of,
    temperature_and_age,
)
from yieldsim.cli.showing import progress, refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim rank node.toml
  yieldsim rank node.toml --response "voltage margin" --temperature 60 --age 12 --effort 4096
"""


@click.command("rank", epilog=_EPILOG)
@configuration
@temperature_and_age(required=False)
@click.option(
    "--response",
    type=click.Choice(["reserve", "voltage margin"]),
    default="reserve",
    show_default=True,
    help="What is ranked.",
)
@effort("effort", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(
    config: Path,
    temperature: str | None,
    age: str | None,
    response: str,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """What decides it?

    Ranks everything that is drawn by the share of a margin's variance that it explains, alone and in all, in
    one condition: the worst one of a small screen unless --temperature and --age name it.
    """
    from yieldsim.analysis.ranking import rank
    from yieldsim.design.reading import read_design

    settings = settings_of(**options)
    condition = condition_of(temperature, age)
    design = read_design(config)
    refuse(out, "rank")
    with progress() as stages:
        result = rank(
            design,
            settings,
            condition,
            response,
            None if stages is None else lambda done, of: stages("rank", done, of),
        )
    show(result, as_json, write_files(result, out))

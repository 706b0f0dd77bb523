"""``yieldsim worst-case``: how bad it can get."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import (
    ALL,
    condition_of,
    configuration,
    effort,
    json_flag,
    number,
    out_folder,
    settings_of,
    temperature_and_age,
)
from yieldsim.cli.showing import progress, refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim worst-case node.toml
  yieldsim worst-case node.toml --temperature 60 --age 12 --content "99.99 %"
"""


@click.command("worst-case", epilog=_EPILOG)
@configuration
@alternate_option()
@temperature_and_age(ALL)
@click.option(
    "--content",
    default="99.9 %",
    show_default=True,
    help='Share of actuations that each limit from a sample is to hold for, "99.9 %" or 0.999.',
)
@effort("seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(
    config: Path,
    temperature: str | None,
    age: str | None,
    content: str,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """How bad can it get?

    Four answers side by side for reserve, voltage and start margin, hold-up and every rating, in every condition of the
    design unless --temperature and --age name one: the extreme value over the box of all tolerances, root-sum-square,
    a limit from a sample that assumes no distribution, and the most probable failure point. Which parameter pushes
    which way, and its share of the way from the nominal margin to the worst one, comes with them.
    """
    from yieldsim.analysis.worst_case import worst_case

    settings = settings_of(**options)
    condition = condition_of(temperature, age)
    share = number(content, "share", "content")
    design = read_chosen(config)
    refuse(out, "worst-case")
    with progress() as stages:
        result = worst_case(
            design,
            settings,
            condition,
            share,
            None if stages is None else lambda done, whole: stages("worst-case", done, whole),
        )
    show(result, as_json, write_files(result, out))

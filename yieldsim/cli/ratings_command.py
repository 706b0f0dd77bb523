"""``yieldsim ratings``: what is taken of every rating."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import configuration, effort, json_flag, out_folder, settings_of
from yieldsim.cli.showing import progress, refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim ratings node.toml
  yieldsim ratings node.toml --units 16384 --out reports/node-ratings
"""


@click.command("ratings", epilog=_EPILOG)
@configuration
@alternate_option()
@effort("units", "actuations", "lots", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(config: Path, out: Path | None, as_json: bool, **options: Any) -> None:
    """What is taken of every rating?

    Peak voltages of store, regulator and radio, peak current and reverse voltage of the bridge, against the ratings of
    the file and its [[derating]] rules, in every condition: quantiles with bounds that assume no distribution, the
    share of actuations above, the largest simulated with the command that opens it, and the worst value with every
    tolerance at its extreme. How much of a rating may be used is for you to say: no table of a standard comes with this
    program, and a rule says which fraction of the rating may be used, not which is taken off.
    """
    from yieldsim.analysis.ratings import ratings

    settings = settings_of(**options)
    design = read_chosen(config)
    refuse(out, "ratings")
    with progress() as stages:
        result = ratings(design, settings, None if stages is None else lambda done, of: stages("ratings", done, of))
    show(result, as_json, write_files(result, out))

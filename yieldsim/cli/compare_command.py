"""``yieldsim compare``: whether one configuration is better than another."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from yieldsim.cli.options import effort, json_flag, out_folder, settings_of
from yieldsim.cli.showing import progress, refuse, show, write_files

_UNITS = 1024  # pairs say more than as many units apart
_EPILOG = """\b
Example:
  yieldsim compare node.toml node-33uF.toml
  yieldsim compare node.toml node-33uF.toml --units 16384 --out reports/33uF-against-22uF
"""


@click.command("compare", epilog=_EPILOG)
@click.argument("a", metavar="A", type=click.Path(path_type=Path))
@click.argument("b", metavar="B", type=click.Path(path_type=Path))
@click.option(
    "--units", type=int, default=_UNITS, show_default=True, help="Units in every condition, the same ones in A and B."
)
@effort("actuations", "lots", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(a: Path, b: Path, out: Path | None, as_json: bool, **options: Any) -> None:
    """Is B better than A?

    Runs the same units and the same actuations of two configuration files in every condition that both have. A
    parameter of the same name takes the same place in its distribution in both, so that what is left between them is
    what the files say differently: the difference of each share has bounds of its own, mostly far closer than those
    of the two shares by themselves. Prints the answer first, then the differences, what the files say differently, and
    which actuations changed sides, with the commands that open them in either file. Both files must state the same
    requirement.
    """
    from yieldsim.analysis.comparison import compare
    from yieldsim.design.reading import read_design

    settings = settings_of(**options)
    designs = read_design(a), read_design(b)
    refuse(out, "compare")
    with progress() as stages:
        result = compare(*designs, settings, None if stages is None else lambda done, of: stages("compare", done, of))
    show(result, as_json, write_files(result, out))

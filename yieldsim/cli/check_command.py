"""``yieldsim check``: what will be used, and whether it makes sense."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import configuration, json_flag, out_folder
from yieldsim.cli.showing import refuse, show, write_files

_EPILOG = """\b
Example:
  yieldsim check node.toml
"""


@click.command("check", epilog=_EPILOG)
@configuration
@alternate_option()
@out_folder
@json_flag
def command(config: Path, out: Path | None, as_json: bool) -> None:
    """What will be used, and does it make sense?

    Shows every parameter as it will be used: its value, limits per level, laws with their reference, what
    was assumed or left to a default; and whether the design can work at its nominal values.
    """
    from yieldsim.analysis.check import check

    design = read_chosen(config)
    refuse(out, "check")
    result = check(design)
    show(result, as_json, write_files(result, out))

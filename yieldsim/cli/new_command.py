"""``yieldsim new``: a commented configuration to start from."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.options import json_flag

_EPILOG = """\b
Example:
  yieldsim new node.toml
  yieldsim check node.toml
"""


@click.command("new", epilog=_EPILOG)
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@json_flag
def command(file: Path, as_json: bool) -> None:
    """What does a configuration look like?

    Writes a commented configuration that runs. A file that is there already is left alone.
    """
    from yieldsim import __version__
    from yieldsim.design.reading import starter
    from yieldsim.words.errors import InputError, Problem, WorkError

    text = starter()
    try:
        with file.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        problem = Problem(str(file), None, None, "it is there already", "name a new file, or move the old one away")
        raise InputError(problem) from None
    except OSError as error:
        reason = f"it cannot be written ({error.strerror or error})"
        raise WorkError(Problem(str(file), None, None, reason, "check the folder and its permissions")) from None
    if as_json:
        envelope = {
            "command": "new",
            "version": __version__,
            "design": None,
            "design_hash": None,
            "seed": None,
        }
        answer: dict[str, Any] = {**envelope, "settings": {}, "warnings": [], "files": [str(file)]}
        click.echo(json.dumps(answer, ensure_ascii=False))
        return
    click.echo(f"wrote {file}")

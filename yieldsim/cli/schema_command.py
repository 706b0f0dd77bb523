"""``yieldsim schema``: the JSON Schema of the configuration."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

import json

import click

_EPILOG = """\b
Example:
  yieldsim schema > node.schema.json
"""


@click.command("schema", epilog=_EPILOG)
@click.option("--json", "as_json", is_flag=True, help="Changes nothing: the schema is JSON.")
def command(as_json: bool) -> None:
    """Which keys does a configuration have?

    Prints the JSON Schema of the configuration file, for editors that complete and check TOML.
    """
    from yieldsim.design.reading import json_schema

    click.echo(json.dumps(json_schema(), ensure_ascii=False, indent=1))

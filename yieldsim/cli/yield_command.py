"""``yieldsim yield``: completion, unit yield and failures in every condition."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import (
    configuration,
    convergence_flag,
    effort,
    json_flag,
    out_folder,
    settings_of,
    until_of,
    watched,
)
from yieldsim.cli.showing import Stages, progress, refuse, show, write_files

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result
    from yieldsim.analysis.sureness import InputSureness
    from yieldsim.design.schema import Design
    from yieldsim.engine.settings import Settings

_EPILOG = """\b
Example:
  yieldsim yield node.toml
  yieldsim yield node.toml --units 16384 --actuations 50 --out reports/node-yield
  yieldsim yield node.toml --until-decided
"""


@click.command("yield", epilog=_EPILOG)
@configuration
@alternate_option(each=True)
@effort("units", "actuations", "lots", "seed", "confidence", "accuracy", "threads")
@watched
@convergence_flag
@click.option("--sureness", is_flag=True, help="Tell how many plausible sets of input laws meet the requirement.")
@out_folder
@json_flag
def command(config: Path, convergence: bool, sureness: bool, out: Path | None, as_json: bool, **options: Any) -> None:
    """How many actuations complete, and how many units comply?

    Runs the same units in every condition and prints, for each, the shares with their one-sided bounds and
    how actuations fail; then the units that comply in all of them, the verdict, and the commands that open its
    worst, its typical failing and its nearest actuations. It ends with 0 whatever the verdict: see signoff.
    A configuration with alternates is run with each of them, and they are judged together.
    """
    from yieldsim.analysis.alternates import for_each
    from yieldsim.analysis.yields import yields

    until = until_of(options)
    settings = settings_of(**options)
    design = read_chosen(config, each=True)
    refuse(out, "alternates" if design.alternates else "yield")
    with progress() as stages:
        told = None if stages is None else lambda done, of: stages("yield", done, of)
        result: Result
        if design.alternates:
            result = for_each(design, settings, told, until=until, convergence=convergence)
        else:
            result = yields(design, settings, told, until=until, convergence=convergence)
            if sureness:
                result = replace(result, sureness=_sureness(design, settings, stages))
    show(result, as_json, write_files(result, out), config)


def _sureness(design: Design, settings: Settings, stages: Stages | None) -> InputSureness:
    from yieldsim.analysis.sureness import sureness_of_inputs

    told = None if stages is None else lambda done, of: stages("sureness", done, of)
    return sureness_of_inputs(design, settings, told)

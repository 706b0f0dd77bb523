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
    points_option,
    settings_of,
    units_for,
    until_of,
    watched,
)
from yieldsim.cli.showing import Stages, progress, refuse, show, write_files
from yieldsim.cli.widths_option import OPTION, widths_of, widths_option

if TYPE_CHECKING:
    from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
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
@points_option("Draw units at random, or take them from Sobol' sets: far narrower on completion. [default: random]")
@watched
@convergence_flag
@click.option("--sureness", is_flag=True, help="Tell how many plausible sets of input laws meet the requirement.")
@widths_option
@out_folder
@json_flag
def command(
    config: Path,
    points: str,
    convergence: bool,
    sureness: bool,
    widths: str | None,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """How many actuations complete, and how many units comply?

    Runs the same units in every condition and prints, for each, the shares with their one-sided bounds and
    how actuations fail; then the units that comply in all of them, the verdict, and the commands that open its
    worst, its typical failing and its nearest actuations. It ends with 0 whatever the verdict: see signoff.
    With --points sobol each unit comes from a lot of its own, and there are 16 times a power of two of them
    (4,096 where --units is not given).
    A configuration with alternates is run with each of them, and they are judged together.
    """
    from yieldsim.analysis.alternates import for_each
    from yieldsim.analysis.yields import yields

    until = until_of(options)
    units_for(points, options)
    settings = settings_of(**options)
    if widths is not None and not sureness:
        raise click.UsageError(f"{OPTION} is of --sureness: give both, or neither")
    plausible = widths_of(widths)
    design = read_chosen(config, each=True)
    if sureness and design.alternates:
        raise click.UsageError("--sureness is of one source: name it with --alternate")
    refuse(out, "alternates" if design.alternates else "yield")
    with progress() as stages:
        told = None if stages is None else lambda done, of: stages("yield", done, of)
        result: Result
        if design.alternates:
            result = for_each(design, settings, told, until=until, convergence=convergence, points=points)
        else:
            result = yields(design, settings, told, until=until, convergence=convergence, points=points)
            if sureness:
                result = replace(result, sureness=_sureness(design, settings, stages, plausible))
    show(result, as_json, write_files(result, out), config)


def _sureness(design: Design, settings: Settings, stages: Stages | None, widths: PlausibleWidths) -> InputSureness:
    from yieldsim.analysis.sureness import sureness_of_inputs

    told = None if stages is None else lambda done, of: stages("sureness", done, of)
    return sureness_of_inputs(design, settings, told, widths=widths)

"""``yieldsim rank``: what decides it."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import (
    WORST,
    condition_of,
    configuration,
    convergence_flag,
    effort,
    json_flag,
    out_folder,
    settings_of,
    temperature_and_age,
)
from yieldsim.cli.showing import progress, refuse, show, write_files
from yieldsim.cli.widths_option import widths_of, widths_option

_EPILOG = """\b
Example:
  yieldsim rank node.toml
  yieldsim rank node.toml --response "voltage margin" --temperature 60 --age 12 --effort 4096
  yieldsim rank node.toml --response failure --over-mission
"""
_UNITS = 1024


@click.command("rank", epilog=_EPILOG)
@configuration
@alternate_option()
@temperature_and_age(WORST)
@click.option(
    "--response",
    type=click.Choice(["reserve", "voltage margin", "hold-up", "failure"]),
    default="reserve",
    show_default=True,
    help="What is ranked: the spread of a margin, or failure itself.",
)
@click.option("--over-mission", is_flag=True, help="Draw temperature and age as the mission has them.")
@effort("effort", "seed", "confidence", "accuracy", "threads")
@click.option(
    "--units",
    type=int,
    help=f"Units behind the change of the units that comply, with --response failure. [default: {_UNITS}]",
)
@widths_option
@convergence_flag
@out_folder
@json_flag
def command(
    config: Path,
    temperature: str | None,
    age: str | None,
    response: str,
    over_mission: bool,
    units: int | None,
    widths: str | None,
    convergence: bool,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """What decides it?

    Ranks everything that is drawn by the share of a margin's variance that it explains, alone and in all, or by its
    influence on failure, as the failing actuations show it: in one condition, the worst one of a small screen unless
    --temperature and --age name it, or over the mission. It ends with what to measure next and, of failure, with what
    a change of each nominal and tolerance is worth: to completion, and to the share of units that comply.
    """
    from yieldsim.analysis.converging_runs import rank_curves
    from yieldsim.analysis.ranking import RankResult, rank
    from yieldsim.analysis.ranking_of_failure import FAILURE, FailureRankResult, rank_failure

    settings = settings_of(**options, units=_UNITS if units is None and response == "failure" else units)
    condition = condition_of(temperature, age)
    plausible = widths_of(widths)
    if condition is not None and over_mission:
        raise click.UsageError("--over-mission has temperatures and ages of its own: leave --temperature and --age out")
    if convergence and response == FAILURE:
        raise click.UsageError("--convergence is of shares of a variance: choose a margin as the --response")
    design = read_chosen(config)
    refuse(out, "rank")
    result: RankResult | FailureRankResult
    with progress() as stages:
        seen = None if stages is None else lambda done, of: stages("rank", done, of)
        if response == FAILURE:
            result = rank_failure(design, settings, condition, seen, over_mission=over_mission, widths=plausible)
        else:
            result = rank(design, settings, condition, response, seen, over_mission=over_mission, widths=plausible)
            if convergence:
                result = replace(result, convergence=rank_curves(design, settings, result))
    show(result, as_json, write_files(result, out))

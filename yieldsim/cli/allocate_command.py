"""``yieldsim allocate``: what each tolerance is worth."""

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
  yieldsim allocate node.toml
  yieldsim allocate node.toml --costs grades.csv --out reports/node-tolerances
\b
A file of costs has one row a grade: on the stated width, or the width itself.
  parameter,factor,grade,cost
  regulator.output,1,,1.0
  regulator.output,,±1 %,1.7
"""


@click.command("allocate", epilog=_EPILOG)
@configuration
@alternate_option()
@click.option("--costs", type=click.Path(path_type=Path), help="CSV file: what grades of tolerances cost.")
@click.option(
    "--units",
    type=int,
    help="Units in every condition, the same ones. [default: 256 where they show it is not met, else 2048]",
)
@click.option(
    "--actuations", type=int, default=8, show_default=True, help="Actuations of each unit in the worst condition."
)
@click.option("--in-full", is_flag=True, help="Work every unit out in every condition; many times slower.")
@effort("lots", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(
    config: Path,
    costs: Path | None,
    units: int | None,
    in_full: bool,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Which tolerance is worth what?

    Halves and doubles every tolerance on the same draws and prints how many more or fewer units comply and actuations
    complete, with bounds; and the widest that each could be alone with the requirement still met. With --costs it
    looks for the cheapest set of grades that meets the requirement, and runs it again from another seed.
    """
    from yieldsim.analysis.allocation import allocate
    from yieldsim.analysis.allocations.grade_costs import read_grades

    settings = settings_of(units=units, **options)
    design = read_chosen(config)
    graded = () if costs is None else read_grades(costs, design)
    refuse(out, "allocate")
    with progress() as stages:
        result = allocate(
            design,
            settings,
            graded,
            None if stages is None else lambda done, of: stages("allocate", done, of),
            units=units,
            in_full=in_full,
        )
    show(result, as_json, write_files(result, out))

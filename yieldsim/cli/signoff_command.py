"""``yieldsim signoff``: may it go out."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import configuration, effort, json_flag, settings_of, until_of, watched
from yieldsim.cli.showing import progress, show
from yieldsim.cli.widths_option import widths_of, widths_option

if TYPE_CHECKING:
    from yieldsim.analysis.signoff import SignoffResult

_EPILOG = """\b
Example:
  yieldsim signoff node.toml
  yieldsim signoff node.toml --until-decided
  yieldsim signoff node.toml --units 16384 --out reports/node-revision-c

\b
Exit codes: 0 met, or nothing required; 3 not met; 4 undecided with this effort;
1 the input is wrong or the work failed; 2 wrong usage; 130 interrupted.
"""


@click.command("signoff", epilog=_EPILOG)
@configuration
@alternate_option(each=True)
@effort("units", "actuations", "lots", "effort", "seed", "confidence", "accuracy", "threads")
@watched
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the report. [default: reports/ and the name of the configuration]",
)
@click.option("--brief", is_flag=True, help="Leave out the worst case, the sizing window and the life.")
@widths_option
@json_flag
def command(config: Path, brief: bool, out: Path | None, widths: str | None, as_json: bool, **options: Any) -> None:
    """May it go out?

    Runs the yield, ranks what decides it in the worst condition, opens the nominal actuation, and writes a
    report with its tables and pictures. The exit code tells the verdict.
    """
    from yieldsim.analysis.signoff import signoff
    from yieldsim.report.folders import refuse_foreign, refuse_unusable

    until = until_of(options)
    settings = settings_of(**options)
    plausible = widths_of(widths)
    design = read_chosen(config, each=True)
    folder = Path("reports") / config.stem if out is None else out
    refuse_unusable(folder)
    refuse_foreign(folder)
    with progress() as stages:
        result = signoff(design, settings, stages, until=until, brief=brief, widths=plausible)
    show(result, as_json, _written(result, folder), config)
    click.get_current_context().exit(result.exit_code)


def _written(result: SignoffResult, folder: Path) -> tuple[str, ...]:
    """Write the report and return its files; what draws it is heavy and not needed for a wrong input."""
    from yieldsim.report.writing import write_report

    return tuple((folder / file).as_posix() for file in write_report(result, folder))

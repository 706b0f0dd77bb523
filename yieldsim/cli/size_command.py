"""``yieldsim size``: which values of a number meet the requirement."""

# ruff: noqa: D400 - the docstring of a command is its help, and the first line the question it asks

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.alternate_option import alternate_option, read_chosen
from yieldsim.cli.options import configuration, effort, json_flag, out_folder, settings_of
from yieldsim.cli.showing import progress, refuse, show, write_files

if TYPE_CHECKING:
    from yieldsim.analysis.sizing import Range
    from yieldsim.design.schema import Design

_EPILOG = """\b
Example:
  yieldsim size node.toml storage.capacitance
  yieldsim size node.toml storage.capacitance --from "15 uF" --to "68 uF" --series E24
  yieldsim size node.toml radio.transmit.octets --from 10 --to 60
  yieldsim size node.toml storage.capacitance --tie storage.esr^-1
  yieldsim size node.toml storage.capacitance --candidates parts.csv
  yieldsim size node.toml storage.capacitance --and radio.transmit.octets

\b
A table of candidate parts has one column a number, headed by its key, and cells
with their units:
  part,storage.capacitance,storage.voltage_rating,storage.capacitance.bias_stretch
  A,22 uF,25 V,1.6
  B,27 uF,16 V,1.0
"""


@click.command("size", epilog=_EPILOG)
@configuration
@alternate_option()
@click.argument("parameter")
@click.option("--from", "low", help="Lowest value. [default: nominal / 2.5]")
@click.option("--to", "high", help="Highest value. [default: nominal * 2.5]")
@click.option("--points", type=int, help="Values of equal ratios, where no series gives them. [default: 9; map: 7]")
@click.option(
    "--series",
    type=click.Choice(["E3", "E6", "E12", "E24"]),
    help="Preferred values of IEC 60063. [default: E12 for a capacitance, resistance, inductance; else none]",
)
@click.option("--tie", "ties", multiple=True, help="KEY or KEY^POWER: moves with that power of the ratio to nominal.")
@click.option("--candidates", type=click.Path(path_type=Path), help="Table of parts that could be fitted (CSV).")
@click.option("--and", "second", help="A second number: both are scanned, for a map.")
@click.option("--second-from", help="Lowest value of the second number.")
@click.option("--second-to", help="Highest value of the second number.")
@click.option("--no-confirm", is_flag=True, help="Scan alone: nothing is shown to meet the requirement.")
@effort("units", "actuations", "lots", "seed", "confidence", "accuracy", "threads")
@out_folder
@json_flag
def command(
    config: Path,
    parameter: str,
    low: str | None,
    high: str | None,
    points: int | None,
    series: str | None,
    ties: tuple[str, ...],
    candidates: Path | None,
    second: str | None,
    second_from: str | None,
    second_to: str | None,
    no_confirm: bool,
    out: Path | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Which values of a number meet the requirement?

    Scans a PARAMETER (or octets, bit rate, attempts, a rating: radio.transmit.octets, storage.voltage_rating, ...)
    with few units a value, rules out what cannot meet the requirement, chooses a preferred value from the middle of
    what is left, and confirms it with the full number of units and a seed of its own. Values beside it follow as far as
    the effort goes. It ends with 0 whatever is found: see signoff.
    """
    from yieldsim.analysis.sizes.map import size_map
    from yieldsim.analysis.sizing import size

    _check_combination(second, second_from, second_to, candidates, (low, high, points, series, ties or None))
    settings = settings_of(**options)
    design = read_chosen(config)
    confirm = not no_confirm
    first = _range_of(design, parameter, low, high, points or (7 if second else 9), series, ties, confirm, "")
    refuse(out, "size")
    with progress() as stages:
        if second is None:
            if candidates is not None:
                first = _with_candidates(design, parameter, candidates, confirm)
            result: Any = size(design, settings, parameter, first, stages)
        else:
            other = _range_of(design, second, second_from, second_to, points or 7, None, (), confirm, "second-")
            result = size_map(design, settings, (parameter, second), (first, other), stages)
    show(result, as_json, write_files(result, out), config)


def _check_combination(
    second: str | None, low: str | None, high: str | None, candidates: Path | None, ranged: tuple[Any, ...]
) -> None:
    """Refuse options that say nothing together."""
    if second is None and (low is not None or high is not None):
        raise click.UsageError("--second-from and --second-to need --and")
    if candidates is not None and (second is not None or any(given is not None for given in ranged)):
        others = "--and, --from, --to, --points, --series and --tie"
        raise click.UsageError(f"--candidates says what is scanned: leave out {others}")


def _range_of(
    design: Design,
    key: str,
    low: str | None,
    high: str | None,
    points: int,
    series: str | None,
    ties: tuple[str, ...],
    confirm: bool,
    prefix: str,
) -> Range:
    """Return the range of one number from its options, in the units that they spell."""
    from yieldsim.analysis.sizing import Range
    from yieldsim.design.quantity import read_quantity
    from yieldsim.design.variation import read_tie, variable_of

    variable = variable_of(design, key)

    def end(text: str | None, name: str) -> float | None:
        if text is None:
            return None
        return read_quantity(text, variable.dimension, key=f"--{prefix}{name}")

    return Range(end(low, "from"), end(high, "to"), points, series, tuple(read_tie(t) for t in ties), (), confirm)


def _with_candidates(design: Design, key: str, path: Path, confirm: bool) -> Range:
    from yieldsim.analysis.sizing import Range
    from yieldsim.design.variation import read_candidates

    return Range(candidates=read_candidates(path, design, key), confirm=confirm)

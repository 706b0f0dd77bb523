"""Completion of the shipped valve-turn design by scrambled Sobol' sets against Monte Carlo, part of `replicates`.

In cells of the demo, and where its temperature or its capacitance is harsher so that more than 1 % of the actuations
fail, the shipped estimates are made again and again with other seeds, each from about as many actuations:

- independent units, one actuation of each, which is the best that plain Monte Carlo can do,
- independent units, 32 actuations of each, as ``yieldsim yield`` takes them,
- points of scrambled Sobol' sets with everything that differs between actuations as a coordinate, counted,
- units from scrambled Sobol' sets with the speed of the press integrated, which a unit's completion is, too,
- units from scrambled Sobol' sets with one direction of the inputs integrated (``--points sobol``).

An actuation is one evaluation of the physics, those of pilot points and of the search along a line included. *gain* is
how many times the actuations Monte Carlo with one actuation a unit needs for the same width of the interval, and for
the same root mean square error: (its width over this width) squared, times its actuations over these. Truths come from
a long run of the last method with other seeds, which must lie within the 99.9 % bounds of independent actuations.

A last block holds the unit yield from units of Sobol' sets against independent units.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.resumable import Row
from yieldsim.analysis.line_shares import line_share
from yieldsim.analysis.running import unit_share
from yieldsim.design.quantity import read_quantity
from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design
from yieldsim.design.variation import with_values
from yieldsim.engine.cells import run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.execution import blocks
from yieldsim.engine.lines import join_lines, line_of, run_lines
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import SCRAMBLES as SCRAMBLED
from yieldsim.estimate.frequencies import Frequencies, share_of_units
from yieldsim.estimate.intervals import binomial_estimate, mean_of_clusters
from yieldsim.estimate.unit_completion import join_blocks
from yieldsim.kernel import layout as at
from yieldsim.population.points import coordinate
from yieldsim.population.scrambled import SCRAMBLES, ScrambledPopulation

Floats = NDArray[np.float64]
Answer = tuple[float, float, float, int]  # value, two-sided 95 % bounds, actuations

DEMO = Path(__file__).resolve().parents[2] / "configs" / "valve-turn.toml"
EACH_BOUND = 0.975
THREADS = 2


@dataclass(frozen=True)
class Size:
    """Units of a Sobol' run, repeats of completion and of unit yield, and the long runs behind the truths."""

    units: int
    repeats: int
    yield_repeats: int
    long_units: int
    long_actuations: int
    long_yield: int


SMALL, FULL = Size(512, 40, 20, 1 << 13, 1 << 17, 1 << 11), Size(1024, 200, 100, 1 << 15, 1 << 19, 1 << 13)
COUNTED_REPEATS = 40  # at most, of methods that count
YIELD_UNITS = 256
#: Name -> capacitance, temperature [degC], age [yr].
CELLS = {
    "as shipped, 60 degC, 12 yr": ("47 uF", 60.0, 12.0),
    "as shipped, 70 degC, 12 yr": ("47 uF", 70.0, 12.0),
    "56 uF, 60 degC, 12 yr": ("56 uF", 60.0, 12.0),
    "as shipped, 25 degC, 12 yr": ("47 uF", 25.0, 12.0),
}
LAST = "Sobol' units, a direction integrated"
YIELD_CELL = "as shipped, 60 degC, 0 yr"


@cache
def design_of(capacitance: str) -> Design:
    """The demo with another capacitance."""
    design = read_design(DEMO)
    return with_values(design, {"storage.capacitance": read_quantity(capacitance, "F", key="storage.capacitance")})


def _seed(repeat: int) -> int:
    return 7_000_000 + repeat


def independent(cell: str, repeat: int, units: int, actuations: int) -> Answer:
    """Independent units, counted."""
    capacitance, temperature, age = CELLS[cell]
    response = Response(design_of(capacitance), Settings(units=units, actuations=actuations, seed=_seed(repeat)))
    tally = run_block(response, Condition(temperature, age), np.arange(units), actuations, None).tally
    found = mean_of_clusters(tally.completed / actuations, None, EACH_BOUND)
    return found.value, found.low, found.high, units * actuations


def counted_points(cell: str, repeat: int, units: int) -> Answer:
    """Points of scrambled Sobol' sets, everything that is drawn a coordinate, counted."""
    capacitance, temperature, age = CELLS[cell]
    response = Response(design_of(capacitance), Settings(units=units, seed=_seed(repeat)), "sobol")
    population = response.population
    assert isinstance(population, ScrambledPopulation)
    names = [coordinate(d.name, d.level, max(d.attempt, 0)) for d in response.dimensions]
    points = population.coordinates(names, np.arange(units))
    _, codes = response.respond(points, Condition(temperature, age))
    complete = codes[:, at.OUTCOME] == at.COMPLETE
    table = Frequencies.of(complete, SCRAMBLED, np.arange(len(complete)) % SCRAMBLES)
    found = share_of_units(table, EACH_BOUND)
    return found.value, found.low, found.high, units


def integrated(cell: str, repeat: int, units: int, along: str | None = None) -> Answer:
    """Units from scrambled Sobol' sets, with lines, held against one actuation of each: what is shipped.

    ``along`` names one variable in place of the direction that is found.
    """
    capacitance, temperature, age = CELLS[cell]
    settings = Settings(units=units, actuations=1, seed=_seed(repeat))
    response, condition = Response(design_of(capacitance), settings, "sobol"), Condition(temperature, age)
    line = line_of(response, condition)
    if along is not None:
        own = [d.name == along and d.level == "actuation" for d in response.dimensions]
        line = replace(line, direction=np.array(own, dtype=np.float64), pilot=0)
    parts = blocks(units)
    asked = join_lines([run_lines(response, condition, some, line) for some in parts])
    counted = np.concatenate([run_block(response, condition, some, 1, None).tally.completed for some in parts])
    table = Frequencies.of(counted, SCRAMBLED, np.arange(units) % SCRAMBLES)
    found = line_share(asked, table, EACH_BOUND)
    return found.value, found.low, found.high, asked.evaluations + line.pilot + units


def methods_of(size: Size) -> dict[str, Callable[[str, int], Answer]]:
    """The methods, each from about as many actuations as the last."""
    plain = 48 * size.units
    return {
        "independent units, one actuation": partial(independent, units=plain, actuations=1),
        "independent units, 32 actuations": partial(independent, units=plain // 32, actuations=32),
        "Sobol' points, counted": partial(counted_points, units=plain),
        "Sobol' units, the speed integrated": partial(integrated, units=size.units, along="harvester.speed"),
        LAST: partial(integrated, units=size.units),
    }


@cache
def truth_of(cell: str, size: Size) -> tuple[float, bool]:
    """Completion by a long run, and whether independent actuations agree with it."""
    value, *_ = integrated(cell, -1, size.long_units)
    plain, *_ = independent(cell, -2, size.long_actuations, 1)
    n = size.long_actuations
    bounds = binomial_estimate(round(plain * n), n, 0.9995)
    return value, bool(bounds.low <= value <= bounds.high)


def completion_row(cell: str, method: str, size: Size) -> Row:
    """Error, coverage, width and actuations of one method in one cell."""
    truth, agrees = truth_of(cell, size)
    repeats = size.repeats if method == LAST else min(size.repeats, COUNTED_REPEATS)
    answers = _repeated(partial(methods_of(size)[method], cell), repeats)
    return {"cell": cell, "fails": 1.0 - truth, "truth_agrees": agrees, **_measured(answers, truth)}


def yield_row(method: str, size: Size) -> Row:
    """The same of the unit yield in one cell; effort is counted in units."""
    truth, _, _, _ = complying(-1, size.long_yield, "random")
    points = "sobol" if method.startswith("Sobol'") else "random"
    answers = _repeated(partial(complying, units=YIELD_UNITS, points=points), size.yield_repeats)
    return {"cell": YIELD_CELL, "fails": 1.0 - truth, "truth_agrees": True, **_measured(answers, truth)}


def complying(repeat: int, units: int, points: str) -> Answer:
    """Share of units that reach 99.9 % completion, as shipped."""
    design = read_design(DEMO)
    assert design.requirement is not None
    response = Response(design, Settings(units=units, actuations=1, seed=_seed(repeat)), points)
    required = design.requirement.completion
    parts = [run_block(response, Condition(60.0, 0.0), some, 1, required).completion for some in blocks(units)]
    completion = join_blocks([part for part in parts if part is not None])
    scrambles = SCRAMBLES if points == "sobol" else None
    found = unit_share(design, completion, None, EACH_BOUND, scrambles)
    assert found is not None
    return found.value, found.low, found.high, units


def _repeated(one: Callable[[int], Answer], repeats: int) -> Floats:
    with ThreadPoolExecutor(THREADS) as pool:
        return np.array(list(pool.map(one, range(repeats))))


def _measured(answers: Floats, truth: float) -> Row:
    value, low, high, effort = answers.T
    return {
        "repeats": len(answers),
        "truth": truth,
        "error": float(np.sqrt(np.mean((value - truth) ** 2))),
        "coverage": float(np.mean((low <= truth) & (truth <= high))),
        "width": float(np.mean(high - low)),
        "actuations": float(np.mean(effort)),
    }


def keys(size: Size) -> list[str]:
    """Keys of the rows, in the order of the table."""
    found = [f"completion | {cell} | {method}" for cell in CELLS for method in methods_of(size)]
    return [*found, "unit yield | independent units", "unit yield | Sobol' units"]


def measure(key: str, size: Size) -> Row:
    """One row."""
    what, *rest = key.split(" | ")
    return completion_row(*rest, size) if what == "completion" else yield_row(rest[0], size)


def table(rows: Sequence[Row], size: Size) -> list[str]:
    """The rows as lines of a page."""
    lines = [
        "## Completion of the valve-turn design",
        "",
        "Invented design `configs/valve-turn.toml`. Each row holds so many actuations a run, those of pilot points and "
        "searches included. *gain in width*, *gain in error*: how many times these actuations independent units with "
        "one actuation each need for the same mean width of the two-sided 95 % interval, and for the same root mean "
        "square error.",
        "",
        "| cell | fails [%] | method | repeats | actuations | error | gain in error | width | gain in width "
        "| coverage [%] |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    first: dict[str, Row] = {}
    for row in rows:
        what, *_, method = row["key"].split(" | ")
        plain = first.setdefault(f"{what} {row['cell']}", row)
        share = plain["actuations"] / row["actuations"]
        by_error, by_width = (share * (plain[name] / row[name]) ** 2 for name in ("error", "width"))
        cell = row["cell"] if what == "completion" else f"unit yield, {row['cell']} (effort in units)"
        lines.append(
            f"| {cell} | {100.0 * row['fails']:.3g} | {method} | {row['repeats']} | {row['actuations']:,.0f} "
            f"| {row['error']:.2g} | {by_error:.3g} | {row['width']:.2g} | {by_width:.3g} "
            f"| {100.0 * row['coverage']:.1f} |"
        )
    agree = all(row["truth_agrees"] for row in rows)
    told = "lie" if agree else "DO NOT ALL LIE"
    lines += [
        "",
        f"Truths: the last method with {size.long_units:,} units; they {told} within the 99.9 % bounds of "
        f"{size.long_actuations:,} independent actuations. That of the unit yield is of {size.long_yield:,} "
        "independent units.",
        "",
    ]
    return lines

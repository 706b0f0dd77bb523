"""How often bounds on completion and on unit yield hold the truth.

    python -m tests.benchmarks.coverage [--small] [--only KIND] [--repeats N]

measures every cell of three grids (full: 5,000 repeats a cell, 500 where units go through several conditions; small: a
part of the grids, 1,000 and 200 repeats, a few minutes) and writes ``results/coverage.json`` and ``coverage.md``
(small: ``coverage-small``). Rows are kept as they come; a run that was broken off goes on from there, and rows measured
with other code are measured again. With ``--only`` one grid is measured and the rows of the others are told as they are
stored; those that were measured with other code than the present one are marked by ``*``.

Three coverages are told of each cell: of the lower and of the upper one-sided bound at 95 %, and of the two-sided
95 % interval, whose ends are the bounds at 97.5 %. What is to be reached: none lies below 95 % by more than three
standard errors of the measurement, and the two-sided ones are 98 % or less in the mean over the cells where 20 or
more failing units are expected.
"""

from __future__ import annotations

import argparse
import json
import math
from typing import Any

import numpy as np

from tests.benchmarks.coverage_completion import COMPLETION, measure_completion
from tests.benchmarks.coverage_joint import JOINT, measure_joint
from tests.benchmarks.coverage_yield import YIELD, measure_yield
from tests.benchmarks.resumable import RESULTS, Row, Store, circumstances, digest_of

MEASURED = {
    "completion": [
        "yieldsim/estimate/dirichlet.py",
        "yieldsim/estimate/intervals.py",
        "tests/benchmarks/coverage_completion.py",
    ],
    "unit yield": [
        "yieldsim/estimate/dirichlet.py",
        "yieldsim/estimate/intervals.py",
        "yieldsim/estimate/unit_completion.py",
        "yieldsim/estimate/unit_yield.py",
        "tests/benchmarks/coverage_yield.py",
    ],
    "several conditions": [
        "yieldsim/analysis/mission.py",
        "yieldsim/estimate/dirichlet.py",
        "yieldsim/estimate/intervals.py",
        "yieldsim/estimate/pivot.py",
        "yieldsim/estimate/unit_completion.py",
        "yieldsim/estimate/unit_yield.py",
        "tests/benchmarks/coverage_joint.py",
        "tests/benchmarks/coverage_yield.py",
    ],
}
SEED = 20261125
NOMINAL = 0.95
KINDS: dict[str, tuple[dict[str, Any], Any]] = {
    "completion": (COMPLETION, measure_completion),
    "unit yield": (YIELD, measure_yield),
    "several conditions": (JOINT, measure_joint),
}
#: Repeats of a cell, full and small; a run through several conditions takes ten times as long.
REPEATS = {"completion": (5000, 1000), "unit yield": (5000, 1000), "several conditions": (500, 200)}
ASKED = ("low", "high", "both")


def judged(row: Row) -> Row:
    """The row with the least coverage that would do, and whether it has it."""
    least = NOMINAL - 3.0 * math.sqrt(NOMINAL * (1.0 - NOMINAL) / row["repeats"])
    return row | {"least": least, "met": all(row[name] >= least for name in ASKED)}


def summary(rows: list[Row]) -> Row:
    """How many cells reach what is asked, and the mean where 20 or more failing units are expected."""
    seen = [row for row in rows if row["failing"] >= 20.0]
    mean = float(np.mean([row["both"] for row in seen]))
    by_kind = {
        kind: float(np.mean([row["both"] for row in seen if row["kind"] == kind]))
        for kind in {row["kind"] for row in seen}
    }
    return {
        "cells": len(rows),
        "below": [row["key"] for row in rows if not row["met"]],
        "mean_both_where_failing": mean,
        "mean_by_kind": dict(sorted(by_kind.items())),
        "met": all(row["met"] for row in rows) and mean <= 0.98,
    }


def markdown(told: Row) -> str:
    """The table as a page."""
    with_, found = told["circumstances"], told["summary"]
    lines = [
        "# Coverage of bounds",
        "",
        "Share of repeats [%] in which the lower and the upper one-sided 95 % bound, and the two-sided 95 % interval, "
        "hold the truth. *failing*: failing units expected. *width*: mean width of the two-sided interval. *pooled*, "
        "*t*: what the exact interval of all actuations together, and Student's t over units or lots, would cover. "
        "*drawn*: draws of a unit, on average; a star behind a cell: measured with older code than the present one.",
        "",
        f"Code {with_['mark']}, seed {with_['seed']}, Python {with_['python']}, NumPy {with_['numpy']}, SciPy "
        f"{with_['scipy']}, {with_['machine']}.",
        "",
        "| cell | truth | failing | repeats | low | high | both | width | met | drawn | pooled | t |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in told["rows"]:
        shares = " | ".join(f"{100.0 * row[name]:.1f}" for name in ASKED)
        word = "yes" if row["met"] else "**no**"
        drawn = f"{row['draws']:.1f}" if "draws" in row else "–"
        key = f"{row['key']} *" if row["older"] else row["key"]
        rivals = " | ".join(f"{100.0 * row[name]:.1f}" if name in row else "–" for name in ("pooled", "t"))
        lines.append(
            f"| {key} | {row['truth']:g} | {row['failing']:.3g} | {row['repeats']} | {shares} | {row['width']:.2g} "
            f"| {word} | {drawn} | {rivals} |"
        )
    means = ", ".join(f"{kind} {100.0 * mean:.2f} %" for kind, mean in found["mean_by_kind"].items())
    lines += [
        "",
        f"{found['cells']} cells, {len(found['below'])} below what is asked. Mean two-sided coverage where 20 or more "
        f"failing units are expected: {100.0 * found['mean_both_where_failing']:.2f} % ({means}); at most 98 % is "
        "asked.",
        "",
    ]
    return "\n".join(lines)


def stored_rows(name: str, kind: str) -> list[Row]:
    """Rows of a kind as they stand in the stored table; none without one."""
    path = RESULTS / f"{name}.json"
    told = json.loads(path.read_text()) if path.exists() else {"rows": []}
    return [row for row in told["rows"] if row["kind"] == kind]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--small", action="store_true", help="a part of the grids, fewer repeats")
    parser.add_argument("--repeats", type=int, help="of every cell (5,000 or 500; small: 1,000 or 200)")
    parser.add_argument("--only", choices=sorted(KINDS), help="one grid; the others are told as they are stored")
    arguments = parser.parse_args()
    name = "coverage-small" if arguments.small else "coverage"
    marks, rows = {kind: digest_of(files) for kind, files in MEASURED.items()}, []
    for kind, (cells, measure) in KINDS.items():
        if arguments.only not in (None, kind):
            found = stored_rows(name, kind)
        else:
            repeats = arguments.repeats or REPEATS[kind][arguments.small]
            keys = [key for key, cell in cells.items() if cell.small or not arguments.small]
            store = Store(RESULTS / f"{name}.rows.jsonl", f"{marks[kind]} {repeats}")
            found = store.measure(keys, lambda key, c=cells, m=measure, n=repeats: m(c[key], n, SEED))
        rows += [judged(row | {"kind": kind, "older": row["mark"].split()[0] != marks[kind]}) for row in found]
    told = {
        "summary": summary(rows),
        "rows": rows,
        "circumstances": circumstances(", ".join(marks.values()), seed=SEED),
    }
    (RESULTS / f"{name}.json").write_text(json.dumps(told, indent=1) + "\n")
    (RESULTS / f"{name}.md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

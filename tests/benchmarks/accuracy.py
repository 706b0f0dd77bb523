"""How exact the compiled physics is: random designs of every source and regulator against the tight reference.

    python -m tests.benchmarks.accuracy --designs 1000 --workers 2 --out accuracy.json

runs so many designs of every source, shared among the three regulators (each regulator then has twice as many), and
writes ``accuracy.json`` and ``accuracy.md``.  The reference is slow: what it answers is kept design by design as lines
of ``accuracy.rows.jsonl``, marked with a digest of the reference; a run that was broken off goes on from there, and
after a change of the physics only the compiled code is run again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import platform
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from functools import partial
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "published"))

from agreement import branches, differences, undecided  # noqa: E402
from kernel_node import outcome_of, run_node  # noqa: E402
from random_kinds import REGULATORS, SOURCES, random_kind  # noqa: E402
from reference_node import ReferenceResult, solve  # noqa: E402

from tests.benchmarks.simplifications import bank_row, diode_rows  # noqa: E402
from tests.benchmarks.tables import markdown, summary  # noqa: E402
from yieldsim.kernel import layout as at  # noqa: E402

SEED = 20260101
ANSWERS = ("reserve", "start_margin", "run_margin", "start_time")
Row = dict[str, Any]


class Task(NamedTuple):
    """One design: what is asked about it, and its address."""

    about: str  # kernel | bank
    source: str
    regulator: str
    seed: int
    index: int


def reference_row(task: Task) -> Row:
    """What the tight integration answers on one design."""
    try:
        return {"reference": asdict(solve(random_kind(*task[1:])))}
    except (ValueError, RuntimeError) as problem:
        return {"unsolved": str(problem)}


def kernel_row(row: Row, accuracy: float) -> Row:
    """Errors of the compiled physics on one design; None where a millivolt decides how the actuation goes on."""
    if "unsolved" in row:
        return row
    node = random_kind(row["source"], row["regulator"], row["seed"], row["index"])
    result = ReferenceResult(
        **{name: tuple(value) if isinstance(value, list) else value for name, value in row["reference"].items()}
    )
    values, codes = run_node(node, accuracy)
    found = {} if branches(node, result) else differences(result, values)
    told = {name: value for name, value in row.items() if name != "reference"}
    return told | {
        "outcome": result.outcome,
        "kernel_outcome": outcome_of(node, codes[at.OUTCOME]),
        "decided": not undecided(node, result),
        "forced": result.start_time is None,
        **{name: found.get(name) for name in ANSWERS},
    }


def answer(row: Row, accuracy: float) -> Row:
    """A row with what the compiled physics makes of it."""
    return kernel_row(row, accuracy) if row["about"] == "kernel" else row


def work(task: Task) -> Row:
    begin = time.perf_counter()
    row = reference_row(task) if task.about == "kernel" else bank_row(*task[1:])
    return task._asdict() | row | {"seconds": round(time.perf_counter() - begin, 3)}


def digest_of(files: Iterable[Path]) -> str:
    digest = hashlib.sha256()
    for path in sorted(files):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def reference_mark() -> str:
    """Digest of the reference and its designs."""
    files = [*(ROOT / "tests/published").glob("reference_*.py"), ROOT / "tests/benchmarks/simplifications.py"]
    return digest_of([*files, ROOT / "tests/published/random_kinds.py"])


def physics_mark() -> str:
    """Digest of the compiled physics and its tables."""
    return digest_of([*(ROOT / "yieldsim/kernel").glob("*.py"), ROOT / "yieldsim/engine/part_tables.py"])


def commit() -> str:
    """The commit that is checked out."""
    told = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True)
    return told.stdout.strip()


def kept(path: Path, mark: str) -> dict[tuple[Any, ...], Row]:
    """Rows of this very reference that an earlier run left; a line that was not finished is dropped."""
    rows: dict[tuple[Any, ...], Row] = {}
    for line in path.read_text().splitlines() if path.exists() else []:
        try:
            row = json.loads(line)
        except ValueError:
            continue
        if row["mark"] == mark:
            rows[tuple(row[name] for name in Task._fields)] = row
    return rows


def tasks(designs: int, banks: int, seed: int) -> Iterator[Task]:
    each = -(-designs // len(REGULATORS))
    for index in range(each):  # all kinds grow together, so that a run broken off tells of all
        for source in SOURCES:
            for regulator in REGULATORS:
                yield Task("kernel", source, regulator, seed, index)
                if index < banks:
                    yield Task("bank", source, regulator, seed, index)


def run(arguments: argparse.Namespace) -> list[Row]:
    """All rows asked for: the reference's kept from before, the rest as they come, and the compiled physics on all."""
    mark, path = reference_mark(), arguments.out.with_suffix(".rows.jsonl")
    wanted = list(tasks(arguments.designs, arguments.banks, arguments.seed))
    rows = kept(path, mark)
    missing = [task for task in wanted if tuple(task) not in rows]
    print(f"{len(wanted)} designs, {len(wanted) - len(missing)} kept from before", flush=True)
    begin = time.monotonic()
    with path.open("a") as file, get_context("spawn").Pool(arguments.workers) as pool:
        for done, row in enumerate(pool.imap_unordered(work, missing, chunksize=4), start=1):
            row["mark"] = mark
            file.write(json.dumps(row) + "\n")
            file.flush()
            rows[tuple(row[name] for name in Task._fields)] = row
            if done % 200 == 0:
                print(f"{done} of {len(missing)}, {time.monotonic() - begin:.0f} s", flush=True)
    answers = partial(answer, accuracy=arguments.accuracy)
    with get_context("spawn").Pool(arguments.workers) as pool:
        return pool.map(answers, [rows[tuple(task)] for task in wanted], chunksize=64)


def circumstances(arguments: argparse.Namespace) -> Row:
    names = ("numpy", "scipy", "numba")
    return {
        "mark": physics_mark(),
        "reference": reference_mark(),
        "commit": commit(),
        "seed": arguments.seed,
        "accuracy": arguments.accuracy,
        "python": platform.python_version(),
        "machine": platform.machine(),
        **{name: version(name) for name in names},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--designs", type=int, default=1000, help="of every source (1000)")
    parser.add_argument("--banks", type=int, default=20, help="of every source and regulator, for the banks (20)")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--accuracy", type=float, default=0.5e-3, help="asked of the compiled physics [V]")
    parser.add_argument("--out", type=Path, required=True, help="JSON file; Markdown and rows stand beside it")
    arguments = parser.parse_args()
    rows = run(arguments)
    told = summary(rows, ANSWERS) | {"diodes": diode_rows(), "circumstances": circumstances(arguments)}
    arguments.out.write_text(json.dumps(told, indent=1) + "\n")
    arguments.out.with_suffix(".md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

"""How fast it is, beside what, and at what error: every row of the table by one command.

    python -m tests.benchmarks.speed

writes ``results/speed.json`` and ``results/speed.md`` and prints the latter. Needs the extra ``benchmark``. Absolute
speeds are told on an idle machine only; ratios are measured in turns. Each group of rows is kept as a line of
``speed.rows.jsonl``, marked with a digest of the code that it measured: a run that was broken off goes on from there.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import subprocess
import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from tests.benchmarks.speed import drawing, physics, process, whole
from tests.benchmarks.speed.demo import CONFIG, ROOT
from tests.benchmarks.speed.page import markdown
from tests.benchmarks.speed.rows import Bench, Row
from tests.benchmarks.speed.timing import Machine

GROUPS: dict[str, Callable[[Bench], list[Row]]] = {
    "physics": physics.alone,
    "solver": physics.against_solver,
    "numpy": physics.against_numpy,
    "yield": whole.whole,
    "drawing share": whole.drawing_share,
    "threads": physics.threads,
    "memory": process.memory,
    "start": process.start,
    "growth": whole.growth,
    "samples": drawing.samples,
    "points": drawing.points,
}
OUT = Path(__file__).resolve().parents[1] / "results" / "speed.json"
Kept = dict[str, dict[str, Any]]


def mark() -> str:
    """Digest of what is measured and of what measures it."""
    digest = hashlib.sha256()
    for path in sorted([*(ROOT / "yieldsim").rglob("*.py"), *Path(__file__).parent.glob("*.py"), CONFIG]):
        digest.update(str(path.relative_to(ROOT)).encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def effort(arguments: argparse.Namespace) -> str:
    return "quick" if arguments.quick else "1e8" if arguments.largest else "full"


def kept(path: Path, digest: str, asked: str) -> Kept:
    """Groups that an earlier run of this very code left; the last of each."""
    found: Kept = {}
    for line in path.read_text().splitlines() if path.exists() else []:
        try:
            group = json.loads(line)
        except ValueError:  # a line that was not finished
            continue
        if group["mark"] == digest and group["effort"] == asked:
            found[group["group"]] = group
    return found


def complete(group: dict[str, Any]) -> bool:
    return all(row["value"] is not None for row in group["rows"])


def circumstances(machine: Machine, digest: str) -> dict[str, Any]:
    told = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=False)
    return {
        "mark": digest,
        "commit": told.stdout.strip(),
        "when": time.strftime("%Y-%m-%d"),
        "processor": _processor(),
        "cores": machine.cores,
        "memory_GB": os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9,
        "load": machine.load,
        "calibrations": machine.calibrations,
        "python": platform.python_version(),
        "versions": {name: _version(name) for name in ("numpy", "scipy", "numba", "openturns")},
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        return platform.processor() or platform.machine()
    names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.machine()


def run(arguments: argparse.Namespace, machine: Machine, digest: str) -> Kept:
    """The groups asked for: kept from before, or measured now and kept."""
    path, asked = arguments.out.with_suffix(".rows.jsonl"), effort(arguments)
    found = kept(path, digest, asked)
    bench = Bench(arguments.quick, machine, arguments.largest)
    for name, group in GROUPS.items():
        if arguments.only and not any(only in name for only in arguments.only):
            continue
        if name in found and complete(found[name]) and not arguments.again:
            print(f"{name}: kept from before", flush=True)
            continue
        begin = time.perf_counter()
        rows = [row.as_dict() for row in group(bench)]
        took = time.perf_counter() - begin
        found[name] = {"group": name, "mark": digest, "effort": asked, "took_s": took, "rows": rows}
        with path.open("a") as file:
            file.write(json.dumps(found[name]) + "\n")
        print(f"{name}: {took:.0f} s", flush=True)
    return {name: found[name] for name in GROUPS if name in found}


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.speed",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="fewer repeats and smaller samples, for a look")
    parser.add_argument("--largest", action="store_true", help="peak memory of 10^8 actuations as well")
    parser.add_argument(
        "--only", action="append", metavar="ROW", help=f"groups whose name holds this; of {', '.join(GROUPS)}"
    )
    parser.add_argument("--again", action="store_true", help="measure anew what an earlier run has kept")
    parser.add_argument("--out", type=Path, default=OUT, help="JSON file; Markdown and rows stand beside it")
    arguments = parser.parse_args()
    if arguments.only and not any(only in name for only in arguments.only for name in GROUPS):
        parser.error(f"--only {arguments.only[0]}: the groups are {', '.join(GROUPS)}")
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    machine, digest = Machine(), mark()
    groups = run(arguments, machine, digest)
    told = {"circumstances": circumstances(machine, digest), "groups": groups}
    arguments.out.write_text(json.dumps(told, indent=1) + "\n")
    arguments.out.with_suffix(".md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

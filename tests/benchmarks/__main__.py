"""Every table of how far the estimates can be trusted, by one command.

    python -m tests.benchmarks                   # small: wide bands
    python -m tests.benchmarks --size full       # hours; resumable
    python -m tests.benchmarks --stored          # measures nothing: the tables as they are stored

Each table is a command of its own (``python -m tests.benchmarks.NAME``), and keeps its rows as they come: what was
measured with the present code is not measured again. Speed is measured apart, on an idle machine
(``python -m tests.benchmarks.speed``), and so is the accuracy of the physics (``python -m tests.benchmarks.accuracy``).
"""

from __future__ import annotations

import argparse
import subprocess
import sys

from tests.benchmarks.resumable import RESULTS, ROOT

#: What each table takes for its small and its full size.
TABLES: dict[str, dict[str, tuple[str, ...]]] = {
    "coverage": {"small": ("--small",), "full": ()},
    "stopping": {"small": ("--small",), "full": ()},
    "replicates": {"small": ("--small",), "full": ()},
    "indices": {"small": ("--small",), "full": ()},
    "failure_causes": {"small": ("--repeats", "15"), "full": ()},
    "tails": {"small": ("--size", "small"), "full": ("--size", "full")},
    "regions": {"small": ("--size", "small"), "full": ("--size", "full")},
}


def stored(name: str) -> str:
    """The table as it is stored: the full one, else the small one."""
    for path in (RESULTS / f"{name}.md", RESULTS / f"{name}-small.md"):
        if path.exists():
            return path.read_text(encoding="utf-8")
    return f"# {name}\n\nNot measured.\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", choices=["small", "full"], default="small")
    parser.add_argument("--stored", action="store_true", help="print the stored tables")
    parser.add_argument("tables", nargs="*", metavar="NAME", help=f"of {', '.join(TABLES)}; all of them if none")
    arguments = parser.parse_args()
    unknown = sorted(set(arguments.tables) - set(TABLES))
    if unknown:
        parser.error(f"{unknown[0]}: no such table; there are {', '.join(TABLES)}")
    failed = []
    for name in arguments.tables or TABLES:
        if arguments.stored:
            print(stored(name))
            continue
        command = [sys.executable, "-m", f"tests.benchmarks.{name}", *TABLES[name][arguments.size]]
        if subprocess.run(command, cwd=ROOT, check=False).returncode:
            failed.append(name)
    if failed:
        sys.exit(f"not measured: {', '.join(failed)}")


if __name__ == "__main__":
    main()

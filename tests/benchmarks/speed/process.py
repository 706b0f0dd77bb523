"""Rows of whole processes: peak memory, and how long a command takes from its start."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.speed.demo import CONFIG, ROOT, valve_turn
from tests.benchmarks.speed.rows import Bench, Row

ACTUATIONS = 32
MEGABYTE = 1e6


@dataclass(frozen=True)
class Ended:
    """A process that has ended: wall and processor time [s], and what it said."""

    wall: float
    cpu: float
    said: str


def ended(command: Sequence[str], folder: Path, environment: dict[str, str] | None = None) -> Ended:
    """Run a command to its end; RuntimeError where it fails."""
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begin = time.perf_counter()
        process = subprocess.Popen(command, cwd=folder, stdout=out, stderr=err, env=os.environ | (environment or {}))
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        if process.returncode != 0:
            raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}: {err.read().decode()[-2000:]}")
        return Ended(wall, used.ru_utime + used.ru_stime, out.read().decode())


# ---- memory ----


def memory(bench: Bench) -> list[Row]:
    """Peak memory of a `yield` of 10^5 actuations and more, the number of units growing."""
    counts = [10**4, 10**5] if bench.quick else [10**5, 10**6, 10**7]
    if bench.largest:
        counts.append(10**8)
    design = valve_turn()
    cells = len(design.conditions.temperatures) * len(design.conditions.ages)
    peaks, rows = {}, []
    for count in counts:
        units = max(round(count / (ACTUATIONS * cells)), 2)
        command = [sys.executable, "-m", "tests.benchmarks.speed.peak", str(units), str(ACTUATIONS)]
        peaks[count] = float(ended(command, ROOT).said) / MEGABYTE
        rows.append(
            Row(f"peak memory, {count:.0e} actuations", peaks[count], "MB", 600.0, more=False,
                note=f"{units} units x {ACTUATIONS} x {cells} conditions")
        )  # fmt: skip
    if len(counts) > 2:
        last = counts[-1]
        rows.append(
            Row(f"peak memory, {last:.0e} over 1e+06 actuations", peaks[last] / peaks[10**6], "x", 1.1, more=False,
                note="1 is flat")
        )  # fmt: skip
    return rows


# ---- start ----


class Install:
    """A fresh copy of the package without machine code of its own: no compiled module, no compiled physics.

    The libraries it needs stay as they are installed.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(ROOT / "yieldsim", folder / "yieldsim", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(CONFIG, folder / CONFIG.name)
        self.cache = folder / "cache"
        self.cache.mkdir()

    def run(self, *arguments: str) -> Ended:
        environment = {
            "NUMBA_CACHE_DIR": str(self.cache),
            "MPLCONFIGDIR": str(self.folder / "mpl"),
            "PYTHONPATH": str(self.folder),
            "PYTHONDONTWRITEBYTECODE": "",
        }
        return ended([sys.executable, "-m", "yieldsim", *arguments], self.folder, environment)

    def again(self, repeats: int, *arguments: str) -> list[Ended]:
        return [self.run(*arguments) for _ in range(repeats)]


def start(bench: Bench) -> list[Row]:
    """Wall time of commands, and the processor time beside it; the first one compiles everything."""
    rows = []
    config = CONFIG.name
    why = bench.machine.calibrate()
    with tempfile.TemporaryDirectory() as name:
        install = Install(Path(name))
        first = install.run("actuation", config, "--json")
        rows.append(_timed("first actuation on a fresh install, which needs no compilation", [first], 12.0, why))
        compiling = install.run("yield", config, "--units", "2", "--actuations", "1", "--json")
        if not any(install.cache.rglob("*.nbc")):
            raise RuntimeError("the compiled physics was not kept where it was told to be")
        rows.append(_timed("first yield of two units on a fresh install, compilation included", [compiling], None, why))
        out = str(install.folder / "out")
        install.run("actuation", config, "--out", out)  # the libraries of pictures are warm then
        for what, goal, arguments in (
            ("actuation with its picture", 2.0, ("actuation", config, "--out", out)),
            ("actuation --json", 1.2, ("actuation", config, "--json")),
            ("check", 0.6, ("check", config)),
            ("--help", 0.2, ("--help",)),
        ):
            install.run(*arguments)
            why = bench.machine.calibrate()
            runs = install.again(2 if bench.quick else 9, *arguments)
            rows.append(_timed(f"{what}, warm", runs, goal, why or bench.machine.calibrate()))
    return rows


def _timed(name: str, runs: list[Ended], goal: float | None, why: str | None) -> Row:
    if why is not None:
        return Row(name, None, "s", goal, more=False, note=why)
    wall, cpu = statistics.median(r.wall for r in runs), statistics.median(r.cpu for r in runs)
    return Row(name, wall, "s", goal, more=False, note=f"processor {cpu:.2f} s", details={"cpu_s": cpu})

"""Rows of a benchmark that are kept as they come, marked with a digest of the code that they measured."""

from __future__ import annotations

import hashlib
import json
import platform
import subprocess
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
RESULTS = Path(__file__).resolve().parent / "results"
Row = dict[str, Any]


def digest_of(names: Iterable[str]) -> str:
    """Digest of files, named from the project's folder."""
    digest = hashlib.sha256()
    for name in sorted(names):
        digest.update(name.encode() + (ROOT / name).read_bytes())
    return digest.hexdigest()[:12]


def commit() -> str:
    """The commit that is checked out."""
    told = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True)
    return told.stdout.strip()


def circumstances(mark: str, **more: Any) -> Row:
    """What a table was measured with."""
    return {
        "mark": mark,
        "commit": commit(),
        "python": platform.python_version(),
        "machine": platform.machine(),
        **{name: version(name) for name in ("numpy", "scipy")},
        **more,
    }


@dataclass(frozen=True)
class Store:
    """Lines of JSON, one a row; `mark` tells which code a row was measured with.

    A row is found again by its ``key``. Rows of another mark stay in the file, and are measured again.
    """

    path: Path
    mark: str

    def kept(self) -> dict[str, Row]:
        """Rows of this mark; a line that was not finished is dropped."""
        rows: dict[str, Row] = {}
        for line in self.path.read_text().splitlines() if self.path.exists() else []:
            try:
                row = json.loads(line)
            except ValueError:
                continue
            if row["mark"] == self.mark:
                rows[row["key"]] = row
        return rows

    def measure(self, keys: Sequence[str], work: Callable[[str], Row]) -> list[Row]:
        """Rows of all keys, those that are missing measured now and kept at once."""
        rows = self.kept()
        missing = [key for key in keys if key not in rows]
        print(f"{len(keys)} rows, {len(keys) - len(missing)} kept from before", flush=True)
        for key in missing:
            begin = time.perf_counter()
            row = {"key": key, "mark": self.mark, **work(key)}
            row["seconds"] = round(time.perf_counter() - begin, 2)
            rows[key] = row
            with self.path.open("a") as file:
                file.write(json.dumps(row) + "\n")
            print(f"{key}: {row['seconds']} s", flush=True)
        return [rows[key] for key in keys]

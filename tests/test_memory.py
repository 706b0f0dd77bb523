"""Peak memory does not grow with the number of actuations: 10^5 against 10^6, each in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SMALL = ROOT / "tests" / "analysis" / "small.toml"
CELLS = 4  # two temperatures, two ages
ACTUATIONS = 100
# [bytes] A run that kept its rows, 26 numbers of 8 bytes each, would grow by 187 MB from 10^5 to 10^6 actuations. What
# may grow is what is known of each of 2,250 units more, and the larger run fills its blocks.
ALLOWANCE = 60e6
KEPT = 26 * 8 * 900_000

# getrusage tells the largest memory of the process. On Linux a new process starts with the peak of its parent there,
# which would hide what the child takes; the high-water mark of the child's own address space is read instead.
CHILD = """
import resource, sys
from pathlib import Path
from yieldsim import Settings, read_design, yields

path, units, actuations, ballast = sys.argv[1], *map(int, sys.argv[2:])
held = b"\\1" * ballast
yields(read_design(path), Settings(units=units, actuations=actuations))
status = Path("/proc/self/status")
lines = status.read_text().splitlines() if status.exists() else []
peaks = [1024 * int(line.split()[1]) for line in lines if line.startswith("VmHWM:")]
used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(peaks[0] if peaks else used if sys.platform == "darwin" else 1024 * used)
"""


def peak(actuations: int, ballast: int = 0) -> int:
    """Peak memory [bytes] of a run of so many actuations that holds so many bytes beside."""
    pytest.importorskip("resource", reason="this system does not tell the memory of a process")
    units = actuations // (CELLS * ACTUATIONS)
    command = [sys.executable, "-c", CHILD, str(SMALL), str(units), str(ACTUATIONS), str(ballast)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.slow
def test_memory_is_flat_from_100_000_to_a_million_actuations() -> None:
    fewer = peak(100_000)
    assert peak(1_000_000) - fewer < ALLOWANCE
    # The measurement sees rows that are kept: common practice of a negative control, no published source.
    assert peak(100_000, ballast=KEPT) - fewer > ALLOWANCE

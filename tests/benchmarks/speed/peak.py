"""Peak memory of one `yield` in a process of its own: ``python -m tests.benchmarks.speed.peak UNITS ACTUATIONS``."""

from __future__ import annotations

import resource
import sys
from pathlib import Path

from tests.benchmarks.speed.demo import CONFIG
from yieldsim import Settings, read_design, yields


def peak_bytes() -> int:
    """Largest resident memory of this process.

    Linux carries the peak of the parent into a process that it starts, as `getrusage` tells it; the high-water mark of
    the address space itself does not.
    """
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return 1024 * int(line.split()[1])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else 1024 * peak


def main() -> None:
    units, actuations = int(sys.argv[1]), int(sys.argv[2])
    yields(read_design(CONFIG), Settings(units=units, actuations=actuations))
    print(peak_bytes())


if __name__ == "__main__":
    main()

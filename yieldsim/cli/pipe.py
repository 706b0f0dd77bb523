"""Standard output whose reader has gone."""

from __future__ import annotations

import os
import sys


def silence() -> None:
    """Say nothing more on standard output, not at the end of the process either."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):  # a stream without a descriptor has nothing left to write
        pass

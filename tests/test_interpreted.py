"""One actuation as plain Python gives the bits of the compiled code: `yieldsim actuation` relies on it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings

CONFIGS = Path(__file__).parents[1] / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))
ADDRESSES = ((0, 0), (3, 1), (17, 2))
PLACE = Condition(60.0, 5.0)


def opened(name: str) -> list[list[str]]:
    """Value vector, results and ledger of a few addressed actuations, each number to its last bit."""
    response = Response(read_design(CONFIGS / f"{name}.toml"), Settings())
    told = []
    for unit, actuation in ADDRESSES:
        found = response.replay(unit, actuation, PLACE)
        numbers = np.concatenate([found.x, found.values, found.codes.astype(float), found.ledger])
        told.append([float(number).hex() for number in numbers])
    return told


def plainly(name: str, patch: str = "") -> list[list[str]]:
    """The same, in a process that compiles nothing."""
    script = f"import json, sys; {patch}import test_interpreted as t; print(json.dumps(t.opened({name!r})))"
    script += "; assert 'numba' not in sys.modules"
    done = subprocess.run(
        [sys.executable, "-c", script],
        env=os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(Path(__file__).parent)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    answer: list[list[str]] = json.loads(done.stdout)
    return answer


@pytest.mark.parametrize("name", NAMES)
def test_the_same_bits_without_a_compiler(name: str) -> None:
    assert plainly(name) == opened(name)


def test_a_change_of_the_physics_would_be_seen() -> None:
    """Negative control: a Radau point moved by one part in 1e12 changes bits."""
    patch = (
        "import yieldsim.kernel.collocation as c; c.C1 *= 1.0 + 1e-12; import yieldsim.kernel.glide as g; g.C1 = c.C1; "
    )
    assert plainly("valve-turn", patch) != opened("valve-turn")

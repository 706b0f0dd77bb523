"""Long steps in which V_in turns: what they pass over must not matter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

CONFIGS = Path(__file__).parents[2] / "configs"
ACCURACY, FINE = 0.5e-3, 1e-7  # [V]


def pressed(name: str, condition: Condition, units: list[int], accuracy: float) -> np.ndarray:
    """Eight actuations of each unit, (rows, VALUES), with all start margins."""
    response = Response(read_design(CONFIGS / f"{name}.toml"), Settings())
    numbers = np.array(units, dtype=np.int64)
    base, scale = response.unit_base(numbers, condition)
    rows = np.zeros((8 * len(units), 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = np.repeat(np.arange(len(units)), 8)
    rows[:, at.ROW_UNIT_ID] = np.repeat(numbers, 8)
    rows[:, at.ROW_ACTUATION] = np.tile(np.arange(8), len(units))
    values, _ = run(response.kernel, base, scale, rows, full=True, accuracy=accuracy)
    return values


@pytest.mark.parametrize(
    ("condition", "units"), [(Condition(0.0, 0.0), [220, 402]), (Condition(25.0, 6.0), [77, 192])], ids=["cold", "warm"]
)
def test_a_clamp_that_takes_hold_within_a_step_is_seen(condition: Condition, units: list[int]) -> None:
    """Units in which the charge passes that of the clamp in the middle of a step, and is below it at both ends."""
    usual, fine = (pressed("crank-counter", condition, units, accuracy) for accuracy in (ACCURACY, FINE))
    for column in (at.RESERVE, at.RUN_MARGIN, at.PEAK_VOLTAGE):
        np.testing.assert_allclose(usual[:, column], fine[:, column], rtol=0.0, atol=ACCURACY)


@pytest.mark.parametrize(("age", "units"), [(0.0, [30, 648]), (8.0, [458, 557, 676])])
def test_v_in_is_not_looked_for_beyond_the_clamp(age: float, units: list[int]) -> None:
    """Units whose store the clamp takes hold of on the way up: V_in, level only beyond that, was put up to 20 mV too
    high.
    """
    usual, fine = (pressed("hatch-latch", Condition(-25.0, age), units, accuracy) for accuracy in (ACCURACY, FINE))
    np.testing.assert_allclose(usual[:, at.START_MARGIN], fine[:, at.START_MARGIN], rtol=0.0, atol=ACCURACY)


@pytest.mark.parametrize("name", ["valve-turn", "vent-flap", "gate-rope"])
def test_peaks_of_long_steps_are_those_of_short_ones(name: str) -> None:
    usual, fine = (pressed(name, Condition(25.0, 0.0), list(range(12)), accuracy) for accuracy in (ACCURACY, FINE))
    np.testing.assert_allclose(usual[:, at.PEAK_VOLTAGE], fine[:, at.PEAK_VOLTAGE], rtol=0.0, atol=ACCURACY)
    # looked at in five points of a step where V_in does not turn in it, and held against ratings of volts
    np.testing.assert_allclose(usual[:, at.PEAK_REVERSE], fine[:, at.PEAK_REVERSE], rtol=0.0, atol=4.0 * ACCURACY)

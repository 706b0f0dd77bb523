"""What the regulator draws: the closed forms against the equation they solve, and where they hand on to Newton."""

from __future__ import annotations

import math

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from yieldsim.kernel import demand
from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl

Floats = NDArray[np.float64]


@numba.njit(cache=False)  # type: ignore[untyped-decorator]
def answers(terminal: float, m: Floats) -> tuple[float, float, float, float, float]:
    """Current and slope of `draw_curved`, what `draw_at_once` says, and current and slope of the regulator at V_in."""
    current, slope = demand.draw_curved(terminal, m)
    at_once, _ = demand.draw_at_once(terminal, m)
    own, own_slope = demand.input_current(terminal - m[pl.ESR] * current, m)
    return current, slope, at_once, own, own_slope


@st.composite
def memories(draw: st.DrawFn) -> Floats:
    """Memory of a regulator that draws a load or a power, without curves of its own."""
    m = np.zeros(400)
    m[pl.REGULATOR] = draw(st.sampled_from([at.LINEAR, at.BUCK, at.DIRECT]))
    m[pl.FORM] = draw(st.sampled_from([pl.LOAD, pl.POWER]))
    m[pl.ESR] = draw(st.floats(1e-3, 3.0))
    m[pl.V_SET] = draw(st.floats(1.5, 3.3))
    m[pl.I_QUIESCENT] = draw(st.floats(0.0, 1e-4))
    m[pl.GROUND] = draw(st.floats(0.0, 0.02))
    m[pl.R_PASS] = draw(st.floats(0.0, 20.0))
    m[pl.LOAD_CURRENT] = draw(st.floats(1e-5, 0.03))
    m[pl.LOAD_SLOPE] = draw(st.sampled_from([0.0, 1e-3, -1e-3, 5e-3]))
    m[pl.LOAD_AT], m[pl.LOAD_FLOOR] = 3.0, 1.8
    m[pl.LOAD_ETA] = draw(st.floats(0.5, 0.95))
    m[pl.LOAD_REGULATED] = max(
        0.0, m[pl.LOAD_CURRENT] + m[pl.LOAD_SLOPE] * (max(m[pl.V_SET], m[pl.LOAD_FLOOR]) - m[pl.LOAD_AT])
    )
    return m


@given(memories(), st.floats(0.1, 9.0))
def test_a_closed_form_meets_the_equation_of_the_regulator(m: Floats, terminal: float) -> None:
    """V_in = terminal - ESR i, and i is what the regulator draws at V_in: by the equation itself."""
    current, slope, at_once, own, own_slope = answers(terminal, m)
    if math.isnan(at_once):
        return
    assert current == at_once
    assert current == pytest.approx(own, rel=1e-10, abs=1e-15)
    assert slope == pytest.approx(own_slope / (1.0 + m[pl.ESR] * own_slope), rel=1e-8, abs=1e-12)


@pytest.mark.parametrize(
    ("kind", "form", "terminal", "closed"),
    [
        (at.BUCK, pl.LOAD, 6.0, True),  # a converter above its output: power over V_in
        (at.BUCK, pl.LOAD, 1.9, False),  # below it, it passes its input through
        (at.BUCK, pl.POWER, 4.0, True),
        (at.BUCK, pl.POWER, 0.2, False),  # below the least input the current is held
        (at.LINEAR, pl.LOAD, 5.0, True),  # in regulation
        (at.LINEAR, pl.LOAD, 2.4, True),  # dropped out, and the load follows
        (at.LINEAR, pl.LOAD, 1.0, False),  # below the lowest supply the load is held
        (at.DIRECT, pl.LOAD, 2.8, True),
    ],
)
def test_where_a_closed_form_serves(kind: int, form: float, terminal: float, closed: bool) -> None:
    """Facts of the model's own regions of work."""
    m = np.zeros(400)
    m[pl.REGULATOR], m[pl.FORM], m[pl.ESR], m[pl.V_SET], m[pl.R_PASS] = kind, form, 0.1, 2.5, 10.0
    m[pl.LOAD_CURRENT], m[pl.LOAD_SLOPE], m[pl.LOAD_AT], m[pl.LOAD_FLOOR] = 5e-3, 1e-3, 2.5, 1.8
    m[pl.LOAD_REGULATED], m[pl.LOAD_ETA] = 5e-3, 0.85
    current, _, at_once, own, _ = answers(terminal, m)
    assert math.isnan(at_once) != closed
    assert current == pytest.approx(own, rel=1e-7)


def test_a_converter_by_hand() -> None:
    """20 mW from 4 V behind 10 ohm: v^2 - 4 v + 0.2 = 0, whose upper root is 2 + sqrt(3.8) (worked by hand)."""
    m = np.zeros(400)
    m[pl.REGULATOR], m[pl.FORM], m[pl.ESR], m[pl.V_SET] = at.BUCK, pl.POWER, 10.0, 2.5
    m[pl.LOAD_CURRENT] = 0.02  # of `POWER` the power [W]
    current, *_ = answers(4.0, m)
    assert current == pytest.approx(0.02 / (2.0 + math.sqrt(3.8)), rel=1e-14)

"""Presses that go abreast come out to the same bits as alone, whoever goes beside them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from yieldsim.design.reading import read_design
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel import loop
from yieldsim.kernel import places as pl
from yieldsim.kernel.lanes import WIDTH
from yieldsim.kernel.loop import Work, run

Floats, Ints = NDArray[np.float64], NDArray[np.int64]
CONFIGS = Path(__file__).parents[2] / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))
HOT = Condition(60.0, 5.0)

pytestmark = pytest.mark.skipif(WIDTH == 1, reason="no compiler, and so no lanes")


@cache
def response(name: str = "valve-turn") -> Response:
    return Response(read_design(CONFIGS / f"{name}.toml"), Settings())


def rows_of(units: int, actuations: int) -> Ints:
    rows = np.zeros((units * actuations, 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = rows[:, at.ROW_UNIT_ID] = np.repeat(np.arange(units), actuations)
    rows[:, at.ROW_ACTUATION] = np.tile(np.arange(actuations), units)
    return rows


def alone(kernel: at.KernelDesign, base: Floats, scale: Floats, rows: Ints, **more: object) -> tuple[Floats, Ints]:
    """Each row by a call of its own, in which there is nobody to go with."""
    found = [run(kernel, base, scale, rows[k : k + 1], **more) for k in range(len(rows))]  # type: ignore[arg-type]
    return np.concatenate([v for v, _ in found]), np.concatenate([c for _, c in found])


def assert_same(one: tuple[Floats, Ints], other: tuple[Floats, Ints]) -> None:
    np.testing.assert_array_equal(one[0], other[0])
    np.testing.assert_array_equal(one[1], other[1])


@pytest.fixture
def works(monkeypatch: pytest.MonkeyPatch) -> list[Work]:
    """The scratch arrays of every run since."""
    made: list[Work] = []
    work_for = loop.work_for

    def kept(design: at.KernelDesign) -> Work:
        made.append(work_for(design))
        return made[-1]

    monkeypatch.setattr(loop, "work_for", kept)
    return made


@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("name", NAMES)
def test_abreast_and_alone_give_the_same_bits(name: str, full: bool) -> None:
    here = response(name)
    base, scale = here.unit_base(np.arange(6), HOT)
    rows = rows_of(6, 5)
    together = run(here.kernel, base, scale, rows, full=full)
    assert_same(together, alone(here.kernel, base, scale, rows, full=full))


def test_presses_of_the_valve_do_go_abreast(works: list[Work]) -> None:
    """Else the tests of this file would compare a thing with itself."""
    here = response()
    base, scale = here.unit_base(np.arange(WIDTH), HOT)
    run(here.kernel, base, scale, rows_of(WIDTH, 1))
    crew, fallen = works[-1].crew, works[-1].fallen
    assert (crew[pl.LAST] > 0.0).all()
    assert not fallen.any()
    assert (crew[pl.BEST + at.SEQUENCE_END] > crew[pl.LAST]).all()


def test_a_single_press_goes_alone(works: list[Work]) -> None:
    here = response()
    base, scale = here.unit_base(np.arange(1), HOT)
    run(here.kernel, base, scale, rows_of(1, 1))
    assert not works[-1].crew.any()


@pytest.mark.parametrize("accuracy", [0.5e-3, 1e-5])
def test_nobody_minds_who_goes_beside_him(accuracy: float) -> None:
    here = response()
    base, scale = here.unit_base(np.arange(20), HOT)
    rows = rows_of(20, 3)
    order = np.random.default_rng(7).permutation(len(rows))
    values, codes = run(here.kernel, base, scale, rows, accuracy=accuracy)
    assert_same(run(here.kernel, base, scale, rows[order], accuracy=accuracy), (values[order], codes[order]))
    assert_same(run(here.kernel, base, scale, rows[3:50], accuracy=accuracy), (values[3:50], codes[3:50]))


# Columns of the value vector, and what a unit of the crew may have of them: what makes a press go another way as well.
STRANGE = {
    "harvester.peak_emf": st.floats(0.3, 1.6),
    "harvester.coil_inductance": st.sampled_from([0.0, 0.3, 1.0, 3.0]),
    "storage.capacitance": st.floats(0.3, 3.0),
    "storage.esr": st.sampled_from([0.0, 1.0, 30.0]),
    "storage.insulation": st.sampled_from([1e-3, 1.0, 1e6]),
    "regulator.start_voltage": st.floats(0.7, 1.8),
    "regulator.start_delay": st.sampled_from([0.0, 1.0, 40.0]),
    "radio.transmit.current": st.floats(0.5, 8.0),
    "radio.boot.duration": st.floats(0.05, 3.0),
}
FIXED = {
    at.INITIAL_VOLTAGE: st.sampled_from([0.0, 0.0, 1.0, 2.55, 3.0, -0.2]),
    at.CLAMP_VOLTAGE: st.sampled_from([np.inf, np.inf, 9.0, 4.0]),
    at.TIME_SINCE: st.sampled_from([0.0, 0.0, 5.0]),
    at.RETRY_ABOVE: st.sampled_from([0.0, 0.0, 3.0]),
    at.PARTIAL_SHARE: st.sampled_from([0.0, 0.5]),
    at.TRAVEL: st.floats(0.2, 0.9),
    at.FRAME_LOSS: st.sampled_from([0.0, 0.5]),
}


@st.composite
def crews(draw: st.DrawFn) -> tuple[at.KernelDesign, Floats, Floats]:
    """A variant of the valve's design with units that are unlike one another, some of them hopeless."""
    here = response()
    kernel = here.kernel._replace(
        regulator=draw(st.sampled_from([at.LINEAR, at.DIRECT])), junctions=draw(st.sampled_from([1, 2]))
    )
    count = 2 * WIDTH + 3
    nominal, columns = here.nominal_base(HOT), column_of(here.design)
    base = np.tile(nominal, (count, 1))
    for name, factors in STRANGE.items():
        base[:, columns[name]] *= draw(st.lists(factors, min_size=count, max_size=count))
    for column, numbers in FIXED.items():
        base[:, column] = draw(st.lists(numbers, min_size=count, max_size=count))
    base[:, at.FIXED + at.STROKE_LINKAGE] = draw(
        st.lists(st.sampled_from([1.0, 1.0, -1.0]), min_size=count, max_size=count)
    )
    _, scale = here.unit_base(np.arange(1), HOT)
    return kernel, base, np.tile(scale, (count, 1))


@settings(max_examples=60, deadline=None)
@given(crews(), st.booleans())
def test_strangers_fall_out_and_come_home(crew: tuple[at.KernelDesign, Floats, Floats], full: bool) -> None:
    """Never started, brown-outs, a clamp that holds, a store charged before, a press that stops short."""
    kernel, base, scale = crew
    rows = rows_of(len(base), 1)
    assert_same(run(kernel, base, scale, rows, full=full), alone(kernel, base, scale, rows, full=full))


def weak() -> tuple[at.KernelDesign, Floats, Floats]:
    """Old and hot units of the valve with too weak a source: they start late, brown out in any step, or never start."""
    here = response()
    base, scale = here.unit_base(np.arange(300), Condition(60.0, 12.0))
    base[:, at.PEAK_EMF] *= np.random.default_rng(3).uniform(0.55, 1.0, len(base))
    return here.kernel, base, scale


@pytest.mark.parametrize("full", [False, True])
def test_brown_outs_come_to_the_same_bits_abreast(full: bool) -> None:
    kernel, base, scale = weak()
    rows = rows_of(len(base), 12)
    values, codes = run(kernel, base, scale, rows, full=full)
    assert len(np.unique(codes[:, at.OUTCOME])) >= 5
    assert_same((values, codes), alone(kernel, base, scale, rows, full=full))


def test_a_brown_out_behind_the_stroke_does_not_fall_out(works: list[Work]) -> None:
    here = response()
    base, scale = here.unit_base(np.arange(WIDTH), HOT)
    base[:, column_of(here.design)["radio.transmit.current"]] *= 8.0
    _, codes = run(here.kernel, base, scale, rows_of(WIDTH, 1))
    assert (codes[:, at.OUTCOME] > at.BROWN_OUT).all()
    assert not works[-1].fallen.any()
    assert (works[-1].crew[pl.FAILED_STEP] >= 0.0).all()


def test_a_row_of_no_numbers_is_told_among_others() -> None:
    here = response()
    base, scale = here.unit_base(np.arange(WIDTH), HOT)
    base[[2, WIDTH - 1], at.CAPACITANCE] = np.nan
    values, codes = run(here.kernel, base, scale, rows_of(WIDTH, 1))
    bad = codes[:, at.OUTCOME] == at.NOT_FINISHED
    assert np.flatnonzero(bad).tolist() == [2, WIDTH - 1]
    assert_same((values, codes), alone(here.kernel, base, scale, rows_of(WIDTH, 1)))

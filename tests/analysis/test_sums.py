"""What blocks add up to is what their units say one by one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shipped import one_cell

from yieldsim.analysis.mission import plan_of
from yieldsim.analysis.point_sets import PointSet
from yieldsim.analysis.running import joint_completion, run_cells
from yieldsim.analysis.stress import within_shares
from yieldsim.analysis.sums import Grouping, RunSum, run_sums
from yieldsim.analysis.yields import yields
from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design
from yieldsim.engine.execution import Inline
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.frequencies import Frequencies
from yieldsim.estimate.unit_yield import score_rows

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SETTINGS = Settings(units=1100, actuations=4)  # more than a block


def equal(a: Frequencies, b: Frequencies) -> bool:
    names = ("group", "part", "values", "units")
    return a.groups == b.groups and all(np.array_equal(getattr(a, n), getattr(b, n)) for n in names)


def added_up(design: Design, settings: Settings, *, keep_units: bool = False) -> RunSum:
    response = Response(design, settings)
    grouping = Grouping(response, PointSet(), [settings.units])
    return run_sums(response, plan_of(design), Inline(), grouping, keep_units=keep_units)


def shipped(name: str) -> Design:
    """A shipped design with several messages, presses that stop short, or both, without what is costly."""
    return replace(one_cell(read_design(CONFIGS / f"{name}.toml")), requirement=None)


@pytest.mark.parametrize("lots", [None, 9])
@pytest.mark.parametrize("name", ["small", "seat-counter", "lid-tally"])
def test_tables_are_those_of_the_units_one_by_one(small: Design, name: str, lots: int | None) -> None:
    design, settings = small if name == "small" else shipped(name), replace(SETTINGS, lots=lots)
    response, plan = Response(design, settings), plan_of(design)
    told, cells = added_up(design, settings, keep_units=True), run_cells(response, plan, Inline())
    group = None if lots is None else response.population.lot_of(np.arange(settings.units))

    def table(values: np.ndarray) -> Frequencies:
        return Frequencies.in_lots(values, group)

    for summed, cell in zip(told.cells, cells, strict=True):
        tally = cell.tally
        assert summed.units == settings.units
        assert len(summed.tally.completed) == 0
        np.testing.assert_array_equal(summed.tally.outcomes, tally.outcomes)
        np.testing.assert_array_equal(summed.tally.worst, tally.worst)
        assert equal(summed.completed, table(tally.completed / 4))
        assert equal(summed.sufficed, table(tally.sufficed / 4))
        for own, share in zip(summed.derated, within_shares(design, tally, cell.supply), strict=True):
            assert equal(own, table(share))
        for k, own in enumerate(summed.messages):
            assert equal(own, table(tally.messages[:, k]))
        for own, counts in zip(summed.presses, (tally.presses[:, 0], tally.presses[:, 1]), strict=False):
            assert equal(own, table(counts))
    numbers = np.arange(settings.units)
    joint = joint_completion(response, plan, [cell.completion for cell in cells], numbers)
    assert (joint is None) == (told.joint is None)
    if joint is not None:
        assert design.requirement is not None
        assert told.units is not None
        np.testing.assert_array_equal(told.units.low, joint.low)
        rows = score_rows(joint.low, joint.high, design.requirement.completion or 0.0, joint.sampling)
        assert equal(told.joint, table(rows))


def test_what_is_kept_is_a_few_rows_however_many_units_ran(small: Design) -> None:
    told = added_up(small, replace(SETTINGS, units=4096))
    tables = [t for cell in told.cells for t in (cell.completed, cell.sufficed, *cell.derated, cell.completion)]
    assert {t.total for t in (*tables, told.joint)} == {4096}
    assert sum(len(t.units) for t in (*tables, told.joint)) < 4096 / 10  # 21 tables
    assert told.units is None


def test_supplies_are_counted_to_a_millivolt(small: Design) -> None:
    told, cells = added_up(small, SETTINGS), run_cells(Response(small, SETTINGS), plan_of(small), Inline())
    use = yields(small, SETTINGS).cells[0].ratings["radio.voltage"]
    supply = cells[0].supply
    assert supply is not None
    median, high = np.quantile(supply, [0.5, 0.999])
    assert use.median == pytest.approx(median, abs=2e-3)
    assert use.high == pytest.approx(high, abs=2e-3)
    assert use.largest == supply.max()
    assert told.cells[0].tally.histograms["radio_supply_V"].sum() == supply.size


def test_units_are_kept_where_they_are_asked_for(small: Design) -> None:
    assert yields(small, SETTINGS).units is None
    kept = yields(small, SETTINGS, keep_units=True).units
    assert kept is not None
    assert kept.low.shape[-1] == SETTINGS.units

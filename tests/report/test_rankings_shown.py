"""Rankings as text, tables and pictures: margins, failure, the mission; and what to measure next."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.analysis.ranking import RankResult, rank
from yieldsim.analysis.ranking_of_failure import FailureRankResult, rank_failure
from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design, Requirement
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.report import ranking_tables
from yieldsim.report.changes import changes_grid
from yieldsim.report.figures import figure_of
from yieldsim.report.rankings import causes_grid, measure_next_grid
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import text_of

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
HOT = Condition(60.0, 10.0)


@pytest.fixture(scope="module")
def small() -> Design:
    return read_design(SMALL)


@pytest.fixture(scope="module")
def margin(small: Design) -> RankResult:
    return rank(small, Settings(effort=64, threads=1), HOT, "hold-up")


@pytest.fixture(scope="module")
def failure(small: Design) -> FailureRankResult:
    weak = small.with_nominal("harvester.peak_emf", 10.3)
    weak = replace(weak, requirement=Requirement(completion=0.9))
    return rank_failure(weak, Settings(units=256, effort=32, threads=1), HOT)


def test_text_of_a_hold_up(margin: RankResult) -> None:
    text = text_of(margin)
    assert text.startswith("What decides the hold-up at 60 °C after 10 yr: mean ")
    flat = " ".join(text.split())
    assert "regulator.quiescent and regulator.dropout are drawn together" in flat
    assert "Rank correlations, which overlap [1]: regulator.quiescent" in flat  # an effort too small for effects
    assert "measure next" in text
    assert all(len(line) <= 100 for line in text.splitlines())


def test_text_over_the_mission(small: Design) -> None:
    text = text_of(rank(small, Settings(effort=32, threads=1), over_mission=True))
    assert text.startswith("What decides the reserve over the mission: mean ")
    assert "ambient temperature" in text
    assert "nan" not in text


def test_text_of_failure(failure: FailureRankResult) -> None:
    text = text_of(failure)
    flat = " ".join(text.split())
    assert flat.startswith("What causes failures for want of energy at 60 °C after 10 yr: ")
    assert "No influence on failure shown: " in flat
    assert "No change given for regulator.dropout (unit): it is drawn together with regulator.quiescent." in flat
    assert all(len(line) <= 100 for line in text.splitlines())
    assert "nan" not in text


def test_what_cannot_be_relied_on_says_so(failure: FailureRankResult) -> None:
    none = replace(failure, flag="no failure was seen", parameters=(), slopes=(), unit_changes=None, measure_next=())
    assert "NOT TO BE RELIED ON YET: no failure was seen." in text_of(none)
    assert "Change of" not in text_of(none)


def test_changes_of_both_yields_stand_side_by_side_in_plain_units(failure: FailureRankResult) -> None:
    assert failure.unit_changes is not None
    grid = changes_grid(failure.slopes, failure.unit_changes)
    assert grid.headers[2:4] == ("change of", "nominal +1 %")
    first = [row for row in grid.rows if row[:2] == ("harvester.peak_emf", "unit")]
    assert [row[2] for row in first] == ["completion [pp]", "units [pp]"]
    # percentage points: a hundred times the share, for 1 % of the nominal
    for row, slopes in zip(first, (failure.slopes, failure.unit_changes.slopes), strict=True):
        slope = next(s for s in slopes if (s.name, s.level) == ("harvester.peak_emf", "unit"))
        shown = [float(cell.replace("\u2212", "-")) for cell in row[3:]]
        exact = (slope.nominal, slope.nominal_low, slope.nominal_high)
        exact += (slope.narrowed, slope.narrowed_low, slope.narrowed_high)
        assert shown == pytest.approx([100.0 * x for x in exact], rel=0.05, abs=0.05)
    # what differs by actuation has a change of completion alone
    speed = [row[2] for row in grid.rows if row[1] == "actuation"]
    assert set(speed) <= {"completion [pp]"}
    flat = " ".join(text_of(failure).split())
    assert "Change of completion and the units that comply, from the same samples" in flat
    assert "pp: percentage points" in flat
    assert "Units: those of 256 that each complete 90 % of their actuations at 60 °C after 10 yr" in flat


def test_too_few_units_are_told_in_the_cell(failure: FailureRankResult) -> None:
    assert failure.unit_changes is not None
    changed = [replace(row, nominal_few=True) for row in failure.unit_changes.slopes]
    grid = changes_grid(failure.slopes, replace(failure.unit_changes, slopes=tuple(changed)))
    cells = [row[3:6] for row in grid.rows if row[:3] == ("harvester.peak_emf", "unit", "units [pp]")]
    assert cells == [("too few", "–", "–")] or cells == [("too few", "-", "-")]
    all_comply = replace(
        failure.unit_changes,
        unit_yield=1.0,
        unit_yield_high=1.0,
        slopes=tuple(
            replace(row, nominal=float("nan"), narrowed=float("nan"), shown=False, problem="no unit fails (or none)")
            for row in failure.unit_changes.slopes
        ),
    )
    flat = " ".join(text_of(replace(failure, unit_changes=all_comply)).split())
    assert "Too few units decide: no change of theirs is told." in flat
    assert "inputs: no unit fails (or none)." in flat


def test_grids_hold_what_is_shown(failure: FailureRankResult) -> None:
    causes = causes_grid(failure)
    assert len(causes.rows) == sum(row.influence for row in failure.parameters)
    assert all(len(row) == len(causes.headers) for row in causes.rows)
    assert failure.unit_changes is not None
    changes = changes_grid(failure.slopes, failure.unit_changes)
    both = [*failure.slopes, *failure.unit_changes.slopes]
    assert {row[0] for row in changes.rows} == {row.name for row in both if row.shown}
    assert all(len(row) == len(changes.headers) for row in changes.rows)
    measure = measure_next_grid(failure.measure_next)
    assert [row[0] for row in measure.rows] == [row.name for row in failure.measure_next]


def test_table_has_the_json_names(failure: FailureRankResult) -> None:
    table = table_of(failure)
    assert list(table.columns) == list(failure.payload()["parameters"][0])
    assert len(table) == len(failure.parameters)


def test_tables_beside_a_ranking(failure: FailureRankResult) -> None:
    changes = ranking_tables.slopes(failure.slopes)
    assert list(changes.columns) == list(failure.payload()["slopes"][0])
    assert len(changes) == len(failure.slopes)
    both = ranking_tables.changes(failure.slopes, failure.unit_changes)
    assert list(both["of"].unique()) == ["completion", "unit yield"]
    assert ranking_tables.beside(failure)["slopes"].equals(both)
    assert list(ranking_tables.measure_next(failure.measure_next)["name"]) == [r.name for r in failure.measure_next]
    assert list(ranking_tables.measure_next(()).columns)[:3] == ["name", "level", "basis"]


def test_picture_names_place_unit_and_levels(failure: FailureRankResult, margin: RankResult) -> None:
    axes = figure_of(failure).axes[0]
    assert axes.get_xlabel() == "influence on failure [nat]"
    shown = [row.name for row in failure.parameters if row.influence]
    assert [label.get_text() for label in axes.get_yticklabels()] == shown
    held = figure_of(margin).axes[0].get_title("left")
    assert " ms mean, " in held


def test_picture_without_a_failure(small: Design) -> None:
    strong = small.with_nominal("harvester.peak_emf", 40.0)
    result = rank_failure(strong, Settings(units=64, effort=32, threads=1), Condition(25.0, 0.0), search=False)
    axes = figure_of(result).axes[0]
    assert len(axes.get_yticklabels()) == 3

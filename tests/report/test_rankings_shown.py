"""Rankings as text, tables and pictures: margins, failure, the mission; and what to measure next."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.analysis.ranking import RankResult, rank
from yieldsim.analysis.ranking_of_failure import FailureRankResult, rank_failure
from yieldsim.design.reading import read_design
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings
from yieldsim.report import ranking_tables
from yieldsim.report.figures import figure_of
from yieldsim.report.rankings import causes_grid, measure_next_grid, slopes_grid
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
    return rank_failure(weak, Settings(effort=32, threads=1), HOT)


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
    none = replace(failure, flag="no failure was seen", parameters=(), slopes=(), measure_next=())
    assert "NOT TO BE RELIED ON YET: no failure was seen." in text_of(none)


def test_grids_hold_what_is_shown(failure: FailureRankResult) -> None:
    causes = causes_grid(failure)
    assert len(causes.rows) == sum(row.influence for row in failure.parameters)
    assert all(len(row) == len(causes.headers) for row in causes.rows)
    changes = slopes_grid(failure.slopes)
    assert {row[0] for row in changes.rows} == {row.name for row in failure.slopes if row.shown}
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
    result = rank_failure(strong, Settings(effort=32, threads=1), Condition(25.0, 0.0), search=False)
    axes = figure_of(result).axes[0]
    assert len(axes.get_yticklabels()) == 3

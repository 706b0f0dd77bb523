"""A life in the terminal, as tables and as pictures."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.analysis.ageing import LifeResult, life
from yieldsim.design.reading import read_design
from yieldsim.engine.settings import Settings
from yieldsim.estimate.lifetimes import ShareLife
from yieldsim.report.figures import figure_of, more_figures_of
from yieldsim.report.figures.style import png_of, svg_of
from yieldsim.report.life import age_text, fleet, laws, lives, points
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import WIDTH, text_of

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
FEW = Settings(units=24, actuations=2, threads=1)


@pytest.fixture(scope="module")
def told() -> LifeResult:
    return life(replace(read_design(SMALL), title="Evil \x1b[31m $1$ title"), FEW, ages=4)


@pytest.fixture(scope="module")
def bare() -> LifeResult:
    """Nothing is required, nothing ages, and nobody says how often it is used."""
    design = read_design(SMALL)
    design = design.with_parameter(replace(design.parameters["storage.capacitance"], ageing=()))
    conditions = replace(design.conditions, actuations_per_day=None)
    return life(replace(design, requirement=None, conditions=conditions), FEW, ages=2)


def test_the_verdict_comes_first_and_all_fits(told: LifeResult, bare: LifeResult) -> None:
    assert text_of(told).startswith("NOT MET: Evil")
    assert text_of(bare).startswith("NO REQUIREMENT: ")
    for result in (told, bare):
        text = text_of(result)
        assert "\x1b" not in text
        assert all(len(line) <= WIDTH for line in text.split("\n"))


def test_what_is_told(told: LifeResult, bare: LifeResult) -> None:
    text = " ".join(text_of(told).split())
    assert "Age by which units have first fallen below 99 % completion (B1 1 %, B10 10 % of them):" in text
    assert "* where the requirement applies" in text
    assert "A fleet of 1,000 makes 7,300,000 reports a year." in text
    assert "80 % of what is lost comes from" in text
    assert "over 24 units, the same ones on the same draws at every age" in text
    assert "storage.capacitance" in text
    assert "per decade of hours" in text
    for age in told.ages_yr:
        assert any(line.split()[:1] == [f"{age:.3g}"] for line in text_of(told).split("\n"))
    other = " ".join(text_of(bare).split())
    assert "No completion is required of the units" in other
    assert "Nothing ages: no parameter has a law of ageing." in other
    assert "conditions.actuations_per_day is not stated, so that lost reports cannot be counted." in other
    assert "B10" not in other


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (3.6123, 0.65, 8.2, "3.6 (0.65 to 8.2)"),
        (3.6123, 0.65, math.inf, "3.6 (0.65 to >12)"),
        (math.inf, 8.2, math.inf, ">12 (8.2 to >12)"),
        (math.inf, 12.0, math.inf, ">12 (at least)"),
        (0.0, 0.0, 0.0, "0 (0 to 0)"),
    ],
)
def test_ages_beyond_the_horizon_are_marked(value: float, low: float, high: float, text: str) -> None:
    assert age_text(ShareLife(0.1, value, low, high, low, high, 12.0, 0.95, "")) == text


def test_tables_hold_what_the_answer_holds(told: LifeResult, bare: LifeResult) -> None:
    frame = table_of(told)
    assert frame.equals(points(told))
    assert len(frame) == len(told.curves) * len(told.ages_yr)
    assert {"place", "temperature_degC", "age_yr", "actuations_so_far", "completion", "completion_low"} <= set(frame)
    row = frame[(frame.place == "60 degC") & (frame.age_yr == 10.0)].iloc[0]
    point = told.curve("60 degC").points[-1]
    assert point.completion is not None
    assert (row.completion, row.completion_low) == (point.completion.value, point.completion.low)
    assert len(lives(told)) == len(told.curves) * 2 * 2
    assert set(lives(told)["of"]) == {"completion", "energy"}
    assert list(laws(told).reserve_cost_V) == [told.laws[0].reserve.value]
    assert np.isclose(fleet(told).lost_reports_per_yr.iloc[0], told.fleet.by_age[0].lost_per_yr.value)
    assert len(lives(bare)) == len(laws(bare)) == 0
    assert fleet(bare).lost_reports_per_yr.isna().all()


def test_pictures_say_their_units_and_are_the_same_every_time(told: LifeResult, bare: LifeResult) -> None:
    for result in (told, bare):
        figures = {"": figure_of(result), **more_figures_of(result)}
        assert set(figures) == {"", "laws", "losses"}
        for figure in figures.values():
            png_of(figure)
            for axes in figure.axes:
                for label in (axes.get_xlabel(), axes.get_ylabel()):
                    assert re.search(r"\[.+\]", label) or label in ("", "parameter")
    assert svg_of(figure_of(told)) == svg_of(figure_of(told))
    assert "mathdefault" not in svg_of(figure_of(told))

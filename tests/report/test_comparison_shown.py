"""A comparison in the terminal, as a table and as a picture."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.analysis.comparison import ComparisonResult, compare
from yieldsim.design.reading import read_design
from yieldsim.engine.settings import Settings
from yieldsim.report.comparison import points, sides
from yieldsim.report.figures import figure_of
from yieldsim.report.figures.style import png_of
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import WIDTH, text_of

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"


@pytest.fixture(scope="module")
def told() -> ComparisonResult:
    a = read_design(SMALL)
    b = a.with_parameter(replace(a.parameters["storage.capacitance"], nominal=27e-6))
    return compare(a, replace(b, title="Evil \x1b[31m title"), Settings(units=24, actuations=4, threads=1))


def test_the_answer_comes_first_and_fits(told: ComparisonResult) -> None:
    lines = text_of(told).splitlines()
    first = {"better": "B IS BETTER: ", "worse": "B IS WORSE: "}.get(told.word, "NO DIFFERENCE SHOWN: ")
    assert lines[0].startswith(first)
    assert [line for line in lines if len(line) > WIDTH and "yieldsim actuation" not in line] == []
    text = "\n".join(lines)
    assert "\x1b" not in text
    assert "storage.capacitance: nominal    33 uF  27 uF" in text
    assert told.provenance.design_hash in text
    assert told.provenance_b.design_hash in text


def test_every_actuation_that_is_listed_has_its_command_in_both_files(told: ComparisonResult) -> None:
    named = replace(told, paths=("a dir/a.toml", "b.toml"))
    commands = [line.strip() for line in text_of(named).splitlines() if "yieldsim actuation" in line]
    shown = (*told.lost[:2], *told.gained[:2])
    assert len(commands) == 2 * len(shown) > 0
    for k, one in enumerate(shown):
        own = commands[2 * k : 2 * k + 2]
        assert own[0].startswith("yieldsim actuation 'a dir/a.toml' ")
        assert own[1].startswith("yieldsim actuation b.toml ")
        assert all(f"--unit {one.unit} --actuation {one.actuation} " in command for command in own)


def test_a_condition_that_says_otherwise_is_named(told: ComparisonResult) -> None:
    worse = replace(told.cells[0], completion=replace(told.cells[0].completion, word="worse"))
    text = " ".join(text_of(replace(told, word="better", cells=(worse, *told.cells[1:]))).split())
    assert "B is worse, by bounds that hold for all conditions together, at 25 °C when new." in text


def test_the_same_design_says_so(told: ComparisonResult) -> None:
    text = text_of(replace(told, word="the same", reason="Nothing.", differing=(), gained=(), lost=()))
    assert text.startswith("NO DIFFERENCE: Nothing.")
    assert "The files differ in nothing that is computed with." in text


def test_the_table_has_a_row_a_condition_and_units_in_its_names(told: ComparisonResult) -> None:
    table = table_of(told)
    assert len(table) == len(told.cells)
    assert {"temperature_degC", "age_yr", "completion_a", "completion_difference_low", "completion_apart_high"} <= set(
        table.columns
    )
    assert (table["completion_difference"] - (table["completion_b"] - table["completion_a"])).abs().max() < 1e-12
    listed = sides(told)
    assert len(listed) == len(told.gained) + len(told.lost)


def test_the_picture_has_its_units_and_is_the_same_twice(told: ComparisonResult) -> None:
    figure = figure_of(told)
    assert [axes.get_xlabel() for axes in figure.axes] == ["B less A [percentage points]"] * 2
    rows = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert rows == ["all conditions", "25 °C when new", "60 °C when new", "25 °C after 10 yr", "60 °C after 10 yr"]
    assert png_of(figure) == png_of(figure_of(told))
    bare = replace(told, unit_yield=None, cells=tuple(replace(cell, unit_yield=None) for cell in told.cells))
    assert len(figure_of(bare).axes) == 1


@given(st.floats(-1.0, 1.0))
def test_points_are_rounded_away_from_the_estimate(value: float) -> None:
    def number(text: str) -> float:
        return float(text.replace("\u2212", "-"))

    low, high = number(points(value, down=True)), number(points(value, down=False))
    assert low <= 100.0 * value + 1e-9
    assert high >= 100.0 * value - 1e-9
    assert high - low <= 10.0 ** max(math.floor(math.log10(max(abs(100.0 * value), 1e-3))) - 1, -3) + 1e-9


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (0.3566, "+35.7"), (-0.0061, "\u22120.61"), (1e-7, "0"), (math.nan, "\u2013")]
)
def test_points_as_written(value: float, text: str) -> None:
    assert points(value) == text

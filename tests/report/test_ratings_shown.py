"""Ratings in the terminal, as a table and as a picture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.analysis.ratings import RatingsResult, ratings
from yieldsim.design.reading import read_design
from yieldsim.engine.settings import Settings
from yieldsim.report.figures import figure_of
from yieldsim.report.figures.style import png_of
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import WIDTH, text_of

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"


@pytest.fixture(scope="module")
def told() -> RatingsResult:
    design = read_design(SMALL)
    # all five ratings, the store's so low that it is passed
    design = replace(
        design,
        title="Evil \x1b[31m title",
        storage=replace(design.storage, voltage_rating=3.2),
        rectifier=replace(design.rectifier, current_rating=0.5, reverse_rating=20.0),
    )
    return ratings(design, Settings(units=24, actuations=4, threads=1))


def test_the_answer_comes_first_and_fits(told: RatingsResult) -> None:
    lines = text_of(told).splitlines()
    assert lines[0].startswith("EXCEEDED: Evil")
    assert all(len(line) <= WIDTH for line in lines if "yieldsim actuation" not in line)
    text = "\n".join(lines)
    assert "\x1b" not in text
    assert "store.voltage above its rating: in " in text
    assert "store.voltage above the 2.56 V that a rule leaves: in " in text
    for name in ("store.voltage", "regulator.voltage", "radio.voltage", "rectifier.current", "rectifier.reverse"):
        assert any(line.startswith(name) for line in lines)


def test_the_largest_have_their_commands(told: RatingsResult) -> None:
    commands = [line for line in text_of(replace(told, path="node.toml")).splitlines() if "yieldsim actuation" in line]
    cell = max((c for c in told.cells if c.of == "store.voltage"), key=lambda c: c.largest)
    address = f"--unit {cell.unit_number} --actuation {cell.actuation} --seed {told.provenance.seed}"
    assert any(line.strip().startswith("yieldsim actuation node.toml ") and address in line for line in commands)


def test_without_a_rule_the_values_are_said_to_be_the_users(told: RatingsResult) -> None:
    text = " ".join(text_of(replace(told, deratings=(), judged=())).split())
    assert "No [[derating]] rule is stated: how much of a rating may be used is for you to say." in text


def test_the_table_has_a_row_a_rating_and_condition(told: RatingsResult) -> None:
    table = table_of(told)
    assert len(table) == 5 * 4
    assert set(table["unit"]) == {"V", "A"}
    assert (table["largest_used"] - table["largest"] / table["rating"]).abs().max() < 1e-12
    assert {"quantile_50", "quantile_99_9_high", "above_rating_high", "extreme_value", "verdict"} <= set(table.columns)


def test_the_picture_has_a_panel_a_rating_and_its_units(told: RatingsResult) -> None:
    figure = figure_of(told)
    assert len(figure.axes) == 5
    assert figure.axes[-1].get_xlabel() == "share of the rating that is taken [1]"
    assert {axes.get_ylabel() for axes in figure.axes} == {"actuations\nabove [1]"}
    assert png_of(figure) == png_of(figure_of(told))

"""Where the units of a run come from, on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run
from yieldsim.cli.options import units_for

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """The small design in one condition, with nothing required of it."""
    monkeypatch.chdir(tmp_path)
    text = SMALL.read_text(encoding="utf-8")
    begin, end = text.index("[requirement]"), text.index("[harvester]")
    text = text[:begin] + text[end:]
    text = text.replace('["25 degC", "60 degC"]', '["60 degC"]').replace('["0 yr", "10 yr"]', '["10 yr"]')
    (tmp_path / "node.toml").write_text(text, encoding="utf-8")
    return "node.toml"


def said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 0
    return capsys.readouterr().out


def test_the_answer_says_where_the_units_come_from(bare: str, capsys: pytest.CaptureFixture[str]) -> None:
    few = ["yield", bare, "--units", "256", "--actuations", "1"]
    text = said([*few, "--points", "sobol", "--methods"], capsys)
    assert all(len(line) <= 100 for line in text.splitlines() if "yieldsim actuation" not in line)
    words = " ".join(text.split())
    assert "Units come from 16 scrambled Sobol' sets of 16, each unit from a lot of its own." in words
    assert "cells completion" in words
    assert "scrambles" in words.split("Methods:")[1]
    answer = json.loads(said([*few, "--points", "sobol", "--json"], capsys))
    assert answer["points"] == {"kind": "sobol", "scrambles": 16, "points_each": 16}
    plain = said(few, capsys)
    assert "Sobol'" not in plain
    # at random is what is done without the option
    assert said([*few, "--points", "random"], capsys) == plain


def test_a_number_of_units_that_does_not_fill_the_sets_is_refused(
    bare: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["yield", bare, "--points", "sobol", "--units", "3000", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["error"]
    assert (told["key"], told["value"], told["remedy"]) == ("units", "3000", "use 2048 or 4096")


@pytest.mark.parametrize(
    ("more", "key"),
    [(["--lots", "3"], "lots"), (["--until-decided"], "points"), (["--until-width", "1 %"], "points")],
)
def test_what_does_not_go_together_is_refused(more: list[str], key: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", str(SMALL), "--points", "sobol", *more, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["errors"]
    assert [row["key"] for row in told] == [key]
    assert "--points random" in told[0]["remedy"]


def test_other_points_are_a_usage_error(bare: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", bare, "--points", "halton"]) == 2
    assert "'halton' is not one of 'random', 'sobol'" in capsys.readouterr().err


def test_without_units_there_are_as_many_as_fill_the_sets() -> None:
    options = {"units": None}
    units_for("random", options)
    assert options == {"units": None}
    units_for("sobol", options)
    assert options == {"units": 4096}
    units_for("sobol", stated := {"units": 512})
    assert stated == {"units": 512}

"""``yieldsim life``: files, JSON, and one clear error for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.analysis import ageing
from yieldsim.analysis.lives import fleet
from yieldsim.analysis.lives.ages import DEFAULT_AGES
from yieldsim.cli import life_command, run

SMALL = str(Path(__file__).parents[1] / "analysis" / "small.toml")
FEW = ["--units", "8", "--actuations", "2", "--ages", "2", "--threads", "1"]


def test_defaults_are_those_of_the_analysis() -> None:
    assert life_command._UNITS == ageing.DEFAULT_UNITS
    assert life_command._AGES == DEFAULT_AGES
    assert life_command._NODES == fleet.DEFAULT_NODES


def test_json_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["life", SMALL, *FEW, "--until", "5 yr", "--fleet", "10", "--out", str(tmp_path), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["command"] == "life"
    assert answer["ages_yr"] == [0.0, 5.0]
    assert answer["fleet"]["nodes"] == 10
    assert answer["settings"]["units"] == 8
    names = {Path(file).name for file in answer["files"]}
    pictures = {f"{name}.{kind}" for name in ("life", "life_laws", "life_losses") for kind in ("svg", "png")}
    assert names == {"life.csv", "life.json", *pictures} == {path.name for path in tmp_path.iterdir()}


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--until", "-1 yr"], "until = -1 yr: an age above 0 yr is needed"),
        (["--until", "0"], "until = 0 yr: an age above 0 yr is needed"),
        (["--until", "300 yr"], "out of range"),
        (["--until", "soon"], "--until"),
        (["--ages", "1"], "one age says nothing of ageing"),
        (["--fleet", "0"], "a fleet has one node or more"),
        (["--confidence", "0.5"], "confidence"),
        (["--units", "1"], "units"),
    ],
)
def test_bad_input_gets_one_clear_error(options: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["life", SMALL, *options]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert text in err
    assert err.count("\n") == 1
    assert err.startswith("error: ")

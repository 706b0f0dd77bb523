"""How sure the inputs are, beside a verdict where it is asked for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = str(Path(__file__).parents[1] / "analysis" / "small.toml")
FEW = ["--units", "256", "--actuations", "1", "--threads", "1"]


def test_the_sureness_of_the_inputs_stands_beside_the_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", SMALL, *FEW, "--sureness", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["sureness"]
    assert told["sets"] == told["met"] + told["not_met"] + told["undecided"] + told["unsupported"]
    assert 0.0 <= told["share_low"] <= told["share_high"] <= 1.0
    assert run(["yield", SMALL, *FEW]) == 0
    assert "plausible sets" not in capsys.readouterr().out


def test_widths_are_the_ones_asked_for_and_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["yield", SMALL, *FEW, "--sureness"]
    assert run([*call, "--json"]) == 0
    usual = json.loads(capsys.readouterr().out)["sureness"]
    assert usual["plausible_widths"] == {"assumed": [0.5, 2.0], "datasheet": [0.5, 1.0]}
    assert run([*call, "--json", "--plausible-widths", "assumed=0.5:2, datasheet=0.50:1"]) == 0
    assert json.loads(capsys.readouterr().out)["sureness"] == usual
    assert run([*call, "--json", "--plausible-widths", "assumed=0.9:1.1"]) == 0
    narrow = json.loads(capsys.readouterr().out)["sureness"]
    assert narrow["plausible_widths"] == {"assumed": [0.9, 1.1], "datasheet": [0.5, 1.0]}
    for row in narrow["varied"]:
        if row["basis"] == "assumed":
            assert (row["width_low"], row["width_high"]) == (0.9, 1.1)
    assert {row["basis"] for row in narrow["varied"]} >= {"assumed"}
    assert run([*call, "--plausible-widths", "assumed=0.9:1.1"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Plausible widths over the stated ones, as asked: assumed 0.9 to 1.1, datasheet 0.5 to 1." in text


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (
            "guessed=0.5:2",
            "--plausible-widths = guessed=0.5:2: ranges are given of assumed and datasheet numbers; "
            "write assumed=0.5:2,datasheet=0.5:1",
        ),
        (
            "measured=0.5:2",
            "--plausible-widths = measured=0.5:2: the width of a measured number follows from its sample size, and "
            "without one it counts as assumed; state sample_size in the configuration, or give assumed=LOW:HIGH",
        ),
        (
            "assumed=2",
            "--plausible-widths = assumed=2: a range has a lower and an upper end; write assumed=0.5:2, for example",
        ),
        (
            "assumed=0.5:2,assumed=0.5:3",
            "--plausible-widths = assumed=0.5:3: the range of assumed numbers is given twice; give it once",
        ),
        (
            "assumed=2:0.5,datasheet=0:1",
            "plausible widths, assumed = 2:0.5: the lower width comes first; write assumed=0.5:2, for example\n"
            "plausible widths, datasheet = 0:1: a width is above 0 times the stated one; "
            "write datasheet=0.5:2, for example",
        ),
        (
            "assumed=0.5:11",
            "plausible widths, assumed = 0.5:11: more than 10 times as wide is no range that the stated width could "
            "tell of; write assumed=0.5:2, for example",
        ),
        (
            "datasheet=0.5:1,assumed=wide:2",
            '--plausible-widths = assumed=wide:2: "wide" is no number of times the stated width; '
            "write assumed=0.5:2,datasheet=0.5:1",
        ),
        ("assumed=0.5:nan", "plausible widths, assumed = 0.5:nan: a width is a finite number of times the stated one"),
        ("", "--plausible-widths: ranges are given of assumed and datasheet numbers"),
    ],
)
def test_widths_that_cannot_be_used_are_refused(capsys: pytest.CaptureFixture[str], text: str, reason: str) -> None:
    for command in (["yield", SMALL, "--sureness"], ["signoff", SMALL], ["rank", SMALL]):
        assert run([*command, "--plausible-widths", text]) == 1
        out, err = capsys.readouterr()
        assert out == ""
        assert reason in err.replace("error: ", "")


def test_widths_without_sureness_are_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", SMALL, *FEW, "--plausible-widths", "assumed=0.5:3"]) == 2
    assert "--plausible-widths is of --sureness" in capsys.readouterr().err


def test_what_to_measure_next_follows_the_widths(capsys: pytest.CaptureFixture[str]) -> None:
    call = ["rank", SMALL, "--effort", "64", "--temperature", "60", "--age", "10", "--json"]
    assert run([*call, "--plausible-widths", "assumed=0.5:3"]) == 0
    rows = json.loads(capsys.readouterr().out)["measure_next"]
    widths = {row["basis"]: (row["width_low"], row["width_high"]) for row in rows}
    assert widths["assumed"] == (0.5, 3.0)
    assert run(call) == 0
    rows = json.loads(capsys.readouterr().out)["measure_next"]
    assert {row["basis"]: (row["width_low"], row["width_high"]) for row in rows}["assumed"] == (0.5, 2.0)


def test_it_says_what_it_needs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = Path(SMALL).read_text(encoding="utf-8")
    assert text.count('unit_yield = "90 %"') == 1
    (tmp_path / "node.toml").write_text(text.replace('unit_yield = "90 %"', ""), encoding="utf-8")
    assert run(["yield", str(tmp_path / "node.toml"), *FEW, "--sureness", "--json"]) == 1
    assert "requirement" in json.loads(capsys.readouterr().out)["error"]["key"]

"""The options that end a run when enough is known."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = str(Path(__file__).parents[1] / "analysis" / "small.toml")


def test_a_width_is_read_with_its_unit_and_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", SMALL, "--until-width", "40 %", "--units", "1100", "--actuations", "1"]) == 0
    out = capsys.readouterr().out
    assert "The run ended after 1,024 of at most 1,100 units: the bounds are within the absolute width." in " ".join(
        out.split()
    )


def test_a_width_without_a_sense_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", SMALL, "--until-width", "120 %", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["errors"][0]
    assert told["key"] == "until-width"
    assert told["remedy"] == 'use "0.5 %"'


def test_a_width_that_cannot_be_read_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["signoff", SMALL, "--until-relative-width", "narrow", "--json"]) == 1
    assert "--until-relative-width" in capsys.readouterr().out

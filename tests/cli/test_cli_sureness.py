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


def test_it_says_what_it_needs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = Path(SMALL).read_text(encoding="utf-8")
    assert text.count('unit_yield = "90 %"') == 1
    (tmp_path / "node.toml").write_text(text.replace('unit_yield = "90 %"', ""), encoding="utf-8")
    assert run(["yield", str(tmp_path / "node.toml"), *FEW, "--sureness", "--json"]) == 1
    assert "requirement" in json.loads(capsys.readouterr().out)["error"]["key"]

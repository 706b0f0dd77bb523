"""How estimates were made, where it is asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = str(Path(__file__).parents[1] / "analysis" / "small.toml")


def said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(arguments) == 0
    return " ".join(capsys.readouterr().out.split())


def test_methods_are_told_on_request_alone(capsys: pytest.CaptureFixture[str]) -> None:
    few = ["yield", SMALL, "--units", "16", "--actuations", "1"]
    assert "Methods:" not in said(few, capsys)
    text = said([*few, "--methods"], capsys)
    assert "Methods: - cells:" in text
    assert "bounds on the mean of independent" in text


def test_what_is_no_estimate_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert "nothing here is an estimate" in said(["actuation", SMALL, "--methods"], capsys)

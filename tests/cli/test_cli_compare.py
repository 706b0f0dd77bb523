"""``compare`` and ``ratings`` as they are typed: text, JSON, files, and errors."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
TINY = ["--units", "12", "--actuations", "2", "--threads", "1"]


@pytest.fixture
def nodes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    text = SMALL.read_text(encoding="utf-8")
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    (tmp_path / "b.toml").write_text(text.replace('nominal = "33 uF"', 'nominal = "27 uF"'), encoding="utf-8")
    (tmp_path / "c.toml").write_text(text.replace('completion = "99 %"', 'completion = "90 %"'), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("arguments", [["compare", "a.toml", "b.toml"], ["ratings", "a.toml"]])
def test_json_text_and_files(arguments: list[str], nodes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = arguments[0]
    assert run([*arguments, *TINY, "--json", "--out", "results"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    answer = json.loads(out)
    files = [f"{name}.{kind}" for kind in ("csv", "svg", "png", "json")]
    assert answer["command"] == name
    assert answer["files"] == [f"results/{file}" for file in files]
    assert sorted(path.name for path in (nodes / "results").iterdir()) == sorted(files)
    told = json.loads((nodes / "results" / f"{name}.json").read_text(encoding="utf-8"))
    assert {**told, "files": []} == {**answer, "files": []}
    assert run([*arguments, *TINY, "--lots", "3", "--confidence", "90 %", "--methods"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "Methods:" in out


def test_two_yardsticks_are_refused(nodes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "a.toml", "c.toml", *TINY]) == 1
    assert capsys.readouterr().err == (
        "error: c.toml: requirement.completion = 90 %: A requires 99 %; two files are compared by one requirement; "
        "write the same requirement.completion into both, or leave it out of both\n"
    )


def test_a_file_that_is_missing_is_named(nodes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "a.toml", "missing.toml", *TINY]) == 1
    assert "missing.toml" in capsys.readouterr().err


def test_the_help_says_whose_values_the_rules_are(nodes: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["ratings", "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "How much of a rating may be used is for you to say: no table of a standard comes with this program" in text

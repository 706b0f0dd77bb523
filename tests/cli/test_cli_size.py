"""The command ``size``: text, JSON, files, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
TINY = ["--units", "64", "--actuations", "8", "--threads", "1"]


@pytest.fixture
def node(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "node.toml").write_text(SMALL.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def test_text_json_and_files_say_one_thing(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["size", "node.toml", "storage.capacitance", "--from", "14 uF", "--to", "40 uF", "--series", "E6", *TINY]
    assert run([*asked, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert run([*asked, "--out", "out"]) == 0
    text = capsys.readouterr().out
    assert found["verdict"] == "met"
    assert found["choice"]["value"] in (15e-6, 22e-6)
    assert text.startswith(f"MET with storage.capacitance = {found['choice']['value'] * 1e6:g} uF")
    assert f"seed {found['confirm_seed']}" in text
    assert "95 % sure of all of them" in " ".join(text.split())
    assert all(len(line) <= 100 for line in text.splitlines())
    files = sorted(path.name for path in (node / "out").iterdir())
    assert files == ["size.csv", "size.json", "size.png", "size.svg"]
    rows = (node / "out" / "size.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + len(found["scan"])
    assert rows[0].startswith("value,label,preferred,temperature_degC,age_yr,completion,completion_low")


def test_a_map_is_text_and_files(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["size", "node.toml", "storage.capacitance", "--from", "14 uF", "--to", "40 uF", "--series", "E3", *TINY]
    asked += ["--and", "radio.transmit.octets", "--second-from", "10", "--second-to", "40", "--points", "3"]
    assert run([*asked, "--out", "out"]) == 0
    text = capsys.readouterr().out
    assert "*" in text
    assert all(len(line) <= 100 for line in text.splitlines())
    assert (node / "out" / "size.png").stat().st_size > 10_000


def test_candidates_are_read_from_a_table(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = ["part,storage.capacitance,storage.voltage_rating", "Small,18 uF,25 V", "Big,47 uF,10 V", ""]
    (node / "parts.csv").write_text("\n".join(rows), encoding="utf-8")
    asked = ["size", "node.toml", "storage.capacitance", "--candidates", "parts.csv", *TINY]
    assert run(asked) == 0
    assert capsys.readouterr().out.startswith("MET with storage.capacitance = Small")


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        (["storage.capacitence"], 1, "did you mean storage.capacitance"),
        (["storage.capacitance", "--from", "14"], 1, "--from"),
        (["storage.capacitance", "--second-from", "14"], 2, "--second-from and --second-to need --and"),
        (["storage.capacitance", "--candidates", "no.csv"], 1, "no such file"),
        (["storage.capacitance", "--candidates", "no.csv", "--from", "1 uF"], 2, "leave out"),
        (["storage.capacitance", "--tie", "storage.esr^x"], 1, "write KEY or KEY^POWER"),
        (["storage.capacitance", "--tie", "storage.ezr"], 1, "did you mean storage.esr"),
        (["storage.capacitance", "--and", "storage.capacitance"], 1, "one number twice"),
    ],
)
def test_wrong_input_is_told(
    more: list[str], code: int, said: str, node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["size", "node.toml", *more, *TINY]) == code
    assert said in " ".join(capsys.readouterr().err.split())

"""Folders that cannot be written are refused before anything is computed; a reader that has gone; no energy."""

from __future__ import annotations

import tempfile
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from yieldsim.cli import run, showing

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
TINY = ["--units", "16", "--actuations", "2", "--threads", "1"]
QUESTIONS = {
    "signoff": ("signoff", "signoff"),
    "yield": ("yields", "yields"),
    "rank": ("ranking", "rank"),
    "actuation": ("actuation", "actuation"),
    "check": ("check", "check"),
}


@pytest.fixture
def node(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "node.toml").write_text(SMALL.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def forbid(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    module, name = QUESTIONS[command]

    def computed(*_: Any, **__: Any) -> None:
        pytest.fail("computed before the folder was refused")

    monkeypatch.setattr(import_module(f"yieldsim.analysis.{module}"), name, computed)


@pytest.mark.parametrize("command", QUESTIONS)
def test_an_unusable_folder_is_refused_before_the_work(
    command: str, node: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    forbid(command, monkeypatch)
    (node / "taken").write_text("a file", encoding="utf-8")
    assert run([command, "node.toml", "--out", "taken/below"]) == 1
    assert capsys.readouterr().err.startswith("error: taken/below: it cannot be written (")
    if command == "signoff":
        assert run([command, "node.toml", "--out", "."]) == 1
        assert "the folder holds a file that no report wrote" in capsys.readouterr().err
    else:
        (node / f"{command}.svg").mkdir()
        assert run([command, "node.toml", "--out", "."]) == 1
        assert "a folder stands where a file is to be written" in capsys.readouterr().err

    def read_only(*_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "TemporaryDirectory", read_only)
    assert run([command, "node.toml", "--out", "new"]) == 1
    assert "error: new: it cannot be written (Permission denied)" in capsys.readouterr().err
    assert not (node / "new").exists()


def test_a_reader_that_has_gone_leaves_the_verdict(node: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = ["signoff", "node.toml", "--brief", *TINY, "--effort", "32", "--out", "report"]
    code = run(arguments)
    assert code in (3, 4)  # so few units cannot show what is required

    def gone(*_: Any) -> None:
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr(showing, "_print", gone)
    monkeypatch.setattr(showing, "silence", lambda: None)
    assert run(arguments) == code
    assert (node / "report" / "index.html").exists()
    with pytest.raises(BrokenPipeError):  # without files nothing has been told
        showing.show(None, False)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["check"], 0),
        (["actuation"], 0),
        (["yield", *TINY], 0),
        (["rank", "--effort", "32", "--temperature", "60", "--age", "10"], 0),
        (["signoff", *TINY, "--effort", "32"], 3),
    ],
)
def test_every_command_on_a_design_without_energy(arguments: list[str], code: int, node: Path) -> None:
    text = (node / "node.toml").read_text(encoding="utf-8")
    assert text.count('nominal = "11 V"') == 1
    (node / "node.toml").write_text(text.replace('nominal = "11 V"', 'nominal = "0 V"'), encoding="utf-8")
    assert run([arguments[0], "node.toml", *arguments[1:], "--out", "made"]) == code
    assert any((node / "made").iterdir())

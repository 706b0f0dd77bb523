"""What the command line says when something is wrong: one error, its exit code, never a traceback."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from yieldsim import cli
from yieldsim.cli import run

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
COMMANDS = ["check", "actuation", "yield", "rank", "signoff"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def written(folder: Path, *changes: tuple[str, str]) -> None:
    """Write the small design as node.toml, with changes, each of which must be found once."""
    text = SMALL.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (folder / "node.toml").write_text(text, encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_missing_file_is_one_error(command: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([command, "missing.toml"]) == 1
    out, err = capsys.readouterr()
    assert (out, err) == ("", "error: missing.toml: no such file; check its name and folder\n")
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("command", COMMANDS)
def test_with_json_the_error_is_json_alone(command: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([command, "missing.toml", "--json"]) == 1
    out, err = capsys.readouterr()
    row = {
        "file": "missing.toml",
        "key": None,
        "value": None,
        "remedy": "check its name and folder",
        "reason": "no such file",
    }
    assert json.loads(out) == {"error": row, "errors": [row]}
    assert err == ""


def test_every_fault_of_a_file_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written(folder, ('coil_resistance = "90 ohm ±5 %"', 'coil_resistance = "-90 ohm"'), ("esr =", "ers ="))
    assert run(["yield", "node.toml"]) == 1
    err = capsys.readouterr().err.splitlines()
    assert err[0].startswith('error: node.toml: harvester.coil_resistance = "-90 ohm": ')
    assert any(line.startswith("error: node.toml: storage.ers") and "esr" in line for line in err)
    assert run(["yield", "node.toml", "--json"]) == 1
    assert len(json.loads(capsys.readouterr().out)["errors"]) == len(err)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('esr = "50 mohm"', 'esr = "50 mV"', "storage.esr"),
        ('esr = "50 mohm"', "esr = 0.05", "storage.esr"),
        ('esr = "50 mohm"', 'esr = "nan ohm"', "storage.esr"),
        ('frame_loss = "1 %"', "frame_loss = 99.9", "link.frame_loss"),
        ('minimum_supply = "1.8 V"', 'minimum_supply = "2.9 V"', "radio.minimum_supply"),
        ('kind = "linear"', 'kind = "lineer"', "regulator.kind"),
    ],
)
def test_a_broken_value_is_named(
    old: str, new: str, key: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(folder, (old, new))
    for command in COMMANDS:
        assert run([command, "node.toml", "--json"]) == 1
        answer = json.loads(capsys.readouterr().out)
        assert key in {row["key"] for row in answer["errors"]}
        assert all(row["remedy"] for row in answer["errors"])
    assert [path.name for path in folder.iterdir()] == ["node.toml"]


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02\xff", b"not toml at all"])
def test_empty_and_binary_files(content: bytes, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "node.toml").write_bytes(content)
    assert run(["check", "node.toml"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: node.toml: ")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (
            ["actuation", "node.toml", "--temperature", "60 C"],
            'error: --temperature = "60 C": "C" is not a unit here; write "60 degC" or "60 °C"\n',
        ),
        (
            ["actuation", "node.toml", "--temperature", "999"],
            "error: temperature = 999 degC: out of range; use -100 to 300 degC\n",
        ),
        (["actuation", "node.toml", "--age", "nan"], None),
        (["yield", "node.toml", "--units", "1"], "error: units = 1: too low; use 2 or more\n"),
        (
            ["yield", "node.toml", "--confidence", "99.9"],
            "error: confidence = 99.9: out of range; use 0.5 or more and below 1\n",
        ),
        (
            ["yield", "node.toml", "--accuracy", "1 V"],
            "error: accuracy = 1.0 V: out of range; use 0.000001 mV to 0.5 mV\n",
        ),
        (["yield", "node.toml", "--accuracy", "0.0001"], None),
        (
            ["actuation", "node.toml", "--accuracy", "0.51 mV"],
            "error: accuracy = 0.00051 V: out of range; use 0.000001 mV to 0.5 mV\n",
        ),
        (
            ["signoff", "node.toml", "--accuracy", "0 V"],
            "error: accuracy = 0.0 V: out of range; use 0.000001 mV to 0.5 mV\n",
        ),
        (
            ["rank", "node.toml", "--accuracy", "-0.1 mV"],
            "error: accuracy = -0.0001 V: out of range; use 0.000001 mV to 0.5 mV\n",
        ),
        (
            ["rank", "node.toml", "--effort", "100"],
            "error: effort = 100: Sobol' points come in powers of two; use 1024 or 2048\n",
        ),
    ],
)
def test_values_of_options(
    arguments: list[str], text: str | None, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(folder)
    assert run(arguments) == 1
    out, err = capsys.readouterr()
    assert out == ""
    if text is None:
        assert err.startswith(f"error: {arguments[2]} = ")
        assert len(err.splitlines()) == 1
    else:
        assert err == text


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["yeild", "node.toml"], "No such command 'yeild'; did you mean yield?"),
        (["yield"], "Missing argument 'CONFIG'."),
        (
            ["yield", "node.toml", "--units", "many"],
            "Invalid value for '--units': 'many' is not a valid integer.",
        ),
        (["yield", "node.toml", "--unit", "3"], "No such option: --unit"),
        (
            ["actuation", "node.toml", "--unit", "3"],
            "--unit and --actuation belong together: give both, or neither",
        ),
        (
            ["rank", "node.toml", "--age", "3"],
            "--temperature and --age belong together: give both, or neither",
        ),
    ],
)
def test_wrong_usage_ends_with_2(
    arguments: list[str], text: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert text.rstrip(".") in err.replace("No such option '--unit'", "No such option: --unit")
    assert run([*arguments, "--json"]) == 2
    out, err = capsys.readouterr()
    assert err == ""
    assert json.loads(out)["error"]["remedy"].endswith("--help")


def failing(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    from yieldsim.analysis import yields

    def broken(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(yields, "yields", broken)


def test_interrupted_ends_with_130(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    written(folder)
    failing(monkeypatch, KeyboardInterrupt())
    assert run(["yield", "node.toml"]) == 130
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err


def test_what_should_not_happen_says_what_to_report(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("YIELDSIM_DEBUG", raising=False)
    written(folder)
    failing(monkeypatch, ZeroDivisionError("division by zero"))
    assert run(["yield", "node.toml"]) == 1
    assert capsys.readouterr().err == (
        "error: this should not have happened (ZeroDivisionError: division by zero); "
        "report it with the configuration, the command and the output of the same with YIELDSIM_DEBUG=1\n"
    )
    assert run(["yield", "node.toml", "--json"]) == 1
    assert "ZeroDivisionError" in json.loads(capsys.readouterr().out)["error"]["reason"]
    monkeypatch.setenv("YIELDSIM_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        run(["yield", "node.toml"])


def test_too_little_memory_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("YIELDSIM_DEBUG", raising=False)
    written(folder)
    failing(monkeypatch, MemoryError())
    assert run(["yield", "node.toml"]) == 1
    assert capsys.readouterr().err == "error: out of memory; use fewer units or fewer threads\n"


def test_a_reader_that_has_gone_is_no_error(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written(folder)
    failing(monkeypatch, BrokenPipeError())
    closed: list[bool] = []
    monkeypatch.setattr(cli, "_pipe_closed", lambda: closed.append(True) or 1)
    assert run(["yield", "node.toml"]) == 1
    assert closed == [True]


def test_new_does_not_overwrite(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "node.toml").write_text("mine", encoding="utf-8")
    assert run(["new", "node.toml"]) == 1
    assert capsys.readouterr().err == (
        "error: node.toml: it is there already; name a new file, or move the old one away\n"
    )
    assert (folder / "node.toml").read_text(encoding="utf-8") == "mine"
    assert run(["new", "no/such/folder/node.toml"]) == 1
    assert capsys.readouterr().err == (
        "error: no/such/folder/node.toml: it cannot be written (No such file or directory); "
        "check the folder and its permissions\n"
    )


def test_a_folder_that_cannot_be_written_leaves_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written(folder)
    (folder / "taken").write_text("a file", encoding="utf-8")
    assert run(["check", "node.toml", "--out", "taken/inside"]) == 1
    assert capsys.readouterr().err.startswith("error: taken/inside: it cannot be written (")
    assert sorted(path.name for path in folder.iterdir()) == ["node.toml", "taken"]

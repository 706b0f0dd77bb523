"""``--accuracy``: 0.5 mV is the default and the most; the rest is one error that names option, value and remedy."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.cli import run
from yieldsim.engine.settings import Settings
from yieldsim.words.errors import InputError

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
EFFORT = {
    "actuation": [],
    "yield": ["--units", "4", "--actuations", "1", "--threads", "1"],
    "rank": ["--effort", "16"],
    "signoff": ["--brief", "--units", "4", "--actuations", "1", "--effort", "16", "--threads", "1"],
}
RANGE = "use 0.000001 mV to 0.5 mV"


@pytest.fixture
def node(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "node.toml").write_text(SMALL.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("command", list(EFFORT))
def test_help_says_the_default_and_the_most(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([command, "--help"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    _, told = told.split("--accuracy TEXT ")
    told = told.split(" --")[0]
    assert "at most 0.5 mV." in told
    assert '[default: "0.5 mV"]' in told
    assert "reserve and start margin" in told
    assert Settings().accuracy == 0.5e-3


@pytest.mark.parametrize("command", list(EFFORT))
@pytest.mark.parametrize(
    ("value", "told", "remedy"),
    [
        ("0 V", "0.0 V", RANGE),
        ("0 mV", "0.0 V", RANGE),
        ("-0.1 mV", "-0.0001 V", RANGE),
        ("\u22120.1 mV", "-0.0001 V", RANGE),  # the minus sign of typography
        ("0.500001 mV", "0.000500001 V", RANGE),
        ("1 V", "1.0 V", RANGE),
        ("1e-10 V", "1e-10 V", RANGE),
        ("nan mV", '"nan mV"', "write a finite one"),
        ("nan", '"nan"', "write a finite one"),
        ("inf V", '"inf V"', "write a finite one"),
        ("0.0005", '"0.0005"', "write the unit too"),
        ("0", '"0"', "write the unit too"),
        ("0.1 ms", '"0.1 ms"', "write it in V, mV"),
        ("0,1 mV", '"0,1 mV"', '"0.1 mV"'),
        ("fine", '"fine"', "write one number and one unit"),
        ("", '""', "write one number and one unit"),
    ],
)
def test_what_cannot_be_an_accuracy_is_one_error(
    command: str, value: str, told: str, remedy: str, node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = [command, "node.toml", *EFFORT[command], f"--accuracy={value}"]
    assert run(arguments) == 1
    out, err = capsys.readouterr()
    assert out == ""
    (line,) = err.splitlines()
    assert line.startswith(("error: --accuracy = ", "error: accuracy = "))
    assert f"accuracy = {told}: " in line
    assert remedy in line
    assert run([*arguments, "--json"]) == 1
    out, err = capsys.readouterr()
    (row,) = json.loads(out)["errors"]
    assert err == ""
    assert row["key"].removeprefix("--") == "accuracy"
    assert row["file"] is None
    assert remedy in row["remedy"]
    assert sorted(path.name for path in node.iterdir()) == ["node.toml"]  # nothing was begun


@pytest.mark.parametrize(
    ("command", "value", "volts"),
    [
        ("actuation", "0.5 mV", 0.5e-3),
        ("actuation", "1e-6 mV", 1e-9),
        ("yield", "0.5 mV", 0.5e-3),
        ("yield", "1e-9 V", 1e-9),
        ("rank", "2e-5 V", 2e-5),
        ("signoff", "0.02 mV", 2e-5),
        *((command, None, 0.5e-3) for command in ("actuation", "yield", "rank")),
    ],
)
def test_what_can_be_one_is_used(
    command: str, value: str | None, volts: float, node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = [] if value is None else ["--accuracy", value]
    assert run([command, "node.toml", *EFFORT[command], *given, "--json"]) in (0, 3, 4)
    found = json.loads(capsys.readouterr().out)
    settings = found["settings"]
    assert settings["accuracy"] == pytest.approx(volts, rel=1e-15)


def test_a_finer_accuracy_changes_the_answer_by_less_than_the_coarser_one_allows(
    node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    reserves = []
    for value in ("0.5 mV", "1e-3 mV", "1e-5 mV"):
        assert run(["actuation", "node.toml", "--accuracy", value, "--json"]) == 0
        reserves.append(json.loads(capsys.readouterr().out)["reserve_V"])
    assert abs(reserves[0] - reserves[2]) <= 0.5e-3
    assert abs(reserves[1] - reserves[2]) <= 1e-6
    assert reserves[0] != reserves[2]  # negative control: the option reaches the integration


@pytest.mark.parametrize("value", [0.0, -0.0, -1e-4, 0.51e-3, float("nan"), float("inf"), 1e-10])
def test_the_same_is_refused_from_python(value: float) -> None:
    with pytest.raises(InputError) as error:
        Settings(accuracy=value)
    assert str(error.value) == f"accuracy = {value} V: out of range; {RANGE}"

"""Commands that ``yield`` prints for the actuations worth opening do open them, to the same bits."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest

from yieldsim.cli import run

ANALYSIS = Path(__file__).parents[1] / "analysis"
KINDS = ("worst", "nearest the edge", "median failing")


@pytest.fixture
def node(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a node.toml").write_text((ANALYSIS / "small.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def commands_of(text: str) -> dict[str, list[list[str]]]:
    """Return the commands printed below each kind of address, as a shell would split them."""
    lines = text.split("Actuations worth opening:\n")[1].splitlines()
    found: dict[str, list[list[str]]] = {}
    for told, command in zip(lines[::2], lines[1::2], strict=False):
        if not command.startswith("    yieldsim actuation "):
            break
        found.setdefault(told.split(":")[0].strip(), []).append(shlex.split(command)[1:])
    return found


@pytest.mark.parametrize(
    "more",
    [[], ["--seed", "12", "--lots", "3", "--accuracy", "0.07 mV"], ["--points", "sobol", "--units", "256"]],
)
def test_every_printed_command_opens_what_was_simulated(
    more: list[str], node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["yield", "a node.toml", "--units", "24", "--actuations", "4", "--threads", "1", *more]
    assert run([*arguments, "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["addresses"]
    assert run(arguments) == 0
    printed = commands_of(capsys.readouterr().out)
    assert set(printed) == set(KINDS)
    for kind, commands in printed.items():
        for command, a in zip(commands, listed[kind], strict=False):
            assert run([*command, "--json"]) == 0
            opened = json.loads(capsys.readouterr().out)
            # JSON holds every digit of a double
            assert opened["voltage_margin_V"] == a["voltage_margin_V"]
            assert opened["outcome"] == a["outcome"]
            assert opened["address"] == {"unit": a["unit"], "actuation": a["actuation"]}
            assert opened["drawn"]
            assert {"name", "value", "nominal", "unit", "difference", "of_limit"} == set(opened["drawn"][0])
    # negative control: another seed is another actuation
    other = printed["worst"][0]
    other[other.index("--seed") + 1] = "99"
    assert run([*other, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["voltage_margin_V"] != listed["worst"][0]["voltage_margin_V"]


def test_an_opened_actuation_shows_what_was_drawn_beside_nominal(
    node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ["actuation", "a node.toml", "--temperature", "60", "--age", "10", "--unit", "7", "--actuation", "2"]
    assert run([*where, "--json"]) == 0
    drawn = json.loads(capsys.readouterr().out)["drawn"]
    assert run(where) == 0
    table = capsys.readouterr().out.split("drawn, the farthest from nominal first")[1]
    assert "nominal" in table.splitlines()[0]
    names = [line.split()[0] for line in table.splitlines()[2:] if line.strip()]
    assert [row["name"] for row in drawn[:12]] == names[:12]

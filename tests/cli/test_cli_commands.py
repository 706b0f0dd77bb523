"""Every command on a small design: text, JSON, files and exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from yieldsim.cli import run

SMALL = Path(__file__).parents[1] / "analysis" / "small.toml"
TINY = ["--units", "16", "--actuations", "2", "--threads", "1"]
ENVELOPE = {"command", "version", "design", "design_hash", "seed", "settings", "warnings", "files"}


@pytest.fixture
def node(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "node.toml").write_text(SMALL.read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path


def answer(capsys: pytest.CaptureFixture[str]) -> dict:
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "node.toml"],
        ["actuation", "node.toml", "--temperature", "-20 degC", "--age", "10 yr"],
        ["actuation", "node.toml", "--temperature", "60", "--age", "10", "--unit", "3", "--actuation", "1"],
        ["yield", "node.toml", *TINY, "--lots", "4", "--confidence", "90 %", "--seed", "3"],
        ["rank", "node.toml", "--effort", "32", "--temperature", "60", "--age", "10"],
        ["rank", "node.toml", "--effort", "32", "--response", "voltage margin"],
    ],
)
def test_json_text_and_files(arguments: list[str], node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*arguments, "--json"]) == 0
    found = answer(capsys)
    assert set(found) >= ENVELOPE
    assert (found["command"], found["design"], found["files"]) == (
        arguments[0],
        "Bolt reporter, test size",
        [],
    )
    assert run([*arguments, "--out", "results"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    name = arguments[0]
    pictures = {"yield": ["ledger"], "actuation": ["ledger", "drawn"]}.get(name, [])
    files = [f"{name}.{kind}" for kind in ("csv", "svg", "png", "json")]
    files += [f"{name}_{picture}.{kind}" for picture in pictures for kind in ("svg", "png")]
    kinds = [f"results/{file}" for file in files]
    assert [line.removeprefix("wrote ") for line in out.splitlines() if line.startswith("wrote ")] == kinds
    assert sorted(p.name for p in (node / "results").iterdir()) == sorted(Path(k).name for k in kinds)
    stored = json.loads((node / "results" / f"{name}.json").read_text(encoding="utf-8"))
    assert {k: v for k, v in stored.items() if k != "files"} == {k: v for k, v in found.items() if k != "files"}
    assert sorted(p.name for p in node.iterdir()) == ["node.toml", "results"]


def test_options_reach_the_settings(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--lots", "4", "--confidence", "0.9", "--seed", "5", "--accuracy", "0.1 mV"]
    assert run(["yield", "node.toml", *TINY, *arguments, "--json"]) == 0
    found = answer(capsys)
    assert found["seed"] == 5
    assert found["confidence"] == 0.9
    expected = {"units": 16, "actuations": 2, "lots": 4, "effort": 1024, "accuracy": 1e-4, "confidence": 0.9}
    assert found["settings"] == expected
    assert {cell["actuations"] for cell in found["cells"]} == {32}


@pytest.mark.parametrize("spelling", [["60", "10"], ["60 degC", "10 yr"], ["6e1 °C", "87600 h"], ["60 degC", "3650 d"]])
def test_temperatures_and_ages_are_read_with_and_without_units(
    spelling: list[str], node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["actuation", "node.toml", "--temperature", spelling[0], "--age", spelling[1], "--json"]) == 0
    found = answer(capsys)
    assert (found["temperature_degC"], found["age_yr"]) == (60.0, 10.0)


def test_an_address_of_yield_opens_to_the_same_margin(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["yield", "node.toml", *TINY, "--json"]) == 0
    a = answer(capsys)["addresses"]["worst"][0]
    where = ["--temperature", str(a["temperature_degC"]), "--age", str(a["age_yr"])]
    which = ["--unit", str(a["unit"]), "--actuation", str(a["actuation"])]
    assert run(["actuation", "node.toml", *where, *which, "--json"]) == 0
    opened = answer(capsys)
    assert opened["voltage_margin_V"] == a["voltage_margin_V"]
    assert opened["outcome"] == a["outcome"]
    assert run(["actuation", "node.toml", *where, *which, "--seed", "9", "--json"]) == 0
    assert answer(capsys)["voltage_margin_V"] != a["voltage_margin_V"]


@pytest.mark.parametrize(
    ("completion", "unit_yield", "temperature", "word", "code"),
    [
        ("90 %", "50 %", "25 degC", "met", 0),
        ("99.99 %", "99.9 %", "60 degC", "not met", 3),
        ("90 %", "99.5 %", "25 degC", "undecided", 4),
    ],
)
def test_signoff_ends_with_its_verdict_and_yield_with_0(
    completion: str,
    unit_yield: str,
    temperature: str,
    word: str,
    code: int,
    node: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = SMALL.read_text(encoding="utf-8")
    changes = [
        ('completion = "99 %"', f'completion = "{completion}"'),
        ('unit_yield = "90 %"', f'unit_yield = "{unit_yield}"'),
        ('temperatures = ["25 degC", "60 degC"]', f'temperatures = ["{temperature}"]'),
        ('in = "90 %"', 'in = "50 %"'),
    ]
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (node / "node.toml").write_text(text, encoding="utf-8")
    assert run(["yield", "node.toml", *TINY, "--json"]) == 0
    assert answer(capsys)["verdict"] == word
    assert run(["signoff", "node.toml", "--brief", *TINY, "--effort", "32", "--json"]) == code
    found = answer(capsys)
    assert found["verdict"] == word
    assert [row["name"] for row in found["requirements"]] == ["unit yield", "store.voltage", "radio.voltage"]
    assert "reports/node/index.html" in found["files"]
    assert all((node / file).is_file() for file in found["files"])


def test_signoff_writes_where_it_is_told_and_shows_the_verdict_first(
    node: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["signoff", "node.toml", "--brief", *TINY, "--effort", "32", "--out", "there/it is"]) == 3
    out, err = capsys.readouterr()
    assert err == ""
    assert out.startswith("NOT MET: ")
    assert (node / "there" / "it is" / "index.html").is_file()
    assert not (node / "reports").exists()


def test_new_writes_a_configuration_that_runs(node: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["new", "mine.toml"]) == 0
    assert capsys.readouterr().out == "wrote mine.toml\n"
    assert run(["actuation", "mine.toml", "--json"]) == 0
    assert answer(capsys)["outcome"] == "complete"
    assert run(["new", "other.toml", "--json"]) == 0
    found = answer(capsys)
    assert set(found) >= ENVELOPE
    assert found["files"] == ["other.toml"]


def test_schema_is_json_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["schema"]) == 0
    found = answer(capsys)
    assert found["$schema"].startswith("https://json-schema.org/")
    assert {"harvester", "storage", "radio"} <= set(found["properties"])


def test_a_closed_pipe_is_quiet() -> None:
    code = "import sys; from yieldsim.cli import main; main(['schema'])"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()  # before it has written a word
        assert process.stderr.read() == b""
        process.wait(timeout=60)


def test_progress_is_for_terminals_only(
    node: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert run(["yield", "node.toml", *TINY, "--json"]) == 0
    out, err = capsys.readouterr()
    json.loads(out)
    assert "100%" in err

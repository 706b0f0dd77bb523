"""README: its commands run, the files it names exist, and its two set-up lines are those that are checked."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from yieldsim.cli import COMMANDS, group, run

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SET_UP = "python3 -m venv --without-pip .venv && python3 -m pip --python .venv install -e "
# so little effort that every command ends in seconds; the verdict may then be any
SMALL = {"--units": "8", "--actuations": "2", "--effort": "32", "--threads": "1"}
VERDICTS = (0, 3, 4)


def blocks(*languages: str) -> Iterator[list[str]]:
    """Lines of the code blocks in one of the languages."""
    for language, text in re.findall(r"^```(\w*)\n(.*?)^```$", README, re.DOTALL | re.MULTILINE):
        if language in languages:
            yield text.splitlines()


def shell_lines() -> list[str]:
    return [line for block in blocks("", "sh", "bash", "console") for line in block if line.strip()]


def commands() -> list[list[str]]:
    """Every call of yieldsim in a block of shell lines, as its arguments."""
    found = []
    for line in shell_lines():
        for part in line.removeprefix("$ ").split("&&"):
            words = shlex.split(part, comments=True)
            if words and Path(words[0]).name == "yieldsim":
                found.append(words[1:])
    return found


def eased(arguments: list[str]) -> list[str]:
    """The arguments with little effort, where the command takes it."""
    command = group.get_command(click.Context(group), arguments[0])
    assert command is not None, arguments
    takes = {name for parameter in command.params for name in parameter.opts}
    kept = list(arguments)
    for option in SMALL.keys() & set(kept):
        place = kept.index(option)
        del kept[place : place + 2]
    if arguments[0] == "signoff":
        kept.append("--brief")
    small = SMALL | ({"--units": "256"} if "sobol" in kept else {})  # the fewest that fill the scrambles
    return kept + [word for option in sorted(small.keys() & takes) for word in (option, small[option])]


def test_every_command_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    monkeypatch.chdir(tmp_path)
    assert len(commands()) > 4
    for arguments in commands():
        code = run(eased(arguments))
        out, err = capsys.readouterr()
        assert code in (VERDICTS if arguments[0] == "signoff" else (0,)), (arguments, err)
        assert out or "--out" in arguments, arguments
    assert (tmp_path / "reports" / "valve-turn" / "index.html").stat().st_size > 10_000


def test_the_lines_of_python_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(ROOT / "configs", tmp_path / "configs")
    monkeypatch.chdir(tmp_path)
    parts = list(blocks("python"))
    assert parts
    for lines in parts:
        text = re.sub(
            r"Settings\(units=\d+, actuations=\d+\)", "Settings(units=8, actuations=2, threads=1)", "\n".join(lines)
        )
        exec(compile(text, "README.md", "exec"), {})
        assert capsys.readouterr().out.strip()


def test_every_command_of_the_program_is_named() -> None:
    named = set(re.findall(r"`yieldsim ([\w-]+)", README)) | {arguments[0] for arguments in commands()}
    assert named == set(COMMANDS)


def test_every_file_named_exists() -> None:
    links = [target for target in re.findall(r"\]\(([^)\s]+)\)", README) if "://" not in target]
    paths = re.findall(r"(?:configs|reports|tests|\.ci)/[\w./-]*\w", README)
    designs = [f"configs/{name}" for name in re.findall(r"^\| `([\w-]+\.toml)` \|", README, re.MULTILINE)]
    assert links
    assert designs
    missing = [path for path in {*links, *paths, *designs} if not (ROOT / path.partition("#")[0]).exists()]
    assert missing == []
    assert {Path(path).name for path in designs} == {path.name for path in (ROOT / "configs").glob("*.toml")}


def test_the_two_set_up_lines() -> None:
    lines = [line for line in shell_lines() if "venv" in line and "install" in line]
    assert len(lines) == 2
    assert all(line.startswith(SET_UP) for line in lines)
    main, tests = lines
    assert main.startswith(f"{SET_UP}. && .venv/bin/yieldsim signoff configs/")
    assert tests.startswith(f"{SET_UP}'.[test]' && .venv/bin/pytest")


def test_the_checks_find_both_lines() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    finders = re.findall(r"^(test_line|main_line)=\$\((.*)\)$", script, re.MULTILINE)
    assert sorted(name for name, _ in finders) == ["main_line", "test_line"]
    for name, finder in finders:
        found = subprocess.run(["bash", "-c", finder], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        wanted = "pytest" if name == "test_line" else "yieldsim signoff"
        assert [line for line in shell_lines() if line.startswith(SET_UP) and wanted in line] == [found.rstrip("\n")]

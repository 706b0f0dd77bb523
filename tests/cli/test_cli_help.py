"""Help texts, and that showing them costs nothing."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from yieldsim.cli import COMMANDS, run


def modules_after(code: str) -> set[str]:
    """Top-level names that a fresh interpreter holds after some code, less those of a bare one."""
    told = "import sys\nprint('\\n' + ' '.join(sorted(sys.modules)))"
    runs = [
        subprocess.run([sys.executable, "-c", f"{before}\n{told}"], capture_output=True, text=True, check=True)
        for before in ("", code)
    ]
    bare, loaded = (set(done.stdout.splitlines()[-1].split()) for done in runs)
    return loaded - bare


HELP = "from yieldsim.cli import run\nassert run(['--help']) == 0"


def test_help_loads_click_and_the_standard_library_alone() -> None:
    loaded = modules_after(HELP)
    foreign = {name.split(".")[0] for name in loaded} - set(sys.stdlib_module_names)
    assert foreign == {"click", "yieldsim"}
    own = {name for name in loaded if name.startswith("yieldsim")}
    assert own == {"yieldsim", "yieldsim.cli", "yieldsim.cli.pipe", "yieldsim.words", "yieldsim.words.errors"}


def test_the_counting_of_modules_sees_what_is_loaded() -> None:
    # negative control for the test above
    assert "numpy" in modules_after(
        "from yieldsim.engine.settings import Settings\nimport yieldsim.design.schema, numpy"
    )


@pytest.mark.parametrize("command", list(COMMANDS))
def test_help_of_a_command_loads_no_other_and_nothing_heavy(command: str) -> None:
    loaded = modules_after(f"from yieldsim.cli import run\nassert run(['{command}', '--help']) == 0")
    commands = {name for name in loaded if name.endswith("_command")}
    assert commands == {f"yieldsim.cli.{command.replace('-', '_')}_command"}
    assert not loaded & {"numpy", "scipy", "pydantic", "numba", "pandas", "matplotlib"}


@pytest.mark.parametrize(
    ("arguments", "left_out"),
    [
        (["check"], {"scipy", "pandas", "numba", "matplotlib"}),
        (["actuation", "--json"], {"pandas", "numba", "matplotlib"}),
    ],
)
def test_what_is_asked_in_passing_loads_what_it_needs_alone(arguments: list[str], left_out: set[str]) -> None:
    command, *options = arguments
    config = Path(__file__).parents[2] / "configs" / "crank-counter.toml"
    asked = [command, str(config), *options]
    loaded = modules_after(f"from yieldsim.cli import run\nassert run({asked!r}) == 0")
    assert f"yieldsim.analysis.{command}" in loaded
    assert not loaded & left_out


def test_the_overview_names_every_command_and_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    out = capsys.readouterr().out
    for name, (_, text) in COMMANDS.items():
        assert f"  {name} " in out
        assert text.split("?")[0] in " ".join(out.split())
    for line in (
        "0    done; signoff: the requirement is met, or there is none",
        "1    the input is wrong, or the work failed",
        "2    wrong usage",
        "3    signoff: not met",
        "4    signoff: undecided with this effort",
        "130  interrupted",
    ):
        assert line in out


@pytest.mark.parametrize("command", list(COMMANDS))
def test_every_command_says_its_question_and_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([command, "--help"]) == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert lines[0].startswith(f"Usage: yieldsim {command} ")
    assert lines[2].strip().endswith("?")
    assert f"yieldsim {command} " in out.split("Example:")[1]
    assert "--json" in out
    if "--age" in out:
        assert "1 yr = 8,760 h" in " ".join(out.split())
    if "--accuracy" in out:
        assert 'at most 0.5 mV. [default: "0.5 mV"]' in " ".join(out.split())


def test_whatever_integrates_has_its_accuracy_set(capsys: pytest.CaptureFixture[str]) -> None:
    having = []
    for command in COMMANDS:
        assert run([command, "--help"]) == 0
        having += [command] if "--accuracy" in capsys.readouterr().out else []
    assert having == [command for command in COMMANDS if command not in ("new", "check", "schema")]


def test_no_command_shows_the_overview(capsys: pytest.CaptureFixture[str]) -> None:
    assert run([]) == 2
    out, err = capsys.readouterr()
    assert "Commands:" in out + err


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    from yieldsim import __version__

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"yieldsim, version {__version__}\n"

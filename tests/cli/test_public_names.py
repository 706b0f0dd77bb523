"""The public names: what there is, where it lives, and that naming it costs nothing."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import yieldsim

ROOT = Path(__file__).parents[2]


def test_the_version_is_that_of_the_distribution() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert yieldsim.__version__ == project["version"]


def test_every_public_name_is_there() -> None:
    for name in yieldsim.__all__:
        assert getattr(yieldsim, name) is not None
        assert name in dir(yieldsim)
    assert {"read_design", "Settings", "yields", "rank", "actuation", "check", "signoff"} <= set(yieldsim.__all__)
    assert {"Design", "Parameter", "Condition", "InputError"} <= set(yieldsim.__all__)


def test_a_name_is_the_one_of_its_module() -> None:
    from yieldsim.analysis.yields import yields
    from yieldsim.words.errors import InputError

    assert yieldsim.yields is yields
    assert yieldsim.InputError is InputError


def test_other_names_are_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'yeilds'"):
        yieldsim.yeilds  # noqa: B018


def test_importing_the_package_imports_the_standard_library_alone() -> None:
    code = "import sys; before = set(sys.modules); import yieldsim; print(*sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert loaded - set(sys.stdlib_module_names) == {"yieldsim"}


def test_types_are_marked_as_shipped() -> None:
    assert (ROOT / "yieldsim" / "py.typed").is_file()

"""The compiled cache: hit when nothing changed, missed when any file of the kernel package was edited."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numba
import pytest

import yieldsim.kernel.compiled as compiled_module
from yieldsim.kernel.compiled import apart, compiled, entry_point, package_digest

LEAF = """
from .compiled import compiled

@compiled
def leaf(x):
    return {factor} * x
"""

ENTRY = """
from .compiled import entry_point
from .leaf import leaf

@entry_point
def twice(digest):
    def twice(x):
        _ = digest
        return 2.0 * leaf(x)
    return twice
"""

ASK = """
from kernelcopy.entry import twice
answer = twice(3.0)
stats = getattr(twice, "stats", None)
hits = -1 if stats is None else sum(stats.cache_hits.values())
print(answer, hits)
"""


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """Copy the whole kernel package and add a leaf and an entry point in files of their own."""
    folder = tmp_path / "kernelcopy"
    shutil.copytree(Path(compiled_module.__file__).parent, folder, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "__init__.py").write_text("")
    (folder / "leaf.py").write_text(LEAF.format(factor="5.0"))
    (folder / "entry.py").write_text(ENTRY)
    return folder


def ask(package: Path, *, disable: bool = False) -> tuple[float, int]:
    """Run the entry point in a fresh process; return its answer and the number of cache hits."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith("NUMBA_")}
    environment["NUMBA_CACHE_DIR"] = str(package.parent / "cache")
    environment["PYTHONPATH"] = str(package.parent)
    environment["PYTHONDONTWRITEBYTECODE"] = "1"
    if disable:
        environment["NUMBA_DISABLE_JIT"] = "1"
    done = subprocess.run(
        [sys.executable, "-c", ASK],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
        cwd=package.parent,
    )
    answer, hits = done.stdout.split()
    return float(answer), int(hits)


def test_cache_is_hit_without_an_edit_and_missed_after_one(package: Path) -> None:
    assert ask(package) == (30.0, 0)
    assert ask(package) == (30.0, 1)
    # The entry point's own file keeps its time stamp: only the leaf is edited.
    (package / "leaf.py").write_text(LEAF.format(factor="7.0"))
    assert ask(package) == (42.0, 0)
    assert ask(package) == (42.0, 1)


def test_the_closure_is_what_makes_the_edit_seen(package: Path) -> None:
    # Negative control: with the digest frozen, numba answers from the stale cache.
    source = (package / "compiled.py").read_text()
    frozen = source.replace("digest = package_digest()", "digest = 1")
    assert frozen != source
    (package / "compiled.py").write_text(frozen)
    assert ask(package) == (30.0, 0)
    (package / "leaf.py").write_text(LEAF.format(factor="7.0"))
    assert ask(package) == (30.0, 1)


def test_runs_without_compilation(package: Path) -> None:
    assert ask(package, disable=True) == (30.0, -1)


def test_entry_point_refuses_a_function_without_the_digest() -> None:
    def factory(digest: int):  # type: ignore[no-untyped-def]
        def bare(x: float) -> float:
            return x

        return bare

    with pytest.raises(TypeError, match="must close over the digest and nothing else"):
        entry_point(factory)


def test_digest_is_stable_within_a_process_and_fits_a_signed_word() -> None:
    assert package_digest() == package_digest()
    assert 0 <= package_digest() < 2**63


def test_division_by_zero_gives_infinity_not_an_exception() -> None:
    if os.environ.get("NUMBA_DISABLE_JIT") == "1":
        pytest.skip("plain Python raises ZeroDivisionError on floats")

    @compiled
    def reciprocal(x: float) -> float:
        return 1.0 / x

    assert reciprocal(0.0) == float("inf")


# ---- leaves that stay apart ----------------------------------------------------------------------------------------


def _twice(x: float) -> float:
    return 2.0 * x + 1.0


@pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="nothing is compiled")
@pytest.mark.parametrize(("decorator", "calls"), [(apart, 2), (compiled, 0)], ids=["apart", "compiled"])
def test_a_leaf_apart_is_called_and_never_written_into_its_callers(decorator: Any, calls: int) -> None:
    leaf = decorator(_twice)

    @numba.njit
    def caller(x: float) -> float:
        return leaf(x) + leaf(x * x)

    assert caller(3.0) == _twice(3.0) + _twice(9.0)
    (code,) = caller.inspect_llvm().values()
    body = code[code.index("define") :].split("\n}")[0]  # the first function is the caller itself
    assert len(re.findall(r"call .*_twice", body)) == calls


@pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="nothing is compiled")
def test_a_leaf_apart_has_the_arguments_of_its_function() -> None:
    leaf = apart(_twice)

    @numba.njit
    def wrong(x: float) -> float:
        return leaf(x, x)  # type: ignore[call-arg]

    with pytest.raises(numba.TypingError):
        wrong(1.0)

"""Whether a folder can take what is to be written, asked before anything is computed; imports nothing heavy."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from yieldsim.words.errors import Problem, WorkError

ANSWER = "result.json"
#: command -> what is put behind its name for each picture beside the first, in their order
CONVERGENCE = "convergence"  # picture of a result that was asked for its convergence
MORE: dict[str, tuple[str, ...]] = {
    "yield": ("ledger",),
    "actuation": ("ledger", "drawn"),
    "life": ("laws", "losses"),
}
#: command -> what is put behind its name for each table beside the first, where a result has it
MORE_TABLES: dict[str, tuple[str, ...]] = {"rank": ("slopes",)}


def refuse_unusable(folder: Path) -> None:
    """Refuse a folder that could not be written: a file is in its way, or its place takes no files.

    Nothing is left behind, and folders that are missing are not made.

    Raises
    ------
    WorkError : the folder cannot be written
    """
    try:
        if os.path.lexists(folder) and not folder.is_dir():
            raise WorkError(Problem(str(folder), None, None, "a file of this name exists", "name another folder"))
        for place in {_standing(folder.parent), _standing(folder)}:
            with tempfile.TemporaryDirectory(prefix=f".{folder.name}.", dir=place):
                pass
    except OSError as error:
        raise not_written(folder, error) from None


def refuse_foreign(folder: Path) -> None:
    """Refuse a folder that holds anything but an earlier report: replacing it deletes what is in it.

    Raises
    ------
    WorkError : the folder holds something else
    """
    if not folder.is_dir():
        return
    held = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir())
    written = _written_before(folder)
    foreign = [name for name in held if name not in written]
    if foreign:
        remedy = "move it away, or name another folder"
        raise WorkError(Problem(str(folder), None, foreign[0], "the folder holds a file that no report wrote", remedy))


def not_written(folder: Path, error: OSError) -> WorkError:
    """Return the error that says why a folder cannot be written."""
    reason = f"it cannot be written ({error.strerror or error})"
    return WorkError(Problem(str(folder), None, None, reason, "name a folder that can be written"))


def _standing(folder: Path) -> Path:
    """Return the folder, or the nearest one above it of which something exists."""
    while not os.path.lexists(folder) and folder != folder.parent:
        folder = folder.parent
    return folder


def _written_before(folder: Path) -> frozenset[str]:
    """Return the files of the report that lies in the folder, by its own list; none without a report."""
    try:
        answer = json.loads((folder / ANSWER).read_text(encoding="utf-8"))
        return frozenset(answer["files"]) if answer["command"] == "signoff" else frozenset()
    except (OSError, ValueError, KeyError, TypeError):
        return frozenset()

"""Writes the report of a sign-off: page, tables, pictures, the answer for machines, the configuration used.

Everything is written into a folder beside the one asked for, which takes its place when all of it is there.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from yieldsim.report.figures import figures_of, style
from yieldsim.report.folders import ANSWER, not_written, refuse_foreign, refuse_unusable
from yieldsim.report.page import page_of
from yieldsim.report.tables import tables_of, write_csv

if TYPE_CHECKING:
    from yieldsim.analysis.signoff import SignoffResult

PAGE = "index.html"


def write_report(result: SignoffResult, folder: Path) -> tuple[str, ...]:
    """Write the report into ``folder``, which must be new, empty, or an earlier report.

    Returns
    -------
    tuple of str : the files, relative to the folder, sorted

    Raises
    ------
    WorkError : the folder holds something else, or cannot be written
    """
    folder = Path(folder)
    refuse_unusable(folder)
    refuse_foreign(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        partial = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    except OSError as error:
        raise not_written(folder, error) from error
    try:
        files = _write_all(result, partial)
        os.chmod(partial, 0o755)
        _take_place(partial, folder)
    except OSError as error:
        raise not_written(folder, error) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
    return files


def configuration_name(result: SignoffResult) -> str:
    """Name of the configuration in the report: its own, or ``design.toml``."""
    source = result.design.source
    return source.name if source is not None and source.name not in (PAGE, ANSWER) else "design.toml"


def _write_all(result: SignoffResult, folder: Path) -> tuple[str, ...]:
    pictures = {name: (style.svg_of(figure), style.png_of(figure)) for name, figure in figures_of(result).items()}
    tables = tables_of(result)
    others = [f"tables/{name}.csv" for name in tables]
    others += [f"figures/{name}.{kind}" for name in pictures for kind in ("svg", "png")]
    others += [ANSWER, configuration_name(result)]
    files = tuple(sorted([PAGE, *others]))
    (folder / "tables").mkdir()
    (folder / "figures").mkdir()
    for name, table in tables.items():
        write_csv(table, folder / "tables" / f"{name}.csv")
    for name, (svg, png) in pictures.items():
        _write(folder / "figures" / f"{name}.svg", svg)
        (folder / "figures" / f"{name}.png").write_bytes(png)
    _write(folder / PAGE, page_of(result, {name: svg for name, (svg, _) in pictures.items()}, others))
    _write(
        folder / ANSWER,
        json.dumps(result.as_json(files), indent=1, ensure_ascii=False, allow_nan=False) + "\n",
    )
    _write(folder / configuration_name(result), result.design.text)
    return files


def _write(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8", newline="\n")


def _take_place(partial: Path, folder: Path) -> None:
    """Move the finished folder to where it belongs; an earlier report is deleted when the new one stands."""
    if not folder.exists():
        os.replace(partial, folder)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", dir=folder.parent))
    try:
        os.replace(folder, old / "old")
        try:
            os.replace(partial, folder)
        except OSError:
            os.replace(old / "old", folder)
            raise
    finally:
        shutil.rmtree(old, ignore_errors=True)

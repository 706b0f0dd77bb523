"""How a result leaves a command: text or JSON on standard output, files in a folder; and progress."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any

import click

from yieldsim.cli.options import METHODS
from yieldsim.cli.pipe import silence

if TYPE_CHECKING:
    from yieldsim.analysis.result import Result

Stages = Callable[[str, int, int], None]


def show(result: Result, as_json: bool, files: tuple[str, ...] = (), config: Path | None = None) -> None:
    """Print a result, and where its files are; ``config`` stands in the commands that open an actuation.

    With its files written a reader that has gone is no failure: the result keeps its exit code.
    """
    try:
        _print(result, as_json, files, config)
    except BrokenPipeError:
        if not files:
            raise
        silence()


def _print(result: Result, as_json: bool, files: tuple[str, ...], config: Path | None) -> None:
    if as_json:
        click.echo(json.dumps(result.as_json(files), ensure_ascii=False, allow_nan=False, indent=1))
        return
    from yieldsim.report.terminal import text_of

    click.echo(text_of(result, None if config is None else str(config)))
    context = click.get_current_context(silent=True)
    if context is not None and context.meta.get(METHODS):
        from yieldsim.report.methods import methods_text

        click.echo(methods_text(result))
    for file in files:
        click.echo(f"wrote {file}")


def refuse(folder: Path | None, command: str) -> None:
    """Refuse a folder that cannot take the files of a command, before anything is computed for them.

    Raises
    ------
    WorkError : the folder cannot be written, or a folder stands where a file would be put
    """
    if folder is None:
        return
    from yieldsim.report.folders import CONVERGENCE, MORE, MORE_TABLES, refuse_unusable
    from yieldsim.words.errors import Problem, WorkError

    refuse_unusable(folder)
    for file in _names(command, (*MORE.get(command, ()), CONVERGENCE), MORE_TABLES.get(command, ())):
        if (folder / file).is_dir():
            reason, remedy = "a folder stands where a file is to be written", "name another folder with --out"
            raise WorkError(Problem(str(folder), None, file, reason, remedy))


def _names(command: str, pictures: tuple[str, ...], tables: tuple[str, ...]) -> list[str]:
    """Names of the files of a command: table, picture, answer, then the pictures and tables beside the first."""
    beside = [f"{command}_{name}.{kind}" for name in pictures for kind in ("svg", "png")]
    beside += [f"{command}_{name}.csv" for name in tables]
    return [*(f"{command}.{kind}" for kind in ("csv", "svg", "png", "json")), *beside]


def write_files(result: Result, folder: Path | None) -> tuple[str, ...]:
    """Write a result as JSON, its table and its pictures into a folder; returns their paths.

    All of them are made beside the folder first, so that nothing half-written is left behind.

    Raises
    ------
    WorkError : the folder cannot be written
    """
    if folder is None:
        return ()
    from yieldsim.report.figures import figure_of, more_figures_of
    from yieldsim.report.figures.style import png_of, svg_of
    from yieldsim.report.tables import more_tables_of, table_of, write_csv

    figure = figure_of(result)
    svg, png = svg_of(figure), png_of(figure)
    more = more_figures_of(result)
    beside = [drawn for picture in more.values() for drawn in (svg_of(picture).encode(), png_of(picture))]
    table = table_of(result)
    tables = more_tables_of(result)
    files = _names(result.command, tuple(more), tuple(tables))
    paths = tuple((folder / file).as_posix() for file in files)
    with _writing(folder) as made:
        write_csv(table, made / files[0])
        (made / files[1]).write_text(svg, encoding="utf-8")
        (made / files[2]).write_bytes(png)
        for file, content in zip(files[4 : 4 + len(beside)], beside, strict=True):
            (made / file).write_bytes(content)
        for file, frame in zip(files[4 + len(beside) :], tables.values(), strict=True):
            write_csv(frame, made / file)
        text = json.dumps(result.as_json(tuple(files)), ensure_ascii=False, allow_nan=False, indent=1)
        (made / files[3]).write_text(f"{text}\n", encoding="utf-8")
        folder.mkdir(parents=True, exist_ok=True)
        for file in files:
            os.replace(made / file, folder / file)
    return paths


@contextmanager
def _writing(folder: Path) -> Iterator[Path]:
    """Give a temporary folder beside another; what fails in it is told as a work error naming the folder."""
    from yieldsim.words.errors import Problem, WorkError

    made: Path | None = None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        yield made
    except OSError as error:
        reason = f"it cannot be written ({error.strerror or error})"
        raise WorkError(Problem(str(folder), None, None, reason, "name another folder with --out")) from None
    finally:
        if made is not None:
            shutil.rmtree(made, ignore_errors=True)


@contextmanager
def progress() -> Iterator[Stages | None]:
    """Give a progress display on a terminal, None elsewhere: called with a stage, done, and of how much."""
    if not sys.stderr.isatty():
        yield None
        return
    bars: dict[str, Any] = {}

    def shown(stage: str, done: int, of: int) -> None:
        if stage not in bars:
            for bar in bars.values():
                bar.render_finish()
            bars[stage] = click.progressbar(length=of, label=stage, file=sys.stderr)
            bars[stage].render_progress()
        bars[stage].update(done - bars[stage].pos)

    try:
        yield shown
    finally:
        for bar in bars.values():
            bar.render_finish()

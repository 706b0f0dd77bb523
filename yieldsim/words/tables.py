"""The one door for delimited files: named columns of numbers, bounded in size, every fault in plain words."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from yieldsim.words.errors import InputError, Problem
from yieldsim.words.spelling import nearest

MAX_BYTES = 64_000_000
MAX_ROWS = 1_000_000
_SEPARATORS = ",;\t"
Fault = Callable[[str, str], InputError]  # (reason, remedy) -> error about this file


def read_columns(
    path: str | Path, columns: Iterable[str], *, base: Path | None, key: str, max_rows: int = MAX_ROWS
) -> dict[str, list[float]]:
    """Columns of a delimited text file with a header line.

    The separator (comma, semicolon or tab) is the one that the header holds most of. Numbers have a decimal
    point.

    Parameters
    ----------
    path : as the user wrote it; relative to ``base`` and below it, unless ``base`` is None
    columns : names in the header line
    base : folder below which the file must lie; None lifts that rule
    key : dotted path of the key that named the file, for the error
    max_rows : more rows than this are refused

    Returns
    -------
    dict : name -> numbers (n,), one a row, all finite

    Raises
    ------
    InputError : the file cannot be read, or a cell of these columns is not a finite number
    """
    wanted = list(columns)
    name = str(path)

    def fault(reason: str, remedy: str) -> InputError:
        return InputError(Problem(None, key, name, reason, remedy))

    text = _text_of(_located(path, base, fault), fault)
    header_line = text.partition("\n")[0]
    separator = max(_SEPARATORS, key=header_line.count)
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
    try:
        return _columns(reader, wanted, max_rows, fault)
    except csv.Error as error:
        raise fault(f"not a table ({error} in line {reader.line_num})", "give a CSV file with a header line") from None


def read_texts(path: str | Path, *, key: str, max_rows: int = MAX_ROWS) -> tuple[list[str], list[list[str]]]:
    """Header and cells of a delimited text file, as they are written; the separator as in `read_columns`.

    Parameters
    ----------
    path : as the user wrote it; anywhere
    key : of the option that named the file, for the error
    max_rows : more rows than this are refused

    Returns
    -------
    header, rows : names, and the cells of each row, stripped; rows without any text are left out

    Raises
    ------
    InputError : the file cannot be read, a header is missing or given twice, or a row has more or fewer cells
    """
    name = str(path)

    def fault(reason: str, remedy: str) -> InputError:
        return InputError(Problem(None, key, name, reason, remedy))

    text = _text_of(_located(path, None, fault), fault)
    separator = max(_SEPARATORS, key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
    try:
        lines = [[cell.strip() for cell in row] for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise fault(f"not a table ({error} in line {reader.line_num})", "give a CSV file with a header line") from None
    header, *rows = lines
    if "" in header or len(set(header)) < len(header):
        raise fault("its header line has an empty name, or one name twice", "name each column once")
    if not rows:
        raise fault("no rows below its header line", "give at least one row")
    if len(rows) > max_rows:
        raise fault(f"more than {max_rows:,} rows", "give fewer rows")
    for position, row in enumerate(rows, start=1):
        if len(row) != len(header):
            reason = f"row {position} below the header has {len(row)} cells, the header {len(header)}"
            raise fault(reason, "give one cell a column")
    return header, rows


def _columns(reader: Iterator[list[str]], wanted: list[str], max_rows: int, fault: Fault) -> dict[str, list[float]]:
    """Read row by row, so that what is refused is refused before more of it is held."""
    rows = (row for row in reader if any(cell.strip() for cell in row))
    header = [cell.strip() for cell in next(rows, [])]
    if not header:
        raise fault("the file is empty", "give a CSV file with a header line and numbers below it")
    for column in wanted:
        if header.count(column) != 1:
            state = "no column" if column not in header else "more than one column"
            raise fault(f'{state} "{column}" in its header line', nearest(column, header))
    places = [(header.index(column), column) for column in wanted]
    numbers: dict[str, list[float]] = {column: [] for column in wanted}
    position = 0
    for position, row in enumerate(rows, start=1):
        if position > max_rows:
            raise fault(f"more than {max_rows:,} rows", "give fewer rows")
        for index, column in places:
            numbers[column].append(_number(row, index, column, position, fault))
    if position == 0:
        raise fault("no rows below its header line", "give at least one row of numbers")
    return numbers


def _located(path: str | Path, base: Path | None, fault: Fault) -> Path:
    """Find the file on disk, below ``base``."""
    if base is None:
        return Path(path)
    folder = base.resolve()
    found = (folder / path).resolve()
    if Path(path).is_absolute() or not found.is_relative_to(folder):
        raise fault("the file lies outside the configuration's folder", "put it beside the configuration or below it")
    return found


def _text_of(path: Path, fault: Fault) -> str:
    try:
        if not path.is_file():
            raise fault("no such file", "check its name; files are named relative to the configuration")
        if path.stat().st_size > MAX_BYTES:
            raise fault(f"larger than {MAX_BYTES // 1_000_000} MB", "give a shorter file")
        data = path.read_bytes()
    except OSError as error:
        raise fault(f"it cannot be read ({error.strerror})", "check the file and its permissions") from None
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise fault("not a text file", "give a CSV file in UTF-8")
    if not text.strip():
        raise fault("the file is empty", "give a CSV file with a header line and numbers below it")
    return text.lstrip()


def _number(row: list[str], index: int, column: str, position: int, fault: Fault) -> float:
    cell = row[index].strip() if index < len(row) else ""
    try:
        number = float(cell.replace("\u2212", "-")) if "_" not in cell else math.nan
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        what = f'"{cell[:30]}"' if cell else "an empty cell"
        raise fault(
            f'{what} in column "{column}", row {position} below the header, is not a finite number',
            "write a number with a decimal point in every row",
        )
    return number

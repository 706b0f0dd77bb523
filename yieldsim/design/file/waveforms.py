"""A measured emf from its file: what a recording may look like, and what is refused in words."""

from __future__ import annotations

import re
from itertools import pairwise

from yieldsim.design.file.fields import Flawed, Reading, flaw
from yieldsim.design.file.sources import WaveformTable
from yieldsim.words.errors import InputError
from yieldsim.words.tables import read_columns

MAX_SAMPLES = 100_000
_PLACE = ("harvester", "emf_waveform")
# What stands at the end of a column's name and is plainly another unit: `time_ms`, `emf [mV]`, or columns confused
_VOLTS, _SECONDS = {"V", "mV", "uV", "\u00b5V", "kV"}, {"s", "ms", "us", "\u00b5s", "ns", "min"}
_NOT_SECONDS = (_SECONDS | _VOLTS | {"A", "mA"}) - {"s"}
_NOT_VOLTS = (_VOLTS | _SECONDS | {"mA"}) - {"V"}
_WORD = re.compile("[A-Za-z\u00b5\u03bc]+")


def read_waveform(table: WaveformTable, reading: Reading) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Read times [s] and emf [V] of a measured waveform.

    Raises
    ------
    Flawed : the file cannot be read, a column is named in another unit, or the samples are no waveform
    """
    if reading.folder is None:
        remedy = "read the configuration from a file, or say which folder its files are in"
        raise _refused(table, "a file is named, but the configuration has no folder", remedy)
    for key, column, wrong, due in (
        ("time", table.time, _NOT_SECONDS, "s"),
        ("emf", table.emf, _NOT_VOLTS, "V"),
    ):
        unit = _unit_in(column)
        if unit in wrong:
            reason = f"its name ends in {unit}, but the column is read in {due}"
            raise Flawed(flaw(*_PLACE, key, value=column, reason=reason, remedy=f"give a column in {due}"))
    try:
        columns = read_columns(
            table.file,
            [table.time, table.emf],
            base=reading.folder,
            key="harvester.emf_waveform.file",
            max_rows=MAX_SAMPLES,
        )
    except InputError as error:
        raise Flawed(
            *(flaw(*_PLACE, "file", value=table.file, reason=p.reason, remedy=p.remedy) for p in error.problems)
        ) from None
    time, emf = columns[table.time], columns[table.emf]
    fault = _fault(time, emf, table)
    if fault is not None:
        raise _refused(table, *fault)
    return tuple(time), tuple(emf)


def _refused(table: WaveformTable, reason: str, remedy: str) -> Flawed:
    return Flawed(flaw(*_PLACE, "file", value=table.file, reason=reason, remedy=remedy))


def _unit_in(column: str) -> str:
    """Return the last word of a column's name where something stands before it, as units do."""
    words = _WORD.findall(column)
    return words[-1].replace("\u03bc", "\u00b5") if len(words) > 1 else ""


def _fault(time: list[float], emf: list[float], table: WaveformTable) -> tuple[str, str] | None:
    """Tell what keeps samples from being a waveform: (reason, remedy)."""
    if len(time) < 2:
        return "a waveform has two samples or more", "give the whole pulse"
    if time[0] < 0.0:
        return f"its first time, {time[0]:g} s, lies before the release", "count the time from the release"
    for row, (before, after) in enumerate(pairwise(time), start=2):
        if after <= before:
            state = "is given twice" if after == before else f"lies before the one above it, {before:g} s"
            reason = (
                f'the times in column "{table.time}" do not rise: in row {row} below the header {after:g} s {state}'
            )
            return reason, "sort the rows by time, each time once"
    if not any(emf):
        return f'the emf in column "{table.emf}" is 0 throughout', "give the open-circuit emf in V"
    return None

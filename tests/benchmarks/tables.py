"""Medians, 99 % and largest errors of the rows of `accuracy`, as JSON and as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

Row = dict[str, Any]
UNITS = {"reserve": (1e3, "mV"), "start_margin": (1e3, "mV"), "run_margin": (1e3, "mV"), "start_time": (1e6, "us")}


def spread(values: Sequence[float | None]) -> Row:
    """Number, median, 99 % and largest of the magnitudes; a number that is not finite counts as infinite."""
    found = np.abs([value for value in values if value is not None])
    found = np.where(np.isfinite(found), found, np.inf)
    if not found.size:
        return {"n": 0}
    return {
        "n": int(found.size),
        "median": float(np.median(found)),
        "q99": float(np.quantile(found, 0.99, method="higher")),
        "largest": float(found.max()),
    }


def group(rows: Sequence[Row], answers: Sequence[str]) -> Row:
    solved = [row for row in rows if "unsolved" not in row]
    other = [row for row in solved if row.get("decided") and row["outcome"] != row["kernel_outcome"]]
    return {
        "designs": len(rows),
        "unsolved": len(rows) - len(solved),
        "undecided": sum(not row.get("decided", True) for row in solved),
        "other_outcome": len(other),
        "other_outcomes": [[row["source"], row["regulator"], row["index"]] for row in other],
        **{name: spread([row.get(name) for row in solved]) for name in answers},
    }


def summary(rows: Sequence[Row], answers: Sequence[str]) -> Row:
    """Groups by source, by regulator and by both, and the banks."""
    kernel = [row for row in rows if row["about"] == "kernel"]
    banks = [row for row in rows if row["about"] == "bank" and "unsolved" not in row]

    def by(key: Callable[[Row], str]) -> Row:
        names = dict.fromkeys(map(key, kernel))
        return {name: group([row for row in kernel if key(row) == name], answers) for name in names}

    return {
        "source": by(lambda row: row["source"]),
        "regulator": by(lambda row: row["regulator"]),
        "both": by(lambda row: f"{row['source']}, {row['regulator']}"),
        "all": group(kernel, answers),
        "started": group([row for row in kernel if not row.get("forced")], answers),
        "banks": {name: spread([row[name] for row in banks]) for name in answers if name != "start_time"},
    }


def _cells(group: Row, name: str) -> str:
    scale, _ = UNITS[name]
    if not group[name]["n"]:
        return "–"
    return " / ".join(f"{scale * group[name][key]:.2g}" for key in ("median", "q99", "largest"))


def _table(title: str, groups: Row) -> list[str]:
    heads = [f"{name.replace('_', ' ')} [{unit}]" for name, (_, unit) in UNITS.items()]
    lines = [
        f"| {title} | designs | undecided | other outcome | {' | '.join(heads)} |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, found in groups.items():
        cells = " | ".join(_cells(found, answer) for answer in UNITS)
        counts = f"{found['designs']} | {found['undecided']} | {found['other_outcome']}"
        lines.append(f"| {name} | {counts} | {cells} |")
    return [*lines, ""]


def markdown(told: Row) -> str:
    """The tables as a page."""
    at = told["circumstances"]
    lines = [
        "# Accuracy of the compiled physics",
        "",
        "Magnitude of the error against an independent integration (tolerance 1e-10): median / 99 % / largest.",
        "Undecided: a millivolt decides the outcome; it is then not compared, nor are the numbers where it decides how "
        "the actuation goes on. Other outcome: decided, and the two differ.",
        "",
        f"Accuracy asked: {1e3 * at['accuracy']:g} mV. Package {at['mark']}, seed {at['seed']}, Python {at['python']}, "
        f"NumPy {at['numpy']}, SciPy {at['scipy']}, Numba {at['numba']}, {at['machine']}.",
        "",
        *_table("source", told["source"]),
        *_table("regulator", told["regulator"]),
        *_table("source and regulator", told["both"]),
        *_table("", {"all": told["all"], "all that started": told["started"]}),
        "## A straight line for a junction",
        "",
        "Error of the store's peak voltage with the regulator off, two junctions in series, against the exponential "
        "law V_F = a ln(1 + I/I_s) through the same points [mV].",
        "",
        "| junction | source | short-circuit peak [mA] | peak [V] | through 1 and 100 mA | through 10 and 100 mA "
        "| fitted by charge |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in told["diodes"]:
        errors = " | ".join(f"{1e3 * error:+.2f}" for error in row["errors"].values())
        current = f"{1e3 * row['peak_current']:.3g}"
        lines.append(f"| {row['junction']} | {row['source']} | {current} | {row['peak']:.3f} | {errors} |")
    lines += ["", "## One voltage for a bank", "", _banks(told["banks"]), ""]
    return "\n".join(lines)


def _banks(banks: Row) -> str:
    told = [
        f"{name.replace('_', ' ')} {' / '.join(f'{1e3 * found[key]:.2g}' for key in ('median', 'q99', 'largest'))} mV"
        for name, found in banks.items()
        if found["n"]
    ]
    if not told:
        return "No bank was run."
    count = max(found["n"] for found in banks.values())
    return (
        "Error of one voltage behind the parallel ESR against capacitors that each keep a voltage of their own behind "
        f"their own ESR (0.01 to 1 ohm, unlike by chance), {count} random banks: {'; '.join(told)}."
    )

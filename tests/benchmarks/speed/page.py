"""The rows as a page."""

from __future__ import annotations

from typing import Any

Told = dict[str, Any]
HEAD = "| what | measured | x normal | to reach | aim | met | error of reserve / start margin [mV] | how |"


def markdown(told: Told) -> str:
    """All groups as one table, with the machine above it."""
    at = told["circumstances"]
    idle = at["calibrations"]
    lines = [
        "# Speed",
        "",
        f"{at['processor']}, {at['cores']} cores, {at['memory_GB']:.0f} GB; Python {at['python']}, "
        + ", ".join(f"{name} {number}" for name, number in at["versions"].items())
        + f". Package {at['mark']}, commit {at['commit'][:12]}, {at['when']}.",
        f"Load before the run {at['load']:.2f}" + (f"; {_idle(idle)}." if idle else "."),
        "",
        "A ratio is the median of what was measured in turns. x normal: the time of one actuation over that of one "
        "normal number of numpy's generator, measured in the same turns. Errors are the largest of a sample, against "
        "an independent integration at a tolerance of 1e-10.",
        "",
        HEAD,
        "| --- | ---: | ---: | ---: | ---: | --- | ---: | --- |",
    ]
    for group in told["groups"].values():
        lines += [_line(row) for row in group["rows"]]
    return "\n".join([*lines, ""])


def _idle(calibrations: list[dict[str, float]]) -> str:
    ratios = [c["two_over_one"] for c in calibrations]
    return f"a fixed loop twice on two threads over once on one: {min(ratios):.2f} to {max(ratios):.2f}"


def _line(row: Told) -> str:
    measured = "not measured" if row["value"] is None else shown(row["value"], row["unit"])
    yardstick = "" if row["yardstick"] is None else f"{row['yardstick']:.3g}"
    sign = "≥" if row["more"] else "≤"
    goal = "" if row["goal"] is None else f"{sign} {shown(row['goal'], row['unit'])}"
    aim = "" if row["aim"] is None else shown(row["aim"], row["unit"])
    met = {True: "yes", False: "no", None: ""}[row["met"]]
    errors = row["errors"]
    error = "" if errors is None else f"{errors['reserve_mV']:.2g} / {errors['start_margin_mV']:.2g}"
    return f"| {row['name']} | {measured} | {yardstick} | {goal} | {aim} | {met} | {error} | {row['note']} |"


def shown(value: float, unit: str) -> str:
    """A number with its unit, to three digits."""
    if unit == "1/s":
        return f"{float(f'{value:.3g}'):,.0f} /s"
    if unit == "x":
        return f"{float(f'{value:.3g}'):,g} ×"
    return f"{value:.3g} {unit}"

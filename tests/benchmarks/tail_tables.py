"""The tables of `tails` and `regions` as Markdown."""

from __future__ import annotations

from typing import Any

Row = dict[str, Any]


def _limit(case: Row) -> float:
    return 3.0 if case["regions"] == 1 else 6.0


def _slip(case: Row) -> float:
    """Three standard errors of a coverage of 93 %."""
    return float(3.0 * (0.93 * 0.07 / case["repeats"]) ** 0.5)


def _verdict(name: str, case: Row) -> str:
    """What is not met, allowing three standard errors of the measurement where it is one."""
    said = []
    if case["coverage"] < 0.93 - _slip(case):
        said.append("coverage")
    if abs(case["bias"]) > 0.02 + 3.0 * case["bias_error"]:
        said.append("bias")
    if case["unit_cov"] > _limit(case):
        said.append("unit CoV")
    return ", ".join(said) or "met"


def cases_table(cases: Row) -> list[str]:
    lines = [
        "| limit state | truth | repeats | bias | coverage | calls | CoV | unit CoV | flagged | method | |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, case in cases.items():
        method = ", ".join(f"{key} {count}" for key, count in case["methods"].items())
        lines.append(
            f"| {name} | {case['truth']:.6g} | {case['repeats']} | {case['bias']:+.2%} ± {case['bias_error']:.2%} "
            f"| {case['coverage']:.1%} | {case['calls']:,.0f} | {case['cov']:.2%} | {case['unit_cov']:.2f} "
            f"| {case['flagged']:.0%} | {method} | {_verdict(name, case)} |"
        )
    return lines


def pooled_lines(cases: Row) -> list[str]:
    """Coverage of all cases together, and what was measured below the target whatever chance explains."""
    repeats = sum(case["repeats"] for case in cases.values())
    held = sum(case["coverage"] * case["repeats"] for case in cases.values()) / repeats
    below = [f"{name} ({case['coverage']:.1%})" for name, case in cases.items() if case["coverage"] < 0.93]
    slip = (0.95 * 0.05 / (repeats / len(cases))) ** 0.5
    return [
        f"All cases together: {held:.1%} of {repeats:,} intervals cover. Measured below 93 %: "
        f"{', '.join(below) or 'none'}; the standard error of one row is about {slip:.1%}.",
    ]


def peers_table(cases: Row, peers: Row) -> list[str]:
    """Calls of each peer at our empirical CoV, as a multiple of ours, and whether its interval covers."""
    lines = [
        "| limit state | method | bias | coverage | calls | CoV | unit CoV | calls over ours at equal CoV | failed |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, methods in peers.items():
        own = cases[name]
        lines.append(
            f"| {name} | **yieldsim** | {own['bias']:+.1%} | {own['coverage']:.0%} | {own['calls']:,.0f} "
            f"| {own['cov']:.2%} | {own['unit_cov']:.2f} | 1 | |"
        )
        for peer, row in methods.items():
            if "cov" not in row:
                lines.append(f"| | {peer} | | | | | | | {row['failed']} |")
                continue
            ratio = (row["unit_cov"] / own["unit_cov"]) ** 2
            covers = "" if row["coverage"] >= 0.93 - _slip(row) else " (does not cover)"
            lines.append(
                f"| | {peer} | {row['bias']:+.1%} | {row['coverage']:.0%}{covers} | {row['calls']:,.0f} "
                f"| {row['cov']:.2%} | {row['unit_cov']:.2f} | {ratio:.3g} | |"
            )
    return lines


def map_lines(row: Row) -> list[str]:
    return [
        f"{row['cells']} conditions of the node, {row['repeats']} repeats, probabilities from "
        f"{row['probabilities'][0]:.2g} to {row['probabilities'][1]:.2g}, 10 % asked for: {row['mean_calls']:.0f} "
        f"calls for each condition beyond the first in the mean, {row['most_calls']} at the most, more than 500 in "
        f"{row['over']:.1%}; root mean square error {row['root_mean_square_error']:.1%}, mean error "
        f"{row['mean_error']:+.1%}, coverage {row['coverage']:.0%} over {row['compared']} compared; "
        f"{row['flagged']} flagged."
    ]


def markdown(told: Row) -> str:
    about = told["circumstances"]
    lines = [
        "# Failure probabilities in the tail",
        "",
        f"Made by `python -m tests.benchmarks.tails --size {about['size']} --repeats {about['repeats']} "
        f"--peer-repeats {about['peer_repeats']}`: {about['repeats']} repeats of every case, "
        f"{about['peer_repeats']} of every peer; code {about['mark']}, numpy "
        f"{about['numpy']}, scipy {about['scipy']}. To reach: coverage of 95 % intervals at least 93 %, bias below "
        f"2 %, unit CoV at most 3 for one failure region and 6 for more; the last column says what was not met beyond "
        f"the error of the measurement.",
        "",
        *cases_table(told["cases"]),
        "",
        *pooled_lines(told["cases"]),
        "",
        "## At equal empirical CoV",
        "",
        *(peers_table(told["cases"], told["peers"]) if told["peers"] else ["OpenTURNS was not installed."]),
        "",
        "## A map of conditions",
        "",
        *map_lines(told["map"]),
        "",
    ]
    return "\n".join(lines)


def regions_markdown(told: Row) -> str:
    about, rows = told["circumstances"], told["off"]
    lines = [
        "# Regions that may be missed",
        "",
        f"Made by `python -m tests.benchmarks.regions --size {about['size']}`; code {about['mark']}. "
        f"{told['problems']} planted problems of seed {about['seed']}: {told['wrong_unflagged']} unflagged answers "
        f"off by more than 20 % ({told['wrong_unflagged'] / told['problems']:.1%}; to reach: at most 1 %), "
        f"{told['wrong_flagged']} flagged ones; {told['good_flagged']} of {told['good']} good answers flagged "
        f"({told['good_flagged'] / max(told['good'], 1):.1%}; to reach: at most 10 %). Median error "
        f"{told['median_error']:.2%}, intervals cover {told['coverage']:.1%} (a region with less than 2 % of the "
        f"probability may be left out, which the interval does not know), {told['calls']:,.0f} calls in the mean.",
        "",
        "| problem | dimensions | regions | truth | answer over truth | flag |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        lines.append(
            f"| {row['key']} | {row['dimension']} | {row['regions']} | {row['truth']:.3g} | {row['ratio']:.3f} "
            f"| {row['flag'] or ''} |"
        )
    return "\n".join([*lines, ""])

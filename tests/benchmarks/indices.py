"""Error, coverage and cost of sensitivity indices, and of the ranking of causes of failure.

    python -m tests.benchmarks.indices [--small]

compares `yieldsim.estimate.indices` with scipy, SALib and OpenTURNS at the same evaluations, and measures how often
`yieldsim.estimate.failure_ranking` names the three strongest causes from failing samples. Needs the extra
``benchmark``. Results go to ``results/indices.json`` and ``indices.md`` (small: ``indices-small``); rows are kept as
they come, and rows measured with other code are measured again.
"""

from __future__ import annotations

import argparse
import json
import time
import tracemalloc
from typing import Any

import numpy as np

from tests.benchmarks.failing_samples import FAILURES, draw, truth_of
from tests.benchmarks.index_cases import CASES, PEERS, IndexCase
from tests.benchmarks.resumable import RESULTS, Row, Store, circumstances, digest_of
from yieldsim.estimate.failure_ranking import rank_failures
from yieldsim.estimate.indices import sobol_indices

MEASURED = [
    f"yieldsim/estimate/{name}.py" for name in ("failure_ranking", "indices", "orthonormal", "owen", "rank_stability")
] + [f"tests/benchmarks/{name}.py" for name in ("failing_samples", "index_cases", "indices")]
SEED = 20261125
REPLICATES = 8
POINTS = {"small": (10, 12), "full": (10, 12, 14)}
#: Repeats (ours, peers) by the logarithm of the points.
REPEATS = {"small": {10: (100, 40), 12: (40, 16)}, "full": {10: (400, 100), 12: (200, 60), 14: (100, 30)}}
RANKINGS = {"small": 200, "full": 1000}


def rms(errors: list[np.ndarray]) -> float:
    return float(np.sqrt(np.mean(np.square(errors))))


# --- rows -----------------------------------------------------------------------------------------------------


def measure_indices(key: str, size: str) -> Row:
    """Error of every library and coverage of our intervals, for one function and number of points."""
    name, log_points = key.rsplit(" 2^", 1)
    case, n = CASES[name], 1 << int(log_points)
    ours, peers = REPEATS[size][int(log_points)]
    row = own_indices(case, n, ours)
    for peer, estimate in PEERS.items():
        found = [estimate(case, n, SEED + k) for k in range(peers)]
        row[peer] = [rms([a - case.first for a, _ in found]), rms([b - case.total for _, b in found])]
    best = [min(row[peer][j] for peer in PEERS) for j in (0, 1)]
    return row | {"best_peer": best, "ratio": [row["error"][j] / best[j] for j in (0, 1)], "peer_repeats": peers}


def own_indices(case: IndexCase, n: int, repeats: int) -> Row:
    each = [[i] for i in range(case.dimension)]
    found = [
        sobol_indices(case.function, case.dimension, each, n // REPLICATES, REPLICATES, [SEED, k])
        for k in range(repeats)
    ]
    truths = (("first", case.first), ("total", case.total))
    return {
        "repeats": repeats,
        "error": [rms([getattr(r, which) - truth for r in found]) for which, truth in truths],
        "coverage": [
            float(np.mean([(getattr(r, f"{w}_low") <= truth) & (truth <= getattr(r, f"{w}_high")) for r in found]))
            for w, truth in truths
        ],
        "half_width": [
            float(np.mean([getattr(r, f"{w}_high") - getattr(r, f"{w}_low") for r in found])) / 2.0 for w, _ in truths
        ],
    }


def measure_cost(key: str, size: str) -> Row:
    """Time besides the model and peak memory at d = 20, n = 2**14, intervals included; fastest of five."""
    case, n = CASES["g (20)"], 1 << 14
    each = [[i] for i in range(case.dimension)]
    spent = [0.0]

    def timed(u: np.ndarray) -> np.ndarray:
        begin = time.perf_counter()
        y = case.function(u)
        spent[0] += time.perf_counter() - begin
        return y

    seconds = []
    for _ in range(5):
        spent[0], begin = 0.0, time.perf_counter()
        sobol_indices(timed, case.dimension, each, n // REPLICATES, REPLICATES, SEED)
        seconds.append(time.perf_counter() - begin - spent[0])
    tracemalloc.start()
    sobol_indices(case.function, case.dimension, each, n // REPLICATES, REPLICATES, SEED)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return {"besides_model_s": min(seconds), "peak_MB": peak / 1e6}


def measure_failures(key: str, size: str) -> Row:
    """How often the three strongest causes are named, in order; ties count as neither."""
    case = FAILURES[key]
    truth = truth_of(case)
    strongest = list(np.argsort(-truth, kind="stable")[:3])
    rng = np.random.default_rng([SEED, sum(map(ord, key))])
    found = [rank_failures(*draw(case, rng)) for _ in range(RANKINGS[size])]
    right = np.array([list(r.order[:3]) == strongest for r in found])
    tied = np.array([bool(r.tied[:3].any()) for r in found])
    none = truth < 1e-9
    return {
        "repeats": len(found),
        "right": float(right.mean()),
        "wrong_untied": float(np.mean(~right & ~tied)),
        "tied": float(tied.mean()),
        "coverage": float(np.mean([(r.low <= truth + 1e-12) & (truth <= r.high) for r in found])),
        "false_influence": float(np.mean([r.influences[none].any() for r in found])) if none.any() else None,
        "effective": float(np.mean([r.effective for r in found])),
        "least_gap": float(np.min(truth[strongest] / np.sort(truth)[::-1][1:4]) - 1.0),
    }


# --- the page -------------------------------------------------------------------------------------------------


def markdown(told: Row) -> str:
    """The tables as a page."""
    at = told["circumstances"]
    lines = [
        "# Sensitivity indices and causes of failure",
        "",
        f"Code {at['mark']}, seed {at['seed']}, Python {at['python']}, NumPy {at['numpy']}, SciPy {at['scipy']}, SALib "
        f"{at['SALib']}, OpenTURNS {at['openturns']}, {at['machine']}.",
        "",
        "Root mean square error over all indices, first order / total, at n (d + 2) evaluations; share [%] of our 95 % "
        "intervals, averaged over inputs, that hold the truth.",
        "",
        f"| function, points | ours | {' | '.join(PEERS)} | ours over best | coverage |",
        "| --- |" + " --- |" * (len(PEERS) + 3),
    ]
    for row in told["indices"]:
        cells = " | ".join("{:.2g} / {:.2g}".format(*row[name]) for name in ("error", *PEERS))
        ratio = "{:.2f} / {:.2f}".format(*row["ratio"])
        coverage = " / ".join(f"{100.0 * value:.1f}" for value in row["coverage"])
        lines.append(f"| {row['key']} | {cells} | {ratio} | {coverage} |")
    cost = told["cost"][0]
    lines += [
        "",
        f"Twenty inputs, 2^14 points: {cost['besides_model_s']:.2f} s besides the model, {cost['peak_MB']:.0f} MB.",
        "",
        "Causes of failure from failing samples alone [% of repeats]: *right*, the three strongest named in order; "
        "*tied*, neighbours among the first four not told apart; *wrong*, another order without a tie declared; "
        "*false*, any of the inputs without influence said to have one.",
        "",
        "| samples | effective | right | tied | wrong | coverage | false |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in told["failures"]:
        shares = " | ".join(f"{100.0 * row[name]:.1f}" for name in ("right", "tied", "wrong_untied", "coverage"))
        false = "–" if row["false_influence"] is None else f"{100.0 * row['false_influence']:.1f}"
        lines.append(f"| {row['key']} | {row['effective']:.0f} | {shares} | {false} |")
    return "\n".join([*lines, ""])


def main() -> None:
    from importlib.metadata import version

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--small", action="store_true", help="fewer points and repeats, a few minutes")
    size = "small" if parser.parse_args().small else "full"
    name = "indices-small" if size == "small" else "indices"
    mark = digest_of(MEASURED)
    store = Store(RESULTS / f"{name}.rows.jsonl", f"{mark} {size}")
    keys = [f"{case} 2^{points}" for points in POINTS[size] for case in CASES]
    causes = [key for key, case in FAILURES.items() if case.small or size == "full"]
    told: dict[str, Any] = {
        "cost": store.measure(["cost"], lambda key: measure_cost(key, size)),
        "failures": store.measure(causes, lambda key: measure_failures(key, size)),
        "indices": store.measure(keys, lambda key: measure_indices(key, size)),
        "circumstances": circumstances(mark, seed=SEED, **{lib: version(lib) for lib in ("SALib", "openturns")}),
    }
    (RESULTS / f"{name}.json").write_text(json.dumps(told, indent=1) + "\n")
    (RESULTS / f"{name}.md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

"""Failure probabilities in the tail: bias, coverage and unit coefficient of variation, against general libraries.

    python -m tests.benchmarks.tails                 # small: 40 repeats a case, 10 of each peer
    python -m tests.benchmarks.tails --size full     # 300 repeats a case, 10 of each peer, resumable
    python -m tests.benchmarks.tails --size full --repeats 1000 --peer-repeats 100

Each case is answered again and again with other seeds and compared with a probability that was computed without
the code measured (`limit_states`). "Unit CoV" is the empirical coefficient of variation times the square root of
all calls, searches and explorations included: calls for a coefficient c are (unit CoV / c)². Peers are OpenTURNS'
methods at their defaults or at the settings named; they are left out when it is not installed. A map of 50
conditions is answered in turn, each from what the one before had learnt.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.limit_states import Case, published_cases, standard_cases
from tests.benchmarks.resumable import RESULTS, ROOT, Store, circumstances, digest_of
from tests.benchmarks.tail_map import map_row
from yieldsim.estimate.tails import failure_probability

Row = dict[str, Any]
#: Repeats of a case, of a peer, of the map.
SIZES = {"small": (40, 10, 3), "full": (300, 10, 20)}
BATCH = {"small": 40, "full": 25}
PEER_CASES = (0, 2, 4, 6, 8, 10)


def tails_mark() -> str:
    """Digest of the code that is measured and of the problems it is measured on."""
    files = [str(path.relative_to(ROOT)) for path in (ROOT / "yieldsim/estimate/tails").glob("*.py")]
    return digest_of([*files, "tests/benchmarks/limit_states.py", "tests/benchmarks/truths.py"])


def truth_mark() -> str:
    return digest_of(["tests/benchmarks/limit_states.py", "tests/benchmarks/truths.py"])


def answer_row(case: Case, seeds: range) -> Row:
    """Answers of a case with each of the seeds."""
    told: dict[str, list[Any]] = {name: [] for name in ("p", "low", "high", "calls", "method", "flagged")}
    for seed in seeds:
        answer = failure_probability(case.function, case.dimension, seed=seed)
        told["p"].append(answer.probability)
        told["low"].append(answer.low)
        told["high"].append(answer.high)
        told["calls"].append(answer.calls)
        told["method"].append(answer.method)
        told["flagged"].append(answer.flag is not None)
    return told


def joined(rows: list[Row], truth: float) -> Row:
    """Bias, coverage and unit CoV of all repeats of a case."""
    p, low, high, calls = (np.concatenate([row[name] for row in rows]) for name in ("p", "low", "high", "calls"))
    flagged = np.concatenate([row["flagged"] for row in rows])
    methods = [name for row in rows for name in row["method"]]
    cov = float(p.std(ddof=1) / truth)
    return {
        "truth": truth,
        "repeats": int(p.size),
        "bias": float(p.mean() / truth - 1.0),
        "bias_error": cov / float(np.sqrt(p.size)),
        "cov": cov,
        "coverage": float(np.mean((low <= truth) & (truth <= high))),
        "calls": float(calls.mean()),
        "unit_cov": cov * float(np.sqrt(calls.mean())),
        "flagged": float(flagged.mean()),
        "methods": {name: methods.count(name) for name in sorted(set(methods))},
    }


def run(size: str, folder: Path, repeats: int, peer_repeats: int) -> Row:
    """All rows asked for, those kept from before included."""
    cases = standard_cases() + published_cases()
    by_name = {case.name: case for case in cases}
    truths = {
        row["key"]: row["truth"]
        for row in Store(folder / "tails.truths.jsonl", truth_mark()).measure(
            list(by_name), lambda key: {"truth": by_name[key].truth()}
        )
    }
    store = Store(folder / "tails.rows.jsonl", tails_mark())
    batch = BATCH[size]
    keys = [f"{case.name}|{start}|{batch}" for start in range(0, repeats, batch) for case in cases]

    def work(key: str) -> Row:
        name, start, count = key.split("|")
        return answer_row(by_name[name], range(int(start), int(start) + int(count)))

    rows = store.measure(keys, work)
    told = {
        name: joined([row for row in rows if row["key"].split("|")[0] == name], truths[name])
        | {"regions": case.regions}
        for name, case in by_name.items()
    }
    return {
        "cases": told,
        "peers": _peers(cases, truths, peer_repeats, folder, size == "full"),
        "map": map_row(50, seeds=SIZES[size][2]),
    }


def _peers(cases: list[Case], truths: dict[str, float], repeats: int, folder: Path, full: bool) -> Row:
    """Each method of OpenTURNS on the cases that the comparison is about; empty when it is not installed."""
    try:
        from tests.benchmarks.tail_peers import PEERS, SLOW, peer_row
    except ImportError:
        print("openturns is not installed: no peers")
        return {}
    mark = digest_of([f"tests/benchmarks/{name}.py" for name in ("tail_peers", "limit_states", "truths")])
    chosen = {cases[i].name: cases[i] for i in PEER_CASES}
    keys = [f"{name}|{peer}|{repeats}" for name in chosen for peer in PEERS if full or peer not in SLOW]

    def work(key: str) -> Row:
        name, peer, count = key.split("|")
        return peer_row(chosen[name], peer, int(count))

    rows = Store(folder / "tails.peers.jsonl", mark).measure(keys, work)
    told: Row = {}
    for row in rows:
        name, peer, _ = row["key"].split("|")
        told.setdefault(name, {})[peer] = joined([row], truths[name]) if row["p"] else {"failed": row["failed"]}
    return told


def main() -> None:
    from tests.benchmarks.tail_tables import markdown

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", choices=list(SIZES), default="small")
    parser.add_argument("--repeats", type=int, help="of each case, in whole batches of 40 (small) or 25 (full)")
    parser.add_argument("--peer-repeats", type=int, help="of each peer")
    parser.add_argument("--folder", type=Path, default=RESULTS)
    arguments = parser.parse_args()
    batch, (repeats, peer_repeats, _) = BATCH[arguments.size], SIZES[arguments.size]
    repeats, peer_repeats = arguments.repeats or repeats, arguments.peer_repeats or peer_repeats
    if repeats < batch or repeats % batch:
        parser.error(f"--repeats {repeats}: a multiple of {batch} is needed")
    told = run(arguments.size, arguments.folder, repeats, peer_repeats) | {
        "circumstances": circumstances(tails_mark(), size=arguments.size, repeats=repeats, peer_repeats=peer_repeats)
    }
    name = "tails" if arguments.size == "full" else f"tails-{arguments.size}"
    (arguments.folder / f"{name}.json").write_text(json.dumps(told, indent=1) + "\n")
    (arguments.folder / f"{name}.md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

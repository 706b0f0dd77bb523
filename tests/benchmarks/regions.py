"""Are regions missed? Problems with 1 to 8 failure regions planted in 5 to 50 dimensions.

    python -m tests.benchmarks.regions                 # small: the first 60 problems
    python -m tests.benchmarks.regions --size full     # all 300, resumable

The problems (`planted`) are drawn from seed 20261125. An answer is wrong when it is off by more than 20 %.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.planted import planted_problem
from tests.benchmarks.resumable import RESULTS, ROOT, Store, circumstances, digest_of
from tests.benchmarks.tail_tables import regions_markdown
from yieldsim.estimate.tails import failure_probability

SEED = 20261125
SIZES = {"small": 60, "full": 300}
Row = dict[str, Any]


def mark() -> str:
    """Digest of the code that is measured and of the problems."""
    files = [str(path.relative_to(ROOT)) for path in (ROOT / "yieldsim/estimate/tails").glob("*.py")]
    return digest_of([*files, "tests/benchmarks/planted.py"])


def problem_row(key: str, seed: int = SEED) -> Row:
    """The answer to one problem beside its truth."""
    index = int(key)
    problem = planted_problem(seed, index)
    truth, error = problem.truth(np.random.default_rng([seed, index, 1]))
    answer = failure_probability(problem, problem.dimension, seed=index)
    return {
        "dimension": problem.dimension,
        "regions": len(problem.regions),
        "truth": truth,
        "truth_error": error,
        "ratio": answer.probability / truth,
        "holds": bool(answer.low <= truth <= answer.high),
        "calls": answer.calls,
        "method": answer.method,
        "flag": answer.flag,
        "note": answer.note,
        "subset_ratio": answer.agreement[-1].probability / truth,
    }


def summary(rows: list[Row]) -> Row:
    """Counts of wrong and flagged answers, and the problems they belong to."""
    wrong = [row for row in rows if abs(row["ratio"] - 1.0) > 0.2]
    good = [row for row in rows if abs(row["ratio"] - 1.0) <= 0.2]
    return {
        "problems": len(rows),
        "wrong_unflagged": sum(row["flag"] is None for row in wrong),
        "wrong_flagged": sum(row["flag"] is not None for row in wrong),
        "good": len(good),
        "good_flagged": sum(row["flag"] is not None for row in good),
        "median_error": float(np.median([abs(row["ratio"] - 1.0) for row in rows])),
        "coverage": float(np.mean([row["holds"] for row in rows])),
        "calls": float(np.mean([row["calls"] for row in rows])),
        "off": [row for row in rows if row["flag"] is not None or abs(row["ratio"] - 1.0) > 0.1],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--size", choices=list(SIZES), default="small")
    parser.add_argument("--folder", type=Path, default=RESULTS)
    arguments = parser.parse_args()
    store = Store(arguments.folder / "regions.rows.jsonl", mark())
    rows = store.measure([str(index) for index in range(SIZES[arguments.size])], problem_row)
    told = summary(rows) | {"circumstances": circumstances(mark(), size=arguments.size, seed=SEED)}
    name = "regions" if arguments.size == "full" else f"regions-{arguments.size}"
    (arguments.folder / f"{name}.json").write_text(json.dumps(told, indent=1) + "\n")
    (arguments.folder / f"{name}.md").write_text(regions_markdown(told))
    print(regions_markdown(told))


if __name__ == "__main__":
    main()

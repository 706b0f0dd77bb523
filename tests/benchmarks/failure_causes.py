"""How often a ranking of the causes of failure names the three strongest, with the failing samples that a run collects.

    python -m tests.benchmarks.failure_causes [--repeats N]

The two limit states of `failing_samples`, whose influences are known, at failure probabilities from 1e-2 to 1e-6.
Failing samples are collected as `yieldsim.analysis.ranking_of_failure` does at the effort that it has when nothing else
is said: plain actuations until 500 have failed, 131,072 at the most; where fewer than 300 of these fail, those of a
tail search with its target and budget. Some rows show what plain samples alone would give. Results go to
``results/failure_causes.json`` and ``failure_causes.md``; rows are kept as they come, and rows measured with other code
of the ranking or of how its samples are collected are measured again (tail searches have benchmarks of their own).
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from tests.benchmarks.failing_samples import BOUNDED, LINEAR, FailureCase, bounded_truth, draw, truth_of
from tests.benchmarks.resumable import RESULTS, Row, Store, circumstances, digest_of
from yieldsim.analysis.rankings.failing import ENOUGH, MOST_A_POINT, PLENTY, SEARCH
from yieldsim.engine.settings import Settings
from yieldsim.estimate.failure_ranking import FailureRanking, rank_failures
from yieldsim.estimate.tails.answer import TailAnswer
from yieldsim.estimate.tails.probability import failure_probability

Floats = NDArray[np.float64]

MEASURED = [
    "yieldsim/analysis/rankings/failing.py",
    "yieldsim/estimate/failure_ranking.py",
    "yieldsim/estimate/rank_stability.py",
    "tests/benchmarks/failing_samples.py",
    "tests/benchmarks/failure_causes.py",
]
SEED = 20261125
MOST = MOST_A_POINT * Settings().effort
REPEATS = {"plain": 1000, "searched": 60}


@dataclass(frozen=True)
class Case:
    """A limit state at a failure probability; `alone`: that many failing plain samples, whatever a run would do."""

    bounded: bool
    probability: float
    alone: int | None = None

    @property
    def way(self) -> str:
        expected = self.alone or min(MOST * self.probability, PLENTY)
        return "plain" if self.alone or expected >= ENOUGH else "searched"


def _cases() -> dict[str, Case]:
    cases = {}
    for bounded, name in ((False, "normal"), (True, "bounded")):
        for probability in (1e-2, 1e-3, 1e-4, 1e-6):
            cases[f"{name}, {probability:g}"] = Case(bounded, probability)
        for alone in (131, 360):
            cases[f"{name}, 0.001, {alone} plain ones alone"] = Case(bounded, 1e-3, alone)
    return cases


CASES = _cases()


def collected(case: Case, seed: int) -> tuple[Floats, Floats | None, NDArray[np.intp] | None, int]:
    """Failing samples as normal scores, their weights and sources, and actuations computed."""
    rng = np.random.default_rng([SEED, seed, int(1e9 * case.probability), case.bounded])
    if case.way == "plain":
        expected = case.alone or int(min(MOST * case.probability, PLENTY))
        z, weights = draw(FailureCase(case.bounded, case.probability, expected, False), rng)
        return z, weights, None, round(expected / case.probability)
    found = searched(case, seed)
    return found.failing, found.failing_weight, found.failing_source, MOST + found.calls


def searched(case: Case, seed: int) -> TailAnswer:
    """What a tail search of the limit state answers, asked as a ranking asks."""
    if case.bounded:
        h, _ = bounded_truth(case.probability)
        a = np.array(BOUNDED, dtype=np.float64)
        return _search(lambda u: 2.0 * ndtr(-u) @ a - h, a.size, seed)
    a = LINEAR / np.linalg.norm(LINEAR)
    beta = -float(ndtri(case.probability))
    return _search(lambda u: beta - u @ a, a.size, seed)


def _search(limit_state: Callable[[Floats], Floats], dimension: int, seed: int) -> TailAnswer:
    return failure_probability(
        limit_state, dimension, seed=seed, target=SEARCH.target, method=SEARCH.method, budget=SEARCH.budget
    )


def measure(key: str, repeats: int | None) -> Row:
    """Shares of the repeats of one case."""
    case = CASES[key]
    truth = truth_of(FailureCase(case.bounded, case.probability, 0, False))
    strongest = list(np.argsort(-truth, kind="stable")[:3])
    found: list[FailureRanking] = []
    calls = []
    for seed in range(repeats or REPEATS[case.way]):
        scores, weights, sources, computed = collected(case, seed)
        found.append(rank_failures(scores, weights, sources))
        calls.append(computed)
    right = np.array([list(r.order[:3]) == strongest for r in found])
    tied = np.array([bool(r.tied[:3].any()) for r in found])
    none = truth < 1e-9
    return {
        "way": case.way,
        "repeats": len(found),
        "right": float(right.mean()),
        "tied": float(tied.mean()),
        "wrong_untied": float(np.mean(~right & ~tied)),
        "coverage": float(np.mean([(r.low <= truth + 1e-12) & (truth <= r.high) for r in found])),
        "false_influence": float(np.mean([r.influences[none].any() for r in found])) if none.any() else None,
        "effective": float(np.mean([r.effective for r in found])),
        "calls": float(np.mean(calls)),
        "least_gap": float(np.min(np.sort(truth)[::-1][:3] / np.sort(truth)[::-1][1:4]) - 1.0),
    }


def markdown(told: Row) -> str:
    """The table as a page."""
    at = told["circumstances"]
    lines = [
        "# Causes of failure, as a run collects failing samples",
        "",
        "[% of repeats]: *right*, the three strongest named in order; *tied*, neighbours among the first four not told "
        "apart; *wrong*, another order without a tie declared; *coverage*, of 95 % intervals of the influence; "
        "*false*, any of the inputs without influence said to have one. *gap*: how much the influences of neighbours "
        "among the first four differ at least [%]. *calls*: actuations computed in all.",
        "",
        f"Code {at['mark']}, seed {at['seed']}, Python {at['python']}, NumPy {at['numpy']}, SciPy {at['scipy']}, "
        f"{at['machine']}.",
        "",
        "| inputs, failing | samples | repeats | calls | effective | gap | right | tied | wrong | coverage | false |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in told["rows"]:
        shares = " | ".join(f"{100.0 * row[name]:.1f}" for name in ("right", "tied", "wrong_untied", "coverage"))
        false = "–" if row["false_influence"] is None else f"{100.0 * row['false_influence']:.1f}"
        numbers = f"{row['repeats']} | {row['calls']:.0f} | {row['effective']:.0f} | {100.0 * row['least_gap']:.0f}"
        lines.append(f"| {row['key']} | {row['way']} | {numbers} | {shares} | {false} |")
    return "\n".join([*lines, ""])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, help="of every case (1,000; 60 where tails are searched)")
    repeats = parser.parse_args().repeats
    mark = digest_of(MEASURED)
    store = Store(RESULTS / "failure_causes.rows.jsonl", f"{mark} {repeats or REPEATS}")
    told = {
        "rows": store.measure(list(CASES), lambda key: measure(key, repeats)),
        "circumstances": circumstances(mark, seed=SEED),
    }
    (RESULTS / "failure_causes.json").write_text(json.dumps(told, indent=1) + "\n")
    (RESULTS / "failure_causes.md").write_text(markdown(told))
    print(markdown(told))


if __name__ == "__main__":
    main()

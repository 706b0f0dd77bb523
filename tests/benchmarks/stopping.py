"""Whether stop rules keep their confidence when they are looked at after every block, and what they cost.

    python -m tests.benchmarks.stopping [--small]

10,000 simulated campaigns a row (small: 2,000). "Is it better than X ppm": units fail with a given probability, a block
of at least 64 units is run, the rule is asked, and so on until it decides or the campaign ends. Campaigns whose failing
share is exactly X tell the false passes; better ones the effort, beside the fixed size at which one exact test (Clopper
and Pearson) of the same confidence decides with a probability of 90 %, which is what a campaign planned in advance
takes.
The second part does the same with completions: shares of 32 actuations of units that differ.

What is to be reached: false passes at most 5 %, effort at most 1.3 times the fixed size. Looking at a fixed-size bound
after every block is the negative control: it passes far more often.
"""

from __future__ import annotations

import argparse
import json
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.stats import betabinom, binom

from tests.benchmarks.resumable import RESULTS, Row, Store, circumstances, digest_of
from yieldsim.estimate.evidence import evidence_below, evidence_of_mean_below
from yieldsim.estimate.stopping import MET, MeanWatch, PassFailWatch, StopRule

MEASURED = ["yieldsim/estimate/evidence.py", "yieldsim/estimate/stopping.py", "tests/benchmarks/stopping.py"]
SEED = 20261125
CONFIDENCE, POWER = 0.95, 0.90
BLOCK = 64
ACTUATIONS = 32
LIMITS = (1e-2, 1e-3, 1e-4)
RATIOS = (1.0, 0.8, 0.5, 0.25, 0.1, 0.0)
#: Campaigns of each row that are run through the shipped watch as well, and must come to the same end.
WATCHED = 5


@cache
def fixed_size(limit: float, share: float) -> int:
    """Fewest trials in which an exact test shows fewer than `limit` failing with a probability of 90 %."""
    allowed = 0
    while True:
        # fewest trials that show the limit with so many failures
        low, high = allowed, 2
        while binom.cdf(allowed, high, limit) > 1.0 - CONFIDENCE:
            high *= 2
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if binom.cdf(allowed, middle, limit) > 1.0 - CONFIDENCE else (low, middle)
        if binom.cdf(allowed, high, share) >= POWER:
            return high
        allowed += 1


def most_blocks(limit: float, block: int) -> int:
    """Blocks after which a campaign ends undecided: some 300 failures at the limit."""
    return int(300.0 / limit / block) + 1


def boundary(limit: float, block: int, blocks: int) -> NDArray[np.int64]:
    """Most failures with which the rule passes after each block; -1 where it cannot."""
    wanted, allowed, found = -np.log1p(-CONFIDENCE), -1, []
    for k in range(1, blocks + 1):
        while evidence_below(allowed + 1, k * block, limit) >= wanted:
            allowed += 1
        found.append(allowed)
    return np.array(found)


def peeked(limit: float, block: int, blocks: int) -> NDArray[np.int64]:
    """Most failures with which a fixed-size exact bound, looked at after each block, passes: the negative control."""
    n = block * np.arange(1, blocks + 1)
    allowed = binom.ppf(1.0 - CONFIDENCE, n, limit).astype(np.int64)
    allowed = np.where(binom.cdf(allowed, n, limit) > 1.0 - CONFIDENCE, allowed - 1, allowed)
    return allowed


def first_pass(failures: NDArray[np.int64], allowed: NDArray[np.int64]) -> tuple[bool, int]:
    """Whether a campaign passes, and after how many blocks it ends."""
    passes = np.flatnonzero(np.cumsum(failures) <= allowed)
    return (True, int(passes[0]) + 1) if passes.size else (False, len(failures))


def pass_fail_row(limit: float, ratio: float, campaigns: int) -> Row:
    """Campaigns of units that pass or fail."""
    block = max(BLOCK, int(0.05 / limit))
    blocks, share = most_blocks(limit, block), ratio * limit
    rng = np.random.default_rng([SEED, int(1e9 * limit), int(1e3 * ratio)])
    rule, control = boundary(limit, block, blocks), peeked(limit, block, blocks)
    passed, control_passed, units = 0, 0, []
    for campaign in range(campaigns):
        failures = rng.binomial(block, share, blocks)
        done, at = first_pass(failures, rule)
        if campaign < WATCHED:
            assert watched(failures, block, limit) == (done, at)
        passed += done
        control_passed += first_pass(failures, control)[0]
        units.append(at * block)
    return told(limit, ratio, campaigns, passed, units) | {"block": block, "peeked": control_passed / campaigns}


def watched(failures: NDArray[np.int64], block: int, limit: float) -> tuple[bool, int]:
    """What the shipped watch makes of a campaign."""
    watch = PassFailWatch(StopRule(required=1.0 - limit, confidence=CONFIDENCE))
    for k, failing in enumerate(failures.tolist()):
        if watch.look(block, block - failing).word == MET:
            return True, k + 1
    return False, len(failures)


def told(limit: float, ratio: float, campaigns: int, passed: int, units: list[int]) -> Row:
    """A row: the share that passed, and the effort of those that were not false."""
    row: Row = {"limit": limit, "ratio": ratio, "campaigns": campaigns, "passed": passed / campaigns}
    if ratio < 1.0:
        fixed = fixed_size(limit, ratio * limit)
        quantile = float(np.quantile(units, 0.9))
        row |= {"fixed": fixed, "units": float(np.mean(units)), "effort": float(np.mean(units)) / fixed}
        row["effort_90"] = quantile / fixed
    return row


def mean_row(limit: float, ratio: float, campaigns: int) -> Row:
    """Campaigns of completions of units that differ: a + b = 20, 32 actuations each."""
    block, share = max(BLOCK, int(0.05 / limit)), ratio * limit
    blocks = int(60.0 / limit / block) + 1
    rng = np.random.default_rng([SEED, 7, int(1e9 * limit), int(1e3 * ratio)])
    values = np.arange(ACTUATIONS + 1) / ACTUATIONS
    pmf = betabinom.pmf(np.arange(ACTUATIONS + 1), ACTUATIONS, 20.0 * share, 20.0 * (1.0 - share))
    wanted, passed, units = -np.log1p(-CONFIDENCE), 0, []
    for campaign in range(campaigns):
        counts = np.cumsum(rng.multinomial(block, pmf / pmf.sum(), blocks), axis=0).astype(np.float64)
        at = next((k for k, c in enumerate(counts) if evidence_of_mean_below(values, c, limit) >= wanted), None)
        if campaign < WATCHED:
            assert watched_mean(counts, limit) == at
        passed += at is not None
        units.append(block * (blocks if at is None else at + 1))
    row: Row = {"limit": limit, "ratio": ratio, "campaigns": campaigns, "passed": passed / campaigns, "block": block}
    return row | {"units": float(np.mean(units))}


def watched_mean(counts: NDArray[np.float64], limit: float) -> int | None:
    """Block after which the shipped watch passes a campaign."""
    watch = MeanWatch(StopRule(required=1.0 - limit, confidence=CONFIDENCE))
    values = 1.0 - np.arange(ACTUATIONS + 1) / ACTUATIONS
    for k, block in enumerate(np.diff(counts, axis=0, prepend=0.0)):
        if watch.look(np.repeat(values, block.astype(np.int64))).word == MET:
            return k
    return None


def summary(rows: list[Row]) -> Row:
    """Whether what is asked is reached."""
    false = {row["key"]: row["passed"] for row in rows if row["ratio"] == 1.0}
    efforts = {row["key"]: row["effort"] for row in rows if "effort" in row}
    return {
        "false_passes": false,
        "largest_effort": max(efforts.values()),
        "met": max(false.values()) <= 1.0 - CONFIDENCE and max(efforts.values()) <= 1.3,
    }


def markdown(whole: Row) -> str:
    """The tables as a page."""
    at, lines = whole["circumstances"], ["# Stop rules under repeated looks", ""]
    lines += [
        "*share*: failing share over the limit that is to be shown. *passed*: share of campaigns that show it (at 1: "
        "false passes, 5 % are allowed); *peeked*: the same for a fixed-size bound looked at after every block. "
        "*fixed* units decide with a probability of 90 % in one look; *effort*: mean units of the rule over them, and "
        "the number within which 90 % of the campaigns end.",
        "",
        f"Code {at['mark']}, seed {at['seed']}, Python {at['python']}, NumPy {at['numpy']}, SciPy {at['scipy']}, "
        f"{at['machine']}.",
        "",
        "| what | limit [ppm] | share | campaigns | passed [%] | peeked [%] | units | fixed | effort | 90 % |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in whole["rows"]:
        cells = [
            row["key"].split(",")[0],
            f"{1e6 * row['limit']:g}",
            f"{row['ratio']:g}",
            str(row["campaigns"]),
            f"{100.0 * row['passed']:.2f}",
            f"{100.0 * row['peeked']:.1f}" if "peeked" in row else "–",
            f"{row['units']:.0f}" if "units" in row and row["ratio"] < 1.0 else "–",
            *(f"{row[name]:.3g}" if name in row else "–" for name in ("fixed", "effort", "effort_90")),
        ]
        lines.append(f"| {' | '.join(cells)} |")
    word = "met" if whole["summary"]["met"] else "**not met**"
    lines += ["", f"Largest mean effort {whole['summary']['largest_effort']:.2f} of the fixed size: {word}.", ""]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--small", action="store_true", help="2,000 campaigns a row")
    arguments = parser.parse_args()
    campaigns = 2000 if arguments.small else 10_000
    works = {
        f"pass or fail, {limit:g}, {ratio:g}": partial(pass_fail_row, limit, ratio, campaigns)
        for limit in LIMITS
        for ratio in RATIOS
    } | {
        f"completion, {limit:g}, {ratio:g}": partial(mean_row, limit, ratio, campaigns // 10)
        for limit in (5e-2, 1e-2)
        for ratio in (1.0, 0.5)
    }
    name, mark = "stopping-small" if arguments.small else "stopping", digest_of(MEASURED)
    store = Store(RESULTS / f"{name}.rows.jsonl", f"{mark} {campaigns}")
    rows = store.measure(list(works), lambda key: works[key]())
    whole = {"summary": summary(rows), "rows": rows, "circumstances": circumstances(mark, seed=SEED)}
    (RESULTS / f"{name}.json").write_text(json.dumps(whole, indent=1) + "\n")
    (RESULTS / f"{name}.md").write_text(markdown(whole))
    print(markdown(whole))


if __name__ == "__main__":
    main()

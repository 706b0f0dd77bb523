"""Randomised Sobol' sets against Monte Carlo: how much narrower, and whether the interval keeps its confidence.

    python -m tests.benchmarks.replicates [--small]

A node-like margin: 20 inputs, uniform and normal, few of which matter, linear with a kink where the weaker of two
limits decides. Asked for are the mean margin and the share of margins of at least 0, by plain Monte Carlo, by 8 or 16
scrambles of a Sobol' set, and by scrambles with the first input integrated out exactly (`pivot_probability`). Truths
come from 2^22 scrambled points with that input integrated out in closed form, in 16 scrambles.

*gain* is how many times the actuations Monte Carlo needs for the same root mean square error. The small size takes a
tenth of the repeats. A second table is of the shipped valve-turn design (`demo_completion`).
"""

from __future__ import annotations

import argparse
import json
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from tests.benchmarks import demo_completion
from tests.benchmarks.resumable import RESULTS, Row, Store, circumstances, digest_of
from yieldsim.estimate.intervals import binomial_estimate
from yieldsim.estimate.pivot import pivot_probability
from yieldsim.estimate.replicates import mean_of_replicates, share_of_replicates

Floats = NDArray[np.float64]

MEASURED = [
    "yieldsim/estimate/replicates.py",
    "yieldsim/estimate/pivot.py",
    "yieldsim/estimate/intervals.py",
    "yieldsim/estimate/scrambled.py",
    "yieldsim/estimate/unit_yield.py",
    "yieldsim/engine/lines.py",
    "yieldsim/analysis/line_shares.py",
    "yieldsim/population/points.py",
    "yieldsim/population/scrambled.py",
    "configs/valve-turn.toml",
    "tests/benchmarks/replicates.py",
    "tests/benchmarks/demo_completion.py",
]
SEED = 20261125
DIMENSIONS = 20
#: Influence of each input on the first limit, and on the second, in V; the first input is the speed of the press.
_FIRST = np.array([0.30, 0.22, 0.18, 0.14, 0.11, 0.09, 0.07, 0.05, 0.04, 0.03] + [0.01] * 10)
_SECOND = np.array([0.24, -0.10, 0.20, 0.05, 0.16, 0.02, 0.10, 0.08, 0.01, 0.05] + [0.01] * 10)
#: Share that fails -> offset of the first limit, as near as makes no difference; the truth is computed.
OFFSETS = {"a tenth": 0.62, "a hundredth": 1.10, "a thousandth": 1.45}
BASE, TRUTH_BASE, TRUTH_SCRAMBLES = 1 << 13, 18, 16


def scores(u: Floats) -> Floats:
    """Deviations with unit variance: every other input is uniform, the others normal; the first is normal."""
    z = np.sqrt(12.0) * (u - 0.5)
    z[..., ::2] = ndtri(np.clip(u[..., ::2], 1e-15, 1.0 - 1e-15))
    return z


def limits(z: Floats, offset: float) -> tuple[Floats, Floats]:
    """Both limits of the margin [V] with the first input at its mean."""
    rest = z[..., 1:]
    return offset + rest @ _FIRST[1:], offset + 0.12 + rest @ _SECOND[1:]


def margin(z: Floats, offset: float) -> Floats:
    """Margin [V]: the weaker of the two."""
    first, second = limits(z, offset)
    return np.minimum(first + _FIRST[0] * z[..., 0], second + _SECOND[0] * z[..., 0])


def share_given_rest(z: Floats, offset: float) -> Floats:
    """Probability over the first input of a margin of at least 0, in closed form."""
    first, second = limits(z, offset)
    return ndtr(np.minimum(first / _FIRST[0], second / _SECOND[0]))


def scrambled(n: int, rng: np.random.Generator) -> Floats:
    """Deviations (n, 20) of one scrambled Sobol' set."""
    return scores(np.clip(qmc.Sobol(DIMENSIONS, rng=rng).random(n), 1e-15, 1.0 - 1e-15))


@cache
def truths(offset: float) -> tuple[float, float]:
    """Mean margin and completing share."""
    mean, share = [], []
    for r in range(TRUTH_SCRAMBLES):
        sobol = qmc.Sobol(DIMENSIONS, rng=np.random.default_rng([SEED, 99, r]))
        parts = [scores(np.clip(sobol.random(1 << 16), 1e-15, 1 - 1e-15)) for _ in range(1 << (TRUTH_BASE - 16))]
        mean.append(np.mean([margin(z, offset).mean() for z in parts]))
        share.append(np.mean([share_given_rest(z, offset).mean() for z in parts]))
    return float(np.mean(mean)), float(np.mean(share))


def monte_carlo(offset: float, what: str, rng: np.random.Generator) -> tuple[float, float, float]:
    """Value and two-sided 95 % bounds from independent points."""
    g = margin(scores(rng.random((BASE, DIMENSIONS))), offset)
    if what == "mean margin":
        reach = 1.96 * g.std(ddof=1) / np.sqrt(BASE)
        return float(g.mean()), float(g.mean() - reach), float(g.mean() + reach)
    found = binomial_estimate(int((g >= 0.0).sum()), BASE, 0.975)
    return found.value, found.low, found.high


def replicated(
    offset: float, what: str, rng: np.random.Generator, replicates: int, integrated: bool
) -> tuple[float, float, float]:
    """The same from scrambles of as many points in all."""
    each = BASE // replicates
    sets = [scrambled(each, rng) for _ in range(replicates)]
    if what == "mean margin":
        found = mean_of_replicates([margin(z, offset).mean() for z in sets], 0.975)
    elif integrated:
        found = share_of_replicates([_integrated(z, offset) for z in sets], each, 0.975, averaged=True)
    else:
        found = share_of_replicates([(margin(z, offset) >= 0.0).mean() for z in sets], each, 0.975)
    return found.value, found.low, found.high


def _integrated(z: Floats, offset: float) -> float:
    """Completing share with the first input integrated out by the shipped routine."""
    first, second = limits(z, offset)

    def asked(rows: NDArray[np.intp], v: Floats) -> Floats:
        x = ndtri(v)
        return np.minimum(first[rows] + _FIRST[0] * x, second[rows] + _SECOND[0] * x)

    low, high = pivot_probability(asked, len(z), tolerance=1e-7)
    return float(np.mean(0.5 * (low + high)))


METHODS = {
    "Monte Carlo": monte_carlo,
    "8 scrambles": partial(replicated, replicates=8, integrated=False),
    "16 scrambles": partial(replicated, replicates=16, integrated=False),
    "8 scrambles, first input integrated": partial(replicated, replicates=8, integrated=True),
}


def measure(key: str, repeats: int) -> Row:
    """Error, coverage and width of one method on one question."""
    what, share, method = key.split(" | ")
    offset = OFFSETS[share]
    truth = truths(offset)[0 if what == "mean margin" else 1]
    answers = np.array([METHODS[method](offset, what, np.random.default_rng([SEED, r])) for r in range(repeats)])
    value, low, high = answers.T
    return {
        "what": what,
        "fails": share,
        "method": method,
        "repeats": repeats,
        "truth": truth,
        "error": float(np.sqrt(np.mean((value - truth) ** 2))),
        "coverage": float(np.mean((low <= truth) & (truth <= high))),
        "width": float(np.mean(high - low)),
    }


def markdown(rows: list[Row], at: Row) -> str:
    """The table as a page."""
    lines = [
        "# Scrambled Sobol' sets against Monte Carlo",
        "",
        f"{BASE} points in all, 20 inputs. *error*: root mean square; *gain*: how many times the points Monte Carlo "
        "needs for the same error; *coverage* of two-sided 95 % intervals. With the first input integrated a point "
        "costs ten to thirty evaluations of the margin instead of one.",
        "",
        f"Code {at['mark']}, NumPy {at['numpy']}, SciPy {at['scipy']}, {at['machine']}.",
        "",
        "| what | fails | method | repeats | error | gain | width | coverage [%] |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    plain = {(row["what"], row["fails"]): row["error"] for row in rows if row["method"] == "Monte Carlo"}
    for row in rows:
        gain = (plain[row["what"], row["fails"]] / row["error"]) ** 2
        lines.append(
            f"| {row['what']} | {row['fails']} | {row['method']} | {row['repeats']} | {row['error']:.2g} | {gain:.3g} "
            f"| {row['width']:.2g} | {100.0 * row['coverage']:.1f} |"
        )
    return "\n".join([*lines, ""])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--small", action="store_true", help="100 repeats a row")
    arguments = parser.parse_args()
    repeats = 100 if arguments.small else 1000
    keys = [
        f"{what} | {share} | {method}"
        for what in ("mean margin", "completing share")
        for share in OFFSETS
        for method in METHODS
        if not (what == "mean margin" and (share != "a hundredth" or "integrated" in method))
    ]
    name, mark = "replicates-small" if arguments.small else "replicates", digest_of(MEASURED)
    store = Store(RESULTS / f"{name}.rows.jsonl", f"{mark} {repeats}")
    rows = store.measure(keys, lambda key: measure(key, repeats))
    size = demo_completion.SMALL if arguments.small else demo_completion.FULL
    of_demo = store.measure(demo_completion.keys(size), lambda key: demo_completion.measure(key, size))
    at = circumstances(mark, seed=SEED)
    told = {"rows": rows, "demo": of_demo, "circumstances": at}
    page = "\n".join([markdown(rows, at), *demo_completion.table(of_demo, size)])
    (RESULTS / f"{name}.json").write_text(json.dumps(told, indent=1) + "\n")
    (RESULTS / f"{name}.md").write_text(page)
    print(page)


if __name__ == "__main__":
    main()

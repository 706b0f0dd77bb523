"""Failing samples of two limit states whose influence of each input on failure is known in closed form.

*Linear, normal inputs*: failing where a . z > beta, abs(a) = 1. With m and v the mean and variance of a normal score
beyond beta (inverse Mills ratio), an input's score has mean a_i m and variance 1 - a_i**2 (1 - v) among failures.

*Linear, inputs uniform on [-1, 1]*: failing where sum a_i (1 - x_i) < h, a corner of the cube. The volume of such a
corner is the alternating sum over subsets S of (h - 2 sum_S a)_+**d / (d! prod 2 a_i) (Marsaglia and Staib 1974 for
weighted sums of uniform variables), summed here in exact rational numbers; the moments of a normal score follow by
the trapezoidal rule over it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]

# neighbours among the first five differ by more than 10 % in influence; ten inputs have none
LINEAR = np.array([1.0, 0.8, 0.62, 0.45, 0.35, 0.25, 0.2, 0.15, 0.1, 0.05] + 10 * [0.0])
BOUNDED = (10, 8, 6, 4, 3, 2, 1, 1)  # tenths


@dataclass(frozen=True)
class FailureCase:
    """A limit state at a failure probability, drawn plainly (samples that failed) or where failures are."""

    bounded: bool
    probability: float
    samples: int  # failing ones expected (plain), or drawn in all
    weighted: bool
    small: bool = True


def influence_of(mean: Floats, variance: Floats) -> Floats:
    return 0.5 * (mean**2 + variance - 1.0 - np.log(variance))


def corner(h: float, a: tuple[int, ...]) -> float:
    """Probability that sum a_i v_i < h, v uniform on [0, 2], a in tenths, h likewise."""
    exact, d = Fraction(h), len(a)
    terms = (
        (-1) ** size * max(exact - 2 * sum(chosen), Fraction(0)) ** d
        for size in range(d + 1)
        for chosen in itertools.combinations(a, size)
    )
    return float(sum(terms) / (math.factorial(d) * math.prod(2 * value for value in a)))


@cache
def bounded_truth(probability: float) -> tuple[float, Floats]:
    """Limit h and influence of each input."""
    h = brentq(lambda value: corner(value, BOUNDED) / probability - 1.0, 0.1, sum(BOUNDED), xtol=1e-12)
    z = np.linspace(-8.0, 8.0, 321)
    distance = 2.0 * ndtr(-z)  # of x from its upper end
    found = []
    for i, own in enumerate(BOUNDED):
        others = BOUNDED[:i] + BOUNDED[i + 1 :]
        left = h - own * distance
        density = np.array([corner(value, others) if value > 0.0 else 0.0 for value in left]) * np.exp(-0.5 * z * z)
        density /= density.sum()
        mean = density @ z
        found.append((mean, density @ (z - mean) ** 2))
    return h, influence_of(*np.array(found).T)


def linear_truth(probability: float) -> Floats:
    beta = -ndtri(probability)
    mean = math.exp(-0.5 * beta * beta) / math.sqrt(2.0 * math.pi) / probability
    variance = 1.0 + beta * mean - mean * mean
    a = LINEAR / np.linalg.norm(LINEAR)
    return influence_of(a * mean, 1.0 - a**2 * (1.0 - variance))


def truth_of(case: FailureCase) -> Floats:
    return bounded_truth(case.probability)[1] if case.bounded else linear_truth(case.probability)


def draw(case: FailureCase, rng: np.random.Generator) -> tuple[Floats, Floats | None]:
    """Normal scores of failing samples and their weights (None when equal)."""
    return _draw_bounded(case, rng) if case.bounded else _draw_linear(case, rng)


def _draw_linear(case: FailureCase, rng: np.random.Generator) -> tuple[Floats, Floats | None]:
    a = LINEAR / np.linalg.norm(LINEAR)
    beta = -float(ndtri(case.probability))
    if not case.weighted:
        n = rng.poisson(case.samples)
        along = -ndtri(case.probability * rng.random(n))
        z = rng.standard_normal((n, a.size))
        return z + np.outer(along - z @ a, a), None
    z = rng.standard_normal((case.samples, a.size)) + beta * a
    z = z[z @ a > beta]
    return z, np.exp(-beta * (z @ a - beta))


def _draw_bounded(case: FailureCase, rng: np.random.Generator) -> tuple[Floats, Floats | None]:
    """Exponentially tilted draws; thinned by their weights where equally weighted samples are asked for."""
    h, _ = bounded_truth(case.probability)
    a = np.array(BOUNDED, dtype=float)

    def mean_distance(tilt: float) -> float:
        rest = np.exp(-2.0 * tilt * a)
        return float(np.sum(1.0 / tilt - 2.0 * a * rest / (1.0 - rest)))

    tilt = brentq(lambda value: mean_distance(value) - h, 1e-3, 1e3)

    def tilted(n: int) -> tuple[Floats, Floats]:
        distance = -np.log1p(rng.random((n, a.size)) * np.expm1(-2.0 * tilt * a)) / (tilt * a)
        distance = distance[distance @ a < h]
        weights = np.exp(tilt * (distance @ a - h))
        return -ndtri(np.maximum(0.5 * distance, 1e-300)), weights

    if case.weighted:
        return tilted(case.samples)
    wanted, kept = rng.poisson(case.samples), np.zeros((0, a.size))
    while len(kept) < wanted:
        z, weights = tilted(4 * case.samples)
        kept = np.concatenate([kept, z[rng.random(len(z)) < weights]])
    return kept[:wanted], None


FAILURES = {
    # 360,448 plain runs, as an index of pass or fail at d = 20 and n = 2**14 would take
    "normal, 1e-3, 360 failing": FailureCase(False, 1e-3, 360, False),
    "normal, 1e-4, 400 failing": FailureCase(False, 1e-4, 400, False, small=False),
    "normal, 1e-4, 2000 weighted": FailureCase(False, 1e-4, 2000, True),
    "normal, 1e-6, 2000 weighted": FailureCase(False, 1e-6, 2000, True),
    "normal, 1e-6, 4000 weighted": FailureCase(False, 1e-6, 4000, True, small=False),
    "bounded, 1e-3, 360 failing": FailureCase(True, 1e-3, 360, False),
    "bounded, 1e-4, 2000 weighted": FailureCase(True, 1e-4, 2000, True, small=False),
    "bounded, 1e-6, 2000 weighted": FailureCase(True, 1e-6, 2000, True),
    # few failures: to be told as ties, not as a wrong order
    "normal, 1e-3, 23 failing": FailureCase(False, 1e-3, 23, False),
    "normal, 1e-3, 90 failing": FailureCase(False, 1e-3, 90, False, small=False),
}

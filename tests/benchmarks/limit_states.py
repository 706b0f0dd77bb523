"""Limit states of the structural reliability literature, and a node-like one, with their probabilities recomputed.

Definitions are those of the public benchmark lists (their numbers, RP22 and so on, are kept); parameters that a
list leaves out were chosen here, and no probability is taken from a list, because the lists contain errors. How
each truth is computed stands with it: a closed form, a quadrature, integration of one variable in closed form under
randomised quasi-Monte Carlo over the others, or four million points of another importance sampling. None of them
uses the code that is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import chi2, gamma

from tests.benchmarks.truths import adapted, conditioned, crossing, planar, union_of_two

Floats = NDArray[np.float64]
Function = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Case:
    """A limit state on standard normal variables and how its probability is computed."""

    name: str
    function: Function
    dimension: int
    truth: Callable[[], float]
    regions: int = 1


def lognormal(u: Floats, mean: float, deviation: float) -> Floats:
    """Lognormal of a given mean and standard deviation from standard normal u."""
    variance = np.log1p((deviation / mean) ** 2)
    return mean * np.exp(np.sqrt(variance) * u - 0.5 * variance)


# linear, two branches, four branches, parabola -------------------------------------------------------------------


def linear(beta: float, d: int) -> Case:
    normal = np.ones(d) / np.sqrt(d)
    return Case(f"linear d={d} beta={beta:.4g}", lambda u: beta - u @ normal, d, lambda: float(ndtr(-beta)))


def branches(beta: float, d: int) -> Case:
    return Case(
        f"two branches d={d} beta={beta:.4g}",
        lambda u: beta - np.maximum(u[:, 0], u[:, 1]),
        d,
        lambda: float(-np.expm1(2.0 * np.log1p(-ndtr(-beta)))),
        2,
    )


def plane_of(d: int) -> Floats:
    """Two orthonormal directions (d, 2) that no coordinate is special in."""
    index = np.arange(d)
    return np.linalg.qr(np.column_stack([np.cos(index * 2.1), np.sin(index * 1.3 + 0.4)]))[0] if d > 2 else np.eye(2)


def four_branches(a: float, k: float, d: int) -> Case:
    """Four-branch series system: rotate to v and w; it survives iff |v| < a + 0.2 w² and |w| < k/2."""
    frame = plane_of(d)

    def function(u: Floats) -> Floats:
        x, y = (u @ frame).T
        bent = a + 0.1 * (x - y) ** 2
        either = np.minimum(bent - np.abs(x + y) / np.sqrt(2.0), k / np.sqrt(2.0) - np.abs(x - y))
        return np.asarray(either)

    def truth() -> float:
        return crossing(lambda w: np.where(np.abs(w) < 0.5 * k, 2.0 * ndtr(-(a + 0.2 * w**2)), 1.0), [0.5 * k])

    return Case(f"four branches d={d} a={a:.4g} k={k:.4g}", function, d, truth, 4)


def parabola(b: float) -> Case:
    return Case(
        f"parabola b={b:.4g}",
        lambda u: b - u[:, 1] - 0.5 * (u[:, 0] - 0.1) ** 2,
        2,
        lambda: crossing(lambda x: ndtr(-(b - 0.5 * (x - 0.1) ** 2))),
        2,
    )


# the node -----------------------------------------------------------------------------------------------------


def node_margins(u: Floats, start_level: float, floor: float) -> Floats:
    """Start and run margin [V] of a node told by closed forms, 20 inputs, 14 of them bounded; shape (n, 2).

    The first input is the open-circuit emf, on which both margins rise.
    """
    flat = ndtr(u)
    triangular = np.where(flat < 0.5, np.sqrt(2.0 * flat) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - flat)))
    wide = 2.0 * flat - 1.0
    emf = 16.0 * (1.0 + 0.03 * u[:, 0])
    transit = 2.4e-3 * (1.0 + 0.05 * u[:, 1])
    coil = 180.0 * (1.0 + 0.10 * wide[:, 2])
    store = 47e-6 * (1.0 + 0.10 * wide[:, 3]) * (1.0 - 0.12 * (1.0 + wide[:, 4]) / 2.0)
    drop = 0.9 * (1.0 + 0.10 * triangular[:, 5])
    leak = 4e-6 * np.exp(0.5 * u[:, 6])
    # a half-sine charges the store through the coil: a saturating exponential of transit over time constant
    charged = 1.0 - np.exp(-1.15 * transit / (coil * store))
    peak = (0.75 * emf - drop) * charged - 3.0 * leak / store * 4e-3
    start = start_level * (1.0 + 0.03 * wide[:, 7])
    current = [
        (5e-3, 0.15, 1.5e-3, 8, triangular),
        (9e-3, 0.20, 1.1e-3, 9, wide),
        (8e-3, 0.20, 1.9e-3, 10, wide),
        (3e-3, 0.25, 0.8e-3, 11, triangular),
    ]
    charge = sum(i * (1.0 + width * by[:, j]) * time for i, width, time, j, by in current)
    charge = charge * (1.0 + 0.01 * u[:, 12]) + 60e-6 * (1.0 + 0.3 * wide[:, 13]) * 12e-3 + leak * 8e-3
    esr = 0.25 * np.exp(0.3 * wide[:, 14]) * 18e-3
    dropout = 4.0 * (1.0 + 0.25 * wide[:, 15]) * 18e-3
    need = floor * (1.0 + 0.02 * wide[:, 16]) + dropout + esr + 0.01 * triangular[:, 17]
    after = peak - charge / store * (1.0 + 0.02 * triangular[:, 18]) - 0.02 * (1.0 + wide[:, 19])
    return np.stack([peak - start, after - need], axis=1)


def node(start_level: float, floor: float, name: str) -> Case:
    def function(u: Floats) -> Floats:
        return node_margins(u, start_level, floor)

    return Case(name, function, 20, lambda: adapted(lambda u: function(u).min(axis=1), 20), 2)


# from the published lists -----------------------------------------------------------------------------------------


def resistance(u: Floats) -> Floats:
    return (200.0 + 10.0 * u[:, 0]) - (100.0 + 20.0 * u[:, 1])


def hyperplane(u: Floats) -> Floats:
    """RP8 with standard deviations of 15 and 12 for the last two."""
    x = [lognormal(u[:, i], 120.0, 12.0) for i in range(4)]
    return (
        x[0]
        + 2.0 * x[1]
        + 2.0 * x[2]
        + x[3]
        - 5.0 * lognormal(u[:, 4], 50.0, 15.0)
        - 5.0 * lognormal(u[:, 5], 40.0, 12.0)
    )


def cube_corner(u: Floats) -> Floats:
    return 3.0 - (2.0 * ndtr(u[:, :4]) - 1.0).sum(axis=1)


def rp24(u: Floats) -> Floats:
    x = 10.0 + 3.0 * u
    return 2.5 - 0.2357 * (x[:, 0] - x[:, 1]) + 0.00463 * (x[:, 0] + x[:, 1] - 20.0) ** 4


def rp25(u: Floats) -> Floats:
    return np.maximum(u[:, 0] ** 2 - 8.0 * u[:, 1] + 16.0, -16.0 * u[:, 0] + u[:, 1] ** 2 + 32.0)


def rp28(u: Floats) -> Floats:
    return (78064.4 + 11709.7 * u[:, 0]) * (0.0104 + 0.00156 * u[:, 1]) - 146.14


def rp31(u: Floats) -> Floats:
    return 2.0 - u[:, 1] + 256.0 * u[:, 0] ** 4


def rp33(u: Floats) -> Floats:
    return np.minimum(-u[:, 0] - u[:, 1] - u[:, 2] + 3.0 * np.sqrt(3.0), 3.0 - u[:, 2])


def rp35(u: Floats) -> Floats:
    return np.minimum(2.0 - u[:, 1] + np.exp(-0.1 * u[:, 0] ** 2) + (0.2 * u[:, 0]) ** 4, 4.5 - u[:, 0] * u[:, 1])


def rp53(u: Floats) -> Floats:
    x, y = 1.5 + u[:, 0], 2.5 + u[:, 1]
    return np.sin(2.5 * x) + 2.0 - (x**2 + 4.0) * (y - 1.0) / 20.0


def rp54(u: Floats) -> Floats:
    return -np.log(ndtr(-u)).sum(axis=1) - 8.951


def rp63(u: Floats) -> Floats:
    return 0.1 * (u[:, 1:] ** 2).sum(axis=1) - u[:, 0] - 4.5


def rp75(u: Floats) -> Floats:
    return 3.0 - u[:, 0] * u[:, 1]


def metaballs(u: Floats) -> Floats:
    x, y = u[:, 0], u[:, 1]
    return (
        30.0 / ((4.0 * (x + 2.0) ** 2 / 9.0 + y**2 / 25.0) ** 2 + 1.0)
        + 20.0 / (((x - 2.5) ** 2 / 4.0 + (y - 0.5) ** 2 / 25.0) ** 2 + 1.0)
        - 5.0
    )


def himmelblau(u: Floats) -> Floats:
    x, y = 0.75 * u[:, 0], 0.75 * u[:, 1]
    return (
        ((x - 0.5) ** 2 / 1.81 + (y - 1.5) / 1.81 - 11.0) ** 2
        + ((x - 0.5) / 1.81 + (y - 1.5) ** 2 / 1.81 - 7.0) ** 2
        - 50.0
    )


def piecewise(u: Floats) -> Floats:
    """Breitung's counterexample to subset simulation: the flatter branch far away is the nearer one."""
    x, y = u[:, 0], u[:, 1]
    first = np.where(x > 3.5, 4.0 - x, 0.85 - 0.1 * x)
    second = np.where(y > 2.0, 0.5 - 0.1 * y, 2.3 - y)
    return np.minimum(first, second)


def oscillator(load: float, spread: float) -> Function:
    def function(u: Floats) -> Floats:
        mass, k1, k2 = 1.0 + 0.05 * u[:, 0], 1.0 + 0.1 * u[:, 1], 0.1 + 0.01 * u[:, 2]
        r, force, time = 0.5 + 0.05 * u[:, 3], load + spread * u[:, 4], 1.0 + 0.2 * u[:, 5]
        frequency = np.sqrt(np.maximum(k1 + k2, 1e-9) / np.maximum(mass, 1e-9))
        return 3.0 * r - np.abs(2.0 * force / (mass * frequency**2) * np.sin(0.5 * frequency * time))

    return function


def truss(u: Floats) -> Floats:
    q, span = 20000.0 + 1400.0 * u[:, 0], 12.0 + 0.12 * u[:, 1]
    steel, concrete = 9.82e-4 + 5.892e-5 * u[:, 2], 0.04 + 0.0048 * u[:, 3]
    e_steel, e_concrete = 1e11 + 6e9 * u[:, 4], 2e10 + 1.2e9 * u[:, 5]
    return 0.03 - q * span**2 / 2.0 * (3.81 / (concrete * e_concrete) + 1.13 / (steel * e_steel))


def saddle(u: Floats) -> Floats:
    return 2.0 - u[:, 1] - 0.1 * u[:, 0] ** 2 + 0.06 * u[:, 0] ** 3


def rp22(u: Floats) -> Floats:
    return 0.1 * (u[:, 0] - u[:, 1]) ** 2 - (u[:, 0] + u[:, 1]) / np.sqrt(2.0) + 2.5


def concave(u: Floats) -> Floats:
    return -0.5 * (u[:, 0] - u[:, 1]) ** 2 - (u[:, 0] + u[:, 1]) / np.sqrt(2.0) + 3.0


def _rp24_share(w: Floats) -> Floats:
    """Given the rotated sum w, failing means that the rotated difference passes a bound."""
    return np.asarray(ndtr(-(2.5 + 0.00463 * (3.0 * np.sqrt(2.0) * w) ** 4) / 0.2357 / 3.0 / np.sqrt(2.0)))


def _rp63_truth() -> float:
    """The sum of 99 squares is chi-squared; given it, failing is a tail of the first variable."""
    grid = np.linspace(1e-9, 400.0, 400_001)
    return float(np.trapezoid(chi2.pdf(grid, 99) * ndtr(4.5 - 0.1 * grid), grid))


def standard_cases() -> list[Case]:
    """The cases with targets of their own: about 1e-6 and 1e-9."""
    far, farther = float(-ndtri(1e-6)), float(-ndtri(1e-9))
    return [
        linear(far, 20),
        linear(farther, 20),
        branches(far, 20),
        branches(farther, 20),
        four_branches(4.8, 9.8, 2),
        four_branches(6.05, 12.2, 2),
        four_branches(4.8, 9.8, 20),
        four_branches(6.05, 12.2, 20),
        parabola(11.0),
        parabola(18.0),
        node(2.138, 1.305, "node d=20 1e-6"),
        node(1.946, 1.107, "node d=20 1e-9"),
    ]


def published_cases() -> list[Case]:
    """Twenty-five published limit states."""
    return [
        four_branches(3.0, 6.0, 2),
        parabola(5.0),
        Case("R - S", resistance, 2, lambda: float(ndtr(-100.0 / np.sqrt(500.0)))),
        Case("RP8", hyperplane, 6, lambda: conditioned(hyperplane, 6, 4)),
        Case("cube corner", cube_corner, 4, lambda: 1.0 / 384.0),
        Case("RP24", rp24, 2, lambda: crossing(_rp24_share)),
        Case("RP25", rp25, 2, lambda: planar(rp25)),
        Case("RP28", rp28, 2, lambda: planar(rp28)),
        Case("RP31", rp31, 2, lambda: crossing(lambda x: ndtr(-(2.0 + 256.0 * x**4)))),
        Case("RP33", rp33, 3, lambda: union_of_two(3.0, 3.0, 1.0 / np.sqrt(3.0)), 2),
        Case("RP35", rp35, 2, lambda: planar(rp35), 3),
        Case("RP53", rp53, 2, lambda: planar(rp53), 2),
        Case("RP54", rp54, 20, lambda: float(gamma.cdf(8.951, 20))),
        Case("RP63", rp63, 100, _rp63_truth),
        Case("RP75", rp75, 2, lambda: planar(rp75), 2),
        Case("RP107", linear(5.0, 10).function, 10, linear(5.0, 10).truth),
        Case("metaballs", metaballs, 2, lambda: planar(metaballs), 2),
        Case("Himmelblau", himmelblau, 2, lambda: planar(himmelblau), 2),
        Case("piecewise linear", piecewise, 2, lambda: union_of_two(4.0, 5.0, 0.0), 2),
        Case("oscillator 0.6", oscillator(0.6, 0.1), 6, lambda: conditioned(oscillator(0.6, 0.1), 6, 3)),
        Case("oscillator 0.45", oscillator(0.45, 0.075), 6, lambda: conditioned(oscillator(0.45, 0.075), 6, 3)),
        Case("roof truss", truss, 6, lambda: conditioned(truss, 6, 0)),
        Case("saddle", saddle, 2, lambda: crossing(lambda x: ndtr(-(2.0 - 0.1 * x**2 + 0.06 * x**3)))),
        Case("RP22", rp22, 2, lambda: crossing(lambda w: ndtr(-(2.5 + 0.2 * w**2)))),
        Case("concave", concave, 2, lambda: crossing(lambda w: ndtr(-(3.0 - w**2))), 2),
    ]

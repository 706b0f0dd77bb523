r"""First-order and total variance-based sensitivity indices with intervals, from one randomised Sobol' set.

One scrambled Sobol' set in 2 d dimensions gives two matrices A and B of d columns: A the even, B the odd coordinates.
C_i is A with the columns of group i taken from B. With f less its mean, D_i = f(C_i) - f(A), V the variance over A and
B, W that over all d + 2 matrices and g_i the part of f that is additive in the inputs outside group i,

    first_i = mean((f(B) - g_i(B)) D_i) / V        (Saltelli et al. 2010, table 2, estimator b, less g_i)
    total_i = mean(D_i**2) / (2 W)                 (Jansen 1999)

g_i has mean 0 against D_i, as D_i does not know B outside group i; it takes off what is noise to the index. Its
coefficients are those of f in orthonormal polynomials up to degree 6, shrunk towards 0 by their noise, and left out
where points are too few. Both numerators are exactly zero for a group without influence. Indices are not clipped: a
small negative value, or one above 1, is sampling error.

Intervals: the set is cut into R parts, each a scrambled net of its own. Student's t over the parts' linearised ratios
is the interval that R independent sets would give; the estimate is that of the whole set, which errs less. Where the
parts err together that would be too narrow, which shows in pairs of neighbouring parts: the wider of the two is taken.

The cost is R n (groups + 2) evaluations of the model. The inputs are taken as independent between groups.
**Correlated inputs** belong in one group: the group's first-order index is then what is explained once all of its
inputs are known, its total index what is left unexplained when all others are; how it divides between its members has
no answer in these terms (`yieldsim.estimate.shapley` gives one).

What was measured
-----------------
Error and coverage beside other libraries: `python -m tests.benchmarks.indices`. The choices here were measured once,
before it. Error is root mean square over all indices, first order / total. Choice of the estimator, 24 repeats of 8
independent scrambles, first order only; Azzini's takes 2 k + 2 evaluations a point in place of k + 2, so that its 512
points cost about what 1,024 cost the others:

::

    function   points   Saltelli 2010   Janon-Monod   Martinez   Jansen first   Azzini 2021
    Ishigami      512         0.0090        0.0123     0.0123         0.0130        0.0053
    Ishigami     1024         0.0028        0.0024     0.0024         0.0029        0.0019
    g (8)         512         0.0038        0.0068     0.0068         0.0069        0.0012
    g (8)        1024         0.0009        0.0020     0.0020         0.0021        0.0005
    g20           512         0.0039        0.0102     0.0102         0.0113        0.0017
    g20          1024         0.0029        0.0063     0.0063         0.0067        0.0014

Choice of the set, one set of so many points (150 to 7 repeats; halves: A the first d coordinates, B the others;
less g: the additive part taken out):

::

    function       points   halves             halves, less g     even and odd       even and odd, less g
    Ishigami         1024   0.0087 / 0.0059    0.0065 / 0.0050    0.0115 / 0.0099    0.0105 / 0.0056
    Ishigami         4096   0.0030 / 0.0024    0.0028 / 0.0020    0.0026 / 0.0014    0.0021 / 0.0013
    Ishigami        16384   0.0009 / 0.0003    0.0005 / 0.0003    0.0005 / 0.0003    0.0004 / 0.0003
    g (8)            1024   0.0032 / 0.0028    0.0023 / 0.0026    0.0027 / 0.0022    0.0022 / 0.0022
    g (8)            4096   0.0016 / 0.0006    0.0012 / 0.0005    0.0006 / 0.0005    0.0005 / 0.0004
    g (8)           16384   0.0005 / 0.0002    0.0006 / 0.0002    0.0001 / 0.0001    0.0001 / 0.0001
    g (20)           1024   0.0082 / 0.0061    0.0052 / 0.0064    0.0054 / 0.0053    0.0041 / 0.0051
    g (20)           4096   0.0041 / 0.0026    0.0028 / 0.0019    0.0020 / 0.0016    0.0018 / 0.0015
    g (20)          16384   0.0012 / 0.0028    0.0010 / 0.0018    0.0005 / 0.0006    0.0005 / 0.0006

Neighbouring coordinates of a Sobol' set fill their plane better than distant ones, and an input's pair in A and B is
what its index rests on most. The columns "less g" also hold W in place of V.

Choice of one set in parts, with nested scrambling, on Ishigami at 4,096 points in halves (200 repeats; coverage with
the parts alone, before pairs were looked at): error 0.0026 / 0.0018, coverage 96 / 99 %; scrambled by a random linear
map and a shift 0.0037 / 0.0018, 92 / 97 %; eight independent sets of 512 points 0.0080 / 0.0092, 96 / 95 %.

References
----------
Saltelli, A. et al. (2010). Variance based sensitivity analysis of model output. Computer Physics
    Communications 181, 259-270.
Jansen, M. J. W. (1999). Analysis of variance designs for model output. Computer Physics Communications 117,
    35-43.
Janon, A. et al. (2014). Asymptotic normality and efficiency of two Sobol index estimators. ESAIM: P&S 18,
    342-364.
Azzini, I., Mara, T. A. and Rosati, R. (2021). Comparison of two sets of Monte Carlo estimators of Sobol'
    indices. Environmental Modelling & Software 144, 105167.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from yieldsim.estimate.orthonormal import legendre
from yieldsim.estimate.owen import BITS, MOST_DIMENSIONS, OwenSobol
from yieldsim.estimate.rank_stability import place_probabilities

Floats = NDArray[np.float64]
Model = Callable[[Floats], Floats]

#: Rows of a base matrix that are worked on at a time: memory does not grow with the number of points.
_PIECE = 4096
#: Degree of the additive part, and what it may cost: a coefficient for so many points, numbers kept in all.
_DEGREE = 6
_POINTS_A_COEFFICIENT = 16
_KEPT = 4_000_000
#: Pairs of parts from which a spread is taken: Student's t of fewer is too wide to be of use.
_LEAST_PARTS = 4


@dataclass(frozen=True)
class Indices:
    """Sensitivity indices of k groups of inputs.

    Attributes
    ----------
    first, total : (k,) arrays
        First-order and total index of each group [share of variance].
    first_low, first_high, total_low, total_high : (k,) arrays
        Two-sided intervals at `confidence`.
    mean, variance : float
        Mean and variance of the output, in its unit and its unit squared.
    confidence : float
        Confidence of each interval.
    replicates, base_points : int
        R and n.
    model_calls : int
        Rows the model was evaluated for.
    constant : bool
        True where the output never varied; all indices and intervals are then 0.
    places : (k, k) array
        ``places[i, j]``: probability that group i takes place j (0 the strongest) by total index, were the points
        scrambled anew; rows and columns add up to 1.
    method : str
        Estimators and interval.
    """

    first: Floats
    first_low: Floats
    first_high: Floats
    total: Floats
    total_low: Floats
    total_high: Floats
    mean: float
    variance: float
    confidence: float
    replicates: int
    base_points: int
    model_calls: int
    constant: bool
    places: Floats = field(repr=False)
    method: str = (
        "one scrambled Sobol' set, first order after Saltelli 2010 with the additive part taken out, total after "
        "Jansen, Student t over its parts"
    )

    @property
    def influence(self) -> NDArray[np.bool_]:
        """Whether the interval of a group's total index leaves 0 out, shape (k,)."""
        return np.asarray(~((self.total_low <= 0.0) & (self.total_high >= 0.0)))


def sobol_indices(
    model: Model,
    dimension: int,
    groups: Sequence[Sequence[int]],
    base_points: int,
    replicates: int = 8,
    seed: int | Sequence[int] = 0,
    confidence: float = 0.95,
) -> Indices:
    """First-order and total indices of groups of inputs, with intervals.

    Parameters
    ----------
    model : callable
        ``model(u) -> y``: u of shape (m, d) strictly inside the unit cube, y of shape (m,); m is at most 4,096.
    dimension : int
        d, the number of columns of u.
    groups : sequence of sequences of int
        Columns moved together. Each column belongs to at most one group; columns in none vary in the
        background.
    base_points : int
        n, points of a part, a power of two, at least 2.
    replicates : int
        R, parts of the scrambled set, at least 2; 8 to 32 are sensible, and a power of two makes the whole
        balanced.
    seed : int or sequence of int
        Address of the scramble; more replicates extend fewer.
    confidence : float
        Confidence of the two-sided intervals, strictly between 0 and 1.

    Returns
    -------
    Indices

    Raises
    ------
    ValueError
        For arguments outside their range, or a model output of the wrong shape or not finite (the first such
        point is named).
    """
    columns = _check(dimension, groups, base_points, replicates, confidence)
    address = [seed] if isinstance(seed, (int, np.integer)) else list(seed)
    degree = _affordable_degree(dimension, len(columns), base_points * replicates, replicates)
    parts = []
    centre: float | None = None
    for pieces in _parts(dimension, base_points, replicates, address):
        sums = _Sums(len(columns), dimension, degree)
        for a, b in pieces:
            f_a, f_b = _output(model, a), _output(model, b)
            # one centre for all: sums must be comparable, and a large mean must not cost digits
            centre = 0.5 * float(f_a.mean() + f_b.mean()) if centre is None else centre
            sums.add_base(a, b, f_a - centre, f_b - centre)
            mixed = a.copy()
            for i, members in enumerate(columns):
                mixed[:, members] = b[:, members]
                sums.add_mixed(i, _output(model, mixed) - centre)
                mixed[:, members] = a[:, members]
        parts.append(sums.means())
    stacked = _Means(*(np.stack(values) for values in zip(*parts, strict=True)))
    return _assemble(stacked, columns, centre or 0.0, base_points, confidence)


def _check(
    dimension: int, groups: Sequence[Sequence[int]], base_points: int, replicates: int, confidence: float
) -> list[NDArray[np.intp]]:
    """Return the groups as index arrays, or ValueError."""
    if not 1 <= 2 * dimension <= MOST_DIMENSIONS:
        raise ValueError(f"dimension = {dimension}: between 1 and {MOST_DIMENSIONS // 2} inputs are possible")
    if base_points < 2 or base_points & (base_points - 1) or base_points > 1 << BITS:
        raise ValueError(
            f"base_points = {base_points}: Sobol' points are balanced only in powers of two, from 2 to 2**{BITS}"
        )
    if replicates < 2:
        raise ValueError(f"replicates = {replicates}: an interval needs two or more parts of the set")
    if replicates * base_points > 1 << BITS:
        raise ValueError(f"replicates * base_points = {replicates * base_points}: the set ends at 2**{BITS} points")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence = {confidence}: a confidence strictly between 0 and 1 is needed")
    return check_groups(groups, dimension)


def check_groups(groups: Sequence[Sequence[int]], dimension: int) -> list[NDArray[np.intp]]:
    """Return groups of columns as index arrays, or ValueError where they are empty, overlap or do not exist."""
    members = [int(column) for group in groups for column in group]
    if any(not 0 <= column < dimension for column in members) or len(set(members)) != len(members):
        raise ValueError(
            f"groups = {[list(g) for g in groups]}: columns from 0 to {dimension - 1}, each at most once, are needed"
        )
    if not groups or any(len(group) == 0 for group in groups):
        raise ValueError("groups: at least one group is needed, and none may be empty")
    return [np.asarray(list(group), dtype=np.intp) for group in groups]


def _affordable_degree(dimension: int, groups: int, points: int, replicates: int) -> int:
    """Degree of the additive part: 0, which leaves it out, where points or memory are too few."""
    by_points = points // (_POINTS_A_COEFFICIENT * dimension)
    by_memory = _KEPT // (replicates * groups * dimension)
    return max(0, min(_DEGREE, by_points, by_memory))


def _parts(
    dimension: int, base_points: int, replicates: int, address: Sequence[int]
) -> Iterator[Iterator[tuple[Floats, Floats]]]:
    """Yield the parts of one scrambled Sobol' set, each as pieces of its halves A and B, inside the unit cube."""
    points = OwenSobol(2 * dimension, address)
    piece = min(base_points, _PIECE)

    def pieces() -> Iterator[tuple[Floats, Floats]]:
        for _ in range(base_points // piece):
            block = points.next(piece)
            yield block[:, 0::2], block[:, 1::2]

    for _ in range(replicates):
        yield pieces()


def _output(model: Model, u: Floats) -> Floats:
    """Return the model's output, or ValueError where it is not one finite number a row."""
    y = np.asarray(model(u), dtype=np.float64)
    if y.shape != (u.shape[0],):
        raise ValueError(f"the model returned shape {y.shape} for {u.shape[0]} points: one value a point is needed")
    bad = np.flatnonzero(~np.isfinite(y))
    if bad.size:
        point = np.array2string(u[bad[0]], precision=6, threshold=8, max_line_width=10_000)
        raise ValueError(
            f"the model's output is not finite at {bad.size} of {u.shape[0]} points, "
            f"first {y[bad[0]]} at u = {point}: "
            "indices need a finite output everywhere; take a response that is defined for failed runs too"
        )
    return y


# --- sums over one part of the set ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Means:
    """Means over a part (or, with one axis more in front, over each part), outputs less the centre.

    f(A) and f(B) together: `base`, `base_square`; the k + 2 outputs of a row together: `all`, `all_square`. With
    D_i = f(C_i) - f(A): `change` D_i, `product` f(B) D_i, `square` D_i**2, each (k,). With the orthonormal
    polynomials P (d, K): `polynomial` (P(A) + P(B)) / 2, `projection` (f(A) P(A) + f(B) P(B)) / 2, and `slope`
    (k, d, K) D_i P(B).
    """

    base: Floats
    base_square: Floats
    all: Floats
    all_square: Floats
    change: Floats
    product: Floats
    square: Floats
    polynomial: Floats
    projection: Floats
    slope: Floats

    def __iter__(self) -> Iterator[Floats]:
        return iter(self.__dict__.values())


class _Sums:
    """What `_Means` holds, added up piece by piece."""

    def __init__(self, groups: int, dimension: int, degree: int) -> None:
        self.rows, self.shape = 0, (dimension, degree)
        size = dimension * degree
        self.base, self.all = np.zeros(2), np.zeros(2)
        self.changes = np.zeros((3, groups))
        self.polynomials = np.zeros((2, size))
        self.slope = np.zeros((groups, size))
        self._b: Floats = np.zeros((0, size))
        self._f_a = self._f_b = np.zeros(0)

    def add_base(self, a: Floats, b: Floats, f_a: Floats, f_b: Floats) -> None:
        """Take in f(A) and f(B) of a piece."""
        self.rows += f_a.size
        self._f_a, self._f_b = f_a, f_b
        both = np.array([f_a.sum() + f_b.sum(), f_a @ f_a + f_b @ f_b])
        self.base += 0.5 * both
        self.all += both
        if self.slope.size:
            degree = self.shape[1]
            p_a = legendre(a, degree).reshape(f_a.size, -1)
            self._b = legendre(b, degree).reshape(f_b.size, -1)
            self.polynomials += 0.5 * np.stack([p_a.sum(axis=0) + self._b.sum(axis=0), f_a @ p_a + f_b @ self._b])

    def add_mixed(self, i: int, f_c: Floats) -> None:
        """Take in f(C_i) of the same piece."""
        change = f_c - self._f_a
        self.all += f_c.sum(), f_c @ f_c
        self.changes[:, i] += change.sum(), self._f_b @ change, change @ change
        if self.slope.size:
            self.slope[i] += change @ self._b

    def means(self) -> tuple[Floats, ...]:
        """Return the fields of `_Means` in their order."""
        groups = self.slope.shape[0]
        scaled = (self.base, self.all / (groups + 2), self.changes, self.polynomials, self.slope)
        base, every, changes, polynomials, slope = (np.asarray(part) / self.rows for part in scaled)
        shaped = polynomials.reshape(2, *self.shape)
        return (*base, *every, *changes, *shaped, slope.reshape(groups, *self.shape))


# --- indices from the parts -----------------------------------------------------------------------------------


def _assemble(
    parts: _Means, columns: list[NDArray[np.intp]], centre: float, base_points: int, confidence: float
) -> Indices:
    """Pooled ratios and their intervals from means of shape (R, ...)."""
    replicates, size = parts.change.shape
    mean = float(parts.base.mean())
    base_variance = parts.base_square - 2.0 * mean * parts.base + mean**2
    all_mean = float(parts.all.mean())
    all_variance = parts.all_square - 2.0 * all_mean * parts.all + all_mean**2
    variance = float(base_variance.mean())
    # a spread below the rounding of the mean is no spread
    constant = variance <= (1e-14 * abs(centre + mean)) ** 2
    first = parts.product - mean * parts.change
    if not constant:
        first = first - _additive_part(parts, columns, mean, variance, replicates * base_points)

    def ratio(numerators: Floats, denominators: Floats) -> tuple[Floats, Floats]:
        scale = 0.0 if constant else 1.0 / float(denominators.mean())
        value = numerators.mean(axis=0) * scale
        return value, (numerators - value * denominators[:, None]) * scale

    first_value, first_rest = ratio(first, base_variance)
    total_value, total_rest = ratio(0.5 * parts.square, all_variance)
    first_half, total_half = (_half_width(rest, confidence) for rest in (first_rest, total_rest))
    return Indices(
        first=first_value,
        first_low=first_value - first_half,
        first_high=first_value + first_half,
        total=total_value,
        total_low=total_value - total_half,
        total_high=total_value + total_half,
        mean=centre + mean,
        variance=0.0 if constant else variance,
        confidence=confidence,
        replicates=replicates,
        base_points=base_points,
        model_calls=replicates * base_points * (size + 2),
        constant=constant,
        places=place_probabilities(total_value, total_rest),
    )


def _half_width(residuals: Floats, confidence: float) -> Floats:
    """Student's t over the parts, and over pairs of neighbours where that is wider; residuals of shape (R, k).

    The error of the whole is smaller than that of so many independent parts, unless its parts err together; pairs
    show that.
    """
    half = np.zeros(residuals.shape[1])
    for parts in (residuals, 0.5 * (residuals[0:-1:2] + residuals[1::2])):
        if len(parts) >= _LEAST_PARTS or parts is residuals:
            t = float(stdtrit(len(parts) - 1, 0.5 * (1.0 + confidence)))
            half = np.maximum(half, t * parts.std(axis=0, ddof=1) / np.sqrt(len(parts)))
    return half


def _additive_part(parts: _Means, columns: list[NDArray[np.intp]], mean: float, variance: float, points: int) -> Floats:
    """Mean of g_i(B) D_i in each part, shape (R, k): g_i the additive part in the inputs outside group i."""
    coefficients = parts.projection.mean(axis=0) - mean * parts.polynomial.mean(axis=0)
    # pulled towards 0 where they do not stand out of the noise of as many independent points
    noise = variance / (2.0 * points)
    coefficients = coefficients * np.maximum(0.0, 1.0 - noise / np.maximum(coefficients**2, 1e-300))
    outside = np.ones((len(columns), coefficients.shape[0]))
    for i, members in enumerate(columns):
        outside[i, members] = 0.0
    return np.asarray(np.einsum("ridp,dp,id->ri", parts.slope, coefficients, outside, optimize=True))

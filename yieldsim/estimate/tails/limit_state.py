"""A limit state with its calls counted, its columns made comparable, and what is not a number set apart.

Letters used in this package: n points, d dimensions, k causes (columns of the limit state).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Function = Callable[[Floats], Floats]
Gradient = Callable[[Floats], Floats]


class LimitState:
    """Calls the user's limit state: ``g(u)`` for u of shape (n, d) gives (n,) or (n, k); failing is g < 0.

    Parameters
    ----------
    function : callable
        The limit state on independent standard normal variables. A value that is not a number (NaN) means
        that it is not known whether the point fails; infinite values keep their sign.
    dimension : int
        d.
    gradient : callable, optional
        ``gradient(u)`` gives (n, d) or (n, k, d). Its calls are not counted as model calls.

    Attributes
    ----------
    calls : int
        Points at which the limit state was computed so far.
    unknown : int
        How many of them gave NaN in a column while no column was negative.
    scale : (k,) array
        Positive factor by which each column is divided in `margin`, so that causes told in different units
        can be compared; failing is not changed by it.
    fails_at_origin : bool
        Whether the median of all inputs fails: then a tangent plane may have the origin on its failing side.
    """

    def __init__(self, function: Function, dimension: int, gradient: Gradient | None = None) -> None:
        self._function, self._gradient = function, gradient
        self.dimension = dimension
        self.calls = 0
        self.unknown = 0
        self.scale: Floats = np.ones(1)
        self.fails_at_origin = False
        self._kept: list[tuple[Floats, Floats]] = []

    def values(self, u: Floats) -> Floats:
        """Return all causes at `u`, shape (n, k), as the user's function gives them, NaN included.

        Raises
        ------
        ValueError
            When the function returns anything but (n,) or (n, k) numbers.
        """
        g = np.asarray(self._function(u), dtype=np.float64)
        if g.ndim not in (1, 2) or g.shape[0] != u.shape[0] or g.shape[1:] == (0,):
            raise ValueError(
                f"the limit state returned shape {g.shape} for {u.shape[0]} points: ({u.shape[0]},) or "
                f"({u.shape[0]}, causes) is needed"
            )
        g = g.reshape(u.shape[0], g.size // max(u.shape[0], 1))
        self.calls += u.shape[0]
        self._kept.append((u, g))
        self.unknown += int(np.count_nonzero(np.isnan(g).any(axis=1) & ~(g < 0.0).any(axis=1)))
        return g

    def history(self, most: int = 40_000) -> tuple[Floats, Floats]:
        """Return the last points computed and their values, shapes (m, d) and (m, k); about `most` are kept."""
        if not self._kept:
            return np.zeros((0, self.dimension)), np.zeros((0, 1))
        u, g = (np.concatenate(parts)[-most:] for parts in zip(*self._kept, strict=True))
        self._kept = [(u, g)]
        return u, g

    def compare_by(self, g: Floats) -> None:
        """Set `scale` from values (n, k) at points of the population: their standard deviation."""
        finite = np.where(np.isfinite(g), g, np.nan)
        scale = np.ones(g.shape[1])
        for j in range(g.shape[1]):
            column = finite[:, j][~np.isnan(finite[:, j])]
            spread = float(np.std(column)) if column.size > 1 else 0.0
            scale[j] = spread if spread > 0.0 else 1.0
        self.scale = scale

    def margin(self, u: Floats) -> Floats:
        """Least of the scaled causes, shape (n,); -inf where a cause is NaN, which counts as failing."""
        return self.least(self.values(u))

    def least(self, g: Floats) -> Floats:
        """Least of the scaled causes of values (n, k); -inf where one is NaN."""
        return np.asarray(np.where(np.isnan(g), -np.inf, g / self.scale).min(axis=1), dtype=np.float64)

    def gradients(self, u: Floats, g: Floats, step: float) -> Floats:
        """Gradients of all causes, shape (n, k, d), by forward differences unless the user gave a gradient.

        The step goes towards the origin, where the population is denser and bounded inputs are not flat.
        A difference that is not finite counts as 0.
        """
        n, d = u.shape
        if self._gradient is not None:
            own = np.asarray(self._gradient(u), dtype=np.float64).reshape(n, -1, d)
            if own.shape[1] != g.shape[1]:
                raise ValueError(f"the gradient returned {own.shape[1]} causes where the limit state has {g.shape[1]}")
            return np.where(np.isfinite(own), own, 0.0)
        signs = np.where(u > 0.0, -1.0, 1.0)
        moved = u[:, None, :] + step * signs[:, :, None] * np.eye(d)
        with np.errstate(invalid="ignore"):
            change = self.values(moved.reshape(-1, d)).reshape(n, d, -1) - g[:, None, :]
        slopes = (change / (step * signs[:, :, None])).transpose(0, 2, 1)
        return np.asarray(np.where(np.isfinite(slopes), slopes, 0.0), dtype=np.float64)

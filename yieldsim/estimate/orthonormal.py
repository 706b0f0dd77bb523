"""Legendre polynomials, orthonormal for the uniform law on the unit interval."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def legendre(u: Floats, degree: int) -> Floats:
    """Orthonormal Legendre polynomials of degree 1 to `degree` in each column.

    Parameters
    ----------
    u : (n, d) array
        In [0, 1].
    degree : int
        K, at least 1.

    Returns
    -------
    (n, d, K) array
        Each of mean 0 and variance 1 for uniform u, and uncorrelated (Abramowitz and Stegun 1964, 22.7.10 for the
        recurrence).
    """
    x = 2.0 * u - 1.0
    found = np.empty((*u.shape, degree))
    before, here = np.ones_like(x), x
    for k in range(1, degree + 1):
        found[..., k - 1] = np.sqrt(2.0 * k + 1.0) * here
        before, here = here, ((2 * k + 1) * x * here - k * before) / (k + 1)
    return found

"""A parameter with its tolerance made narrower or wider: every deviation times a factor, nothing else changed.

Draws are addressed by the name of a parameter and its level, so that a scaled tolerance uses the draws of the stated
one: what differs between two designs is the tolerance alone.
"""

from __future__ import annotations

import math
from dataclasses import replace

from yieldsim.design.parameter import Parameter, Tolerance
from yieldsim.words.errors import InputError, Problem

#: Share of a width that a factor of 0 leaves: no shape, sorting or correlation need know of a band without width.
NEXT_TO_NOTHING = 1e-9


def scaled(parameter: Parameter, factor: float) -> Parameter:
    """Return the parameter with the deviations of all its levels multiplied by a factor.

    Deviations d from the nominal become ``factor`` * d; one-sided and unequal limits keep their proportion. A lognormal
    has the standard deviation of its logarithm multiplied, so that a value x becomes nominal * (x / nominal)**factor.
    An ``offset`` is a shift of the mean and no spread: it stays. Limits of the sum of levels (``within_total``) are
    multiplied with them. The coefficients of the parameter's laws are parameters of their own and stay as they are.

    Parameters
    ----------
    parameter : Parameter
        A measured shape keeps the number of its values.
    factor : float
        0 or more; 0 leaves the parameter at its nominal and offset, but for `NEXT_TO_NOTHING` of its width.

    Returns
    -------
    Parameter
        The same object for a factor of 1. Whether its values are possible is not asked here, see
        `Design.with_parameter`.

    Raises
    ------
    InputError : a factor that is negative or not finite
    """
    if not (math.isfinite(factor) and factor >= 0.0):
        reason, remedy = "a tolerance is made 0 or more times as wide", "give a factor of 0 or more"
        raise InputError(Problem(None, parameter.name, f"{factor:g}", reason, remedy))
    if factor == 1.0 or not parameter.tolerances:
        return parameter
    factor = max(factor, NEXT_TO_NOTHING)
    total = parameter.within_total
    if total is not None:
        total = (total[0] * factor, total[1] * factor, total[2])
    return replace(parameter, tolerances=tuple(_scaled(t, factor) for t in parameter.tolerances), within_total=total)


def _scaled(tolerance: Tolerance, factor: float) -> Tolerance:
    def times(value: float | None) -> float | None:
        return None if value is None else value * factor

    removed = tolerance.removed
    return replace(
        tolerance,
        low=times(tolerance.low),
        high=times(tolerance.high),
        sigma=times(tolerance.sigma),
        mode=tolerance.mode * factor,
        removed=None if removed is None else (removed[0] * factor, removed[1] * factor),
        values=tuple(value * factor for value in tolerance.values),
    )

"""Charge and energy of the nominal store, by straight lines between the points of a bias curve.

Light enough to be worked out before a run: a few mV beside the curve that the engine uses.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from yieldsim.design.schema import Capacitor, Design

_HALVINGS = 60
_HIGHEST = 1e4  # of a store [V]


def bias_at(part: Capacitor, voltage: float) -> float:
    """Return the differential bias factor of a capacitor at a voltage [V], flat beyond its points."""
    points = part.capacitance.bias
    if not points:
        return 1.0
    for (v0, f0), (v1, f1) in pairwise(points):
        if voltage < v1:
            return f0 + (f1 - f0) * (voltage - v0) / (v1 - v0)
    return points[-1][1]


def capacitance_at(design: Design, voltage: float) -> float:
    """Return the differential capacitance [F] of the store at a voltage [V], all its capacitors together."""
    return sum(part.capacitance.nominal * bias_at(part, voltage) for part in design.storage.parts)


def _pieces(design: Design, voltage: float) -> list[tuple[float, float]]:
    """Ends of the pieces from 0 V to a voltage on which the capacitance is a straight line."""
    marks = {v for part in design.storage.parts for v, _ in part.capacitance.bias or () if 0.0 < v < voltage}
    return list(pairwise([0.0, *sorted(marks), voltage]))


def charge_at(design: Design, voltage: float) -> float:
    """Return the charge [C] in the store at a voltage [V], 0 or above."""
    return sum(
        0.5 * (b - a) * (capacitance_at(design, a) + capacitance_at(design, b)) for a, b in _pieces(design, voltage)
    )


def energy_at(design: Design, voltage: float) -> float:
    """Return the energy [J] in the store at a voltage [V], 0 or above: the integral of C(v) v, by Simpson's rule."""
    total = 0.0
    for a, b in _pieces(design, voltage):
        middle = 0.5 * (a + b)
        inner = a * capacitance_at(design, a) + b * capacitance_at(design, b)
        total += (b - a) / 6.0 * (inner + 4.0 * middle * capacitance_at(design, middle))
    return total


def voltage_with(held: Callable[[Design, float], float], design: Design, amount: float) -> float:
    """Return the voltage [V] at which the store holds an amount of charge or energy.

    Parameters
    ----------
    held : `charge_at` or `energy_at`
    design : Design
    amount : [C] or [J]; 0 V where it is not positive
    """
    if amount <= 0.0:
        return 0.0
    low, high = 0.0, 1.0
    while held(design, high) < amount and high < _HIGHEST:
        low, high = high, 2.0 * high
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if held(design, middle) < amount else (low, middle)
    return 0.5 * (low + high)

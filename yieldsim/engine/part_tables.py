"""Tables of parts as the compiled code works with them: bias of a store and of a bank, line of a junction."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design

FloatArray = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

BIAS_ACCURACY = 1e-9  # [V]
BIAS_INTERVALS = 4095  # at most
BANK_INTERVALS = 1024  # of the table that stands for a whole bank
# Share of the unloaded peak current from which the junction's line is fitted.
LOWEST_SHARE = 0.05


class _Bias:
    """Charge against voltage of a store with a bias factor b(v): B(V) = ∫ b dv from 0, and its inverse.

    b is a shape-preserving cubic (Fritsch and Carlson 1980) through the points, flat beyond the last.
    """

    def __init__(self, points: Points) -> None:
        from scipy.interpolate import PchipInterpolator  # slow to import, and only needed here

        voltages, factors = (np.array(column, dtype=np.float64) for column in zip(*points, strict=True))
        self.last = float(voltages[-1])
        self.factor = PchipInterpolator(voltages, factors)
        self.charge = self.factor.antiderivative()
        self.full = float(self.charge(self.last))

    def voltage(self, s: FloatArray) -> FloatArray:
        """Invert B at s = q/C_s [V], 0 <= s <= B(last point): Newton, kept inside a shrinking bracket."""
        low, high = np.zeros_like(s), np.full_like(s, self.last)
        # s/b(0) is never above the answer, as b does not rise.
        v = np.clip(s / float(self.factor(0.0)), low, high)
        for _ in range(100):
            excess = self.charge(v) - s
            low = np.where(excess < 0.0, v, low)
            high = np.where(excess > 0.0, v, high)
            new = v - excess / self.factor(v)
            new = np.where((new < low) | (new > high), 0.5 * (low + high), new)
            if np.max(np.abs(new - v), initial=0.0) <= 1e-15 * self.last:
                return np.asarray(new)
            v = new
        return v


def hermite(table: FloatArray, step: float, s: FloatArray) -> FloatArray:
    """Return the voltage [V] that the compiled code reads from a bias table at s = q/C_s [V] inside it."""
    k = np.minimum((s / step).astype(np.int64), len(table) - 2)
    f = s / step - k
    v0, v1 = table[k, 0], table[k + 1, 0]
    d0, d1 = table[k, 1] * step, table[k + 1, 1] * step
    rise = v1 - v0
    return np.asarray(v0 + f * (d0 + f * ((3.0 * rise - 2.0 * d0 - d1) + f * (d0 + d1 - 2.0 * rise))))


def bias_table(points: Points | None) -> tuple[FloatArray, float, float]:
    """Return the voltage of a store against its charge, for cubic Hermite interpolation.

    Parameters
    ----------
    points : ((voltage [V], differential factor [-]), ...), from 0 V, or None for a store without bias effect

    Returns
    -------
    table : (N, 2) float64
        Voltage [V] and its slope dV/ds = 1/b [-] at uniform s = q/C_s. Beyond the end the slope is constant.
    step : float
        Spacing of s [V].
    error : float
        Largest difference [V] from the exact inverse found at eight places in every interval. The number of
        intervals is doubled until it is below 1e-9 V, or their greatest number is reached.
    """
    table, step, error = _bias_table(points)
    return table.copy(), step, error


@lru_cache(maxsize=64)
def _bias_table(points: Points | None) -> tuple[FloatArray, float, float]:
    if points is None or _linear(points):
        slope = 1.0 if points is None else 1.0 / points[0][1]
        return np.array([[0.0, slope], [slope, slope]]), 1.0, 0.0
    store = _Bias(points)
    intervals = 256
    while True:
        step = store.full / intervals
        nodes = np.arange(intervals + 1) * step
        voltages = store.voltage(np.minimum(nodes, store.full))
        table = np.column_stack([voltages, 1.0 / store.factor(voltages)])
        places = (np.arange(intervals)[:, None] + (np.arange(8) + 0.5) / 8.0).ravel() * step
        error = float(np.max(np.abs(hermite(table, step, places) - store.voltage(places))))
        if error <= BIAS_ACCURACY or intervals == BIAS_INTERVALS:
            return table, step, error
        intervals = min(2 * intervals, BIAS_INTERVALS)


# --- a bank -----------------------------------------------------------------------------------------------------


def _linear(points: Points | None) -> bool:
    return points is None or len(points) < 2 or all(factor == points[0][1] for _, factor in points)


def bank_table(curves: tuple[Points | None, ...]) -> tuple[FloatArray, float, float]:
    """Return the charge of each capacitor of a bank against the common voltage, for cubic Hermite interpolation.

    Parameters
    ----------
    curves : one a capacitor, ((voltage [V], differential factor [-]), ...) from 0 V; None without bias effect

    Returns
    -------
    table : (K, N, 2) float64
        B(V) = ∫ b dv from 0 to V [V], and b(V) [-], at uniform V from 0 to the highest point of any curve. Beyond the
        end, as beyond the last point of each curve, b is constant.
    step : float
        Spacing of V [V].
    error : float
        Largest difference [V] from the exact integral found at eight places in every interval. The number of
        intervals is doubled until it is below 1e-9 V, or their greatest number is reached.
    """
    table, step, error = _bank_table(curves)
    return table.copy(), step, error


@lru_cache(maxsize=64)
def _bank_table(curves: tuple[Points | None, ...]) -> tuple[FloatArray, float, float]:
    charges = [_charge_of(points) for points in curves]
    last = _last_point(curves)
    if last is None:
        rows = [(float(charge(np.zeros(1))[1][0])) for charge in charges]
        return np.array([[[0.0, b], [b, b]] for b in rows]).reshape(-1, 2, 2), 1.0, 0.0
    intervals = 256
    while True:
        step = last / intervals
        nodes = np.arange(intervals + 1) * step
        table = np.stack([np.column_stack(charge(nodes)) for charge in charges])
        places = (np.arange(intervals)[:, None] + (np.arange(8) + 0.5) / 8.0).ravel() * step
        error = max(
            float(np.max(np.abs(hermite(part, step, places) - charge(places)[0])))
            for part, charge in zip(table, charges, strict=True)
        )
        if error <= BIAS_ACCURACY or intervals == BIAS_INTERVALS:
            return table, step, error
        intervals = min(2 * intervals, BIAS_INTERVALS)


def _last_point(curves: tuple[Points | None, ...]) -> float | None:
    """Highest voltage [V] of a curve that is not flat; None when all are."""
    ends = [points[-1][0] for points in curves if points is not None and not _linear(points)]
    return max(ends, default=None)


def _charge_of(points: Points | None) -> Callable[[NDArray[Any]], tuple[FloatArray, FloatArray]]:
    """Return the function that gives B [V] and b [-] at voltages [V] of at least 0."""
    if points is None or _linear(points):
        flat = 1.0 if points is None else points[0][1]
        return lambda v: (flat * v, np.full_like(v, flat))
    store = _Bias(points)

    def charge(v: NDArray[Any]) -> tuple[FloatArray, FloatArray]:
        inside = np.minimum(v, store.last)
        b = np.asarray(store.factor(inside))
        return np.asarray(store.charge(inside) + b * (v - inside)), b

    return charge


def bank_bias(curves: tuple[Points | None, ...], capacitances: tuple[float, ...]) -> tuple[FloatArray, float]:
    """Return the voltage of a bank against its charge: the bias table of one store that does as the bank.

    Parameters
    ----------
    curves : one a capacitor, as for `bank_table`
    capacitances : theirs at no bias [F]

    Returns
    -------
    table : (N, 2) float64, N <= 1025
        Voltage [V] and its slope dV/ds [-] at uniform s = q/ΣC. Beyond the end the slope is constant.
    step : float
        Spacing of s [V].
    """
    charges = [_charge_of(points) for points in curves]
    weights = np.array(capacitances) / math.fsum(capacitances)
    last = _last_point(curves)
    if last is None:
        slope = 1.0 / math.fsum(w * float(c(np.zeros(1))[1][0]) for w, c in zip(weights, charges, strict=True))
        return np.array([[0.0, slope], [slope, slope]]), 1.0

    def both(v: FloatArray) -> tuple[FloatArray, FloatArray]:
        parts = [charge(v) for charge in charges]
        total, factor = np.zeros_like(v), np.zeros_like(v)
        for w, (part, b) in zip(weights, parts, strict=True):
            total, factor = total + w * part, factor + w * b
        return total, factor

    step = float(both(np.array([last]))[0][0]) / BANK_INTERVALS
    s = np.arange(BANK_INTERVALS + 1) * step
    low, high = np.zeros_like(s), np.full_like(s, last)
    v = s * (last / s[-1])
    for _ in range(100):
        total, factor = both(v)
        excess = total - s
        low, high = np.where(excess < 0.0, v, low), np.where(excess > 0.0, v, high)
        new = v - excess / factor
        new = np.where((new < low) | (new > high), 0.5 * (low + high), new)
        done = np.max(np.abs(new - v)) <= 1e-15 * last
        v = new
        if done:
            break
    return np.column_stack([v, 1.0 / both(v)[1]]), step


def junction_drop(points: Points, current: FloatArray) -> FloatArray:
    """Return one junction's drop [V] at currents [A]: linear in log I between the points and beyond them."""
    amperes, volts = (np.array(column, dtype=np.float64) for column in zip(*points, strict=True))
    order = np.argsort(amperes)
    x, y = np.log(amperes[order]), volts[order]
    logs = np.log(current)
    k = np.clip(np.searchsorted(x, logs) - 1, 0, len(x) - 2)
    return np.asarray(y[k] + (logs - x[k]) * (y[k + 1] - y[k]) / (x[k + 1] - x[k]))


class DropLine(NamedTuple):
    """A straight line for one junction's drop, and how far it is from the table over the fitted range."""

    intercept: float  # [V]
    slope: float  # [ohm]
    largest: float  # largest deviation [V]
    mean: float  # mean absolute deviation, weighted with charge [V]


@lru_cache(maxsize=64)
def drop_line(points: Points, peak_current: float | None) -> DropLine:
    """Fit a straight line to one junction's drop, by least squares weighted with charge.

    Over a half-sine of current I = I_pk sin θ the charge in dθ goes with sin θ dθ; the fit runs from 5 % of
    the peak to the peak. The table is linear in log I, so its law is smooth between its points and the
    integrals are Gauss-Legendre sums over each piece.

    Parameters
    ----------
    points : ((current [A], drop [V]), ...), two or more
    peak_current : unloaded peak of the coil current [A]; None or 0 to use the currents of the table's ends
    """
    amperes = sorted(current for current, _ in points)
    peak, lowest = amperes[-1], amperes[0]
    if peak_current is not None and peak_current > 0.0:
        peak, lowest = peak_current, LOWEST_SHARE * peak_current
    corners = sorted({lowest, peak, *(i for i in amperes if lowest < i < peak)})
    angles = np.arcsin(np.array(corners) / peak)
    place, share = np.polynomial.legendre.leggauss(48)
    half = 0.5 * np.diff(angles)[:, None]
    theta = (angles[:-1, None] + half * (place + 1.0)).ravel()
    weight = (half * share).ravel() * np.sin(theta)
    current = peak * np.sin(theta)
    drop = junction_drop(points, current)
    total = math.fsum(weight)
    mean_current, mean_drop = float(weight @ current) / total, float(weight @ drop) / total
    centred = current - mean_current
    slope = float(weight @ (centred * (drop - mean_drop))) / float(weight @ centred**2)
    intercept = mean_drop - slope * mean_current

    dense = np.unique(np.concatenate([np.linspace(angles[0], angles[-1], 4001), angles]))
    currents = np.clip(peak * np.sin(dense), lowest, peak)
    deviation = np.abs(intercept + slope * currents - junction_drop(points, currents))
    charge = np.sin(dense)
    mean = float(np.trapezoid(deviation * charge, dense) / np.trapezoid(charge, dense))
    return DropLine(intercept, slope, float(np.max(deviation)), mean)


def unloaded_peak_current(design: Design) -> float:
    """Return the greatest current [A] of the harvester into a short circuit, nominal, at speed 1.

    Ê·|linkage|/sqrt(R² + (πL/w)²) for half-sines, the peak emf over R for a measured waveform, R at 20 degC;
    C_p·|linkage|·swing·π/(2w) for a piezoelectric element; 0 for an energy packet, which passes no diode of the
    design, and without a harvester.
    """
    harvester = design.harvester
    if harvester is None:
        return 0.0
    if harvester.open_circuit_swing is not None and harvester.source_capacitance is not None:
        charge = harvester.source_capacitance.nominal * harvester.open_circuit_swing.nominal
        return max(
            (
                charge * abs(stroke.linkage.nominal) * math.pi / (2.0 * width.nominal)
                for stroke in harvester.strokes
                if (width := stroke.transit_time or harvester.transit_time) is not None
            ),
            default=0.0,
        )
    if harvester.coil_resistance is None or harvester.coil_inductance is None:
        return 0.0
    resistance = harvester.coil_resistance.nominal
    if harvester.waveform is not None:
        peak = max(abs(emf) for emf in harvester.waveform.emf) * harvester.waveform.scale.nominal
        return peak / resistance if resistance > 0.0 else 0.0
    if harvester.peak_emf is None:
        return 0.0
    largest = 0.0
    for stroke in harvester.strokes:
        transit = stroke.transit_time or harvester.transit_time
        if transit is None:
            continue
        reactance = math.pi * harvester.coil_inductance.nominal / transit.nominal
        impedance = math.hypot(resistance, reactance)
        if impedance > 0.0:
            largest = max(largest, harvester.peak_emf.nominal * abs(stroke.linkage.nominal) / impedance)
    return largest


def drop_line_error(design: Design) -> tuple[float, float]:
    """Return how far the junction's line is from its table over 5-100 % of the unloaded peak current.

    Returns
    -------
    largest : largest deviation of one junction's drop [V]
    mean : mean absolute deviation weighted with charge [V]
    """
    points = design.rectifier.forward_drop.points
    if points is None:
        return 0.0, 0.0
    line = drop_line(points, unloaded_peak_current(design))
    return line.largest, line.mean

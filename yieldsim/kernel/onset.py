"""The source while the bridge blocks, and when the bridge begins to conduct."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.drain import charge_after

# A bridge that has just stopped conducting starts again only above this excess [V]: without it, rounding at the very
# zero of the current could switch it back and forth.
ONSET = 1e-7


@apart
def across_after(t, dt, m):
    """Voltage [V] on C_p of a piezoelectric source ``dt`` [s] after ``t``, no current taken.

    dv/dt = ds/dt - v / (R_loss C_p) with ds/dt a sum of sines: a decay and the particular solution of each.
    """
    k = m[pl.LOSS] / m[pl.INERTIA]
    decay = math.exp(-k * dt)
    v = m[pl.ACROSS] * decay
    for n in range(pl.WAVE, pl.WAVE + pl.PER_WAVE * int(m[pl.WAVES]), pl.PER_WAVE):
        rate = m[n + pl.WAVE_RATE]
        before, after = rate * (t - m[n + pl.WAVE_START]), rate * (t + dt - m[n + pl.WAVE_START])
        size = m[n] / (k * k + rate * rate)
        v += size * (k * math.sin(after) - rate * math.cos(after))
        v -= size * (k * math.sin(before) - rate * math.cos(before)) * decay
    return v


@inlined
def driving(t, dt, m):
    """Voltage [V], signed, that a blocked bridge sees of its source ``dt`` [s] after the present time ``t``."""
    if m[pl.KIND] == at.PIEZO:
        return across_after(t, dt, m)
    return st.emf_at(t + dt, m)


@apart
def excess(t, dt, q, m):
    """Voltage [V] by which the source stands above what blocks the bridge at ``t + dt``, drained from ``q`` at ``t``.

    A single diode conducts one polarity alone: the source then counts with its sign.
    """
    e = driving(t, dt, m)
    left = charge_after(q, dt, m) if dt > 0.0 else q
    v_in, _, _ = st.input_voltage(0.0, left, m)
    return (e if m[pl.JUNCTIONS] < 1.5 else abs(e)) - v_in - m[pl.DROP]


@inlined
def cannot_conduct(t, span, v_end, m):
    """Whether the source stays below what blocks the bridge over a whole span, at whose end V_in is lowest."""
    if m[pl.KIND] == at.PIEZO:
        most = abs(m[pl.ACROSS])
        for n in range(pl.WAVE, pl.WAVE + pl.PER_WAVE * int(m[pl.WAVES]), pl.PER_WAVE):
            most += abs(m[n]) * min(span, 2.0 / m[n + pl.WAVE_RATE])
        return most <= v_end + m[pl.DROP]
    if m[pl.WAVES] > 1.0:
        return False
    # the emf is monotone between its break points, and the store falls
    return max(abs(st.emf_at(t, m)), abs(st.emf_at(t + span, m))) <= v_end + m[pl.DROP]


@inlined
def rising_phase(share):
    """About the phase [rad] at which a sine first reaches a ``share`` of its peak: the beginning of the series of the
    arc sine, where the bridge mostly opens; of one actuation or of `lanes`.
    """
    s = share * share
    return share * (1.0 + s * (1.0 / 6.0 + s * (3.0 / 40.0 + s * (15.0 / 336.0))))


@inlined
def first_guess(t, v_in, m):
    """Time [s] after ``t`` at which one half-sine reaches what blocks the bridge at ``v_in`` [V]; -1 for others."""
    if m[pl.KIND] != at.HALF_SINE or m[pl.WAVES] != 1.0:
        return -1.0
    share = (v_in + m[pl.DROP]) / abs(m[pl.WAVE])
    if not 0.0 < share < 1.0:
        return -1.0
    return rising_phase(share) / m[pl.WAVE + pl.WAVE_RATE] + m[pl.WAVE + pl.WAVE_START] - t


@apart
def find_onset(t, span, left, q, m):
    """Time [s] after ``t`` at which the bridge begins to conduct within ``span``, or ``span`` when it does not.

    ``left`` is the charge at the end of a span without conduction. Break points stand at the peak of every stroke: the
    excess rises with the emf before it, and behind it has at most one summit (the emf is concave there while the store
    drains), which three inner points and a parabola find.
    """
    if m[pl.KIND] == at.NO_SOURCE or m[pl.KIND] == at.PACKET:
        return span
    v_end, _, _ = st.input_voltage(0.0, left, m)
    if cannot_conduct(t, span, v_end, m):
        return span
    low, before, y_before, y_low = 0.0, -1.0, 0.0, 0.0
    first, last, y_first, y_last = -1.0, -1.0, 0.0, 0.0
    parts = 4
    if m[pl.WAVES] == 1.0 and m[pl.KIND] != at.PIEZO:
        e0, e1 = st.emf_at(t, m), st.emf_at(t + span, m)
        parts = 1 if abs(e1) > abs(e0) and e0 * e1 >= 0.0 else 4
    for k in range(parts + 1):
        high = span * k / parts
        y_high = excess(t, high, q, m)
        if k == 0:
            if y_high > ONSET:
                return 0.0
            y_low = min(y_high, 0.0)
            continue
        if y_high <= 0.0 and before >= 0.0 and y_low > y_before and y_low > y_high:
            # a summit within the last two parts: the vertex of the parabola through the three points
            top = low - 0.5 * (span / parts) * (y_high - y_before) / (y_before - 2.0 * y_low + y_high)
            y_top = excess(t, top, q, m)
            if y_top > 0.0:
                first, y_first, last, y_last = before, y_before, top, y_top
                break
        if y_high > 0.0:
            first, y_first, last, y_last = low, y_low, high, y_high
            break
        before, y_before = low, y_low
        low, y_low = high, y_high
    if last < 0.0:
        return span
    side = 0.0
    x = (first * y_last - last * y_first) / (y_last - y_first)
    guess = first_guess(t, v_end, m)
    if first < guess < last:
        x = guess
    for _ in range(80):
        y = excess(t, x, q, m)
        if abs(y) <= 1e-9 or last - first <= 1e-14:
            break
        first, y_first, last, y_last, side = st.narrow(x, y, first, y_first, last, y_last, side)
        x = (first * y_last - last * y_first) / (y_last - y_first)
    return x

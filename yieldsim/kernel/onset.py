"""When a blocked bridge begins to conduct."""

from yieldsim.kernel import circuit as ct
from yieldsim.kernel import layout as at
from yieldsim.kernel import stepper as st
from yieldsim.kernel.compiled import compiled
from yieldsim.kernel.drain import charge_after

# A bridge that has just stopped conducting starts again only above this excess [V]: without it, rounding at the very
# zero of the current could switch it back and forth.
ONSET = 1e-7


@compiled
def excess(t, dt, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Voltage [V] by which |e| stands above what blocks the bridge at ``t + dt``, drained from charge ``q`` at ``t``.

    A single diode conducts one polarity alone: the emf then counts with its sign.
    """
    e = st.emf_at(t + dt, kind, wave, waves)
    left = charge_after(q, dt, accuracy, c, demand, bias, bias_step)
    v_in, _, _ = st.input_voltage(0.0, left, c, demand, bias, bias_step)
    return (e if c[ct.JUNCTIONS] < 1.5 else abs(e)) - v_in - c[ct.DROP]


@compiled
def find_onset(t, span, left, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Time [s] after ``t`` at which the bridge begins to conduct within ``span``, or ``span`` when it does not.

    ``left`` is the charge at the end of a span without conduction. Break points stand at the peak of every stroke: the
    excess rises with the emf before it, and behind it has at most one summit (the emf is concave there while the store
    drains), which three inner points and a parabola find.
    """
    if kind == at.NO_SOURCE:
        return span
    v_end, _, _ = st.input_voltage(0.0, left, c, demand, bias, bias_step)
    e0, e1 = st.emf_at(t, kind, wave, waves), st.emf_at(t + span, kind, wave, waves)
    if waves <= 1 and max(abs(e0), abs(e1)) <= v_end + c[ct.DROP]:
        return span  # the emf is monotone between its break points, and the store falls
    low, before, y_before, y_low = 0.0, -1.0, 0.0, 0.0
    bracket_low, bracket_high, y_bracket_low, y_bracket_high = -1.0, -1.0, 0.0, 0.0
    parts = 1 if waves == 1 and abs(e1) > abs(e0) and e0 * e1 >= 0.0 else 4
    for k in range(parts + 1):
        high = span * k / parts
        y_high = excess(t, high, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
        if k == 0:
            if y_high > ONSET:
                return 0.0
            y_low = min(y_high, 0.0)
            continue
        if y_high <= 0.0 and before >= 0.0 and y_low > y_before and y_low > y_high:
            # a summit within the last two parts: the vertex of the parabola through the three points
            top = low - 0.5 * (span / parts) * (y_high - y_before) / (y_before - 2.0 * y_low + y_high)
            y_top = excess(t, top, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
            if y_top > 0.0:
                bracket_low, y_bracket_low, bracket_high, y_bracket_high = before, y_before, top, y_top
                break
        if y_high > 0.0:
            bracket_low, y_bracket_low, bracket_high, y_bracket_high = low, y_low, high, y_high
            break
        before, y_before = low, y_low
        low, y_low = high, y_high
    if bracket_high < 0.0:
        return span
    return onset_between(
        t, bracket_low, y_bracket_low, bracket_high, y_bracket_high,
        q, kind, wave, waves, accuracy, c, demand, bias, bias_step,
    )  # fmt: skip


@compiled
def onset_between(t, low, y_low, high, y_high, q, kind, wave, waves, accuracy, c, demand, bias, bias_step):
    """Time after ``t`` at which conduction begins, between ``low`` (blocked) and ``high`` (not): regula falsi [s]."""
    side = 0
    x = high
    for _ in range(80):
        x = (low * y_high - high * y_low) / (y_high - y_low)
        y = excess(t, x, q, kind, wave, waves, accuracy, c, demand, bias, bias_step)
        if abs(y) <= 1e-11 or high - low <= 1e-14:
            break
        if y < 0.0:
            low, y_low = x, y
            if side == 1:
                y_high *= 0.5
            side = 1
        else:
            high, y_high = x, y
            if side == -1:
                y_low *= 0.5
            side = -1
    return x

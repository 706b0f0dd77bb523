"""What happens within a step of lanes: V_in at its highest, V_in at the ceiling, the end of the current."""

from typing import Any, NamedTuple

from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.collocation import C1, C2, C3, bends, ends, quartic
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.glide import ALMOST, CLOSE, crest, slope_of, value
from yieldsim.kernel.lanes import any_of, choose, greater, lesser, magnitude, no
from yieldsim.kernel.stepper import dense_at, narrow


class Step(NamedTuple):
    """A step of each lane: where it starts, and current [A] and charge [C] at its four points."""

    t: Any  # [s]
    h: Any  # [s]
    i: Any
    q: Any
    v: Any  # of the store at the start [V]
    elastance: Any  # dV/dq there [V/C]
    j1: Any
    j2: Any
    j3: Any
    j4: Any
    z1: Any  # charges less ``q``
    z2: Any
    z3: Any
    z4: Any


class Input(NamedTuple):
    """What turns current and V to V_in and to the reverse voltage of a junction."""

    esr: Any  # [ohm]
    back: Any  # what the regulator's current takes across the ESR [V]
    slope: Any  # of one junction [ohm]
    intercept: Any  # of one junction; -inf where the reverse voltage is not that of a bridge [V]


@inlined
def chosen(condition, one, other):
    """Return the step ``one`` in the lanes in which ``condition`` holds, and the ``other`` one in the rest."""
    return Step(
        choose(condition, one.t, other.t), choose(condition, one.h, other.h),
        choose(condition, one.i, other.i), choose(condition, one.q, other.q),
        choose(condition, one.v, other.v), choose(condition, one.elastance, other.elastance),
        choose(condition, one.j1, other.j1), choose(condition, one.j2, other.j2),
        choose(condition, one.j3, other.j3), choose(condition, one.j4, other.j4),
        choose(condition, one.z1, other.z1), choose(condition, one.z2, other.z2),
        choose(condition, one.z3, other.z3), choose(condition, one.z4, other.z4),
    )  # fmt: skip


@inlined
def zero_abreast(going, end, c0, c1, c2, c3, c4):
    """`glide.zero_of`, for the lanes that are ``going``."""
    low, high = 0.0 * end, end
    x = end * c0 / (c0 - lesser(value(end, c0, c1, c2, c3, c4), 0.0))
    found = x
    met = no(going)
    for _ in range(60):
        y = value(x, c0, c1, c2, c3, c4)
        above = y > 0.0
        low, high = choose(above, x, low), choose(above, high, x)
        fall = slope_of(x, c1, c2, c3, c4)
        after = choose(fall == 0.0, low, x - y / fall)
        close = magnitude(after - x) <= ALMOST
        found = choose(met, found, choose(close, lesser(greater(after, low), high), x))
        met = met | close
        if not any_of(no(met)):
            break
        x = choose((low < after) & (after < high), after, 0.5 * (low + high))
    return found


@inlined
def summit_abreast(going, end, resistance, elastance, c1, c2, c3, c4, d1, d2, d3, d4):
    """`glide.summit`."""
    rise = elastance * d1 + resistance * c1
    climbs = rise > 0.0
    x = zero_abreast(
        going & climbs, end, rise, 2.0 * (elastance * d2 + resistance * c2), 3.0 * (elastance * d3 + resistance * c3),
        4.0 * (elastance * d4 + resistance * c4), 0.0 * rise,
    )  # fmt: skip
    return choose(climbs, x, 0.0)


@inlined
def crossing_abreast(going, ceiling, v_in, i, q, i4, q4, a, b, low, high, y_low, y_high, store):
    """`glide.share_at`, for the lanes that are ``going``, between the shares ``low`` and ``high`` of the step, at which
    V_in lies ``y_low`` and ``y_high`` above the ceiling; ``a`` and ``b`` are the three coefficients of each dense
    output, see `collocation.bends`.
    """
    x = (low * y_high - high * y_low) / (y_high - y_low)
    side, met = 0.0 * x, no(going)
    for _ in range(58):
        v, _ = voltage_abreast(dense_at(x, q, q4, b[0], b[1], b[2]), store)
        y = v + v_in.esr * dense_at(x, i, i4, a[0], a[1], a[2]) - v_in.back - ceiling
        met = met | (magnitude(y) <= CLOSE)
        if not any_of(no(met)):
            break
        low, y_low, high, y_high, side = narrow(x, y, low, y_low, high, y_high, side)
        x = choose(met, x, (low * y_high - high * y_low) / (y_high - y_low))
    return x


@inlined
def coefficients_of(start, end, k):
    """`glide.coefficients`."""
    return end - start + k[0], k[1] - k[0], k[2] - k[1], -k[2]


@apart
def crest_within(going, step, v_in, store):
    """Share of the step at which V_in is highest in the lanes that are ``going``, V_in there [V], the highest reverse
    voltage [V], and the highest charge [C].
    """
    i, q, esr, back = step.i, step.q, v_in.esr, v_in.back
    c1, c2, c3, c4 = quartic(step.j1 - i, step.j2 - i, step.j3 - i, step.j4 - i)
    d1, d2, d3, d4 = quartic(step.z1, step.z2, step.z3, step.z4)
    end = 0.0 * i + 1.0
    x = summit_abreast(going, end, esr, step.elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    x, high, there = crest(x, esr, back, i, q, c1, c2, c3, c4, d1, d2, d3, d4, store)
    y = summit_abreast(going, end, esr + v_in.slope, there, c1, c2, c3, c4, d1, d2, d3, d4)
    v, _ = voltage_abreast(value(y, q, d1, d2, d3, d4), store)
    seen = v + ((esr + v_in.slope) * value(y, i, c1, c2, c3, c4) - back + v_in.intercept)
    first_q, last_q = ends(step.z1, step.z2, step.z3, step.z4)
    turns = going & (last_q < 0.0) & (first_q > 0.0)
    turn = zero_abreast(turns, end, d1, 2.0 * d2, 3.0 * d3, 4.0 * d4, 0.0 * i)
    return x, high, seen, choose(turns, value(turn, q, d1, d2, d3, d4), q + greater(step.z4, 0.0))


@apart
def ceiling_within(going, step, v_in, ceiling, w0, w1, w2, w3, w4, store):
    """Share of the step at which V_in first meets the ``ceiling`` [V] in the lanes that are ``going``, current [A] and
    charge less that of the start [C] there. V_in at the start and the points is ``w0`` to ``w4`` [V].
    """
    i, q = step.i, step.q
    a, b = bends(step.j1 - i, step.j2 - i, step.j3 - i, step.j4 - i), bends(step.z1, step.z2, step.z3, step.z4)
    first, second, third = w1 >= ceiling, w2 >= ceiling, w3 >= ceiling
    low = choose(first, 0.0, choose(second, C1, choose(third, C2, 0.0 * i + C3)))
    high = choose(first, C1, choose(second, C2, choose(third, C3, 0.0 * i + 1.0)))
    y_low = choose(first, w0, choose(second, w1, choose(third, w2, w3))) - ceiling
    y_high = choose(first, w1, choose(second, w2, choose(third, w3, w4))) - ceiling
    q4 = q + step.z4
    x = crossing_abreast(going, ceiling, v_in, i, q, step.j4, q4, a, b, low, high, y_low, y_high, store)
    return x, dense_at(x, i, step.j4, a[0], a[1], a[2]), dense_at(x, q, q4, b[0], b[1], b[2]) - q


@apart
def end_within(going, step, v_in, store):
    """Where in the step the current of the lanes that are ``going`` ends; see `glide.end_current`.

    Returns the share of the step, charge [C] and V [V] there, the lesser of V_in there and at the start, the share
    at which V_in is highest, charge and V_in there, and the highest reverse voltage.
    """
    i, q, esr, back = step.i, step.q, v_in.esr, v_in.back
    a, b = bends(step.j1 - i, step.j2 - i, step.j3 - i, step.j4 - i), bends(step.z1, step.z2, step.z3, step.z4)
    c1, c2, c3, c4 = coefficients_of(i, step.j4, a)
    d1, d2, d3, d4 = coefficients_of(q, q + step.z4, b)
    x = zero_abreast(going, 0.0 * i + 1.0, i, c1, c2, c3, c4)
    left = value(x, q, d1, d2, d3, d4)
    v_left, elastance = voltage_abreast(left, store)
    top_at = summit_abreast(going, x, esr, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    most = value(top_at, q, d1, d2, d3, d4)
    high, _ = voltage_abreast(most, store)
    high = high + (esr * value(top_at, i, c1, c2, c3, c4) - back)
    low = lesser(step.v + (esr * i - back), v_left - back)
    y = summit_abreast(going, x, esr + v_in.slope, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    seen, _ = voltage_abreast(value(y, q, d1, d2, d3, d4), store)
    seen = seen + ((esr + v_in.slope) * value(y, i, c1, c2, c3, c4) - back) + v_in.intercept
    return x, left, v_left, low, top_at, most, high, seen

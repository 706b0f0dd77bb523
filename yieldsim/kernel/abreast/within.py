"""What happens within a step of lanes: V_in at its highest, V_in at the ceiling, the end of the current."""

from typing import Any, NamedTuple

from yieldsim.kernel.circuit import voltage_abreast
from yieldsim.kernel.collocation import C1, C2, C3, bends, ends, quartic
from yieldsim.kernel.compiled import apart, inlined
from yieldsim.kernel.glide import ALMOST, CLOSE, crest, slope_of, value
from yieldsim.kernel.lanes import any_of, choose, greater, lesser, magnitude, no
from yieldsim.kernel.stepper import dense_at


class Step(NamedTuple):
    """A step of each lane: current [A] and charge [C] at its start and four points, and what turns them to V_in."""

    i: Any
    q: Any
    j1: Any
    j2: Any
    j3: Any
    j4: Any
    z1: Any  # charges less ``q``
    z2: Any
    z3: Any
    z4: Any
    esr: Any  # [ohm]
    back: Any  # what the regulator's current takes across the ESR [V]
    slope: Any  # of one junction [ohm]
    intercept: Any  # of one junction; -inf where the reverse voltage is not that of a bridge [V]


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
def crossing_abreast(going, level, esr, i, q, i4, q4, a, b, low, high, store):
    """`glide.share_at`, for the lanes that are ``going``, between the shares ``low`` and ``high`` of the step; ``a``
    and ``b`` are the three coefficients of each dense output, see `collocation.bends`.
    """
    v, _ = voltage_abreast(dense_at(low, q, q4, b[0], b[1], b[2]), store)
    y_low = v + esr * dense_at(low, i, i4, a[0], a[1], a[2]) - level
    v, _ = voltage_abreast(dense_at(high, q, q4, b[0], b[1], b[2]), store)
    y_high = v + esr * dense_at(high, i, i4, a[0], a[1], a[2]) - level
    x = (low * y_high - high * y_low) / (y_high - y_low)
    side, met = 0.0 * x, no(going)
    for _ in range(58):
        v, _ = voltage_abreast(dense_at(x, q, q4, b[0], b[1], b[2]), store)
        y = v + esr * dense_at(x, i, i4, a[0], a[1], a[2]) - level
        met = met | (magnitude(y) <= CLOSE)
        if not any_of(no(met)):
            break
        below, stays = (y <= 0.0) & no(met), no(y <= 0.0) & no(met)
        y_high = choose(below & (side == 1.0), 0.5 * y_high, y_high)
        y_low = choose(stays & (side == -1.0), 0.5 * y_low, y_low)
        low, y_low = choose(below, x, low), choose(below, y, y_low)
        high, y_high = choose(stays, x, high), choose(stays, y, y_high)
        side = choose(below, 1.0, choose(stays, -1.0, side))
        x = choose(met, x, (low * y_high - high * y_low) / (y_high - y_low))
    return x


@inlined
def coefficients_of(start, end, k):
    """`glide.coefficients`."""
    return end - start + k[0], k[1] - k[0], k[2] - k[1], -k[2]


@apart
def crest_within(going, step, elastance, store):
    """Share of the step at which V_in is highest in the lanes that are ``going``, V_in there [V], the highest reverse
    voltage [V], and the highest charge [C]. ``elastance`` is dV/dq at the start [V/C].
    """
    i, q = step.i, step.q
    c1, c2, c3, c4 = quartic(step.j1 - i, step.j2 - i, step.j3 - i, step.j4 - i)
    d1, d2, d3, d4 = quartic(step.z1, step.z2, step.z3, step.z4)
    end = 0.0 * i + 1.0
    x = summit_abreast(going, end, step.esr, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    x, high, there = crest(x, step.esr, step.back, i, q, c1, c2, c3, c4, d1, d2, d3, d4, store)
    y = summit_abreast(going, end, step.esr + step.slope, there, c1, c2, c3, c4, d1, d2, d3, d4)
    v, _ = voltage_abreast(value(y, q, d1, d2, d3, d4), store)
    seen = v + ((step.esr + step.slope) * value(y, i, c1, c2, c3, c4) - step.back + step.intercept)
    first_q, last_q = ends(step.z1, step.z2, step.z3, step.z4)
    turns = going & (last_q < 0.0) & (first_q > 0.0)
    turn = zero_abreast(turns, end, d1, 2.0 * d2, 3.0 * d3, 4.0 * d4, 0.0 * i)
    return x, high, seen, choose(turns, value(turn, q, d1, d2, d3, d4), q + greater(step.z4, 0.0))


@apart
def ceiling_within(going, step, ceiling, w1, w2, w3, store):
    """Share of the step at which V_in meets the ``ceiling`` [V] in the lanes that are ``going``, current [A] and charge
    less that of the start [C] there. V_in at the inner points is ``w1`` to ``w3`` [V].
    """
    i, q = step.i, step.q
    a, b = bends(step.j1 - i, step.j2 - i, step.j3 - i, step.j4 - i), bends(step.z1, step.z2, step.z3, step.z4)
    after_1, after_2, after_3 = w1 < ceiling, w2 < ceiling, w3 < ceiling
    begin = choose(after_3, C3, choose(after_2, C2, choose(after_1, C1, 0.0 * i)))
    end = choose(after_3, 1.0, choose(after_2, C3, choose(after_1, C2, 0.0 * i + C1)))
    q4 = q + step.z4
    x = crossing_abreast(going, ceiling + step.back, step.esr, i, q, step.j4, q4, a, b, begin, end, store)
    return x, dense_at(x, i, step.j4, a[0], a[1], a[2]), dense_at(x, q, q4, b[0], b[1], b[2]) - q


@apart
def end_within(going, step, v, store):
    """Where in the step the current of the lanes that are ``going`` ends; see `glide.end_current`.

    Returns the share of the step, charge [C] and V [V] there, the lesser of V_in there and at the start, where the
    store is at ``v`` [V], the share at which V_in is highest, charge and V_in there, and the highest reverse voltage.
    """
    i, q, esr, back = step.i, step.q, step.esr, step.back
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
    low = lesser(v + (esr * i - back), v_left - back)
    y = summit_abreast(going, x, esr + step.slope, elastance, c1, c2, c3, c4, d1, d2, d3, d4)
    seen, _ = voltage_abreast(value(y, q, d1, d2, d3, d4), store)
    seen = seen + ((esr + step.slope) * value(y, i, c1, c2, c3, c4) - back) + step.intercept
    return x, left, v_left, low, top_at, most, high, seen

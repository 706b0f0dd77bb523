"""What the regulator draws from the store, and the lowest input a step works at."""

import math

from yieldsim.kernel import layout as at
from yieldsim.kernel import places as pl
from yieldsim.kernel.compiled import apart, inlined

# A converter charges its output capacitor at constant power; below this share of V_set, where none works, at the
# current it has there, so that a start forced on an empty store stays finite.
LOWEST_INPUT = 0.25
# Newton steps from the terminal down to V_in; the ESR bends it little, and two or three are the rule.
STEPS_TO_INPUT = 12
MET, NOTHING = 1e-8, 1e-14  # of the terminal: a step this small has squared its error away, or is rounding


@inlined
def curve_at(v, first, points, m):
    """Factor of a curve at ``v`` and its slope: linear between its points in ``m``, flat beyond them."""
    last = first + 2 * (points - 1)
    if v <= m[first]:
        return m[first + 1], 0.0
    if v >= m[last]:
        return m[last + 1], 0.0
    k = first
    while m[k + 2] < v:
        k += 2
    slope = (m[k + 3] - m[k + 1]) / (m[k + 2] - m[k])
    return m[k + 1] + slope * (v - m[k]), slope


@apart
def off_current(v, m):
    """Current [A] before the start and after a brown-out at the input ``v`` [V], and its slope [S]."""
    factor, slope = curve_at(v, int(m[pl.CURVES]), int(m[pl.OFF_POINTS]), m)
    return m[pl.I_OFF] * factor, m[pl.I_OFF] * slope


@inlined
def quiescent(v, m):
    """Quiescent current [A] at the input ``v`` [V] and its slope [S]."""
    points = int(m[pl.QUIESCENT_POINTS])
    if points == 0:
        return m[pl.I_QUIESCENT], 0.0
    factor, slope = curve_at(v, int(m[pl.CURVES]) + 2 * int(m[pl.OFF_POINTS]), points, m)
    return m[pl.I_QUIESCENT] * factor, m[pl.I_QUIESCENT] * slope


@inlined
def pass_resistance(v, m):
    """Resistance [ohm] between input and output at the input ``v`` [V], and its slope [ohm/V]."""
    points = int(m[pl.DROPOUT_POINTS])
    if points == 0:
        return m[pl.R_PASS], 0.0
    first = int(m[pl.CURVES]) + 2 * int(m[pl.OFF_POINTS]) + 2 * int(m[pl.QUIESCENT_POINTS])
    factor, slope = curve_at(v, first, points, m)
    return m[pl.R_PASS] * factor, m[pl.R_PASS] * slope


@inlined
def load_at(output, m):
    """Load current [A] at a supply of ``output`` [V], held at its value at the step's minimum below that."""
    held = max(output, m[pl.LOAD_FLOOR])
    return max(0.0, m[pl.LOAD_CURRENT] + m[pl.LOAD_SLOPE] * (held - m[pl.LOAD_AT]))


@apart
def load_of(v, m):
    """Load current [A] of the running step at the input ``v`` [V], its slope [S], and the supply V_out [V].

    V_out = min(V_set, V_in - R_pass I), and I = I_ref + G (V_out - V_ref) follows it.
    """
    g = m[pl.LOAD_SLOPE]
    if m[pl.REGULATOR] == at.DIRECT:
        load = load_at(v, m)
        return load, (g if load > 0.0 and v >= m[pl.LOAD_FLOOR] else 0.0), v
    resistance, bend = pass_resistance(v, m)
    load = m[pl.LOAD_REGULATED]
    if v - resistance * load >= m[pl.V_SET]:
        return load, 0.0, m[pl.V_SET]
    if g != 0.0:
        gain = 1.0 + g * resistance
        load = (m[pl.LOAD_CURRENT] + g * (v - m[pl.LOAD_AT])) / gain
        if load > 0.0 and v - resistance * load >= m[pl.LOAD_FLOOR]:
            return load, g * (1.0 - bend * load) / gain, v - resistance * load
        load = load_at(m[pl.LOAD_FLOOR], m) if load > 0.0 else 0.0
    return load, 0.0, v - resistance * load


@apart
def input_current(v, m):
    """Regulator input current [A] at its input ``v`` [V], and its slope [S]."""
    if m[pl.FORM] == pl.RESTING:
        return off_current(v, m)
    extra, bend = quiescent(v, m)
    if m[pl.FORM] == pl.POWER:
        lowest = LOWEST_INPUT * m[pl.V_SET]
        if v > lowest:
            return m[pl.LOAD_CURRENT] / v + extra, bend - m[pl.LOAD_CURRENT] / (v * v)
        return m[pl.LOAD_CURRENT] / lowest + extra, bend
    load, slope, _ = load_of(v, m)
    if m[pl.REGULATOR] == at.BUCK:
        full = m[pl.V_SET] / m[pl.LOAD_ETA]
        if v > full:
            share = full / v
            return share * load + extra, share * (slope - load / v) + bend
    share = 1.0 + m[pl.GROUND]
    return share * load + extra, share * slope + bend


@inlined
def input_of_power(power, extra, terminal, m):
    """Input v [V] at which ``power`` [W] over v and ``extra`` [A] are drawn: the upper root of the quadratic; NAN where
    the ESR lets no such power through.
    """
    esr = m[pl.ESR]
    free = terminal - esr * extra
    return 0.5 * (free + math.sqrt(free * free - 4.0 * esr * power)) if free * free >= 4.0 * esr * power else math.nan


@inlined
def draw_at_once(terminal, m):
    """`draw` where it has a closed form and nothing bends between ``terminal`` and V_in; NAN elsewhere."""
    form, kind = m[pl.FORM], m[pl.REGULATOR]
    if form == pl.RESTING or m[pl.QUIESCENT_POINTS] + m[pl.DROPOUT_POINTS] > 0.0:
        return math.nan, 0.0
    esr, extra = m[pl.ESR], m[pl.I_QUIESCENT]
    load = m[pl.LOAD_REGULATED]
    highest, power = m[pl.V_SET] + m[pl.R_PASS] * load, m[pl.LOAD_CURRENT]
    if form == pl.POWER:
        highest = LOWEST_INPUT * m[pl.V_SET]
    elif kind == at.BUCK:
        full = m[pl.V_SET] / m[pl.LOAD_ETA]
        highest, power = max(highest, full), full * load
    if form == pl.POWER or kind == at.BUCK:
        v = input_of_power(power, extra, terminal, m)
        if not v > highest:
            return math.nan, 0.0
        current = power / v
        slope = -current / v
        return current + extra, slope / (1.0 + esr * slope)
    share = 1.0 + m[pl.GROUND]
    if kind != at.DIRECT and terminal - esr * (share * load + extra) >= highest:
        return share * load + extra, 0.0
    # I = I_ref + G (V_out - V_ref) at V_out = V_in - R_pass I: straight
    g, resistance = m[pl.LOAD_SLOPE], (0.0 if kind == at.DIRECT else m[pl.R_PASS])
    gain = 1.0 + g * resistance
    slope = share * g / gain
    rest = share * (m[pl.LOAD_CURRENT] - g * m[pl.LOAD_AT]) / gain + extra
    v = (terminal - esr * rest) / (1.0 + esr * slope)
    load = (m[pl.LOAD_CURRENT] + g * (v - m[pl.LOAD_AT])) / gain
    output = v - resistance * load
    if load > 0.0 and output >= m[pl.LOAD_FLOOR] and (kind == at.DIRECT or output < m[pl.V_SET]):
        return rest + slope * v, slope / (1.0 + esr * slope)
    return math.nan, 0.0


@apart
def draw_curved(terminal, m):
    """`draw` of a current that depends on the input: in closed form, or by Newton's method from above, which meets the
    upper root.
    """
    current, slope = draw_at_once(terminal, m)
    if not math.isnan(current):
        return current, slope
    esr = m[pl.ESR]
    v = terminal
    current, slope = input_current(v, m)
    if esr > 0.0:
        for _ in range(STEPS_TO_INPUT):
            change = (v + esr * current - terminal) / (1.0 + esr * slope)
            if abs(change) <= NOTHING * (abs(terminal) + 1.0):  # on a straight piece the first step meets it
                break
            v -= change
            current, slope = input_current(v, m)
            if abs(change) <= MET * (abs(terminal) + 1.0):
                break
    return current, slope / (1.0 + esr * slope)


@inlined
def draw(terminal, m):
    """Regulator input current [A] and its slope against ``terminal`` [S].

    ``terminal`` = V + ESR*|j| is the store's terminal before the regulator's own drop across the ESR, so that
    V_in = terminal - ESR * i_reg.
    """
    if m[pl.FORM] == pl.STEADY:
        return m[pl.STEADY_CURRENT], 0.0
    return draw_curved(terminal, m)


@inlined
def demand_off(m):
    """Demand of the regulator before its start and after a brown-out."""
    m[pl.FORM] = pl.STEADY if m[pl.OFF_POINTS] == 0.0 else pl.RESTING
    m[pl.STEADY_CURRENT] = m[pl.I_OFF]


@inlined
def demand_starting(m):
    """Demand during the start delay: the quiescent current and the charging of the output capacitor."""
    if m[pl.REGULATOR] == at.BUCK:
        m[pl.FORM] = pl.POWER
        m[pl.LOAD_CURRENT] = 0.5 * m[pl.C_OUT] * m[pl.V_SET] * m[pl.V_SET] / (m[pl.ETA] * m[pl.DELAY])  # [W]
        return
    set_steady(m[pl.C_OUT] * m[pl.V_SET] / m[pl.DELAY], m)


@inlined
def steady_current(load, m):
    """Regulator input current [A] of a ``load`` [A] that does not follow the supply, no converter; see `set_steady`."""
    return load * (1.0 + m[pl.GROUND]) + m[pl.I_QUIESCENT]


@inlined
def steady_need(load, minimum, m):
    """`needed_input` at the ``load`` [A] of the step, where the dropout does not follow the input."""
    drop = 0.0 if m[pl.REGULATOR] == at.DIRECT else m[pl.R_PASS] * max(load, 0.0)
    return max(minimum + drop, m[pl.V_STOP])


@inlined
def set_steady(beside, m):
    """Draw a constant current ``beside`` the quiescent one [A], which may still follow the input."""
    m[pl.STEADY_CURRENT] = beside + m[pl.I_QUIESCENT]
    m[pl.FORM] = pl.STEADY
    if m[pl.QUIESCENT_POINTS] > 0.0:  # a load that does not follow the supply
        m[pl.FORM] = pl.LOAD
        m[pl.LOAD_SLOPE] = 0.0
        m[pl.LOAD_CURRENT] = beside / (1.0 + m[pl.GROUND])
        m[pl.LOAD_REGULATED] = m[pl.LOAD_CURRENT]


@inlined
def demand_step(load, slope, reference, minimum, m, efficiency_curve):
    """Demand of a step: load current [A] at ``reference`` [V] with its slope [S], held below ``minimum`` [V]."""
    m[pl.LOAD_CURRENT] = load
    m[pl.LOAD_SLOPE] = slope
    m[pl.LOAD_AT] = reference
    m[pl.LOAD_FLOOR] = minimum
    m[pl.LOAD_REGULATED] = load_at(m[pl.V_SET], m)
    if m[pl.REGULATOR] == at.BUCK:
        m[pl.FORM] = pl.LOAD
        m[pl.LOAD_ETA] = m[pl.ETA] * efficiency_factor(m[pl.LOAD_REGULATED], efficiency_curve)
    elif slope == 0.0:
        set_steady(load * (1.0 + m[pl.GROUND]), m)
    else:
        m[pl.FORM] = pl.LOAD


@apart
def efficiency_factor(load, curve):
    """Factor on a converter's efficiency at the load current ``load`` [A]: linear between points, flat beyond."""
    last = curve.shape[0] - 1
    if last < 0:
        return 1.0
    if load <= curve[0, 0]:
        return curve[0, 1]
    for k in range(last):
        if load < curve[k + 1, 0]:
            share = (load - curve[k, 0]) / (curve[k + 1, 0] - curve[k, 0])
            return curve[k, 1] + share * (curve[k + 1, 1] - curve[k, 1])
    return curve[last, 1]


@apart
def needed_input(minimum, m):
    """Lowest regulator input V_need [V] of a step whose lowest supply is ``minimum`` [V]: max(V_min + V_do, V_stop).

    A dropout that follows the input does not rise with it, so that v - R_pass(v) I meets V_min once.
    """
    if m[pl.REGULATOR] == at.DIRECT:
        return max(minimum, m[pl.V_STOP])
    load = load_at(minimum, m)
    v = minimum + m[pl.R_PASS] * load
    points = int(m[pl.DROPOUT_POINTS])
    if points > 0:
        first = int(m[pl.CURVES]) + 2 * int(m[pl.OFF_POINTS]) + 2 * int(m[pl.QUIESCENT_POINTS])
        drop = m[pl.R_PASS] * load
        v = minimum + drop * m[first + 1]
        for k in range(first, first + 2 * (points - 1), 2):
            if v <= m[k]:
                break
            rise = (m[k + 3] - m[k + 1]) / (m[k + 2] - m[k])
            v = (minimum + drop * (m[k + 1] - rise * m[k])) / (1.0 - drop * rise)
            if v > m[k + 2]:
                v = minimum + drop * m[k + 3]
    return max(v, m[pl.V_STOP])

"""What differs from actuation to actuation: uniforms by address, the columns they move, and the load sequence."""

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel import places as pl
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.hash import NOT_DRAWN, addressed, drawn
from yieldsim.kernel.shapes import deviation, joint_deviation


@inlined
def fill_uniforms(design, address, attempt, uniforms):
    """Draw the variables of one attempt by the address of the actuation, and leave the other slots for `hash.drawn`."""
    variables = design.variable_column.shape[0]
    for k in range(variables):
        uniforms[k] = addressed(design.keys, k, address, attempt)
    for k in range(variables, uniforms.shape[0]):
        uniforms[k] = NOT_DRAWN


@inlined
def move_variables(design, base, scale, uniforms, each_only, x):
    """Move the columns of ``x`` that vary from actuation to actuation (or only from attempt to attempt)."""
    for v in range(design.variable_column.shape[0]):
        if each_only and design.variable_each[v] == 0:
            continue
        column = design.variable_column[v]
        if design.variable_factor.shape[0] > 0:
            d = joint_deviation(
                v,
                design.variable_shape,
                design.variable_params,
                design.variable_table,
                design.variable_factor,
                uniforms,
            )
        else:
            d = deviation(design.variable_shape[v], design.variable_params[v], design.variable_table, uniforms[v])
        x[column] = base[column] + scale[column] * d


@inlined
def choose_press(design, x, address, uniforms, planned):
    """Whether the press stops short; ``planned`` forces it (see `layout`), 0 leaves it to the uniforms (slots,)."""
    if planned > 0:
        return planned == at.PRESS_PARTIAL
    if x[at.PARTIAL_SHARE] == 0.0:
        return False
    return drawn(design.keys, uniforms.shape[0] - 2, address, 0, uniforms) < x[at.PARTIAL_SHARE]


@inlined
def choose_message(design, address, uniforms, planned):
    """Index of the message; ``planned`` forces it, counted from 1, 0 leaves it to the uniforms (slots,)."""
    if planned > 0:
        return planned - 1
    if design.message_shares.shape[0] == 1:
        return 0
    u, message = drawn(design.keys, uniforms.shape[0] - 1, address, 0, uniforms), 0
    while message + 1 < design.message_shares.shape[0] and u >= design.message_shares[message]:
        message += 1
    return message


@inlined
def build_sequence(design, x, base, scale, address, uniforms, hashed, plan, message, segments, m):
    """Build the segments of the whole sequence; counts in ``m`` all, those up to completion, attempts,
    acknowledged.

    Everything of an attempt is drawn by its own address, reached or not, so that designs can be compared on the same
    numbers; what is not reached is not computed.
    """
    n = link.add_fixed(design, x, at.ONCE, True, message, segments, 0)
    used, acknowledged = 0, False
    for k in range(design.attempts):
        if k > 0:
            if hashed:
                fill_uniforms(design, address, k, uniforms[k])
            for v in range(design.variable_column.shape[0]):
                if design.variable_each[v] == 0:  # what is correlated with it follows the number that was used
                    uniforms[k, v] = uniforms[0, v]
            move_variables(design, base, scale, uniforms[k], True, x)
        planned = plan[k] if plan.shape[0] > 0 else 0
        n, result = link.attempt(design, x, address, uniforms[k], planned, k + 1, message, segments, n)
        used = k + 1
        if result == link.ACKNOWLEDGED:
            acknowledged = True
            break
        if result == link.REPEATED:
            acknowledged = True
    complete = n
    if acknowledged:
        n = link.add_fixed(design, x, at.AFTER, True, message, segments, n)
        complete = n
        n = link.add_fixed(design, x, at.AFTER, False, message, segments, n)
    m[pl.ALL_SEGMENTS], m[pl.ALL_COMPLETE], m[pl.ALL_ATTEMPTS] = float(n), float(complete), float(used)
    m[pl.ALL_ACKNOWLEDGED] = 1.0 if acknowledged else 0.0

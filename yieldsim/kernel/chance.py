"""What differs from actuation to actuation: uniforms by address, the columns they move, and the load sequence."""

from yieldsim.kernel import layout as at
from yieldsim.kernel import link
from yieldsim.kernel.compiled import inlined
from yieldsim.kernel.hash import uniform
from yieldsim.kernel.shapes import deviation, joint_deviation


@inlined
def fill_uniforms(design, address, attempt, uniforms):
    """Fill one attempt's row of uniforms from the address of the actuation."""
    unit, actuation = address[0], address[1]
    low, high = unit & 0xFFFFFFFF, unit >> 32
    for k in range(uniforms.shape[0]):
        uniforms[k] = uniform(design.keys[k, 0], design.keys[k, 1], low, actuation, attempt, high)


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
def build_sequence(design, x, base, scale, address, uniforms, hashed, plan, segments, counts):
    """Build the segments of the whole sequence; fills ``counts``: all, those up to completion, attempts, acknowledged.

    Everything of an attempt is drawn by its own address, reached or not, so that designs can be compared on the same
    numbers; what is not reached is not computed.
    """
    n = link.add_fixed(design, x, at.ONCE, True, segments, 0)
    used, acknowledged = 0, False
    for k in range(design.attempts):
        if k > 0:
            if hashed:
                fill_uniforms(design, address, k, uniforms[k])
            for v in range(design.variable_column.shape[0]):
                if design.variable_each[v] == 0:  # what is correlated with it follows the number that was used
                    uniforms[k, v] = uniforms[0, v]
            move_variables(design, base, scale, uniforms[k], True, x)
        n, result = link.attempt(design, x, uniforms[k], plan[k] if k < plan.shape[0] else 0, segments, n)
        used = k + 1
        if result == link.ACKNOWLEDGED:
            acknowledged = True
            break
        if result == link.REPEATED:
            acknowledged = True
    complete = n
    if acknowledged:
        n = link.add_fixed(design, x, at.AFTER, True, segments, n)
        complete = n
        n = link.add_fixed(design, x, at.AFTER, False, segments, n)
    counts[0], counts[1], counts[2], counts[3] = n, complete, used, 1 if acknowledged else 0

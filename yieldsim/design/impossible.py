"""Refuses parameters that cannot be: impossible nominals, and tolerances that reach impossible values."""

from __future__ import annotations

from yieldsim.design.parameter import Parameter
from yieldsim.design.physical import Physical
from yieldsim.design.probability import NEGLIGIBLE, probability_below
from yieldsim.design.quantity import format_quantity


def faults_of(parameter: Parameter, row: Physical) -> list[tuple[str, str]]:
    """Tell what is impossible about a parameter: (reason, remedy) pairs, none for a good one.

    A tolerance may reach an impossible value with probability 1e-12 at most.
    """
    dimension = row.dimension
    if not row.possible(parameter.nominal):
        return [(_bounds(row), "give a possible value")]
    faults = []
    # A quantity that is nothing and whose tolerance is relative stays nothing.
    if row.low is not None:
        share = probability_below(parameter, row.low)
        if share > NEGLIGIBLE:
            reached = (
                f"{format_quantity(row.low, dimension)} or below"
                if row.strict
                else (f"below {format_quantity(row.low, dimension)}")
            )
            faults.append((f"its tolerance reaches {reached} with probability {share:.1e}", _LIMIT_IT))
    if row.high is not None:
        share = 1.0 - probability_below(parameter, row.high * (1.0 + 1e-12))
        if share > NEGLIGIBLE:
            reached = format_quantity(row.high, dimension)
            faults.append((f"its tolerance reaches above {reached} with probability {share:.1e}", _LIMIT_IT))
    return faults


_LIMIT_IT = 'use the shape "truncated normal" (sigma and within) with limits that exclude it, or "lognormal"'


def _bounds(row: Physical) -> str:
    low = None if row.low is None else format_quantity(row.low, row.dimension)
    if row.high is not None:
        high = format_quantity(row.high, row.dimension)
        return f"must lie {'above' if row.strict else 'between'} {low} {'up to' if row.strict else 'and'} {high}"
    return f"must be above {low}" if row.strict else f"must not be below {low}"

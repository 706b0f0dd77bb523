"""Completion of a cell from lines through units of scrambled Sobol' sets, held against the actuations that were run."""

from __future__ import annotations

from dataclasses import replace

from yieldsim.engine.lines import LineBlock
from yieldsim.estimate.frequencies import Frequencies, share_of_units
from yieldsim.estimate.intervals import Estimate
from yieldsim.estimate.scrambled import share_of_strata

INTEGRATED = "outcomes of the link by their probabilities, the direction in which the inputs move the margin integrated"
STRATIFIED = "outcomes of the link by their probabilities"
DISAGREED = "from the actuations run, as the integrated share lies outside their bounds at 99.9999 %"
_SURE = 1.0 - 1e-6  # confidence of the bounds within which the integrated share must lie


def line_share(asked: LineBlock, counted: Frequencies, confidence: float, *, energy: bool = False) -> Estimate:
    """Return the share of actuations that complete, or have enough energy.

    Integration along a line takes it that the margin changes its sign at most once between two scanned points. The
    actuations of the same units, which were run without it, know nothing of that: where they contradict the result,
    theirs is given.

    Parameters
    ----------
    asked : LineBlock
        Of all units.
    counted : Frequencies
        Of the share of each unit's actuations that complete, or have enough energy, told apart by scrambled set.
    confidence : float
        Of each one-sided bound.
    energy : bool
        Whether the share in question is that with enough energy, the link left aside.
    """
    failing = asked.short if energy else asked.failing
    unheard = [not stratum.acknowledged and not energy for stratum in asked.line.strata]
    found = share_of_strata(
        failing[0], failing[1], asked.weights, asked.line.asked, counted.group_count, confidence, known=unheard
    )
    sure = share_of_units(counted, _SURE)
    if sure.low > found.high or sure.high < found.low:
        plain = share_of_units(counted, confidence)
        return replace(plain, method=f"{plain.method}; {DISAGREED}")
    return replace(found, method=f"{found.method}; {INTEGRATED if asked.line.integrated else STRATIFIED}")


def line_shares_at(asked: LineBlock, units: int, scrambles: int) -> LineBlock:
    """Return what the first of the units alone say, as if no more had been planned.

    Parameters
    ----------
    asked : LineBlock
        Of all units.
    units : int
        How many, ``scrambles`` times a power of two.
    scrambles : int
    """
    share = units / len(asked.weights)
    each = units // scrambles
    fewer = tuple(max(1, min(round(k * share), each)) for k in asked.line.asked)
    line = replace(asked.line, asked=fewer)
    return replace(asked, weights=asked.weights[:units], failing=asked.failing[:, :units], short=asked.short[:, :units],
                   line=line)  # fmt: skip

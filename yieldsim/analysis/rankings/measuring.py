"""What to measure next: where much influence rests on numbers that nobody has measured.

How wide a tolerance may really be, as a factor on the stated width, follows from its basis:

- *assumed*: half to twice as wide, or as told by whoever asks (`PlausibleWidths`). A convention, not a measurement.
- *datasheet*: half as wide to as wide as stated, or as told. A maker vouches for the limits, not for how parts fill
  them.
- *measured* on n parts: the two-sided 95 % interval of a normal law's standard deviation (chi-squared).
- *measured*, no sample size stated: as assumed.

A share v of the variance turns into v f**2 when the width is f times the stated one, so that a measurement settles a
*swing* of v (high**2 - low**2) of the present variance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import chdtri

from yieldsim.analysis.rankings.groups import parameters_behind
from yieldsim.analysis.rankings.plausible_widths import PlausibleWidths
from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design

#: Factor on a stated width within which the true one is taken to lie where nobody says otherwise.
CONVENTION = PlausibleWidths()
ASSUMED, DATASHEET = CONVENTION.assumed, CONVENTION.datasheet
_SURE = 0.95
_LEAST = 0.01  # swing that is worth a measurement
_MOST = 8


@dataclass(frozen=True)
class Influence:
    """What a ranking says of one row: its share of all influence, and whether any was seen."""

    name: str
    level: str
    basis: str
    share: float
    seen: bool


@dataclass(frozen=True)
class MeasureNext:
    """One parameter that is worth measuring.

    Attributes
    ----------
    name, level, basis : as ranked
    share : of the influence [share]
    width_low, width_high : the true width over the stated one lies within [-]
    swing : what a measurement settles [share of the present variance]
    sample_size : measured parts that its width rests on; None where it is not measured or nobody said
    reason : in words
    """

    name: str
    level: str
    basis: str
    share: float
    width_low: float
    width_high: float
    swing: float
    sample_size: int | None
    reason: str


def measure_next(
    design: Design, ranked: Sequence[Influence], widths: PlausibleWidths = CONVENTION
) -> tuple[MeasureNext, ...]:
    """Return what is worth measuring, the most first; at most eight rows, none below 1 % of the variance.

    Parameters
    ----------
    design : Design
    ranked : rows of a ranking
    widths : how wide tolerances may be that nobody has measured
    """
    found = []
    for row in ranked:
        behind = parameters_behind(design, row.name)
        if not row.seen or not behind:
            continue
        widest = max(behind, key=lambda parameter: plausible_width(parameter, row.level, widths)[1])
        low, high = plausible_width(widest, row.level, widths)
        swing = row.share * (high**2 - low**2)
        if swing >= _LEAST:
            size, reason = sample_size_of(widest, row.level), _reason(widest, row.level)
            found.append(MeasureNext(row.name, row.level, row.basis, row.share, low, high, swing, size, reason))
    return tuple(sorted(found, key=lambda row: (-row.swing, row.name, row.level))[:_MOST])


def plausible_width(parameter: Parameter, level: str, widths: PlausibleWidths = CONVENTION) -> tuple[float, float]:
    """Return the factor on the stated width of a tolerance within which the true one is taken to lie."""
    size = sample_size_of(parameter, level)
    if size is not None:
        tail = 0.5 * (1.0 - _SURE)
        freedom = size - 1
        return math.sqrt(freedom / float(chdtri(freedom, tail))), math.sqrt(
            freedom / float(chdtri(freedom, 1.0 - tail))
        )
    return widths.datasheet if parameter.basis == "datasheet" else widths.assumed


def sample_size_of(parameter: Parameter, level: str) -> int | None:
    """Return how many parts a measured tolerance rests on; None where it is not measured or nobody said."""
    tolerance = parameter.tolerance_at(level)
    size = tolerance.sample_size if tolerance is not None and tolerance.sample_size is not None else None
    if size is None and parameter.basis == "measured":
        size = parameter.sample_size
    return size if size is not None and size >= 2 else None


def _reason(parameter: Parameter, level: str) -> str:
    size = sample_size_of(parameter, level)
    if size is not None:
        return f"measured on {size} parts only"
    return {
        "datasheet": "a datasheet gives limits, not how parts fill them",
        "measured": "measured, but on how many parts is not stated",
    }.get(parameter.basis, "assumed")

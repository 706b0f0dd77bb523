"""How far down the data of the inputs support a tail: below it an answer rests on the shape of a law alone.

The n measured values of an input reach about as far as the score z_n of the probability n / (n + 1), the mean rank of
the largest. Where the most probable failure point lies at u_i in that input and at the distance beta from the median,
failures as near as t = z_n / |u_i| of the way lie within the data: down to the probability of scores beyond t beta, to
first order (Hasofer and Lind 1974). Of several measured inputs the one that ends first decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.special import ndtr, ndtri

from yieldsim.analysis.rankings.measuring import sample_size_of
from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design

if TYPE_CHECKING:
    from yieldsim.analysis.tail import FailureParameter

_CARRIES = 0.05  # share of the squared direction cosines from which an input is spoken of


@dataclass(frozen=True)
class DataSupport:
    """What the data of the inputs say of a tail.

    Attributes
    ----------
    down_to : failure probability down to which measured inputs support it; None where no input that matters has a
        sample size
    input, level, sample_size : the input whose data end first, and its measured parts; None without one
    reach, score : where its data end, and where the failure point lies in it [standard scores]; None without one
    extrapolates : whether the failure point lies beyond the data
    without_data : inputs that matter and were not measured, or on how many parts nobody said
    """

    down_to: float | None
    input: str | None
    level: str | None
    sample_size: int | None
    reach: float | None
    score: float | None
    extrapolates: bool
    without_data: tuple[str, ...]


def data_support(design: Design, reliability_index: float, rows: Sequence[FailureParameter]) -> DataSupport:
    """Return how far down the data of the inputs support a failure probability.

    Parameters
    ----------
    design : Design
    reliability_index : distance of the most probable failure point [standard scores]
    rows : inputs there, the strongest first
    """
    ends: list[tuple[float, FailureParameter, int]] = []
    without: list[str] = []
    for row in rows:
        parameter = design.parameters.get(row.name.split(",", maxsplit=1)[0])
        if row.importance < _CARRIES or parameter is None:
            continue
        size = _size(parameter, row.level)
        if size is None:
            without.append(f"{row.name} ({row.level})")
        else:
            ends.append((float(ndtri(size / (size + 1.0))) / max(abs(row.score), 1e-12), row, size))
    if not ends:
        return DataSupport(None, None, None, None, None, None, bool(without), tuple(without))
    part, row, size = min(ends, key=lambda end: end[0])
    return DataSupport(
        down_to=float(ndtr(-part * reliability_index)),
        input=row.name,
        level=row.level,
        sample_size=size,
        reach=part * abs(row.score),
        score=row.score,
        extrapolates=part < 1.0 or bool(without),
        without_data=tuple(without),
    )


def _size(parameter: Parameter, level: str) -> int | None:
    return sample_size_of(parameter, level) if parameter.tolerance_at(level) is not None else None

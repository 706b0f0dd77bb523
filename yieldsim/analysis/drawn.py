"""What was drawn for one actuation, beside the nominal values of its condition."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.described import limits_of
from yieldsim.design.parameter import Parameter
from yieldsim.design.tree import parameters_of
from yieldsim.design.units import DIMENSIONS
from yieldsim.engine.columns import Condition, column_of
from yieldsim.engine.laws import temperature_factor, temperature_shift
from yieldsim.engine.response import Replayed, Response
from yieldsim.kernel import layout as at

FloatArray = NDArray[np.float64]
_SAME = 1e-12  # relative difference below which a value is the nominal one


@dataclass(frozen=True)
class DrawnValue:
    """One value beside its nominal at the condition, both in ``unit`` (SI, degC).

    Attributes
    ----------
    name : of the parameter
    value, nominal : in ``unit``
    difference : relative to the nominal; None where that is 0
    of_limit : difference as a share of the way from the nominal to the limit of the tolerance on its side, laws at
        their nominal; above 1 where a law that differs from part to part adds to it. The limit is the 0.135 % or
        99.865 % point where a shape has none. None for a parameter whose law alone varies.
    """

    name: str
    value: float
    nominal: float
    unit: str
    difference: float | None
    of_limit: float | None


def unit_of(parameter: Parameter) -> str:
    """Return the SI unit of a parameter (degC for temperatures), empty for a number."""
    return next(iter(DIMENSIONS[parameter.dimension].units))


def values_of(
    response: Response, condition: Condition, address: tuple[int, int] | None, x: FloatArray
) -> dict[str, tuple[float, float, str]]:
    """Return parameter -> value, nominal value at the condition, unit; of the last attempt made.

    Parameters
    ----------
    response : Response
    condition : Condition
    address : unit and actuation; None for the nominal actuation
    x : (K,) values of the actuation
    """
    nominal = response.nominal_base(condition)
    columns = column_of(response.design)
    found = {}
    for name, column in columns.items():
        # the nominal actuation's backoff stands in this column as a time, see `Response.nominal_backoff`
        same = address is None and column == at.BACKOFF_UNIT
        value = float(nominal[column] if same else x[column])
        found[name] = (value, float(nominal[column]), unit_of(response.design.parameters[name]))
    if address is not None:
        for name, value in _coefficients(response, address[0]):
            parameter = response.design.parameters[name]
            found[name] = (value, parameter.nominal, unit_of(parameter))
    return found


def _coefficients(response: Response, unit: int) -> Iterator[tuple[str, float]]:
    """Yield what was drawn for a unit and stands in no column: coefficients of laws, without laws of their own."""
    population, columns = response.population, column_of(response.design)
    deviations = population.unit_deviations(np.array([unit], dtype=np.int64))[0]
    values: dict[str, float] = {}
    for variable, deviation in zip(population.unit_variables, deviations, strict=True):
        if variable.name not in columns:
            nominal = response.design.parameters[variable.name].nominal
            scale = nominal if variable.relative else 1.0
            values[variable.name] = values.get(variable.name, nominal) + scale * float(deviation)
    yield from values.items()


def drawn_values(
    response: Response, condition: Condition, address: tuple[int, int], opened: Replayed
) -> tuple[DrawnValue, ...]:
    """Return the values that took part and are not nominal, the farthest out first.

    What is drawn for every actuation and was of no use in this one is left out: the travel of a full press, steps of
    other messages.

    Parameters
    ----------
    response : Response
    condition : Condition
    address : unit and actuation
    opened : the actuation

    Returns
    -------
    tuple of DrawnValue : by ``of_limit``, then by relative difference, both without sign
    """
    rows = []
    idle = set(_idle(response, opened))
    for name, (value, nominal, unit) in values_of(response, condition, address, opened.x).items():
        if name in idle or abs(value - nominal) <= _SAME * max(abs(value), abs(nominal)):
            continue
        difference = (value - nominal) / abs(nominal) if nominal != 0.0 else None
        parameter = response.design.parameters[name]
        rows.append(DrawnValue(name, value, nominal, unit, difference, _of_limit(parameter, condition, value, nominal)))
    return tuple(sorted(rows, key=lambda row: (-abs(row.of_limit or 0.0), -abs(row.difference or 0.0), row.name)))


def _idle(response: Response, opened: Replayed) -> Iterator[str]:
    """Yield the parameters that this actuation had no use for."""
    radio, harvester = response.design.radio, response.design.harvester
    if harvester is not None and harvester.partial is not None and opened.codes[at.PARTIAL] == 0:
        yield harvester.partial.travel.name
    for step in radio.sequence:
        if not radio.runs(step, int(opened.codes[at.MESSAGE])):
            yield from (parameter.name for parameter in parameters_of(step))


def _of_limit(parameter: Parameter, condition: Condition, value: float, nominal: float) -> float | None:
    """Share of the way to the limit at the condition, ageing as of the nominal part."""
    low, high = limits_of(parameter)
    if low is None or high is None:
        return None
    factor = temperature_factor(parameter.temperature, condition.temperature)
    shift = temperature_shift(parameter.temperature, condition.temperature)
    tempered = parameter.nominal * factor + shift
    # where the nominal vanishes the ageing cannot be read off it, and what is 0 does not age
    aged = nominal / tempered if tempered != 0.0 else 1.0
    limit = ((high if value > nominal else low) * factor + shift) * aged
    return (value - nominal) / abs(limit - nominal) if limit != nominal else None

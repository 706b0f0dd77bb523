"""The laws of a nominal part at a condition, as far as reading needs them: signs and rated lives.

The numbers that a run uses are worked out elsewhere, for many units at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from yieldsim.design.dielectrics import Dielectric, known_code
from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw
from yieldsim.design.quantity import format_quantity
from yieldsim.design.units import HOURS_PER_YEAR

if TYPE_CHECKING:
    from yieldsim.design.schema import Conditions

_BOLTZMANN = 8.617333262e-5  # [eV/K], exact in the SI of 2019
_ZERO_CELSIUS = 273.15  # [K]
_DAYS_PER_YEAR = 365


def working_temperatures(conditions: Conditions) -> list[float]:
    """Every temperature at which an actuation is computed, ascending [degC]."""
    places = {*conditions.temperatures, *(t for t, _ in conditions.mission)}
    places |= {t for site in conditions.sites for t, _ in site.mission}
    return sorted(places)


def missions(conditions: Conditions) -> list[tuple[tuple[float, float], ...]]:
    """Return the mission, or that of each site."""
    return [site.mission for site in conditions.sites] or [conditions.mission]


def life_used(law: AgeingLaw, age: float, mission: tuple[tuple[float, float], ...]) -> float:
    """Equivalent time of an endurance law at an age [yr] as a share of the rated life [-].

    Sum over the mission of share times acceleration, by the doubling rule or by Arrhenius' equation.
    """
    if law.rated_temperature is None or law.rated_life is None:
        raise ValueError("not an endurance law")
    hotter = law.rated_temperature
    speed = 0.0
    for temperature, share in mission:
        if law.doubling is not None:
            speed += share * 2.0 ** ((temperature - hotter) / law.doubling)
        else:
            slower = 1.0 / (hotter + _ZERO_CELSIUS) - 1.0 / (temperature + _ZERO_CELSIUS)
            speed += share * math.exp((law.activation_energy or 0.0) / _BOLTZMANN * slower)
    return age * HOURS_PER_YEAR * speed / law.rated_life


def non_positive_factors(
    parameter: Parameter, conditions: Conditions, since_soldering: float
) -> Iterator[tuple[str, str, str]]:
    """Laws that take a nominal part to zero or below, or do not hold: (key below the parameter, reason, remedy)."""
    law = parameter.temperature
    if law is not None and law.kind == "dielectric":
        yield from _of_dielectric(known_code(law.code or ""), working_temperatures(conditions))
    if law is not None and law.kind == "linear":
        for temperature in working_temperatures(conditions):
            factor = _linear(law, temperature)
            if factor <= 0.0:
                place = format_quantity(temperature, "degC")
                yield "temperature", f"its factor at {place} is {factor:.3g}", _SMALLER
                break
    several = len(parameter.ageing) > 1
    for i, ageing in enumerate(parameter.ageing, start=1):
        factors = [_ageing(ageing, age, conditions, since_soldering) for age in conditions.ages]
        for age, factor in zip(conditions.ages, factors, strict=True):
            if factor <= 0.0:
                key = f"ageing_{i}.change" if several else "ageing.change"
                yield key, f"its factor at {age:g} yr is {factor:.3g}", _SMALLER
                break


_SMALLER = "a factor must stay above 0: give a smaller change, or a table of points"


def _of_dielectric(dielectric: Dielectric, temperatures: list[float]) -> Iterator[tuple[str, str, str]]:
    """Temperatures that a code says nothing about, and limits that would leave no capacitance."""
    outside = [t for t in temperatures if not dielectric.holds(t)]
    if outside:
        ends = f"{dielectric.lowest:g} to {dielectric.highest:g} degC"
        places = ", ".join(f"{t:g}" for t in outside)
        reason = f"{dielectric.code} holds from {ends}, and actuations are computed at {places} degC"
        yield "dielectric", reason, "choose a code that holds there, or give the part's own temperature law"
    for temperature in temperatures:
        lowest = min(dielectric.limits(temperature))
        if lowest <= 0.0:
            reason = f"its lowest factor at {temperature:g} degC is {lowest:.3g}"
            yield "dielectric", reason, "choose another code, or give the part's own temperature law"
            break


def _linear(law: TemperatureLaw, temperature: float) -> float:
    return 1.0 + (law.coefficient or 0.0) * (temperature - law.reference)


def _ageing(law: AgeingLaw, age: float, conditions: Conditions, since_soldering: float) -> float:
    """Lowest factor over the missions; 1 for a table, whose factors are positive already."""
    if law.change is None:
        return 1.0
    if law.law == "per decade of hours":
        progress = math.log10(max(since_soldering + age * HOURS_PER_YEAR, 1.0) / 1000.0)
    elif law.law == "per year":
        progress = age
    elif law.law == "per decade of actuations":
        count = age * (conditions.actuations_per_day or 0.0) * _DAYS_PER_YEAR
        progress = max(math.log10(count / law.start), 0.0) if law.start and count > 0.0 else 0.0
    else:
        progress = max(life_used(law, age, mission) for mission in missions(conditions))
    return 1.0 + law.change.nominal * progress

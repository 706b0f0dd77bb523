"""Temperature and ageing laws: factors on a parameter, for one condition and many units at once.

The coefficient of an ageing law may differ from unit to unit, so ageing takes it as an array. Temperatures
are in degC, ages in years of 8,760 h, other times in hours.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from yieldsim.design.dielectrics import known_code
from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw
from yieldsim.design.units import HOURS_PER_YEAR

FloatArray = NDArray[np.float64]
Mission = tuple[tuple[float, float], ...]

DAYS_PER_YEAR = 365.0
REFEREE_HOURS = 1000.0  # class II ceramics are specified at 1,000 h after soldering (EIA-198)
BOLTZMANN_EV = 8.617333262145179e-5  # [eV/K], exact by the 2019 SI
ZERO_CELSIUS = 273.15  # [K]


@lru_cache(maxsize=256)
def _curve(x: tuple[float, ...], y: tuple[float, ...]) -> PchipInterpolator:
    return PchipInterpolator(np.array(x), np.array(y))


def table_value(x: tuple[float, ...], y: tuple[float, ...], at: float) -> float:
    """Return a table's value: shape-preserving cubic (Fritsch and Carlson 1980), flat beyond the ends.

    Parameters
    ----------
    x : ascending abscissae
    y : ordinates, as many
    at : where, in the unit of ``x``
    """
    if len(x) == 1:
        return y[0]
    return float(_curve(x, y)(min(max(at, x[0]), x[-1])))


def temperature_factor(law: TemperatureLaw | None, temperature: float) -> float:
    """Return the factor [-] of a law at an ambient temperature [degC]; 1 for no law and for a shift.

    Of a ``dielectric``, whose factor differs from part to part, that of the nominal part.
    """
    if law is None or law.kind == "shift":
        return 1.0
    if law.kind == "linear":
        return 1.0 + _given(law.coefficient) * (temperature - law.reference)
    if law.kind == "doubling":
        return float(2.0 ** ((temperature - law.reference) / _given(law.doubles_per)))
    if law.kind == "table":
        return table_value(law.temperatures, law.factors, temperature)
    if law.kind == "dielectric":
        return float(dielectric_factor(law, _given_parameter(law.place).nominal, temperature))
    raise ValueError(f"unknown temperature law {law.kind!r}")


def dielectric_factor(law: TemperatureLaw, place: FloatArray | float, temperature: float) -> FloatArray:
    """Return the factor [-] of parts at an ambient temperature [degC] that a dielectric's code limits.

    Classes II and III: 1 + low + (high - low) * place at every temperature but 25 degC, where it is 1. Class I:
    1 + c * (T - 25 degC) with c from low to high. Source of the limits: EIA-198.

    Parameters
    ----------
    law : of the kind ``dielectric``
    place : (n,) or float, where between the limits each part lies, from 0 to 1
    temperature : [degC]

    Returns
    -------
    (n,) float64, or () where ``place`` is a float.
    """
    first, last = known_code(law.code or "").limits(temperature)
    return np.asarray(first + (last - first) * np.asarray(place, dtype=np.float64))


def temperature_shift(law: TemperatureLaw | None, temperature: float) -> float:
    """Return what a law adds to a voltage [V] at an ambient temperature [degC]; 0 unless it is a shift."""
    if law is None or law.kind != "shift":
        return 0.0
    return _given(law.coefficient) * (temperature - law.reference)


def equivalent_hours(law: AgeingLaw, age: float, mission: Mission) -> float:
    """Return the time at the rated temperature [h] that wears as much as ``age`` [yr] over the mission.

    Σ share · acceleration · age, with acceleration 2**((T - T_rated)/doubling), or exp(Ea/k · (1/T_rated -
    1/T)) with T in K (Arrhenius).
    """
    rated = _given(law.rated_temperature)
    speed = 0.0
    for temperature, share in mission:
        if law.activation_energy is not None:
            inverse = 1.0 / (rated + ZERO_CELSIUS) - 1.0 / (temperature + ZERO_CELSIUS)
            speed += share * math.exp(law.activation_energy / BOLTZMANN_EV * inverse)
        else:
            speed += share * 2.0 ** ((temperature - rated) / _given(law.doubling))
    return speed * age * HOURS_PER_YEAR


def _progress(
    law: AgeingLaw, age: float, *, mission: Mission, since_soldering: float, actuations_per_day: float | None
) -> float:
    """Return what the law's change is multiplied by: decades, years, or shares of the rated life."""
    if law.law == "per decade of hours":
        return math.log10(max(since_soldering + age * HOURS_PER_YEAR, 1.0) / REFEREE_HOURS)
    if law.law == "per year":
        return age
    if law.law == "per decade of actuations":
        actuations = age * _given(actuations_per_day) * DAYS_PER_YEAR
        start = _given(law.start)
        return math.log10(actuations / start) if actuations > start else 0.0
    if law.law == "endurance":
        return equivalent_hours(law, age, mission) / _given(law.rated_life)
    raise ValueError(f"unknown ageing law {law.law!r}")


def ageing_factor(
    law: AgeingLaw,
    change: FloatArray | float,
    age: float,
    *,
    mission: Mission,
    since_soldering: float,
    actuations_per_day: float | None,
) -> FloatArray:
    """Return the factor [-] of an ageing law.

    Parameters
    ----------
    law : AgeingLaw
        ``change`` of the law itself is not looked at: its value in each unit is the next argument.
    change : (n,) or float
        Relative change [-] a decade, a year, or at the rated life; ignored by a table.
    age : float
        In service [yr].
    mission : ((temperature [degC], share), ...)
        Where the years pass; only ``endurance`` looks at it.
    since_soldering : float
        Hours between soldering and age 0; only ``per decade of hours`` looks at it.
    actuations_per_day : float or None
        Only ``per decade of actuations`` looks at it.

    Returns
    -------
    (n,) float64, or () where ``change`` is a float.

    Raises
    ------
    ValueError
        Unknown law, or a number that the law needs is missing.
    """
    if law.law == "table":
        factor = table_value(law.years, law.factors, age)
        return np.full(np.shape(change), factor)
    progress = _progress(
        law,
        age,
        mission=mission,
        since_soldering=since_soldering,
        actuations_per_day=actuations_per_day,
    )
    return 1.0 + np.asarray(change, dtype=np.float64) * progress


def _given_parameter(parameter: Parameter | None) -> Parameter:
    if parameter is None:
        raise ValueError("the law lacks a parameter that it needs")
    return parameter


def _given(value: float | None) -> float:
    if value is None:
        raise ValueError("the law lacks a number that it needs")
    return value

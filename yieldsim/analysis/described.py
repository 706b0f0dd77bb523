"""A parameter's tolerance, temperature law and ageing law in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from yieldsim.design.dielectrics import known_code
from yieldsim.design.parameter import LEVELS, AgeingLaw, Parameter, TemperatureLaw, Tolerance
from yieldsim.design.probability import probability_below, reach
from yieldsim.design.quantity import format_quantity

# Probability below minus and above plus three standard deviations of a normal
TAIL = 0.5 * math.erfc(3.0 / math.sqrt(2.0))


LIMIT = "limit"
POINTS = "0.135 % and 99.865 % points"


@dataclass(frozen=True)
class LevelLimits:
    """How far one level alone takes a parameter from its nominal, before the laws, SI units (degC).

    ``kind`` is "limit" where the tolerance ends there, "0.135 % and 99.865 % points" where it has no end.
    """

    level: str
    low: float
    high: float
    kind: str


def dimension_of(parameter: Parameter) -> str:
    """Return the dimension to write a parameter in: coefficients of ageing laws are written in per cent."""
    return "change" if parameter.name.endswith(".change") else parameter.dimension


def tolerance_text(parameter: Parameter) -> str:
    """Return the tolerances by level: ``lot: normal, sigma 3 %; unit: uniform, within ±20 %``."""
    parts = []
    for level in LEVELS:
        tolerance = parameter.tolerance_at(level)
        if tolerance is not None:
            parts.append(f"{level}: {_shape(parameter, tolerance)}")
    if parameter.within_total is not None:
        low, high, relative = parameter.within_total
        parts.append(f"lot and unit together {_limits(low, high, relative, dimension_of(parameter))}")
    if parameter.sample_size is not None:
        parts.append(f"from {parameter.sample_size} samples")
    return "; ".join(parts)


def _shape(parameter: Parameter, tolerance: Tolerance) -> str:
    dimension = dimension_of(parameter)

    def width(value: float) -> str:
        return _width(value, tolerance.relative, dimension)

    words = [tolerance.shape]
    if tolerance.shape == "measured":
        words.append(f"{tolerance.sample_size or len(tolerance.values)} values")
        if tolerance.file is not None:
            words.append(f"{tolerance.file}, {tolerance.column}")
        words.append(f"{_signed(width(tolerance.values[0]))} to {_signed(width(tolerance.values[-1]))}")
    sigma = tolerance.sigma
    if sigma is None and tolerance.shape == "truncated normal" and None not in (tolerance.low, tolerance.high):
        sigma = ((tolerance.high or 0.0) - (tolerance.low or 0.0)) / 6.0  # as drawn: limits at three sigma
    if sigma is not None:
        words.append(f"sigma {sigma:g} of the logarithm" if tolerance.shape == "lognormal" else f"sigma {width(sigma)}")
    if tolerance.low is not None and tolerance.high is not None and tolerance.shape != "measured":
        words.append("within " + _limits(tolerance.low, tolerance.high, tolerance.relative, dimension))
    if tolerance.removed is not None:
        words.append("without " + _limits(*tolerance.removed, tolerance.relative, dimension))
    if tolerance.flat is not None:
        words.append(f"flat over {100 * tolerance.flat:g} %")
    if tolerance.mode and tolerance.shape != "measured":
        words.append(f"mode {_signed(width(tolerance.mode))}")
    if tolerance.offset:
        words.append(f"shifted by {_signed(width(tolerance.offset))}")
    return ", ".join(words)


def _width(value: float, relative: bool, dimension: str) -> str:
    return f"{100 * value:.6g} %" if relative else format_quantity(value, dimension)


def _signed(text: str) -> str:
    return text if text.startswith("-") else f"+{text}"


def _limits(low: float, high: float, relative: bool, dimension: str) -> str:
    if low == -high:
        return f"±{_width(high, relative, dimension)}"
    return f"{_signed(_width(high, relative, dimension))} / {_signed(_width(low, relative, dimension))}"


def limits_of(parameter: Parameter) -> tuple[float | None, float | None]:
    """Return the lowest and highest value before the laws, SI units; None, None without a tolerance.

    Where every tolerance has limits, their sum; else the 0.135 % and 99.865 % points of all levels together,
    which are the three sigma points of a normal.
    """
    if not parameter.tolerances:
        return None, None
    if all(_bounded(tolerance) for tolerance in parameter.tolerances):
        ends = [reach(tolerance, parameter.nominal) for tolerance in parameter.tolerances]
        low = parameter.nominal + sum(end[0] for end in ends)
        high = parameter.nominal + sum(end[1] for end in ends)
    else:
        low, high = (_point(parameter, p) for p in (TAIL, 1.0 - TAIL))
    if parameter.within_total is not None and "actuation" not in parameter.levels:
        scale = abs(parameter.nominal) if parameter.within_total[2] else 1.0
        low = max(low, parameter.nominal + scale * parameter.within_total[0])
        high = min(high, parameter.nominal + scale * parameter.within_total[1])
    return low, high


def levels_of(parameter: Parameter) -> tuple[LevelLimits, ...]:
    """Return the limits of each level by itself, in the order lot, unit, actuation."""
    found = []
    for level in parameter.levels:
        tolerance = parameter.tolerance_at(level)
        if tolerance is None:
            continue
        low, high = limits_of(replace(parameter, tolerances=(tolerance,), within_total=None))
        if low is not None and high is not None:
            found.append(LevelLimits(level, low, high, LIMIT if _bounded(tolerance) else POINTS))
    return tuple(found)


def levels_text(parameter: Parameter) -> str:
    """Return the limits of each level in words; an asterisk marks the 0.135 % and 99.865 % points."""
    dimension = dimension_of(parameter)
    return "; ".join(
        f"{found.level} {format_quantity(found.low, dimension, 5)} to {format_quantity(found.high, dimension, 5)}"
        + ("*" if found.kind == POINTS else "")
        for found in levels_of(parameter)
    )


def _bounded(tolerance: Tolerance) -> bool:
    return tolerance.shape not in ("normal", "lognormal")


def _point(parameter: Parameter, probability: float) -> float:
    """Return a quantile: three sigma of one normal or lognormal, of several levels by halving."""
    if len(parameter.tolerances) == 1:
        tolerance = parameter.tolerances[0]
        sigma = tolerance.sigma or 0.0
        three = math.copysign(3.0, probability - 0.5) * sigma
        deviation = tolerance.offset + (math.expm1(three) if tolerance.shape == "lognormal" else three)
        return parameter.nominal + deviation * (parameter.nominal if tolerance.relative else 1.0)
    ends = [reach(tolerance, parameter.nominal) for tolerance in parameter.tolerances]
    low = parameter.nominal + sum(end[0] for end in ends)
    high = parameter.nominal + sum(end[1] for end in ends)
    for _ in range(40 if len(ends) < 3 else 14):  # three levels are costly
        middle = 0.5 * (low + high)
        if probability_below(parameter, middle) < probability:
            low = middle
        else:
            high = middle
    return float(f"{0.5 * (low + high):.9g}")


def temperature_text(parameter: Parameter) -> str:
    """Return the temperature law with its reference, and its source where the file does not state it."""
    law = parameter.temperature
    if law is None:
        return ""
    if law.kind in ("linear", "shift"):
        unit = "1/K" if law.kind == "linear" else "V/K"
        text = f"{format_quantity(law.coefficient or 0.0, unit)} about {law.reference:g} degC"
    elif law.kind == "doubling":
        text = f"doubles per {law.doubles_per:g} K about {law.reference:g} degC"
    elif law.kind == "dielectric":
        text = _dielectric(law)
    else:
        points = ", ".join(f"{t:g} degC {f:g}" for t, f in zip(law.temperatures, law.factors, strict=True))
        text = f"factor {points}"
    return f"{text} ({law.source})" if law.source else text


def _dielectric(law: TemperatureLaw) -> str:
    """Return the limits of a code in words; where a part lies between them is a parameter of its own."""
    code = known_code(law.code or "")
    held = f"{code.lowest:g} degC to {code.highest:g} degC"
    if code.per_kelvin:
        low, high = (f"{1e6 * end:+g}" for end in (code.low, code.high))
        return f"{low} to {high} ppm/K about 25 degC, {held}"
    low, high = (f"{100.0 * end:+g}" for end in (code.low, code.high))
    return f"{low} % to {high} % of the value at 25 degC, {held}"


def ageing_text(parameter: Parameter) -> str:
    """Return the ageing laws with their references."""
    return "; ".join(_ageing(law) for law in parameter.ageing)


def _ageing(law: AgeingLaw) -> str:
    change = "" if law.change is None else format_quantity(law.change.nominal, dimension_of(law.change))
    if law.law == "per decade of hours":
        return f"{change} a decade of hours since soldering, nominal at 1,000 h"
    if law.law == "per year":
        return f"{change} a year"
    if law.law == "per decade of actuations":
        return f"{change} a decade of actuations from {law.start:g} on"
    if law.law == "endurance":
        speed = (
            f"twice as fast per {law.doubling:g} K"
            if law.doubling is not None
            else f"activation energy {law.activation_energy:g} eV"
        )
        return f"{change} in {law.rated_life:g} h at {law.rated_temperature:g} degC, {speed}"
    points = ", ".join(f"{a:g} yr {f:g}" for a, f in zip(law.years, law.factors, strict=True))
    return f"factor {points}"

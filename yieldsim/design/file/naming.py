"""Parameters get their names: the dotted path of the place they stand in."""

from __future__ import annotations

from dataclasses import replace

from yieldsim.design.parameter import AgeingLaw, Parameter
from yieldsim.design.physical import PHYSICAL, key_of_name


def named(parameter: Parameter, name: str) -> Parameter:
    """Build the parameter with its name, and its laws' coefficients with theirs."""
    several = len(parameter.ageing) > 1
    ageing = []
    for i, law in enumerate(parameter.ageing, start=1):
        place = f"ageing_{i}" if several else "ageing"
        ageing.append(law if law.change is None else _aged(law, law.change, f"{name}.{place}.change"))
    tempered = parameter.temperature
    if tempered is not None and tempered.place is not None:
        tempered = replace(tempered, place=replace(tempered.place, name=f"{name}.dielectric"))
    return replace(parameter, name=name, temperature=tempered, ageing=tuple(ageing))


def _aged(law: AgeingLaw, change: Parameter, name: str) -> AgeingLaw:
    return replace(law, change=replace(change, name=name))


def or_none(parameter: Parameter | None, name: str) -> Parameter | None:
    """Build the parameter with its name, or None where the file leaves it out."""
    return None if parameter is None else named(parameter, name)


def or_default(parameter: Parameter | None, name: str, value: float = 0.0) -> Parameter:
    """Build the parameter with its name, or a default of this value where the file leaves it out."""
    if parameter is not None:
        return named(parameter, name)
    return Parameter(name, PHYSICAL[key_of_name(name)].dimension, value, defaulted=True)

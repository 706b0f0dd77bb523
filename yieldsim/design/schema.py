"""A design as a whole, made by :mod:`yieldsim.design.reading` of the parts in :mod:`yieldsim.design.parts`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from yieldsim.design.identity import fingerprint
from yieldsim.design.parameter import Parameter
from yieldsim.design.parts import (
    Acknowledgement,
    Backoff,
    Capacitor,
    Conditions,
    Correlation,
    Defaults,
    Derating,
    Frame,
    Harvester,
    Link,
    Message,
    Partial,
    Precharge,
    Radio,
    Rectifier,
    Regulator,
    Requirement,
    Residual,
    Site,
    Step,
    Storage,
    Stroke,
    Waveform,
)
from yieldsim.design.tree import APART, parameters_of, with_replaced
from yieldsim.words.errors import InputError, Problem

__all__ = [
    "STATED",
    "Acknowledgement",
    "Alternate",
    "Backoff",
    "Capacitor",
    "Conditions",
    "Correlation",
    "Defaults",
    "Derating",
    "Design",
    "Frame",
    "Harvester",
    "Link",
    "Message",
    "Partial",
    "Precharge",
    "Radio",
    "Rectifier",
    "Regulator",
    "Requirement",
    "Residual",
    "Site",
    "Step",
    "Storage",
    "Stroke",
    "Waveform",
]

#: Name of the design itself among its alternates.
STATED = "as stated"


@dataclass(frozen=True)
class Alternate:
    """An approved second source: parts that take the place of the stated ones, see `Design.with_alternate`.

    Attributes
    ----------
    name : by which it is called
    share : of the units that have it; None where what is required must hold for each source by itself
    parts : ((field of the design, what stands there), ...)
    own : names of the parameters that it brings; every other one is that of the design
    """

    name: str
    share: float | None
    parts: tuple[tuple[str, Any], ...]
    own: tuple[str, ...]


@dataclass(frozen=True)
class Design:
    """Everything a configuration file says, checked and resolved.

    ``source`` is the file it was read from and ``text`` that file's content. ``warnings`` holds what is
    allowed but deserves a look, each once. ``alternates`` are no part of what an analysis runs, unless it says so.
    """

    title: str
    source: Path | None
    text: str
    defaults: Defaults
    conditions: Conditions
    requirement: Requirement | None
    deratings: tuple[Derating, ...]
    harvester: Harvester | None
    precharge: Precharge | None
    rectifier: Rectifier
    storage: Storage
    regulator: Regulator
    radio: Radio
    link: Link
    correlations: tuple[Correlation, ...]
    warnings: tuple[str, ...] = ()
    alternates: tuple[Alternate, ...] = field(default=(), metadata=APART)

    @cached_property
    def parameters(self) -> dict[str, Parameter]:
        """Every parameter by name, from harvester to link, coefficients of a law behind their owner."""
        return {p.name: p for p in parameters_of(self)}

    @cached_property
    def hash(self) -> str:
        """16 hexadecimal digits over resolved numbers and measured values; titles and notes do not count."""
        parts = (
            self.harvester,
            self.precharge,
            self.rectifier,
            self.storage,
            self.regulator,
            self.radio,
            self.link,
            self.correlations,
        )
        return fingerprint((*parts, self.alternates) if self.alternates else parts)

    @cached_property
    def conditions_hash(self) -> str:
        """16 hexadecimal digits over conditions, requirement and derating rules."""
        return fingerprint((self.conditions, self.requirement, self.deratings))

    def with_nominal(self, name: str, value: Any) -> Design:
        """Return the same design with another nominal value.

        Parameters
        ----------
        name : of a parameter
        value : SI number, a string with its unit, or a quantity object with ``.to(unit).magnitude``

        Raises
        ------
        InputError : no such parameter, an impossible value, or a design that the value makes impossible
        """
        from yieldsim.design.quantity import si_value

        old = self._parameter(name)
        nominal = si_value(value, old.dimension, key=name)
        points = old.points
        if points is not None:  # the whole curve moves, so that its last point stays the nominal
            points = tuple((current, nominal - (old.nominal - drop)) for current, drop in points)
        return self.with_parameter(replace(old, nominal=nominal, points=points, defaulted=False))

    def with_parameter(self, parameter: Parameter) -> Design:
        """Return the same design with the parameter of that name replaced.

        Raises
        ------
        InputError : no such parameter, another dimension, or a design that the parameter makes impossible
        """
        from yieldsim.design.advice import warnings_of
        from yieldsim.design.rules import problems_of

        old = self._parameter(parameter.name)
        if old.dimension != parameter.dimension:
            raise InputError(
                Problem(
                    None,
                    parameter.name,
                    parameter.dimension,
                    f"the parameter measures {old.dimension}",
                    "keep its dimension",
                )
            )
        changed = with_replaced(self, parameter)
        problems = problems_of(changed)
        if problems:
            raise InputError(*problems)
        return replace(changed, warnings=warnings_of(changed))

    def with_alternate(self, name: str) -> Design:
        """Return the design with the parts of one alternate, and without alternates.

        It is the design that a file would give in which these parts are written out in full. Parameters that the
        alternate does not bring are those of this design, changed or not.

        Raises
        ------
        InputError : no such alternate, or a design that its parts make impossible
        """
        from yieldsim.design.advice import warnings_of
        from yieldsim.design.rules import problems_of

        alternate = self._alternate(name)
        title = f"{self.title} ({name})" if self.title else name
        changed = replace(self, title=title, alternates=(), **dict(alternate.parts))
        for parameter in changed.parameters.values():
            stated = self.parameters.get(parameter.name)
            if stated is not None and stated != parameter and parameter.name not in alternate.own:
                changed = with_replaced(changed, stated)
        problems = problems_of(changed)
        if problems:
            raise InputError(*problems)
        return replace(changed, warnings=warnings_of(changed))

    def _alternate(self, name: str) -> Alternate:
        known = {alternate.name: alternate for alternate in self.alternates}
        if name not in known:
            from yieldsim.words.spelling import nearest

            file = None if self.source is None else str(self.source)
            reason = "no alternate has this name" if known else "the design has no alternates"
            remedy = nearest(name, known) if known else "add [[alternate]] with a name and the keys that it replaces"
            raise InputError(Problem(file, "alternate", name, reason, remedy))
        return known[name]

    def _parameter(self, name: str) -> Parameter:
        if name not in self.parameters:
            from yieldsim.words.spelling import nearest

            raise InputError(
                Problem(
                    None,
                    name,
                    None,
                    "no parameter of the design has this name",
                    nearest(name, self.parameters),
                )
            )
        return self.parameters[name]

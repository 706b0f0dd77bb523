"""The drawn inputs of a design as laws: what a sample of them tells of other centres and spreads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.analysis.rankings.groups import correlated_with
from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design
from yieldsim.engine.response import Response
from yieldsim.estimate.laws import Law
from yieldsim.kernel import shapes
from yieldsim.population.population import Population
from yieldsim.population.variables import CODES, Variable, shapes_of

FloatArray = NDArray[np.float64]

_SHAPES = {code: name for name, code in CODES.items()}


@dataclass(frozen=True)
class Input:
    """One drawn input.

    Attributes
    ----------
    parameter : that it moves
    variable : as the population draws it
    law : of its deviation, of 1 plus its deviation for a lognormal one; None where `problem` says why
    problem : why it has no law here
    """

    parameter: Parameter
    variable: Variable
    law: Law | None
    problem: str | None

    @property
    def per_cent_of_nominal(self) -> float:
        """What 1 % of the nominal is in the unit of the law's centre."""
        return 0.01 if self.variable.relative else 0.01 * abs(self.parameter.nominal)

    def values(self, deviations: FloatArray) -> FloatArray:
        """Return what the law is of, from deviations (n,)."""
        offset = self.variable.parameters[shapes.OFFSET]
        return 1.0 + deviations - offset if self.variable.code == shapes.LOGNORMAL else deviations


def inputs_of(design: Design, population: Population) -> tuple[Input, ...]:
    """Return every drawn input, in the order of the population's variables."""
    each = dict(zip(population.actuation_variables.names, population.actuation_variables.each_attempt, strict=True))
    found = []
    for variable in population.variables:
        parameter = design.parameters[variable.name]
        problem = _problem(design, variable, anew=variable.level == "actuation" and bool(each[variable.name]))
        law = None if problem is not None else _law(variable)
        if law is None and problem is None:
            problem = f"a {_SHAPES[variable.code]} law has no derivative here"
        found.append(Input(parameter, variable, law, problem))
    return tuple(found)


def _problem(design: Design, variable: Variable, *, anew: bool) -> str | None:
    others = correlated_with(design, variable.name, variable.level) - {variable.name}
    if others:
        return f"it is drawn together with {', '.join(sorted(others))}"
    if variable.total is not None:
        return "lot and unit are sorted together"
    if variable.level == "lot" and design.parameters[variable.name].within_total is not None:
        return "lot and unit are sorted together"
    return "it is drawn anew for each attempt" if anew else None


def _law(variable: Variable) -> Law | None:
    p = variable.parameters
    low, high, sigma, centre, offset = (
        p[place] for place in (shapes.LOW, shapes.HIGH, shapes.SIGMA, shapes.CENTRE, shapes.OFFSET)
    )
    if variable.code == shapes.NORMAL and sigma > 0.0:
        return Law("normal", offset, sigma)
    if variable.code == shapes.LOGNORMAL and sigma > 0.0:
        return Law("lognormal", 0.0, sigma)
    if not low < high:
        return None
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    if variable.code == shapes.TRUNCATED_NORMAL:
        return Law("truncated normal", centre + offset, sigma, low + offset, high + offset)
    if variable.code == shapes.UNIFORM:
        return Law("uniform", middle + offset, half)
    if variable.code == shapes.TRIANGULAR and abs(centre - middle) <= 1e-12 * half:
        return Law("triangular", middle + offset, half)
    return None


def deviations_of(response: Response, points: FloatArray) -> FloatArray:
    """Return the deviations (n, V) at points (n, D) of the unit cube, in the order of the population's variables.

    Of a variable that is drawn anew for each attempt that of the first.
    """
    population, axes = response.population, response.dimensions
    unit_axes = [k for k, axis in enumerate(axes) if axis.attempt < 0]
    of_units = population.deviations_at(np.ascontiguousarray(points[:, unit_axes]))
    place = {(axis.name, axis.level): k for k, axis in enumerate(axes) if axis.attempt == 0}
    columns, unit = [], iter(of_units.T)
    for variable in population.variables:
        if variable.level != "actuation":
            columns.append(next(unit))
            continue
        shape = shapes_of([variable])
        u = np.ascontiguousarray(points[:, place[variable.name, variable.level]])
        columns.append(shapes.deviations(int(shape.codes[0]), shape.params[0], shape.table, u))
    return np.stack(columns, axis=1) if columns else np.empty((len(points), 0))

"""The units of a design: their deviations as a function of an address, or of a point of the unit cube."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design
from yieldsim.design.tree import parameters_of
from yieldsim.kernel.hash import uniforms
from yieldsim.kernel.shapes import joint_deviations
from yieldsim.population.addresses import ACTUATION, LOT, UNIT, key, words
from yieldsim.population.correlation import factor
from yieldsim.population.variables import Shapes, Variable, shapes_of, variables_of

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class ActuationVariables:
    """The V variables that differ from actuation to actuation, as the compiled loop reads them.

    ``names`` are parameter names; ``each_attempt`` (V,) is 1 where the variable is drawn anew for each
    attempt; ``relative`` (V) tells whether the deviation is relative to the nominal; ``factor`` (V, V) is the
    lower Cholesky factor of the normal scores, (0, 0) when all are independent.
    """

    names: tuple[str, ...]
    each_attempt: IntArray
    relative: tuple[bool, ...]
    shapes: Shapes
    factor: FloatArray


class Population:
    """Everything that is drawn for a design under one seed.

    Parameters
    ----------
    design : Design
    seed : int
        Any integer.
    lots : int, optional
        Unit u comes from lot ``u % lots``; every unit from a lot of its own when None.

    Attributes
    ----------
    variables : tuple of Variable
        All drawn variables, parameters in the order of the file, levels from lot to actuation.
    unit_variables : tuple of Variable
        Those of level lot and unit, in the same order: the columns of the deviations.
    actuation_variables : ActuationVariables
        Those of level actuation. A parameter of a step made at each attempt, or of the link, is drawn for
        each attempt, any other once an actuation.

    Raises
    ------
    InputError
        A coefficient of ageing that varies from actuation to actuation, a total that cannot be sorted, or
        correlations that contradict one another.
    ValueError
        ``lots`` is not positive.
    """

    def __init__(self, design: Design, seed: int, lots: int | None = None) -> None:
        if lots is not None and lots < 1:
            raise ValueError(f"lots = {lots}: a population has at least one lot")
        self.design = design
        self.seed = seed
        self.lots = lots
        self.variables: tuple[Variable, ...] = variables_of(design)
        self.unit_variables = tuple(v for v in self.variables if v.level != ACTUATION)
        self.actuation_variables = _actuation_variables(
            design, tuple(v for v in self.variables if v.level == ACTUATION)
        )
        self._shapes = shapes_of(self.unit_variables)
        self._factor = factor(design, self.unit_variables)
        self._keys = [key(seed, v.name, v.level) for v in self.unit_variables]
        place = {(v.name, v.level): i for i, v in enumerate(self.unit_variables)}
        self._totals = np.array(
            [v.total if v.total is not None else (-np.inf, np.inf) for v in self.unit_variables],
            dtype=np.float64,
        ).reshape(-1, 2)
        self._lot_places = np.array(
            [place.get((v.name, LOT), -1) if v.level == UNIT else -1 for v in self.unit_variables],
            dtype=np.int64,
        )
        self._lot_scales = np.array([v.lot_scale for v in self.unit_variables], dtype=np.float64)

    def lot_of(self, unit_ids: IntArray) -> IntArray:
        """Return the lot of each unit (n,)."""
        return unit_ids if self.lots is None else unit_ids % self.lots

    def unit_deviations(self, unit_ids: IntArray) -> FloatArray:
        """Return the deviations of units.

        Parameters
        ----------
        unit_ids : (n,) int64, not negative

        Returns
        -------
        (n, d) float64, one column for each of `unit_variables`, relative [-] or in SI units as the variable
        says
        """
        return self.deviations_at(self.unit_uniforms(unit_ids))

    def unit_uniforms(self, unit_ids: IntArray) -> FloatArray:
        """Return the uniforms (n, d) of units (n,), one column for each of `unit_variables`."""
        ids = np.ascontiguousarray(unit_ids, dtype=np.int64)
        zero = np.zeros_like(ids)
        unit_words, lot_words = words(ids), words(self.lot_of(ids))
        u = np.empty((len(ids), len(self.unit_variables)))
        for i, (variable, (key0, key1)) in enumerate(zip(self.unit_variables, self._keys, strict=True)):
            low, high = lot_words if variable.level == LOT else unit_words
            u[:, i] = uniforms(key0, key1, low, zero, zero, high)
        return u

    def uniform_of(self, name: str, unit_ids: IntArray) -> FloatArray:
        """Return the uniform (n,) of something else that differs from unit to unit, its site say."""
        low, high = words(np.ascontiguousarray(unit_ids, dtype=np.int64))
        zero = np.zeros_like(unit_ids)
        return np.asarray(uniforms(*key(self.seed, name, UNIT), low, zero, zero, high))

    def deviations_at(self, u: FloatArray) -> FloatArray:
        """Return the deviations at points of the unit cube, by the same transforms as `unit_deviations`.

        Parameters
        ----------
        u : (n, d) float64, strictly inside (0, 1), one column for each of `unit_variables`

        Returns
        -------
        (n, d) float64

        Raises
        ------
        ValueError
            ``u`` has another number of columns.
        """
        if u.ndim != 2 or u.shape[1] != len(self.unit_variables):
            raise ValueError(f"points have shape {u.shape}, not (n, {len(self.unit_variables)})")
        return joint_deviations(
            self._shapes.codes,
            self._shapes.params,
            self._shapes.table,
            self._factor,
            self._totals,
            self._lot_places,
            self._lot_scales,
            np.ascontiguousarray(u, dtype=np.float64),
        )


def _actuation_variables(design: Design, drawn: tuple[Variable, ...]) -> ActuationVariables:
    repeated = {
        parameter.name
        for step in design.radio.sequence
        if step.when == "each attempt"
        for parameter in parameters_of(step)
    }
    repeated.update(parameter.name for parameter in parameters_of(design.link))
    return ActuationVariables(
        names=tuple(v.name for v in drawn),
        each_attempt=np.array([int(v.name in repeated) for v in drawn], dtype=np.int64),
        relative=tuple(v.relative for v in drawn),
        shapes=shapes_of(drawn),
        factor=factor(design, drawn),
    )

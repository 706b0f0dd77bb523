"""The three doors to the physics: points of the unit cube, physical values, and the address of one actuation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition, column_of, kernel_design, unit_columns
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.actuation import ledger_size, record_room
from yieldsim.kernel.loop import run
from yieldsim.population.population import Population
from yieldsim.population.scrambled import RANDOM, SOBOL, ScrambledPopulation
from yieldsim.population.slots import slot_names
from yieldsim.words.errors import InputError, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CHANNEL_ACCESS = "channel access"
PRESS, MESSAGE = "harvester.partial", "radio.message"  # slots that are read once an actuation
SITE = "conditions.site"  # name of the draw of a unit's site
RECORD_POINTS = 20000


@dataclass(frozen=True)
class Dimension:
    """One axis of the unit cube: what is drawn there.

    ``name`` and ``level`` as in the population, ``event`` for the link's own draws; ``place`` is the column among the
    unit
    deviations, or the slot of an attempt's uniforms; ``attempt`` is -1 for lot and unit level.
    """

    name: str
    level: str
    place: int
    attempt: int


@dataclass(frozen=True)
class Replayed:
    """One actuation opened: its row of results, value vector, curve and energy ledger [J]."""

    values: FloatArray
    codes: IntArray
    x: FloatArray
    record: FloatArray
    ledger: FloatArray


class Response:
    """A design under one seed, ready to run.

    Parameters
    ----------
    design : Design
    settings : Settings
        Seed, lots and accuracy are used.
    points : str
        ``random`` for units drawn independently, ``sobol`` for units from scrambled Sobol' sets, which leave lots out.

    Raises
    ------
    InputError : what the population or the kernel cannot draw
    """

    def __init__(self, design: Design, settings: Settings, points: str = RANDOM) -> None:
        self.design = design
        self.settings = settings
        self.population = (
            ScrambledPopulation(design, settings.seed)
            if points == SOBOL
            else Population(design, settings.seed, settings.lots)
        )
        self.kernel = kernel_design(design, self.population)
        self.slots = slot_names(design)

    @cached_property
    def outcome_names(self) -> dict[int, str]:
        """Outcome code -> stable name, in the order in which an actuation can end."""
        names = {at.COMPLETE: "complete", at.NEVER_STARTED: "never started"}
        for k, step in enumerate(self.design.radio.sequence):
            if step.when != "after acknowledgement" or step.required:
                names[at.BROWN_OUT + k] = f"brown-out in {step.name}"
            if self.kernel.use_backoff and step.kind == "frame" and step.when == "each attempt":
                names.setdefault(at.BROWN_OUT + at.CHANNEL_ACCESS, f"brown-out in {CHANNEL_ACCESS}")
        names[at.UNACKNOWLEDGED] = "unacknowledged"
        names[at.NOT_FINISHED] = "not finished"
        return names

    def step_name(self, code: int) -> str:
        """Return the name of a step by its index, or channel access."""
        return CHANNEL_ACCESS if code == at.CHANNEL_ACCESS else self.design.radio.sequence[code].name

    # --- units ------------------------------------------------------------------------------------------------------

    def unit_base(self, units: IntArray, condition: Condition) -> tuple[FloatArray, FloatArray]:
        """Return base and scale (n, K) of units at a condition; each unit ages at its own site where there are
        sites.
        """
        deviations = self.population.unit_deviations(units)
        return self.base_of(deviations, condition, self.site_of(units) if self.design.conditions.sites else None)

    def base_of(
        self, deviations: FloatArray, condition: Condition, place: IntArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return base and scale (n, K) of units by their deviations (n, d) and, where there are sites, the index (n,)
        of each one's site.
        """
        if place is None:
            return unit_columns(self.design, condition, self.population, deviations)
        base = np.empty((len(deviations), len(self.nominal_base(condition))))
        scale = np.empty_like(base)
        for k, site in enumerate(self.design.conditions.sites):
            here = place == k
            if here.any():
                base[here], scale[here] = unit_columns(
                    self.design, condition, self.population, deviations[here], mission=site.mission
                )
        return base, scale

    def site_of(self, units: IntArray) -> IntArray:
        """Return the index of each unit's site (n,), drawn by the unit's address."""
        return self.site_at(self.population.uniform_of(SITE, units))

    def site_at(self, u: FloatArray) -> IntArray:
        """Return the index of the site (n,) at uniforms (n,)."""
        sites = self.design.conditions.sites
        edges = np.cumsum([site.share for site in sites])
        return np.minimum(np.searchsorted(edges / edges[-1], u, side="right"), len(sites) - 1)

    def nominal_base(self, condition: Condition) -> FloatArray:
        """Return the value vector (K,) with every deviation at zero, laws included."""
        zero = np.zeros((1, len(self.population.unit_variables)))
        base, _ = unit_columns(self.design, condition, self.population, zero)
        row: FloatArray = base[0]
        return row

    # --- first door: points of the unit cube ------------------------------------------------------------------------

    @cached_property
    def dimensions(self) -> tuple[Dimension, ...]:
        """The axes of the unit cube: lot and unit variables, then each attempt's draws (once-drawn variables in the
        first).
        """
        axes = [Dimension(v.name, v.level, k, -1) for k, v in enumerate(self.population.unit_variables)]
        drawn = self.population.actuation_variables
        for attempt in range(self.kernel.attempts):
            for slot, name in enumerate(self.slots):
                variable = slot < len(drawn.names)
                if attempt > 0 and (not drawn.each_attempt[slot] if variable else name in (PRESS, MESSAGE)):
                    continue
                if self._never_used(slot):
                    continue
                axes.append(Dimension(name, "actuation" if variable else "event", slot, attempt))
        return tuple(axes)

    def _never_used(self, slot: int) -> bool:
        """Whether nothing in the design reads this slot of the link's draws."""
        name = self.slots[slot]
        if name == PRESS:
            return self.design.harvester is None or self.design.harvester.partial is None
        if name == MESSAGE:
            return len(self.kernel.message_shares) == 1
        if name.startswith("link.backoff."):
            return not self.kernel.use_backoff
        return name.endswith(".latency") and not any(s.acknowledgement for s in self.design.radio.sequence)

    def respond(
        self,
        points: FloatArray,
        condition: Condition,
        *,
        plan: IntArray | None = None,
        full: bool = False,
        x: FloatArray | None = None,
    ) -> tuple[FloatArray, IntArray]:
        """Run one actuation a point.

        Parameters
        ----------
        points : (n, d) float array, strictly inside (0, 1)
            One column for each of `dimensions`.
        condition : Condition
        plan : (A + 2,) int array, optional
            What the link, the press and the message are forced to, see `kernel.layout`; the draws of these then decide
            nothing.
        full : bool
            Fill the start margin even where it decides nothing.
        x : (K,) float array, optional
            Filled with the values of the last point.

        Returns
        -------
        values, codes : (n, VALUES), (n, CODES) arrays of `kernel.layout`
        """
        if points.ndim != 2 or points.shape[1] != len(self.dimensions):
            raise ValueError(f"points have shape {points.shape}, not (n, {len(self.dimensions)})")
        n = len(points)
        unit_axes = [k for k, d in enumerate(self.dimensions) if d.attempt < 0]
        deviations = self.population.deviations_at(np.ascontiguousarray(points[:, unit_axes]))
        base, scale = unit_columns(self.design, condition, self.population, deviations)
        u = self.attempt_uniforms(points)
        rows = np.zeros((n, 3), dtype=np.int64)
        rows[:, at.ROW_UNIT] = np.arange(n)
        plans = None if plan is None else np.broadcast_to(plan, (n, len(plan)))
        return run(
            self.kernel, base, scale, rows, points=u, plans=plans, full=full, accuracy=self.settings.accuracy, x=x
        )

    def attempt_uniforms(self, points: FloatArray) -> FloatArray:
        """Return the uniforms (n, A, slots) of each attempt at points (n, d) of the unit cube."""
        u = np.full((len(points), self.kernel.attempts, len(self.slots)), 0.5)
        for k, d in enumerate(self.dimensions):
            if d.attempt >= 0:
                u[:, d.attempt, d.place] = points[:, k]
        return u

    # --- second door: physical values -------------------------------------------------------------------------------

    @cached_property
    def nominal_uniforms(self) -> FloatArray:
        """The uniforms (A, slots) of the nominal actuation; see `nominal_backoff`."""
        u = np.full((self.kernel.attempts, len(self.slots)), 0.5)
        backoff = self.design.link.backoff
        if backoff is not None and backoff.minimum_exponent > 0:
            u[:, self.slots.index("link.backoff.slot_1")] = 1.5 / 2**backoff.minimum_exponent  # slot 1
        return u

    def nominal_backoff(self, base: FloatArray) -> None:
        """Make the unit period of a value vector (K,) the mean first backoff, which slot 1 then lasts."""
        backoff = self.design.link.backoff
        if backoff is not None:
            base[at.BACKOFF_UNIT] *= (2**backoff.minimum_exponent - 1) / 2

    def respond_at(self, values: Mapping[str, float], condition: Condition, *, opened: bool = False) -> Replayed:
        """Run the nominal actuation with the physical values given, everything else at its nominal for the condition.

        A full press that sends the commonest message in one attempt without losses: the acknowledgement arrives at the
        middle of its spread, the backoff is the mean of the first, the channel is clear.

        Parameters
        ----------
        values : parameter name -> SI value at this condition
        condition : Condition
        opened : bool
            Record the curve and the ledger.

        Raises
        ------
        InputError : a name that is no physical parameter of the design
        """
        base = self.nominal_base(condition)
        columns = column_of(self.design)
        for name, value in values.items():
            if name not in columns:
                raise InputError(
                    Problem(None, name, str(value), "no physical parameter has this name", "see `yieldsim check`")
                )
            base[columns[name]] = value
        plan = np.zeros((1, self.kernel.attempts + at.PLAN_MORE), dtype=np.int64)
        plan[0, 0] = 1
        plan[0, -at.PLAN_MORE :] = at.PRESS_FULL, self.design.radio.nominal_message + 1
        u = self.nominal_uniforms[None].copy()
        self.nominal_backoff(base)
        rows = np.zeros((1, 3), dtype=np.int64)
        return self._open(base[None], np.zeros((1, len(base))), rows, u, plan, opened)

    # --- third door: an address -------------------------------------------------------------------------------------

    def replay(self, unit: int, actuation: int, condition: Condition) -> Replayed:
        """Run one actuation of one unit again, to the same bits, with its curve and ledger."""
        base, scale = self.unit_base(np.array([unit], dtype=np.int64), condition)
        rows = np.array([[0, unit, actuation]], dtype=np.int64)
        return self._open(base, scale, rows, None, None, True)

    def ledgers(self, addresses: IntArray, condition: Condition) -> FloatArray:
        """Return the energy ledgers [J] (n, L) of actuations, one a row of (unit, actuation) (n, 2)."""
        units, place = np.unique(addresses[:, 0], return_inverse=True)
        base, scale = self.unit_base(units, condition)
        found = np.zeros((len(addresses), ledger_size(len(self.design.radio.sequence))))
        record = record_room(0)  # the recorder keeps the energies, and has no room for a curve
        rows = np.column_stack([place, addresses]).astype(np.int64)
        for k in range(len(rows)):
            run(
                self.kernel, base, scale, rows[k : k + 1], accuracy=self.settings.accuracy,
                record=record, ledger=found[k],
            )  # fmt: skip
        return found

    def _open(
        self,
        base: FloatArray,
        scale: FloatArray,
        rows: IntArray,
        points: FloatArray | None,
        plans: IntArray | None,
        opened: bool,
    ) -> Replayed:
        record = record_room(RECORD_POINTS if opened else 0)
        ledger = np.zeros(ledger_size(len(self.design.radio.sequence)))
        x = np.zeros(base.shape[1])
        values, codes = run(
            self.kernel, base, scale, rows, points=points, plans=plans, full=True,
            accuracy=self.settings.accuracy, record=record if opened else None, ledger=ledger, x=x,
        )  # fmt: skip
        return Replayed(values[0], codes[0], x, record[1 : int(record[0, 0]) + 1], ledger)

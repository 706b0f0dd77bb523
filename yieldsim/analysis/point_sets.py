"""How the units of a run are chosen: drawn at random, or taken from scrambled Sobol' sets."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from yieldsim.analysis.result import Provenance
from yieldsim.engine.settings import Settings
from yieldsim.population.points import MOST_POINTS
from yieldsim.population.scrambled import RANDOM, SCRAMBLES, SOBOL
from yieldsim.words.errors import InputError, Problem

LEAST_POINTS = 16  # of a scramble
DEFAULT_UNITS = 256 * SCRAMBLES  # where their number is not stated


@dataclass(frozen=True)
class PointSet:
    """Where the units of a result come from.

    Attributes
    ----------
    kind : ``random`` or ``sobol``
    scrambles, points_each : number of independent scrambles, and units of each; None for units drawn at random
    """

    kind: str = RANDOM
    scrambles: int | None = None
    points_each: int | None = None

    def payload(self) -> dict[str, Any]:
        """Return it for machines."""
        return asdict(self)


def point_set_of(points: str, settings: Settings, *, watched: bool = False) -> PointSet:
    """Return where the units come from.

    Parameters
    ----------
    points : ``random`` or ``sobol``
    settings : of the run
    watched : whether it may end before its last unit

    Raises
    ------
    InputError : another word, or what Sobol' sets do not go with: lots, a watched run, units that do not fill them
    """
    problems = list(points_problems(points, settings))
    if points == SOBOL and watched:
        reason = "what is looked at on the way has valid bounds for units drawn at random alone"
        problems.append(Problem(None, "points", SOBOL, reason, "leave --until-... out, or use --points random"))
    each, left = divmod(settings.units, SCRAMBLES)
    filled = not left and LEAST_POINTS <= each <= MOST_POINTS and not each & (each - 1)
    if points == SOBOL and not watched and not filled:
        reason = f"{SCRAMBLES} Sobol' sets of a power of two of units each are needed"
        problems.append(Problem(None, "units", str(settings.units), reason, f"use {_near(settings.units)}"))
    if problems:
        raise InputError(*problems)
    return PointSet(SOBOL, SCRAMBLES, each) if points == SOBOL else PointSet()


def with_points(made: Provenance, points: PointSet) -> Provenance:
    """Return where a result comes from with its points among the settings, which those of random units leave out.

    They belong to the address of an actuation.
    """
    return made if points.scrambles is None else replace(made, settings={**made.settings, "points": points.kind})


def points_problems(points: str, settings: Settings) -> Iterator[Problem]:
    """Yield what is wrong with where the units come from, their number aside."""
    if points not in (RANDOM, SOBOL):
        yield Problem(None, "points", points, "units do not come from there", 'use "random" or "sobol"')
    if points == SOBOL and settings.lots is not None:
        reason = "each unit of a Sobol' set comes from a lot of its own"
        yield Problem(None, "lots", str(settings.lots), reason, "leave --lots out, or use --points random")


def _near(units: int) -> str:
    """Spell the numbers of units next to one."""
    low, high = LEAST_POINTS * SCRAMBLES, MOST_POINTS * SCRAMBLES
    if units <= low or units >= high:
        return str(low if units <= low else high)
    below = 1 << (units.bit_length() - 1)
    return f"{below} or {2 * below}"


def whole_sets(units: int) -> int:
    """Return the least number of units that fill the scrambles and is not lower than this."""
    each = max(-(-units // SCRAMBLES), LEAST_POINTS)
    return SCRAMBLES * (1 << (each - 1).bit_length())

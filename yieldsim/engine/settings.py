"""How much effort, from which seed, how accurate, how sure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from yieldsim.words.errors import InputError, Problem

DEFAULT_SEED = 20260101
DEFAULT_ACCURACY = 0.5e-3  # bound aimed at for the error of reserve and start margin [V]


@dataclass(frozen=True)
class Settings:
    """Effort, seed, accuracy and confidence of an analysis.

    Attributes
    ----------
    units : units in every cell, the same ones
    actuations : of each unit in each cell
    lots : number of lots the units come from; None for a lot of its own for each
    effort : base points of a ranking, a power of two
    seed : of every draw
    accuracy : bound aimed at for the error of reserve and start margin [V]
    confidence : of each one-sided bound; None takes the requirement's, or 95 %
    threads : that run blocks; the result does not depend on it

    Raises
    ------
    InputError : a value out of range
    """

    units: int = 3072
    actuations: int = 32
    lots: int | None = None
    effort: int = 1024
    seed: int = DEFAULT_SEED
    accuracy: float = DEFAULT_ACCURACY
    confidence: float | None = None
    threads: int = 2

    def __post_init__(self) -> None:
        """Refuse what cannot be run."""
        problems = []
        for name, low in (("units", 2), ("actuations", 1), ("threads", 1), ("seed", 0)):
            if getattr(self, name) < low:
                problems.append(_too_low(name, getattr(self, name), low))
        if self.lots is not None and self.lots < 2:
            problems.append(_too_low("lots", self.lots, 2))
        if self.effort < 2 or self.effort & (self.effort - 1):
            problems.append(
                Problem(None, "effort", str(self.effort), "Sobol' points come in powers of two", "use 1024 or 2048")
            )
        if not 1e-9 <= self.accuracy <= 0.5e-3:
            problems.append(
                Problem(None, "accuracy", f"{self.accuracy} V", "out of range", "use 0.000001 mV to 0.5 mV")
            )
        if self.confidence is not None and not 0.5 <= self.confidence < 1.0:
            problems.append(
                Problem(None, "confidence", str(self.confidence), "out of range", "use 0.5 or more and below 1")
            )
        if problems:
            raise InputError(*problems)

    def as_dict(self) -> dict[str, Any]:
        """Return what determines the result, by name; the number of threads does not."""
        values = asdict(self)
        del values["seed"], values["threads"]
        return values


def _too_low(name: str, value: int, low: int) -> Problem:
    return Problem(None, name, str(value), "too low", f"use {low} or more")

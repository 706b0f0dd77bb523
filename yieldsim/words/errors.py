"""Every error of the package: what is wrong, where, and what to do about it.

An error is made of :class:`Problem` rows, so that the terminal, the machine-readable output and the tests all
see the same four facts: file, key, value, remedy.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with what was handed in.

    Attributes
    ----------
    file : name of the file it stands in, or None when it came through the Python interface
    key : dotted path of the key (``radio.boot.current``), or None when the whole file is meant
    value : the offending value as the user wrote it, or None
    reason : why it is refused
    remedy : what to write or do instead
    """

    file: str | None
    key: str | None
    value: str | None
    reason: str
    remedy: str

    def __str__(self) -> str:
        """One line, ``FILE: KEY = VALUE: REASON; REMEDY``; parts that are None are left out."""
        subject = self.key or ""
        if self.value is not None:
            subject = f"{subject} = {self.value}" if subject else self.value
        places = [part for part in (self.file, subject) if part]
        return ": ".join([*places, f"{self.reason}; {self.remedy}"])

    def as_json(self) -> dict[str, str | None]:
        """Return the row as it appears under ``error`` and ``errors`` in machine-readable output."""
        return {
            "file": self.file,
            "key": self.key,
            "value": self.value,
            "remedy": self.remedy,
            "reason": self.reason,
        }


class YieldsimError(Exception):
    """Base of all errors a user may meet; the command line shows its text and ends with ``exit_code``."""

    exit_code = 1

    def __init__(self, *problems: Problem) -> None:
        if not problems:
            raise TypeError("an error needs at least one problem")
        super().__init__(*problems)
        self.problems: tuple[Problem, ...] = problems

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)

    def as_json(self) -> dict[str, object]:
        """``{"error": first problem, "errors": [all problems]}``."""
        rows = [problem.as_json() for problem in self.problems]
        return {"error": rows[0], "errors": rows}


class InputError(YieldsimError, ValueError):
    """What was handed in cannot be used. Holds every problem found, in the order of the file."""


class WorkError(YieldsimError):
    """The input was right but the work could not be done (a folder that cannot be written, for instance)."""

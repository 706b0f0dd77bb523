"""Commands that open an actuation again, as they are typed."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from yieldsim.engine.settings import DEFAULT_ACCURACY
from yieldsim.report.numbers import MINUS, plain

if TYPE_CHECKING:
    from yieldsim.analysis.addresses import Address
    from yieldsim.analysis.result import Provenance

_DIGITS = 12  # of a temperature or an age: it must name the same condition again


def opening(address: Address, provenance: Provenance, config: str | None = None) -> str:
    """Return the command that opens an actuation.

    Parameters
    ----------
    address : of the actuation
    provenance : of the run that simulated it; its seed, lots, points and accuracy belong to the address
    config : path of the configuration as it was given; its name alone when None
    """
    file = config or provenance.file or "CONFIG"
    parts = [
        f"yieldsim actuation {shlex.quote(file)}",
        f"--temperature {_number(address.temperature_degC)}",
        f"--age {_number(address.age_yr)}",
        f"--unit {address.unit} --actuation {address.actuation}",
        f"--seed {provenance.seed}",
    ]
    lots = provenance.settings.get("lots")
    if lots is not None:
        parts.append(f"--lots {lots}")
    points = provenance.settings.get("points")
    if points is not None:
        parts.append(f"--points {points}")
    accuracy = provenance.settings.get("accuracy")
    if accuracy is not None and accuracy != DEFAULT_ACCURACY:
        parts.append(f'--accuracy "{_number(accuracy * 1e3)} mV"')
    return " ".join(parts)


def _number(value: float) -> str:
    return plain(value, _DIGITS).replace(MINUS, "-")

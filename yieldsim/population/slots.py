"""Slots of one attempt's uniform numbers, in the order the compiled loop reads them, and their keys."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from yieldsim.design.schema import Design
from yieldsim.population.addresses import ACTUATION, EVENT, key
from yieldsim.population.variables import variables_of


def event_names(design: Design) -> tuple[str, ...]:
    """Return the names of what happens: losses, latency of the acknowledgement, backoffs, busy, press, message.

    There is one backoff and one busy slot even where the design has no backoff, as the loop expects; and one for
    whether the press stops short and one for which message is sent even where there is no choice.
    """
    listening = [step.name for step in design.radio.sequence if step.acknowledgement is not None]
    latency = f"radio.{listening[0]}.latency" if listening else "radio.latency"
    backoff = design.link.backoff
    slots = range(1, (backoff.maximum_backoffs if backoff is not None else 0) + 2)
    return (
        "link.frame_loss",
        "link.acknowledgement_loss",
        latency,
        *(f"link.backoff.slot_{k}" for k in slots),
        *(f"link.backoff.busy_{k}" for k in slots),
        "harvester.partial",
        "radio.message",
    )


def slot_names(design: Design) -> tuple[str, ...]:
    """Return the names of all slots: actuation-level variables in file order, then what happens.

    Raises
    ------
    InputError
        As `variables_of`.
    """
    drawn = tuple(variable.name for variable in variables_of(design) if variable.level == ACTUATION)
    return drawn + event_names(design)


def slot_keys(design: Design, seed: int) -> NDArray[np.int64]:
    """Return the two 32-bit key words of every slot, (slots, 2), in the order of `slot_names`."""
    names = slot_names(design)
    drawn = len(names) - len(event_names(design))
    rows = [key(seed, name, ACTUATION if i < drawn else EVENT) for i, name in enumerate(names)]
    return np.array(rows, dtype=np.int64)

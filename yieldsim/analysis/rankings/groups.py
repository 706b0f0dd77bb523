"""What is ranked as one: the axes of the unit cube that belong to a parameter, to the link, or are drawn together."""

from __future__ import annotations

from dataclasses import dataclass

from yieldsim.analysis.rankings.scene import AGE, MISSION, TEMPERATURE, Scene
from yieldsim.design.parameter import Parameter
from yieldsim.design.schema import Design
from yieldsim.engine.response import MESSAGE, PRESS, Dimension, Response

LINK_LOSSES = "link losses"
BACKOFF = "link.backoff"
ACTUATION = "actuation"
GIVEN = "given"  # basis of what the application brings with it, no number of a part
EVENT = "event"  # level of the link's own draws


@dataclass(frozen=True)
class Group:
    """Axes of the unit cube that are moved together.

    Attributes
    ----------
    name, level : of what is drawn; ``a + b`` where parameters are correlated, `LINK_LOSSES` for frames and
        acknowledgements lost
    basis : of its numbers
    columns : axes
    members : names of the correlated parameters, in the order of the columns; empty where it is one variable
    numeric : whether a higher draw is a higher value of one number of a part
    """

    name: str
    level: str
    basis: str
    columns: tuple[int, ...]
    members: tuple[str, ...] = ()
    numeric: bool = True


def groups_of(response: Response) -> tuple[Group, ...]:
    """Return the groups of axes: a variable with all its attempts, the link's draws, correlated variables."""
    design = response.design
    columns: dict[tuple[str, str], list[int]] = {}
    numeric: dict[tuple[str, str], bool] = {}
    for k, axis in enumerate(response.dimensions):
        place = _place(design, axis)
        columns.setdefault(place, []).append(k)
        numeric[place] = axis.level != EVENT or axis.name.endswith(".latency")
    found = []
    for (name, level), of_group in columns.items():
        joined = " + " in name
        members = tuple(dict.fromkeys(response.dimensions[k].name for k in of_group)) if joined else ()
        plain = numeric[name, level] and not joined
        found.append(Group(name, level, _basis(design, name), tuple(of_group), members, plain))
    return tuple(found)


def groups_in(scene: Scene) -> tuple[Group, ...]:
    """Return the groups of a response, and one each for the temperature and the age that a mission draws."""
    found = list(groups_of(scene.response))
    first = len(scene.response.dimensions)
    for k, name in enumerate(scene.more):
        found.append(Group(name, MISSION, GIVEN, (first + k,)))
    return tuple(found)


def parameters_behind(design: Design, name: str) -> list[Parameter]:
    """Return the parameters whose numbers a group's draws come from; none for what the application brings with it."""
    link = design.link
    if name in (MESSAGE, TEMPERATURE, AGE):
        return []
    if name == PRESS and design.harvester is not None and design.harvester.partial is not None:
        return [design.harvester.partial.share]
    if name == LINK_LOSSES:
        losses = (link.frame_loss, link.acknowledgement_loss)
        return [link.signal_to_noise] if link.signal_to_noise is not None else list(losses)
    if name == BACKOFF and link.backoff is not None:
        return [link.backoff.busy, link.backoff.unit]
    if name.endswith(".latency"):
        return [design.parameters[f"{name.removesuffix('.latency')}.spread"]]
    return [design.parameters[part] for part in name.split(" + ")]


def _place(design: Design, axis: Dimension) -> tuple[str, str]:
    """Name and level of the group that an axis belongs to."""
    if axis.level == EVENT:
        if axis.name in ("link.frame_loss", "link.acknowledgement_loss"):
            return LINK_LOSSES, ACTUATION
        return (BACKOFF if axis.name.startswith(f"{BACKOFF}.") else axis.name), ACTUATION
    joined = correlated_with(design, axis.name, axis.level)
    return " + ".join(name for name in design.parameters if name in joined), axis.level


def correlated_with(design: Design, name: str, level: str) -> set[str]:
    """Return the parameters correlated with one at a level, directly or through others, itself included."""
    found = {name}
    sets = [set(c.between) for c in design.correlations if c.level == level]
    while True:
        wider = found.union(*(members for members in sets if members & found))
        if wider == found:
            return found
        found = wider


def _basis(design: Design, name: str) -> str:
    """Bases of the parameters behind a group, each once."""
    bases = dict.fromkeys(p.basis for p in parameters_behind(design, name))
    return " + ".join(bases) or GIVEN

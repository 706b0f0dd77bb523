"""Every number of the shipped designs matters: changed by a fifth, it changes something that is computed.

A number is perturbed in the document, the document written again and read, and what comes of it compared with what
comes of the file as it is: first a few actuations to the bit, then, where these are the same, a yield of a few units
and the findings of a check. Numbers that are only shown again do not count.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from yieldsim.analysis.check import check
from yieldsim.analysis.yields import yields
from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import MESSAGE, PRESS, Response
from yieldsim.engine.settings import Settings
from yieldsim.engine.strata import chances_of
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[1] / "configs"
FILES = sorted(path.name for path in CONFIGS.glob("*.toml"))
FEW = Settings(units=4, actuations=2, threads=1)
PLACES = (Condition(57.0, 11.0), Condition(-18.0, 4.0))
POINTS = 24
# a fifth up or down; less where both are refused because the neighbours of a number leave it no more room
FACTORS, SMALL = (1.2, 0.8), (1.0005, 0.9995)
TOLD_AGAIN = {
    *("temperature_degC", "age_yr", "requirement", "rating", "at_most", "share", "confidence", "reason"),
}
FREE_TEXT = {"title", "note", "file", "column", "time", "emf"}
NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e[+-]?\d+)?", re.IGNORECASE)

Place = tuple[str | int, ...]


# --- the document ---------------------------------------------------------------------------------------------------


def leaves(node: Any, place: Place = ()) -> Iterator[tuple[Place, int]]:
    """Every number below a node: where it stands, and which of the numbers in its text it is."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key not in FREE_TEXT or not isinstance(value, str):
                yield from leaves(value, (*place, key))
    elif isinstance(node, list):
        for k, value in enumerate(node):
            yield from leaves(value, (*place, k))
    elif isinstance(node, str):
        if re.match(r"[+\-±−]?\s*\d", node):
            yield from ((place, k) for k in range(len(NUMBER.findall(node))))
    elif not isinstance(node, bool):
        yield place, 0


def perturbed(document: dict[str, Any], place: Place, which: int, factor: float) -> dict[str, Any]:
    """The document with one number changed: times the factor, a whole number by at least 1, a zero to a fifth."""
    changed = copy.deepcopy(document)
    parent: Any = changed
    for step in place[:-1]:
        parent = parent[step]
    parent[place[-1]] = _moved(parent[place[-1]], which, factor)
    if place[-3:-2] == ("mission",) and place[-1] == "share":
        _share_the_rest(changed["conditions"]["mission"], int(place[-2]))
    if place[-3:-2] == ("message",) and place[-1] == "share":
        _share_the_rest(changed["radio"]["message"], int(place[-2]))
    return changed


def _share_the_rest(parts: list[dict[str, str]], kept: int) -> None:
    """Scale the other shares so that all add up to 100 %."""
    shares = [float(part["share"].removesuffix(" %")) for part in parts]
    others = sum(shares) - shares[kept]
    for k, part in enumerate(parts):
        if k != kept:
            part["share"] = f"{shares[k] * (100.0 - shares[kept]) / others:.12g} %"


def _moved(value: Any, which: int, factor: float) -> Any:
    if isinstance(value, str):
        found = list(NUMBER.finditer(value))[which]
        number = float(found[0])
        new = number * factor if number else abs(factor - 1.0)
        return f"{value[: found.start()]}{new:.12g}{value[found.end() :]}"
    if isinstance(value, int):
        step = max(1, round(abs(value * (factor - 1.0))))
        return value + step if factor > 1.0 else value - step
    return value * factor


def written(node: Any) -> str:
    """A value as TOML; a text in JSON is one in TOML."""
    if isinstance(node, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {written(value)}" for key, value in node.items()) + " }"
    if isinstance(node, list):
        return "[" + ", ".join(written(value) for value in node) + "]"
    return json.dumps(node)


def design_of(document: dict[str, Any]) -> Design:
    text = "\n".join(f"{key} = {written(value)}" for key, value in document.items())
    return design_from_toml(text, folder=CONFIGS)


# --- what is computed -------------------------------------------------------------------------------------------------


@cache
def actuations(design: Design) -> bytes:
    """A few actuations at two conditions to the bit, hard presses among them, and the chances of the link."""
    response = Response(design, FEW)
    rng = np.random.default_rng(20_011)
    points = rng.uniform(0.01, 0.99, (POINTS, len(response.dimensions)))
    rare = [
        k for k, d in enumerate(response.dimensions) if d.level == "event" and ("loss" in d.name or "busy" in d.name)
    ]
    points[np.ix_(range(0, POINTS, 2), rare)] *= 1e-6  # lost frames and busy channels, which no few points would meet
    for k, d in enumerate(response.dimensions):  # presses that stop short, and each message in turn
        if d.name == PRESS:
            points[::3, k] = 1e-6
        elif d.name == MESSAGE:
            points[:, k] = np.linspace(0.01, 0.99, POINTS)
    parts = [np.array(points.shape)]
    for place in PLACES:
        parts += response.respond(points, place, full=True)
        base, scale = response.unit_base(np.arange(3), place)
        chances = chances_of(response, base, scale)
        parts += [chances.lost, chances.busy, chances.partial, chances.messages]
        hard = {name: 2.5 * response.nominal_base(place)[column] for name, column in _press(response).items()}
        for values in ({}, hard):
            opened = response.respond_at(values, place, opened=True)
            parts += [opened.values, opened.codes, opened.ledger]
        parts.append(response.replay(3, 1, place).ledger)
    return b"".join(np.ascontiguousarray(part).tobytes() for part in parts)


_HARDER = ("harvester.peak_emf", "harvester.emf_waveform.scale", "harvester.open_circuit_swing", "harvester.energy")


def _press(response: Response) -> dict[str, int]:
    from yieldsim.engine.columns import column_of

    columns = column_of(response.design)
    return {name: columns[name] for name in _HARDER if name in columns}


@cache
def judgement(design: Design, about: str) -> str:
    """What a yield and a check say, without what is only told again.

    ``about`` is ``rules`` for ratings and derating rules, which are judged over more units and without the rest;
    ``verdict`` for what needs more units to be seen; else ``units``.
    """
    if about == "rules":
        found = yields(replace(design, requirement=None), Settings(units=24, actuations=1, threads=1))
    else:
        found = yields(design, Settings(units=32, actuations=1, threads=1) if about == "verdict" else FEW)
    words = [(part.name, part.word, part.more_units) for part in found.judged]
    return json.dumps(_computed([found.payload(), words, [finding.text for finding in check(design).findings]]))


def about(design: Design, place: Place) -> str:
    """What a number has to do with, for `judgement`."""
    if place[0] == "derating" or str(place[-1]).endswith(("rating", "maximum_supply")):
        return "rules"
    over_life = design.requirement is not None and design.requirement.applies_to == "over the mission"
    return "verdict" if place[0] == "requirement" or ("mission" in place and over_life) else "units"


def _computed(node: Any) -> Any:
    if isinstance(node, dict):
        return {str(key): _computed(value) for key, value in node.items() if key not in TOLD_AGAIN}
    return [_computed(value) for value in node] if isinstance(node, list | tuple) else node


def identity(design: Design) -> tuple[str, str]:
    return design.hash, design.conditions_hash


def readings(document: dict[str, Any], place: Place, which: int, factors: tuple[float, ...]) -> Iterator[Design]:
    """The designs that come of a number moved by these factors, those that are refused left out."""
    for factor in factors:
        try:
            yield design_of(perturbed(document, place, which, factor))
        except InputError:
            continue


def fate(document: dict[str, Any], sound: Design, place: Place, which: int, judged: bool = True) -> str:
    """What a perturbed number does: ``refused``, ``actuations``, ``judgement`` where that is asked, or ``nothing``."""
    changed = list(readings(document, place, which, FACTORS)) or list(readings(document, place, which, SMALL))
    if not changed:
        return "refused"
    if any(actuations(design) != actuations(sound) for design in changed):
        return "actuations"
    kind = about(sound, place)
    if judged and any(judgement(design, kind) != judgement(sound, kind) for design in changed):
        return "judgement"
    return "nothing"


# --- the tests --------------------------------------------------------------------------------------------------------

TOLD = "it is told beside the tolerance; nothing is computed from it"
EVERY = "the requirement binds every condition, so that no life is averaged"
COLD = "no part of this design ages with temperature, and the mission's ends stay where they are"
NO_RULE = "shown beside the stress; no derating rule asks for it, nor is it the lowest rating that the input sees"
FAR = "the stress stays so far below that every actuation keeps the rule"
MET = "each of the few units run here completes far more"
NOT_MET = "hardly a unit complies when hot and old, so that it is not met either way"
LOCKED = "the regulator locks out above what the radio needs with its dropout"
NOT_JUDGED = "a rating is judged by a yield, which takes minutes for this design and is left out here"
RARE = "hardly a retry of the few actuations run here stands so near its level"
ABOVE = "no press of the few run here fills the store to its clamp"
UNLOCKED = "what the radio needs stands above the lock-out within these limits"
# Designs of many chances (messages, presses, retries), whose yields take too long for so many readings: their parts are
# looked at in actuations alone, their conditions and requirements not at all.
PARTS_ALONE = {"lid-tally.toml", "vent-flap.toml"}
# Numbers that change nothing that is computed, each with its reason.
CLEAR = "every unit is so far above the required completion that no share of the mission brings one near it"
EXCEPTIONS: dict[str, dict[str, str]] = {
    "crank-counter.toml": {
        "conditions.mission.0.share": CLEAR,
        "conditions.mission.1.share": CLEAR,
        "harvester.peak_emf.sample_size": TOLD,
        "rectifier.current_rating": NO_RULE,
        "rectifier.reverse_rating": NO_RULE,
        "storage.voltage_rating": NO_RULE,
    },
    "gate-rope.toml": {
        "conditions.service_life": EVERY,
        "conditions.mission.0.temperature": COLD,
        "conditions.mission.0.share": COLD,
        "conditions.mission.1.temperature": COLD,
        "conditions.mission.1.share": COLD,
        "conditions.mission.2.share": COLD,
        "rectifier.reverse_rating": NO_RULE,
        "storage.voltage_rating": NO_RULE,
        "radio.maximum_supply": NO_RULE,
    },
    "hatch-latch.toml": {
        "conditions.service_life": EVERY,
        "requirement.completion": MET,
        "derating.0.at_most": FAR,
        "derating.1.at_most": FAR,
        "harvester.peak_emf.sample_size": TOLD,
        "rectifier.current_rating": FAR,
        "rectifier.reverse_rating": NO_RULE,
        "regulator.dropout.nominal": LOCKED,
        "regulator.dropout.at": LOCKED,
        "regulator.dropout.tolerance.sigma": LOCKED,
        "regulator.dropout.temperature": LOCKED,
        "radio.minimum_supply": LOCKED,
        "radio.maximum_supply": NO_RULE,
    },
    "lid-tally.toml": {
        "regulator.voltage_rating": NOT_JUDGED,
        "regulator.dropout.nominal": LOCKED,
        "regulator.dropout.at": LOCKED,
        "regulator.dropout.tolerance": LOCKED,
        "radio.minimum_supply": LOCKED,
        "link.retry_above#1": RARE,
    },
    "seat-counter.toml": {
        "conditions.service_life": EVERY,
        "requirement.completion": MET,
        "storage.capacitor.0.voltage_rating": NO_RULE,
    },
    "vent-flap.toml": {
        "storage.voltage_rating": NOT_JUDGED,
        "storage.clamp_voltage#1": ABOVE,
    },
    "valve-turn.toml": {
        "conditions.service_life": EVERY,
        "conditions.mission.0.share": COLD,
        "conditions.mission.1.temperature": COLD,
        "conditions.mission.1.share": COLD,
        "conditions.mission.2.share": COLD,
        "requirement.unit_yield": NOT_MET,
        "derating.0.at_most": FAR,
        "harvester.peak_emf.sample_size": TOLD,
        "rectifier.current_rating": NO_RULE,
        "rectifier.reverse_rating": NO_RULE,
        "regulator.stop_voltage#1": UNLOCKED,
        "radio.maximum_supply": NO_RULE,
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("name", FILES)
def test_every_number_changes_something(name: str) -> None:
    document = tomllib.loads((CONFIGS / name).read_text(encoding="utf-8"))
    sound = design_of(document)
    assert identity(sound) == identity(read_design(CONFIGS / name))  # the document is written as it was read
    judged = name not in PARTS_ALONE
    asked = [leaf for leaf in leaves(document) if judged or leaf[0][0] not in ("conditions", "requirement", "derating")]
    found = {dotted(place, which): fate(document, sound, place, which, judged) for place, which in asked}
    assert len(found) > 60
    unseen = {key for key, what in found.items() if what == "nothing"}
    assert unseen == set(EXCEPTIONS.get(name, {}))
    # only the first point of a bias curve, which is 1 at 0 V, has no room at all
    refused = {key for key, what in found.items() if what == "refused"}
    assert all(re.fullmatch(r"storage\.(capacitor\.\d\.)?capacitance\.bias\.0\.[01]", key) for key in refused)


def dotted(place: Place, which: int) -> str:
    """Name of a number: keys and indices, and behind a sign which one of its text, but for the first."""
    return ".".join(str(step) for step in place) + (f"#{which}" if which else "")


def test_every_number_of_a_document_is_found() -> None:
    document = tomllib.loads(
        'a = 3\nb = ["+80/-20 %", "1 uF ±5 %", true]\ntitle = "2 parts"\n[c]\nd = { e = "−3 dB" }\n'
    )
    assert [dotted(*leaf) for leaf in leaves(document)] == ["a", "b.0", "b.0#1", "b.1", "b.1#1", "c.d.e"]
    assert perturbed(document, ("b", 1), 1, 1.2)["b"][1] == "1 uF ±6 %"
    assert perturbed(document, ("b", 0), 0, 0.8)["b"][0] == "+64/-20 %"
    assert perturbed(document, ("a",), 0, 1.2)["a"] == 4


def test_negative_control_what_is_the_same_is_seen_to_be_the_same() -> None:
    document = tomllib.loads((CONFIGS / FILES[0]).read_text(encoding="utf-8"))
    sound, again = design_of(document), design_of({**document, "title": "Another title"})
    assert actuations(again) == actuations(sound)
    assert judgement(again, "units") == judgement(sound, "units")
    assert identity(again) == identity(sound)

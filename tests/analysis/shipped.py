"""The shipped configurations as tests use them: read once, at one condition, without the costly part of a yield."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.design.schema import Design

CONFIGS = Path(__file__).parents[2] / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))


@cache
def shipped(name: str) -> Design:
    """Read one of them."""
    return read_design(CONFIGS / f"{name}.toml")


def changed(name: str, *changes: tuple[str, str]) -> Design:
    """Read one of them with changes to its text, each of which must be found once."""
    text = (CONFIGS / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return design_from_toml(text)


def one_cell(design: Design, temperature: float = 25.0, age: float = 0.0) -> Design:
    """Return it at one condition and with nothing required, so that a yield only counts."""
    conditions = replace(design.conditions, temperatures=(temperature,), ages=(age,))
    return replace(design, conditions=conditions, requirement=None, deratings=())

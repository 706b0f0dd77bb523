from collections.abc import Callable
from pathlib import Path

import pytest

from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
VALVE = (CONFIGS / "valve-turn.toml").read_text(encoding="utf-8")

Edits = tuple[str, str]


def _edited(*edits: Edits) -> str:
    """The valve-turn reporter with the first occurrence of each old text replaced by its new one."""
    text = VALVE
    for old, new in edits:
        assert old in text, f"{old!r} is not in the demo"
        text = text.replace(old, new, 1)
    return text


@pytest.fixture
def edited() -> Callable[..., str]:
    """Makes the text of the valve-turn reporter after edits (old, new)."""
    return _edited


@pytest.fixture
def valve() -> Design:
    """The valve-turn reporter as shipped."""
    return design_from_toml(VALVE, CONFIGS / "valve-turn.toml", CONFIGS)


@pytest.fixture
def changed(tmp_path) -> Callable[..., Design]:
    """Reads the valve-turn reporter after edits (old, new); files it names lie in tmp_path."""

    def read(*edits: Edits) -> Design:
        return design_from_toml(_edited(*edits), "valve.toml", tmp_path)

    return read


@pytest.fixture
def told(changed) -> Callable[..., list[str]]:
    """What is told about the edited reporter, one line a problem; fails when it is accepted."""

    def read(*edits: Edits) -> list[str]:
        with pytest.raises(InputError) as caught:
            changed(*edits)
        return str(caught.value).splitlines()

    return read

"""What the report says of the model: the limits that touch a design, and no others."""

from pathlib import Path

import pytest

from yieldsim.design.reading import read_design
from yieldsim.report import method

CONFIGS = Path(__file__).parents[2] / "configs"
TOUCHED = {  # words of the limits -> shipped designs that have the thing
    "coil current is neglected": {"valve-turn", "hatch-latch", "crank-counter", "gate-rope", "vent-flap"},
    "piezoelectric element": {"seat-counter"},
    "energy packet": {"lid-tally"},
    "straight line fitted": {"valve-turn", "hatch-latch", "crank-counter", "gate-rope", "vent-flap", "seat-counter"},
    "precharge is a constant current": {"vent-flap"},
    "actuation before left": {"vent-flap"},
    "starts again when its input rises": {"vent-flap"},
    "partial press": {"seat-counter", "lid-tally"},
    "Capacitors in parallel": {"seat-counter"},
    "Which message is sent": {"lid-tally"},
    "retry begins only": {"lid-tally"},
}


@pytest.fixture(scope="module")
def told():
    return {path.stem: " ".join(method.limits_of(read_design(path))) for path in sorted(CONFIGS.glob("*.toml"))}


@pytest.mark.parametrize("words", TOUCHED)
def test_a_limit_is_told_of_the_designs_it_touches_alone(told, words):
    assert {name for name, text in told.items() if words in text} == TOUCHED[words]


def test_the_error_of_a_bank_stands_behind_its_limit_once_known(monkeypatch):
    design = read_design(CONFIGS / "seat-counter.toml")
    monkeypatch.setattr(method, "BANK_ERROR_V", None)
    unknown = next(text for text in method.limits_of(design) if text.startswith("Capacitors in parallel"))
    assert unknown.endswith("until their own voltages agree is left out.")
    monkeypatch.setattr(method, "BANK_ERROR_V", 1.1e-3)
    known = next(text for text in method.limits_of(design) if text.startswith("Capacitors in parallel"))
    assert known == f"{unknown[:-1]}; in random banks of 0.01 to 1 ohm the reserve was off by 1.10 mV at most for it."


def test_every_limit_is_a_sentence(told):
    for text in told.values():
        assert text.endswith(".")
        assert "  " not in text

"""One small real sign-off, and the single answers, for all tests of the report room."""

from dataclasses import replace
from pathlib import Path

import pytest

from yieldsim.analysis.actuation import actuation
from yieldsim.analysis.signoff import signoff
from yieldsim.analysis.yields import yields
from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.engine.columns import Condition
from yieldsim.engine.settings import Settings

# An invented design; its title and a note are hostile on purpose.
SLUICE = """
title = "Sluice <script>alert(1)</script> & gate $1$"

[conditions]
temperatures = ["-10 degC", "25 degC", "55 degC"]
ages = ["0 yr", "10 yr"]
[[conditions.mission]]
temperature = "0 degC"
share = "50 %"
[[conditions.mission]]
temperature = "55 degC"
share = "50 %"

[requirement]
completion = "98 %"
unit_yield = "95 %"

[[derating]]
of = "store.voltage"
at_most = "90 %"
in = "95 %"

[harvester]
kind = "electromagnetic"
transit_time = "2.2 ms"
coil_resistance = "110 ohm ±5 %"
[harvester.peak_emf]
nominal = "13 V"
tolerance = "±8 %"
note = "<img src=x onerror=alert(2)>"
basis = "datasheet"
[harvester.speed]
nominal = 1
tolerance = { level = "actuation", sigma = "5 %", within = "±15 %" }

[rectifier]
kind = "full bridge"
current_rating = "0.5 A"
reverse_leakage = "1 uA"
[rectifier.forward_drop]
points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]
tolerance = "±30 mV"

[storage]
esr = "50 mohm"
initial_voltage = "0 V"
voltage_rating = "6 V"
[storage.capacitance]
nominal = "47 uF"
tolerance = [{ level = "lot", sigma = "3 %" }, { level = "unit", sigma = "5 %", within = "±20 %" }]
[storage.capacitance.ageing]
law = "per decade of hours"
change = "-2.5 %"

[regulator]
kind = "linear"
output = "2.2 V ±2 %"
start_voltage = "2.4 V ±3 %"
stop_voltage = "1.7 V"
start_delay = "100 us"
output_capacitance = "1 uF"
dropout = { nominal = "0.2 V", at = "20 mA" }

[radio]
minimum_supply = "1.8 V"
[[radio.sequence]]
step = "wake up"
duration = "3.5 ms"
current = "3.5 mA ±10 %"
[[radio.sequence]]
step = "transmit"
frame = { octets = 24, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = "9.5 mA"
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.544 ms", spread = "0.2 ms", timeout = "0.864 ms" }
current = "8 mA"

[link]
attempts = 2
frame_loss = "2 %"
"""

EFFORT = Settings(units=96, actuations=6, effort=64)


@pytest.fixture(scope="session")
def design():
    return design_from_toml(SLUICE)


@pytest.fixture(scope="session")
def result(design):
    return signoff(design, EFFORT)


@pytest.fixture(scope="session")
def answers(design, result):
    """One result of every kind, with actuations that complete, never start and brown out."""
    addressed = [a for found in result.yields.addresses.values() for a in found]
    opened = {}
    for a in addressed:
        opened.setdefault(a.outcome, a)
    more = {
        f"actuation, {outcome}": actuation(
            design, EFFORT, Condition(a.temperature_degC, a.age_yr), (a.unit, a.actuation)
        )
        for outcome, a in opened.items()
    }
    return {
        "signoff": result,
        "yield": replace(result.yields, convergence=yields(design, EFFORT, convergence=True).convergence),
        "rank": result.ranking,
        "check": result.check,
        "actuation": result.actuation,
        **more,
    }


CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="session")
def opened():
    """Nominal and addressed actuations of the shipped designs whose sources differ: by design, then by address."""
    found = {}
    for name, temperature, addresses in (
        ("seat-counter", 45.0, ((17, 3), (2, 0))),
        ("lid-tally", 12.0, ((62, 1), (27, 2))),
        ("vent-flap", 48.0, ((59, 0), (13, 7))),
    ):
        design = read_design(CONFIGS / f"{name}.toml")
        for address in (None, *addresses):
            found[name, address] = actuation(design, EFFORT, Condition(temperature, 0.0), address)
    return found

"""Reports of designs that lack what most have: a requirement, a harvester, an acknowledgement, conditions."""

import json

import pytest

from yieldsim.analysis.signoff import signoff
from yieldsim.design.reading import design_from_toml
from yieldsim.engine.settings import Settings
from yieldsim.report.terminal import text_of
from yieldsim.report.writing import write_report

# An invented bench study: a charged capacitor on a voltage detector, nothing that harvests.
CHARGED = """
title = "Charged bench study"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
{requirement}
[rectifier]
kind = "single diode"
reverse_leakage = "1 uA"
[rectifier.forward_drop]
points = [["10 mA", "0.3 V"], ["100 mA", "0.4 V"]]
[storage]
capacitance = "22 uF ±10 %"
esr = "1 ohm"
initial_voltage = "{voltage} ±4 %"
[regulator]
kind = "direct"
start_voltage = "2.5 V"
[radio]
minimum_supply = "1.8 V"
[[radio.sequence]]
step = "send"
frame = {{ octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }}
current = "9 mA"
"""
OVER_THE_MISSION = """
[[conditions.mission]]
temperature = "10 degC"
share = "100 %"
[requirement]
completion = "90 %"
unit_yield = "90 %"
applies_to = "over the mission"
"""
COMPLETION_ALONE = """
[requirement]
completion = "90 %"
"""
NEVER = "2.2 V"  # below the start voltage whatever the tolerance


@pytest.mark.parametrize(
    ("requirement", "voltage", "verdict"),
    [
        ("", "3.3 V", "NO REQUIREMENT"),
        ("", NEVER, "NO REQUIREMENT"),
        (COMPLETION_ALONE, "3.3 V", "NO REQUIREMENT"),
        (OVER_THE_MISSION, NEVER, "NOT MET"),
        (OVER_THE_MISSION, "3.3 V", "MET"),
    ],
)
def test_a_report_is_complete_without_what_a_design_lacks(requirement, voltage, verdict, tmp_path):
    design = design_from_toml(CHARGED.format(requirement=requirement, voltage=voltage))
    result = signoff(design, Settings(units=64, actuations=2, effort=64), brief=True)
    files = write_report(result, tmp_path / "report")
    assert text_of(result).startswith(f"{verdict}: Charged bench study")
    page = (tmp_path / "report" / "index.html").read_text(encoding="utf-8")
    assert "nan" not in page.lower().replace("nano", "")
    assert "None" not in page
    answer = json.loads((tmp_path / "report" / "result.json").read_text(encoding="utf-8"))
    assert answer["files"] == list(files)
    completion = answer["yield"]["cells"][0]["completion"]
    assert completion == (0.0 if voltage == NEVER else 1.0)

"""Warnings, each told once."""

import pytest

from yieldsim.design.laws_at import life_used
from yieldsim.design.parameter import AgeingLaw

CAPACITANCE = 'temperature = [["-55 degC", 0.88], ["25 degC", 1.0], ["85 degC", 0.93], ["125 degC", 0.86]]'


@pytest.mark.parametrize(
    ("old", "new", "warning"),
    [
        (
            'nominal = "47 uF"',
            'nominal = "47 mF"',
            "storage.capacitance: 47 mF is an improbable value (probable: 100 nF to 10 mF)",
        ),
        (
            'ages = ["0 yr", "5 yr", "12 yr"]',
            'ages = ["0 yr", "50 yr"]',
            "conditions: 50 yr is an improbable age (probable: up to 40 yr)",
        ),
        (
            CAPACITANCE,
            'temperature = [["-10 degC", 0.95], ["25 degC", 1.0], ["85 degC", 0.93]]',
            "storage.capacitance: the temperature table ends at -10 and 85 degC; at -20 degC its end value is used",
        ),
        (
            CAPACITANCE,
            'temperature = [["-55 degC", 0.88], ["25 degC", 1.02], ["85 degC", 0.93]]',
            "storage.capacitance: the temperature table gives 1.02 at 25 degC, where the nominal "
            "value should "
            "hold with factor 1",
        ),
        (
            CAPACITANCE,
            'temperature = [["-55 degC", 0.9], ["85 degC", 0.9]]',
            "storage.capacitance: the temperature table gives 0.9 at 25 degC, where the nominal value should "
            "hold with factor 1",
        ),
        (
            'temperature = "-0.11 %/K"',
            'temperature = "-2.1 %/K"',
            "harvester.peak_emf: -2.1 %/K is an improbable temperature coefficient (probable: up to 2 %/K)",
        ),
        (
            'temperature = "-1.3 mV/K"',
            'temperature = "-13 mV/K"',
            "rectifier.forward_drop: -13 mV/K is an improbable temperature coefficient (probable: up to 10 mV/K)",
        ),
        (
            'quiescent = "1.2 uA ±40 %"',
            'quiescent = "1.2 uA +170/-40 %"',
            "regulator.quiescent: a tolerance 210 % wide is improbable",
        ),
        (
            'maximum_supply = "3.8 V"',
            'maximum_supply = "2.4 V"',
            "regulator.output: 2.5 V is above radio.maximum_supply 2.4 V",
        ),
        (
            'law = "per decade of hours"\nchange = { nominal = "-2.5 %", tolerance = "±0.7 %" }',
            'law = "table"\npoints = [["0 yr", 1.0], ["10 yr", 0.9]]',
            "storage.capacitance: the ageing table ends at 0 and 10 yr; beyond, its end value is used",
        ),
        (
            'law = "per decade of hours"\nchange = { nominal = "-2.5 %", tolerance = "±0.7 %" }',
            'law = "endurance"\nchange = "-5 %"\nrated_life = "1900 h"\nrated_temperature = "85 '
            'degC"\ndoubling = "10 K"',
            "storage.capacitance: at 12 yr the mission has used 105 % of its rated life; "
            "the drift is continued beyond it",
        ),
    ],
)
def test_one_warning_told_once(changed, old, new, warning):
    assert changed((old, new)).warnings == (warning,)


def test_a_good_design_has_none(valve):
    assert valve.warnings == ()


def test_the_end_of_life_of_the_warning_by_hand():
    # Sum of share * 2**((T - 85)/10) over the mission 5, 25, 60 degC, times 12 yr of 8,760 h, over 1,900 h
    speed = 0.4 * 2 ** (-80 / 10) + 0.55 * 2 ** (-60 / 10) + 0.05 * 2 ** (-25 / 10)
    mission = ((5.0, 0.4), (25.0, 0.55), (60.0, 0.05))
    law = AgeingLaw("endurance", rated_life=1900.0, rated_temperature=85.0, doubling=10.0)
    assert life_used(law, 12.0, mission) == pytest.approx(12 * 8760 * speed / 1900, rel=1e-14)


def test_ten_kelvin_rule_of_electrolytics():
    # Capacitor makers' technical notes: 2,000 h at 105 degC are 16,000 h at 75 degC
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, doubling=10.0)
    assert life_used(law, 16_000 / 8760, ((75.0, 1.0),)) == pytest.approx(1.0, rel=1e-14)


def test_activation_energy_that_equals_a_doubling_between_95_and_105_degc():
    # Arrhenius: k ln 2 / (1/368.15 K - 1/378.15 K) = 0.83155 eV
    law = AgeingLaw("endurance", rated_life=2000.0, rated_temperature=105.0, activation_energy=0.83155)
    assert life_used(law, 4000 / 8760, ((95.0, 1.0),)) == pytest.approx(1.0, rel=2e-5)


def test_a_cut_waveform_is_told(tmp_path, edited):
    from yieldsim.design.reading import design_from_toml

    (tmp_path / "e.csv").write_text("t,e\n0,0\n1e-3,-10\n2e-3,4\n")
    text = edited(
        ('transit_time = "2.4 ms"\n', ""),
        (
            "[harvester.peak_emf]\n",
            '[harvester.emf_waveform]\nfile = "e.csv"\ntime = "t"\nemf = "e"\n[harvester.emf_waveform.scale]\n',
        ),
        ('nominal = "16 V"', "nominal = 1"),
        ('[[harvester.strokes]]\nstart = "0 ms"\nlinkage = 1 ', ""),
    )
    assert design_from_toml(text, None, tmp_path).warnings == (
        "harvester.emf_waveform: it ends at 4 V, 40 % of its peak; outside it is 0",
    )


def test_an_improbable_temperature_is_also_beyond_the_tables(changed):
    assert changed(('"60 degC"]', '"60 degC", "180 degC"]')).warnings == (
        "conditions: 180 degC is an improbable temperature (probable: -60 to 150 degC)",
        "storage.capacitance: the temperature table ends at -55 and 125 degC; at 180 degC its end value is used",
    )

"""What a configuration reads to."""

import copy
import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw, Tolerance
from yieldsim.design.reading import design_from_toml, read_design, starter
from yieldsim.design.schema import Correlation, Derating, Requirement, Site
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
UNIT = ("unit", "uniform", True)


def test_the_plain_parts(valve):
    assert valve.title == "Valve-turn reporter, revision B"
    assert valve.text == (CONFIGS / "valve-turn.toml").read_text(encoding="utf-8")
    assert valve.conditions.temperatures == (-20.0, 5.0, 25.0, 60.0)
    assert valve.conditions.ages == (0.0, 5.0, 12.0)
    assert valve.conditions.service_life == 12.0
    assert valve.conditions.actuations_per_day == 30.0
    assert valve.conditions.mission == ((5.0, 0.4), (25.0, 0.55), (60.0, 0.05))
    assert valve.conditions.mission_given
    assert valve.requirement == Requirement(0.999, 0.995, "every condition", 0.95)
    assert valve.deratings == (Derating("regulator.voltage", 0.7, 0.999),)
    assert valve.correlations == (Correlation(("regulator.dropout", "regulator.quiescent"), -0.4, "unit"),)
    assert valve.storage.since_soldering == 1000.0
    assert valve.storage.clamp_voltage is None
    assert valve.storage.voltage_rating == valve.regulator.voltage_rating == 16.0
    assert (valve.rectifier.current_rating, valve.rectifier.reverse_rating) == (1.0, 30.0)
    assert valve.regulator.efficiency is None
    assert valve.warnings == ()


def test_parameters_have_names_si_values_and_dimensions(valve):
    values = {name: (p.nominal, p.dimension) for name, p in valve.parameters.items()}
    assert values["harvester.peak_emf"] == (16.0, "V")
    assert values["harvester.peak_emf.ageing.change"] == (-0.025, "factor")
    assert values["harvester.transit_time"] == (2.4e-3, "s")
    assert values["harvester.coil_inductance"] == (27e-3, "H")
    assert values["harvester.stroke_1.linkage"] == (1.0, "factor")
    assert values["storage.capacitance"] == (47e-6, "F")
    assert values["storage.capacitance.ageing.change"] == (-0.025, "factor")
    assert values["storage.insulation"] == (100.0, "ohm*F")
    assert values["regulator.ground_share"] == (0.001, "share")
    assert values["radio.boot.duration"] == (3.8e-3, "s")
    assert values["radio.listen.earliest"] == (544e-6, "s")
    assert values["radio.listen.timeout"] == (864e-6, "s")
    assert values["link.backoff.unit"] == (320e-6, "s")
    assert all(name == p.name for name, p in valve.parameters.items())
    assert len(values) == 41


def test_a_parameter_with_everything(valve):
    assert valve.parameters["harvester.peak_emf"] == Parameter(
        "harvester.peak_emf",
        "V",
        16.0,
        (Tolerance("unit", "normal", True, sigma=0.03),),
        TemperatureLaw("linear", -0.0011),
        (
            AgeingLaw(
                "per decade of actuations",
                Parameter("harvester.peak_emf.ageing.change", "factor", -0.025),
                start=100.0,
            ),
        ),
        basis="measured",
        note="40 mechanisms, bench of March",
        sample_size=40,
    )


def test_tolerances_laws_and_curves(valve):
    p = valve.parameters
    assert p["harvester.coil_resistance"].tolerances == (Tolerance(*UNIT, -0.05, 0.05),)
    assert p["harvester.speed"].tolerances == (
        Tolerance("actuation", "truncated normal", True, -0.15, 0.15, sigma=0.05),
    )
    assert p["storage.capacitance"].levels == ("lot", "unit")
    assert p["storage.capacitance"].temperature == TemperatureLaw(
        "table", temperatures=(-55.0, 25.0, 85.0, 125.0), factors=(0.88, 1.0, 0.93, 0.86)
    )
    assert p["storage.capacitance"].bias[:2] == ((0.0, 1.0), (2.0, 0.97))
    assert p["storage.capacitance.ageing.change"].tolerances == (Tolerance("unit", "uniform", False, -0.007, 0.007),)
    assert p["rectifier.forward_drop"].points == ((0.01, 0.32), (0.1, 0.42))
    assert p["rectifier.forward_drop"].nominal == 0.42
    assert p["rectifier.forward_drop"].tolerances == (Tolerance("unit", "uniform", False, -0.03, 0.03),)
    assert p["rectifier.forward_drop"].temperature == TemperatureLaw("shift", -0.0013)
    assert p["rectifier.reverse_leakage"].tolerances == (Tolerance("unit", "lognormal", True, sigma=0.4),)
    assert p["rectifier.reverse_leakage"].temperature == TemperatureLaw("doubling", doubles_per=11.0)
    assert p["regulator.dropout"].at == 0.02


def test_steps_and_link(valve):
    boot, transmit, listen = valve.radio.sequence
    assert (boot.name, boot.kind, boot.when, boot.required) == ("boot", "fixed", "once", True)
    assert (transmit.kind, listen.kind) == ("frame", "listen")
    assert transmit.frame.air_time == pytest.approx((31 + 6) * 32e-6, rel=1e-15)  # 32 us an octet at 250 kbit/s
    assert listen.acknowledgement.spread.nominal == 0.3e-3
    assert valve.link.attempts == 2
    assert (valve.link.backoff.minimum_exponent, valve.link.backoff.maximum_backoffs) == (3, 4)


def test_what_is_left_out_is_marked_as_default(changed):
    design = changed(
        ('coil_inductance = "27 mH ±10 %"\n', ""),
        ('stop_voltage = "1.7 V ±3 %"\n', ""),
        ('esr = "40 mohm"\n', ""),
        ('insulation = "100 ohm*F"\n', ""),
        ('temperature = { doubles_per = "11 K" }\n', ""),
        ("[[harvester.strokes]]\n", ""),
        ('start = "0 ms"\n', ""),
        ("linkage = 1 ", ""),
    )
    for name in (
        "harvester.coil_inductance",
        "regulator.stop_voltage",
        "storage.esr",
        "harvester.stroke_1.start",
    ):
        assert (design.parameters[name].nominal, design.parameters[name].defaulted) == (0.0, True), name
    assert design.parameters["harvester.stroke_1.linkage"].nominal == 1.0
    assert design.storage.insulation is None
    leakage = design.parameters["rectifier.reverse_leakage"].temperature
    assert (leakage.kind, leakage.doubles_per, leakage.reference) == ("doubling", 10.0, 25.0)
    assert leakage.source
    assert not design.parameters["regulator.output"].defaulted


def test_a_coil_is_of_copper_about_20_degc_unless_said(valve, changed):
    # Annealed copper at 20 degC: 0.00393 per kelvin, value from memory of IEC 60028
    law = valve.parameters["harvester.coil_resistance"].temperature
    assert (law.kind, law.coefficient, law.reference) == ("linear", 0.00393, 20.0)
    assert "60028" in law.source
    own = changed(
        (
            'coil_resistance = "100 ohm ±5 %"',
            'coil_resistance = { nominal = "100 ohm", temperature = "0.2 %/K" }',
        )
    )
    assert own.parameters["harvester.coil_resistance"].temperature == TemperatureLaw("linear", 0.002, 20.0)


def test_where_conditions_are_left_out_the_defaults_are_stated(changed):
    text = (
        ('service_life = "12 yr"\n', ""),
        (
            "[[conditions.mission]]                 # where the actuations happen and the years "
            "pass; shares add to 100 %\n"
            'temperature = "5 degC"\nshare = "40 %"\n[[conditions.mission]]\ntemperature = "25 '
            'degC"\nshare = "55 %"\n'
            '[[conditions.mission]]\ntemperature = "60 degC"\nshare = "5 %"\n',
            "",
        ),
    )
    design = changed(*text)
    assert design.conditions.service_life == 12.0
    assert design.conditions.mission == ((25.0, 1.0),)
    assert not design.conditions.mission_given


def test_sites(changed):
    site = '[[site]]\nname = "{}"\nshare = "{}"\nmission = [{{ temperature = "{}", share = "100 %" }}]\n'
    both = site.format("hills", "30 %", "2 degC") + site.format("coast", "70 %", "18 degC")
    design = changed(("[requirement]", both + "[requirement]"))
    assert design.conditions.sites == (
        Site("hills", 0.3, ((2.0, 1.0),)),
        Site("coast", 0.7, ((18.0, 1.0),)),
    )


def test_defaults_of_shape_and_level(changed):
    design = changed(('shape = "uniform"', 'shape = "truncated normal"'), ('level = "unit"', 'level = "lot"'))
    (t,) = design.parameters["storage.capacitance.ageing.change"].tolerances
    assert (t.level, t.shape, t.low, t.high) == ("lot", "truncated normal", -0.007, 0.007)
    assert t.sigma == pytest.approx(0.014 / 6)  # a sixth of the width
    skewed = changed(
        ('shape = "uniform"', 'shape = "truncated normal"'),
        ('output_capacitance = "1 uF ±20 %"', 'output_capacitance = "1 uF +80/-20 %"'),
    )
    (t,) = skewed.parameters["regulator.output_capacitance"].tolerances
    assert (t.low, t.high) == (-0.2, 0.8)
    assert t.mode == pytest.approx(0.3)  # its mean lies at the middle of the limits
    assert t.sigma == pytest.approx(1.0 / 6)


ALONE = ('[[correlation]]\nbetween = ["regulator.dropout", "regulator.quiescent"]\nrank = -0.4\n', "")
DROPOUT = 'tolerance = { sigma = "8 %" }'


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ('"±5 %"', Tolerance(*UNIT, -0.05, 0.05)),
        ('{ within = "±20 mV" }', Tolerance("unit", "uniform", False, -0.02, 0.02)),
        ('{ level = "lot", sigma = "5 mV" }', Tolerance("lot", "normal", False, sigma=0.005)),
        (
            '{ shape = "triangular", within = "+10/-5 %", mode = "2 %" }',
            Tolerance("unit", "triangular", True, -0.05, 0.10, mode=0.02),
        ),
        (
            '{ shape = "trapezoidal", within = "±10 %", flat = "40 %", offset = "1 %" }',
            Tolerance("unit", "trapezoidal", True, -0.1, 0.1, flat=0.4, offset=0.01),
        ),
        (
            '{ shape = "sorted", within = "±10 %", removed = "+5/-4 %", sigma = "6 %" }',
            Tolerance("unit", "sorted", True, -0.1, 0.1, sigma=0.06, removed=(-0.04, 0.05)),
        ),
        ('{ shape = "lognormal", sigma = "30 %" }', Tolerance("unit", "lognormal", True, sigma=0.3)),
    ],
)
def test_every_way_to_write_a_tolerance(changed, written, expected):
    design = changed((DROPOUT, f"tolerance = {written}"), ALONE)
    (t,) = design.parameters["regulator.dropout"].tolerances
    assert t == expected


def test_measured_values_are_relative_to_their_own_median(changed, tmp_path):
    (tmp_path / "m.csv").write_text("n,v\n1,0.30\n2,0.27\n3,0.33\n")
    (t,) = (
        changed((DROPOUT, 'tolerance = { shape = "measured", file = "m.csv", column = "v" }'))
        .parameters["regulator.dropout"]
        .tolerances
    )
    assert t.values == pytest.approx((-0.1, 0.0, 0.1))
    assert (t.relative, t.sample_size, t.file, t.column) == (True, 3, "m.csv", "v")
    (t,) = (
        changed((DROPOUT, 'tolerance = { shape = "measured", file = "m.csv", column = "v", absolute = true }'))
        .parameters["regulator.dropout"]
        .tolerances
    )
    assert t.values == pytest.approx((-0.01, 0.02, 0.05))  # from the nominal 0.28 V
    assert not t.relative


def test_several_ageing_laws_have_numbered_names(changed):
    laws = (
        '[{ law = "per year", change = "-0.5 %" }, { law = "table", points = [["0 yr", 1], '
        '["12 yr", 0.9]] }, '
        '{ law = "endurance", change = { nominal = "20 %", tolerance = "±5 %" }, rated_life = "2000 h", '
        'rated_temperature = "105 degC", activation_energy = "0.83 eV" }]'
    )
    design = changed((DROPOUT, f"ageing = {laws}"), ALONE)
    first, second, third = design.parameters["regulator.dropout"].ageing
    assert first.change.name == "regulator.dropout.ageing_1.change"
    assert second == AgeingLaw("table", years=(0.0, 12.0), factors=(1.0, 0.9))
    assert (third.rated_life, third.rated_temperature, third.activation_energy) == (2000.0, 105.0, 0.83)
    assert third.change.name == "regulator.dropout.ageing_3.change"
    assert "regulator.dropout.ageing_3.change" in design.parameters


def test_within_total_slope_and_a_drop_for_every_current(changed):
    design = changed(
        (DROPOUT, 'within_total = "±10 %"\ntolerance = ["±8 %"]'),
        ('current = "3.4 mA ±10 %"', 'current = { nominal = "3.4 mA", slope = "0.5 mA/V", at = "3 V" }'),
        ('points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]', 'nominal = "0.35 V"'),
    )
    assert design.parameters["regulator.dropout"].within_total == (-0.1, 0.1, True)
    current = design.parameters["radio.boot.current"]
    assert (current.slope, current.at) == (0.5e-3, 3.0)
    drop = design.parameters["rectifier.forward_drop"]
    assert drop.nominal == 0.35
    assert {volts for _, volts in drop.points} == {0.35}


def test_when_is_taken_from_the_place_of_a_step(changed):
    whens = [
        ('when = "once"\n', ""),
        ('when = "each attempt"\nframe', "frame"),
        ('when = "each attempt"\nack', "ack"),
    ]
    wake = '[[radio.sequence]]\nstep = "settle"\nduration = "1 ms"\ncurrent = "1 mA"\n'
    design = changed(
        *whens,
        ('[[radio.sequence]]\nstep = "listen"', wake + '[[radio.sequence]]\nstep = "listen"'),
        ("[link]", '[[radio.sequence]]\nstep = "log"\nduration = "1 ms"\ncurrent = "1 mA"\n[link]'),
    )
    assert [(s.name, s.when, s.required) for s in design.radio.sequence] == [
        ("boot", "once", True),
        ("transmit", "each attempt", True),
        ("settle", "each attempt", True),
        ("listen", "each attempt", True),
        ("log", "after acknowledgement", False),
    ]


def test_without_an_acknowledgement_steps_behind_the_last_frame_come_after(changed):
    design = changed(
        ('step = "listen"\nwhen = "each attempt"', 'step = "rest"'),
        (
            'acknowledgement = { earliest = "0.544 ms", spread = "0.3 ms", timeout = "0.864 ms" }',
            'duration = "1 ms"',
        ),
        ("attempts = 2", "attempts = 1"),
    )
    assert [s.when for s in design.radio.sequence] == ["once", "each attempt", "after acknowledgement"]


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_designs_read_without_a_warning_and_say_that_they_are_invented(path):
    design = read_design(path)
    assert design.source == path
    assert design.warnings == ()
    assert "invented" in " ".join(design.text.splitlines()[:3])


def test_the_shipped_designs_cover_every_kind():
    designs = [read_design(path) for path in CONFIGS.glob("*.toml")]
    assert {d.regulator.kind for d in designs} == {"linear", "buck", "direct"}
    assert {d.rectifier.kind for d in designs} == {"full bridge", "single diode"}
    assert any(d.harvester.waveform for d in designs)
    assert any(len(d.harvester.strokes) == 2 and d.harvester.strokes[1].linkage.nominal < 0 for d in designs)
    assert {d.harvester.kind for d in designs} == {"electromagnetic", "piezoelectric", "energy packet"}
    assert any(d.precharge and d.storage.residual and d.regulator.restart for d in designs)
    assert any(len(d.storage.capacitors) > 1 for d in designs)
    assert any(d.harvester.partial for d in designs)
    assert any(s.dwell for d in designs for s in d.harvester.strokes)
    assert any(d.radio.messages and d.link.retry_above for d in designs)
    named = ("off_current", "quiescent", "dropout", "efficiency")
    assert all(any(p.curve for d in designs if (p := getattr(d.regulator, name))) for name in named)


def test_the_starter_reads_without_a_warning():
    design = design_from_toml(starter())
    assert design.warnings == ()
    assert design.source is None
    assert "#" in starter()


def test_a_waveform(tmp_path):
    text = (CONFIGS / "gate-rope.toml").read_text(encoding="utf-8")
    (tmp_path / "gate-rope-batch.csv").write_text("peak_V\n1\n1.1\n")
    csv = tmp_path / "gate-rope-emf.csv"

    def told(content: str) -> str:
        csv.write_text(content)
        with pytest.raises(InputError) as caught:
            design_from_toml(text, "g.toml", tmp_path)
        return str(caught.value).removeprefix('g.toml: harvester.emf_waveform.file = "gate-rope-emf.csv": ')

    assert told("time_s,emf_V\n0,1\n") == "a waveform has two samples or more; give the whole pulse"
    assert told("time_s,emf_V\n0,1\n0,2\n") == (
        'the times in column "time_s" do not rise: in row 2 below the header 0 s is given twice; '
        "sort the rows by time, each time once"
    )
    assert told("time_s,emf_V\n-1,1\n0,2\n") == (
        "its first time, -1 s, lies before the release; count the time from the release"
    )
    assert told("time_s,emf_V\n0,0\n1,0\n") == (
        'the emf in column "emf_V" is 0 throughout; give the open-circuit emf in V'
    )
    assert told("t,emf_V\n0,0\n1,0\n") == 'no column "time_s" in its header line; known here: t, emf_V'
    csv.write_text("time_s,emf_V\n0,0\n1e-3,8\n2e-3,0\n")
    waveform = design_from_toml(text, "g.toml", tmp_path).harvester.waveform
    assert (waveform.time, waveform.emf) == ((0.0, 1e-3, 2e-3), (0.0, 8.0, 0.0))
    assert waveform.scale.name == "harvester.emf_waveform.scale"


def test_designs_are_values(valve):
    again = design_from_toml(valve.text, valve.source, CONFIGS)
    assert again == valve
    assert pickle.loads(pickle.dumps(valve)) == valve
    assert copy.deepcopy(valve).hash == valve.hash
    assert hash(again) == hash(valve)
    with pytest.raises(AttributeError):
        valve.title = "other"


def test_reading_loads_nothing_heavy():
    program = (
        "import sys, yieldsim.words.names, yieldsim.words.errors, yieldsim.words.tables\n"
        "assert 'pydantic' not in sys.modules\n"
        "import yieldsim.design.reading\n"
        "print([m for m in ('numpy', 'scipy', 'pandas', 'numba', 'click') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

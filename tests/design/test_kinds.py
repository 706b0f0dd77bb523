"""Sources, banks, residuals, curves, messages and retries: what they read to, how a design with them changes."""

import copy
import pickle
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.design.schema import Frame, Message, Radio
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
TEXTS = {
    name: (CONFIGS / f"{name}.toml").read_text(encoding="utf-8") for name in ("seat-counter", "lid-tally", "vent-flap")
}
SEAT, LID, VENT = (design_from_toml(text) for text in TEXTS.values())


def edited(name, *edits):
    text = TEXTS[name]
    for old, new in edits:
        assert old in text, f"{old!r} is not in the demo"
        text = text.replace(old, new, 1)
    return design_from_toml(text)


# --- sources --------------------------------------------------------------------------------------------------------


def test_piezoelectric():
    harvester = SEAT.harvester
    assert harvester.kind == "piezoelectric"
    assert (harvester.open_circuit_swing.name, harvester.open_circuit_swing.dimension) == (
        "harvester.open_circuit_swing",
        "V",
    )
    assert harvester.source_capacitance.dimension == "F"
    assert harvester.loss_resistance.name == "harvester.loss_resistance"
    assert harvester.speed.levels == ("actuation",)
    assert (harvester.peak_emf, harvester.coil_resistance, harvester.coil_inductance, harvester.energy) == (None,) * 4
    first, second = harvester.strokes
    assert (first.start.nominal, first.dwell) == (0.0, None)
    assert (second.start, second.dwell.name) == (None, "harvester.stroke_2.dwell")
    assert second.dwell.nominal == pytest.approx(0.12)
    assert edited("seat-counter", ("loss_resistance", "#")).harvester.loss_resistance is None


def test_energy_packet_with_partial_presses():
    harvester = LID.harvester
    assert harvester.energy.dimension == "J"
    assert harvester.efficiency.nominal == pytest.approx(0.68)
    assert harvester.delivery_time.nominal == pytest.approx(4e-3)
    assert (harvester.speed, harvester.transit_time, harvester.strokes) == (None, None, ())
    assert harvester.partial.share.name == "harvester.partial.share"
    assert harvester.partial.travel.nominal == 0.7
    assert LID.parameters["harvester.efficiency"] is harvester.efficiency


def test_precharge_and_residual():
    assert [p.name for p in (VENT.precharge.current, VENT.precharge.voltage_limit, VENT.precharge.charge_time)] == [
        "precharge.current",
        "precharge.voltage_limit",
        "precharge.charge_time",
    ]
    assert VENT.precharge.voltage_limit.nominal == pytest.approx(2.1)
    storage = VENT.storage
    assert storage.initial_voltage is None
    assert storage.before is storage.residual.voltage
    assert storage.residual.time_since.nominal == 20.0
    assert (LID.precharge, LID.storage.residual) == (None, None)
    assert LID.storage.before is LID.storage.initial_voltage


def test_a_precharge_alone_is_a_source():
    start, end = TEXTS["vent-flap"].index("[harvester]"), TEXTS["vent-flap"].index("[rectifier]")
    design = design_from_toml(TEXTS["vent-flap"][:start] + TEXTS["vent-flap"][end:])
    assert design.harvester is None
    assert design.precharge == VENT.precharge


# --- store ----------------------------------------------------------------------------------------------------------


def test_a_bank():
    storage = SEAT.storage
    assert (storage.capacitance, storage.esr, storage.insulation) == (None, None, None)
    assert [part.name for part in storage.parts] == ["ceramic", "polymer"]
    assert storage.parts is storage.capacitors
    assert storage.voltage_rating == 12.5  # of the weaker part
    pinned = SEAT.with_nominal("storage.ceramic.capacitance", "10 uF").with_nominal(
        "storage.polymer.capacitance", "22 uF"
    )
    assert pinned.storage.nominal_capacitance == pytest.approx(32e-6)
    assert storage.nominal_esr == pytest.approx(8e-3 * 45e-3 / 53e-3)
    ceramic, polymer = storage.capacitors
    assert ceramic.capacitance.bias[1] == (3.0, 0.93)
    assert ceramic.esr.name == "storage.ceramic.esr"
    assert polymer.insulation.name == "storage.polymer.insulation"
    names = set(SEAT.parameters)
    assert {"storage.ceramic.capacitance.dielectric", "storage.ceramic.capacitance.ageing.change"} <= names
    assert "storage.polymer.capacitance.ageing.change" in names


def test_one_capacitor_is_a_bank_of_one():
    (part,) = LID.storage.parts
    assert part.capacitance is LID.storage.capacitance
    assert (part.name, part.voltage_rating) == ("", LID.storage.voltage_rating)
    assert LID.storage.nominal_esr == LID.storage.esr.nominal


def test_a_part_without_resistance_shorts_the_others():
    assert edited("seat-counter", ('esr = "8 mohm"\n', "")).storage.nominal_esr == 0.0


# --- curves, restart ------------------------------------------------------------------------------------------------


def test_curves():
    regulator = SEAT.regulator
    assert regulator.quiescent.curve == ((2.0, 1.0), (4.0, 1.15), (7.0, 1.5))
    assert regulator.dropout.curve == ((1.7, 1.4), (2.0, 1.0))
    assert regulator.off_current.curve is None
    assert LID.regulator.efficiency.curve[0] == (0.001, 0.86)
    assert LID.harvester.efficiency.curve is None


def test_restart_is_off_unless_said():
    assert (SEAT.regulator.restart, VENT.regulator.restart) == (False, True)
    assert edited("vent-flap", ("restart = true", "restart = false")).regulator.restart is False


# --- messages, retries ----------------------------------------------------------------------------------------------


def test_messages_and_the_octets_they_send():
    radio = LID.radio
    assert [(m.name, m.share) for m in radio.messages] == [("count", 0.94), ("report", 0.06)]
    assert radio.nominal_message == 0
    boot, read, transmit, listen, store = radio.sequence
    assert [step.messages for step in radio.sequence] == [(), ("report",), (), (), ("report",)]
    assert [radio.runs(read, m) for m in (0, 1)] == [False, True]
    assert all(radio.runs(step, m) for step in (boot, transmit, listen) for m in (0, 1))
    assert store.required
    frame = transmit.frame
    sent = [radio.octets(frame, m, retry=retry) for m in (0, 1) for retry in (False, True)]
    assert sent == [23, 15, 58, 22]
    assert frame.time_of(23) == frame.air_time == pytest.approx((23 + 6) * 8 / 250e3)


@pytest.mark.parametrize(
    ("retry", "own", "own_retry", "expected"),
    [
        (None, None, None, (31, 31)),
        (15, None, None, (31, 15)),
        (None, 60, None, (60, 60)),
        (15, 60, None, (60, 60)),  # the frame's own octets say nothing of this message
        (15, 60, 20, (60, 20)),
        (15, None, 20, (31, 20)),
    ],
)
def test_whose_octets_count(retry, own, own_retry, expected):
    frame = Frame(31, 250e3, 6, retry)
    radio = Radio(SEAT.radio.minimum_supply, None, (), (Message("event", 1.0, own, own_retry),))
    assert (radio.octets(frame, 0, retry=False), radio.octets(frame, 0, retry=True)) == expected


def test_the_nominal_message_is_the_first_of_the_commonest():
    radio = replace(LID.radio, messages=tuple(Message(n, s) for n, s in (("a", 0.2), ("b", 0.4), ("c", 0.4))))
    assert radio.nominal_message == 1
    assert SEAT.radio.nominal_message == 0


def test_shares_of_messages_may_be_a_little_off():
    for share, allowed in (("94.1 %", True), ("93.9 %", True), ("94.2 %", False)):
        if allowed:
            assert edited("lid-tally", ('share = "94 %"', f'share = "{share}"')).radio.messages
        else:
            with pytest.raises(InputError, match=r"its shares add up to 100\.2 %"):
                edited("lid-tally", ('share = "94 %"', f'share = "{share}"'))


def test_what_needs_retries_is_told_without_them():
    design = edited("lid-tally", ("attempts = 3", "attempts = 1"))
    assert design.warnings == (
        "link.retry_above: without effect, as link.attempts is 1",
        "radio.transmit.frame.retry_octets: without effect, as link.attempts is 1",
        "radio.message[2].retry_octets: without effect, as link.attempts is 1",
    )


# --- strokes --------------------------------------------------------------------------------------------------------


def test_a_start_behind_a_dwell_leaves_room_for_it():
    more = '[[harvester.strokes]]\nstart = "{}"\nlinkage = 1\n[harvester.partial]'
    # start 0, width 14 ms + 8 % at 0.6 of the speed, a dwell that is open above (six sigma), another such width.
    width = 0.014 * 1.08 / 0.6
    end = 2 * width + 0.12 * 2.718281828459045 ** (6 * 0.3)
    with pytest.raises(InputError, match=r"harvester.stroke_3.start = \"700 ms\": stroke 2 may last until"):
        edited("seat-counter", ("[harvester.partial]", more.format("700 ms")))
    for start, allowed in ((end - 1e-6, False), (end + 1e-6, True)):
        text = ("[harvester.partial]", more.format(f"{start:.9f} s"))
        if allowed:
            assert len(edited("seat-counter", text).harvester.strokes) == 3
        else:
            with pytest.raises(InputError):
                edited("seat-counter", text)


# --- recordings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "warning"),
    [
        (
            [(i * 1e-5, i * 0.1) for i in range(80)] + [(4e-3, 0.0)],
            "no sample between 0.00079 s and 0.004 s; a straight line stands there",
        ),
        (
            [(0.0, 0.0), (1.5, 8.0), (3.0, 0.0)],
            "it lasts until 3 s, which is improbable (probable: 5e-05 to 2 s)",
        ),
        (
            [(0.0, 0.0), (0.001, 8000.0), (0.002, 0.0)],
            "it peaks at 8000 V, which is improbable (probable: 0.1 to 200 V)",
        ),
    ],
)
def test_a_recording_that_deserves_a_look(tmp_path, rows, warning):
    (tmp_path / "gate-rope-emf.csv").write_text("time_s,emf_V\n" + "".join(f"{t:.9g},{e:.9g}\n" for t, e in rows))
    (tmp_path / "gate-rope-batch.csv").write_bytes((CONFIGS / "gate-rope-batch.csv").read_bytes())
    text = (CONFIGS / "gate-rope.toml").read_text(encoding="utf-8")
    design = design_from_toml(text, "g.toml", tmp_path)
    assert [w for w in design.warnings if w.startswith("harvester.emf_waveform")] == [
        f"harvester.emf_waveform: {warning}"
    ]


def test_a_rest_between_two_pulses_is_no_hole(tmp_path):
    pulse = [(i * 1e-5, 8.0 if 0 < i < 40 else 0.0) for i in range(41)]
    rows = pulse + [(0.1 + t, -e) for t, e in pulse]
    (tmp_path / "gate-rope-emf.csv").write_text("time_s,emf_V\n" + "".join(f"{t:.9g},{e:.9g}\n" for t, e in rows))
    (tmp_path / "gate-rope-batch.csv").write_bytes((CONFIGS / "gate-rope-batch.csv").read_bytes())
    text = (CONFIGS / "gate-rope.toml").read_text(encoding="utf-8")
    assert not any("no sample" in w for w in design_from_toml(text, "g.toml", tmp_path).warnings)


# --- changes --------------------------------------------------------------------------------------------------------

DESIGNS = {"seat-counter": SEAT, "lid-tally": LID, "vent-flap": VENT}
NAMES = [(design, name) for design in DESIGNS for name in DESIGNS[design].parameters]


@given(st.sampled_from(NAMES), st.floats(0.9985, 0.9995))
def test_every_parameter_changes_the_hash_and_nothing_else(place, factor):
    design, name = DESIGNS[place[0]], place[1]
    old = design.parameters[name]
    bare = replace(old, tolerances=())  # a place at the ends of its limits leaves no room beside its tolerance
    changed = design.with_parameter(replace(bare, nominal=(old.nominal or 1e-9) * factor))
    assert changed.hash not in (design.hash, design.with_parameter(bare).hash)
    assert changed.conditions_hash == design.conditions_hash
    assert list(changed.parameters) == list(design.parameters)
    rest = [n for n in design.parameters if changed.parameters[n] != design.parameters[n]]
    owners = [n for n in rest if n != name and name.startswith(f"{n}.")]
    assert sorted(rest) == sorted({name, *owners})
    assert changed.with_parameter(old).hash == design.hash


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("vent-flap", "restart = true", "restart = false"),
        ("seat-counter", '["1.7 V", 1.4]', '["1.7 V", 1.41]'),
        ("seat-counter", '["4 V", 1.15]', '["4.1 V", 1.15]'),
        ("lid-tally", '["8 mA", 1.0]', '["8 mA", 0.999]'),
        ("lid-tally", "octets = 58", "octets = 59"),
        ("lid-tally", "retry_octets = 22", "retry_octets = 21"),
        ("lid-tally", "retry_octets = 15", "retry_octets = 16"),
        ("lid-tally", 'share = "94 %"', 'share = "94.01 %"'),
        ("lid-tally", 'message = "report"\n', ""),
        ("lid-tally", 'retry_above = "2.6 V ±2 %"\n', ""),
        ("lid-tally", 'dielectric = "X5R"', 'dielectric = "X7R"'),
        ("seat-counter", 'dielectric = "polymer"', 'dielectric = "aluminium electrolytic"'),
        ("seat-counter", 'name = "polymer"', 'name = "solid"'),
        ("seat-counter", 'voltage_rating = "12.5 V"', 'voltage_rating = "12 V"'),
    ],
)
def test_every_plain_key_changes_the_hash(name, old, new):
    assert edited(name, (old, new)).hash != DESIGNS[name].hash


@pytest.mark.parametrize("name", TEXTS)
def test_they_are_values(name):
    design = DESIGNS[name]
    assert pickle.loads(pickle.dumps(design)) == design
    assert copy.deepcopy(design).hash == design.hash
    assert hash(read_design(CONFIGS / f"{name}.toml")) == hash(read_design(CONFIGS / f"{name}.toml"))


def test_a_changed_value_is_checked_against_the_whole():
    with pytest.raises(InputError, match="makes the efficiency 101 %, more than 100 %"):
        LID.with_parameter(replace(LID.regulator.efficiency, nominal=0.9, curve=((0.001, 1.0), (0.01, 1.1222))))
    with pytest.raises(InputError, match=r"storage\.residual\.voltage = 9 V: above the clamp voltage 6 V"):
        VENT.with_nominal("storage.residual.voltage", 9.0)
    with pytest.raises(InputError, match=r"harvester\.partial\.travel = 1\.1: must lie above 0 up to 1"):
        SEAT.with_nominal("harvester.partial.travel", 1.1)


# --- the rectifier of a packet --------------------------------------------------------------------------------------


def test_a_packet_needs_no_drop_but_others_do():
    assert LID.rectifier.forward_drop.defaulted
    given = edited("lid-tally", ('reverse_leakage = "0.2 uA"', 'reverse_leakage = "0.2 uA"\nforward_drop = "0.3 V"'))
    assert given.warnings == ("rectifier.forward_drop: without effect, as harvester.efficiency includes the rectifier",)
    text = "\n".join(line for line in TEXTS["vent-flap"].splitlines() if not line.startswith("forward_drop"))
    with pytest.raises(InputError, match=r"^rectifier\.forward_drop: missing; add it, for example forward_drop = "):
        design_from_toml(text)

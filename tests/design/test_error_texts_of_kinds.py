"""The text of every refusal that sources, banks, dielectrics, curves, messages and retries bring, whole."""

from pathlib import Path

import pytest

from yieldsim.design.reading import design_from_toml
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
SEAT, LID, VENT, ROPE = "seat-counter", "lid-tally", "vent-flap", "gate-rope"

FAULTS = [
    (
        SEAT,
        'open_circuit_swing = { nominal = "110 V"',
        'open_circuit_swing = { nominal = "-130 V"',
        (('harvester.open_circuit_swing.nominal = "-130 V": must not be below 0 V; give a possible value'),),
    ),
    (
        SEAT,
        'source_capacitance = { nominal = "0.68 uF"',
        'source_capacitance = { nominal = "0 uF"',
        ('harvester.source_capacitance.nominal = "0 uF": must be above 0 F; give a possible value',),
    ),
    (
        SEAT,
        'loss_resistance = { nominal = "1.2 Mohm"',
        'loss_resistance = { nominal = "-1.2 Mohm"',
        (('harvester.loss_resistance.nominal = "-1.2 Mohm": must be above 0 ohm; give a possible value'),),
    ),
    (
        SEAT,
        'kind = "piezoelectric"',
        'kind = "piezoelectric"\ncoil_resistance = "100 ohm"',
        (
            (
                'harvester.coil_resistance = "100 ohm": unknown key; it belongs to the kind '
                '"electromagnetic"; leave it out'
            ),
        ),
    ),
    (
        SEAT,
        'transit_time = "14 ms ±8 %"\n',
        "",
        ('harvester.transit_time: missing; add it, for example transit_time = "2.4 ms"',),
    ),
    (
        SEAT,
        'start = "0 ms"\n',
        "",
        (
            (
                'harvester.stroke_1: a stroke without a beginning; add start = "80 ms", or dwell = "40 '
                'ms" behind the stroke before'
            ),
        ),
    ),
    (
        SEAT,
        'start = "0 ms"\n',
        'dwell = "0 ms"\n',
        (
            (
                'harvester.stroke_1.dwell = "0 ms": no stroke stands before the first one; write start = '
                '"0 ms" in its place'
            ),
        ),
    ),
    (
        SEAT,
        'linkage = "-0.9 ±4 %"\n',
        'linkage = "-0.9 ±4 %"\nstart = "150 ms"\n',
        (
            (
                "harvester.stroke_2.dwell: a stroke has either a start or a dwell behind the stroke "
                "before, not both; keep one of them"
            ),
        ),
    ),
    (
        SEAT,
        'share = "2 %"\n',
        "share = 2\n",
        ("harvester.partial.share = 2: must lie between 0 % and 100 %; give a possible value",),
    ),
    (
        SEAT,
        "travel = { nominal = 0.6,",
        "travel = { nominal = 1.2,",
        ("harvester.partial.travel.nominal = 1.2: must lie above 0 up to 1; give a possible value",),
    ),
    (
        SEAT,
        "travel = { nominal = 0.6,",
        "travel = { nominal = 0,",
        ("harvester.partial.travel.nominal = 0: must lie above 0 up to 1; give a possible value",),
    ),
    (
        SEAT,
        'within = "±25 %" } }',
        'within = "±90 %" } }',
        (
            (
                "harvester.partial.travel.nominal = 0.6: its tolerance reaches above 1 with probability "
                '1.3e-01; use the shape "truncated normal" (sigma and within) with limits that exclude '
                'it, or "lognormal"'
            ),
        ),
    ),
    (
        LID,
        'delivery_time = "4 ms ±15 %"\n',
        "",
        ('harvester.delivery_time: missing; add it, for example delivery_time = "5 ms"',),
    ),
    (
        LID,
        'delivery_time = "4 ms ±15 %"\n',
        'delivery_time = "4 ms ±15 %"\n[[harvester.strokes]]\nstart = "0 ms"\n',
        (
            (
                'harvester.strokes = [{ start = "0 ms" }]: unknown key; it belongs to the kind '
                '"electromagnetic" or "piezoelectric"; leave it out'
            ),
        ),
    ),
    (
        LID,
        'efficiency = "68 % ±3 %"',
        'efficiency = "98 % ±3 %"',
        (
            (
                'harvester.efficiency = "98 % ±3 %": its tolerance reaches above 100 % with probability '
                '1.7e-01; use the shape "truncated normal" (sigma and within) with limits that exclude '
                'it, or "lognormal"'
            ),
        ),
    ),
    (
        LID,
        'energy = { nominal = "165 uJ"',
        'energy = { nominal = "520 uW"',
        (
            (
                'harvester.energy.nominal = "520 uW": uW belongs to a power, but an energy is due here; '
                "write it in J, mJ, uJ"
            ),
        ),
    ),
    (
        VENT,
        'voltage_limit = "2.1 V ±3 %"\n',
        "",
        ('precharge.voltage_limit: missing; add it, for example voltage_limit = "3.2 V"',),
    ),
    (
        VENT,
        '[precharge.current]                    # cloud and season\nnominal = "2.5 uA"',
        '[precharge.current]\nnominal = "4 uA"\nslope = "1 uA/V"',
        (
            (
                'precharge.current.slope = "1 uA/V": unknown key; known here: tolerance, within_total, '
                "sample_size, basis, note, temperature, ageing, nominal"
            ),
        ),
    ),
    (
        VENT,
        'linkage = "-0.85 ±4 %"\n',
        'linkage = "-0.85 ±4 %"\n[[harvester.strokes]]\nstart = "30 ms"\n',
        (
            (
                'harvester.stroke_2: a stroke without a beginning; add start = "80 ms", or dwell = "40 '
                'ms" behind the stroke before'
            ),
            (
                "harvester.stroke_3.dwell: a stroke has either a start or a dwell behind the stroke "
                "before, not both; keep one of them"
            ),
        ),
    ),
    (
        VENT,
        'dwell = { nominal = "25 ms"',
        'dwell = { nominal = "-25 ms"',
        (('harvester.stroke_2.dwell.nominal = "-25 ms": must not be below 0 s; give a possible value'),),
    ),
    (
        SEAT,
        'clamp_voltage = "9 V ±3 %"',
        'clamp_voltage = "9 V ±3 %"\ncapacitance = "33 uF"',
        (
            (
                'storage.capacitance = "33 uF": the capacitors of a bank have their own; leave it out, or '
                "the bank: capacitance belongs into each [[storage.capacitor]]"
            ),
        ),
    ),
    (
        SEAT,
        'clamp_voltage = "9 V ±3 %"',
        'clamp_voltage = "9 V ±3 %"\nesr = "33 mohm"\nvoltage_rating = "10 V"',
        (
            (
                'storage.esr = "33 mohm": the capacitors of a bank have their own; leave it out, or the '
                "bank: esr belongs into each [[storage.capacitor]]"
            ),
            (
                'storage.voltage_rating = "10 V": the capacitors of a bank have their own; leave it out, '
                "or the bank: voltage_rating belongs into each [[storage.capacitor]]"
            ),
        ),
    ),
    (
        SEAT,
        'name = "polymer"',
        'name = "ceramic"',
        (('storage.capacitor[2].name = "ceramic": two capacitors of one name; give each its own name'),),
    ),
    (
        SEAT,
        'name = "polymer"',
        'name = "esr"',
        ('storage.capacitor[2].name = "esr": this name is a key of the store; choose another name',),
    ),
    (
        SEAT,
        'name = "polymer"',
        'name = "poly.mer"',
        (
            (
                'storage.capacitor[2].name = "poly.mer": a capacitor\'s name has 1 to 40 letters, digits, '
                "spaces, hyphens or underscores; write a name such as ceramic"
            ),
        ),
    ),
    (
        SEAT,
        'esr = "8 mohm"',
        'esr = "-8 mohm"',
        ('storage.ceramic.esr = "-8 mohm": must not be below 0 ohm; give a possible value',),
    ),
    (
        SEAT,
        '["6 V", 0.76]',
        '["6 V", 0.96]',
        (
            (
                'storage.ceramic.capacitance.bias[3] = ["6 V", 0.96]: the capacitance rises with bias; '
                "give factors that do not rise with the voltage"
            ),
        ),
    ),
    (
        SEAT,
        '[["0 V", 1.0], ["3 V", 0.93]',
        '[["1 V", 1.0], ["3 V", 0.93]',
        (
            (
                'storage.ceramic.capacitance.bias[1] = ["1 V", 1.0]: the first point of a bias curve is 0 '
                'V with factor 1; begin with ["0 V", 1.0]'
            ),
        ),
    ),
    (
        SEAT,
        'dielectric = "X7R"',
        'dielectric = "X7Q"',
        (
            (
                'storage.ceramic.capacitance.dielectric = "X7Q": no dielectric of this name; write an EIA '
                'code such as X7R, X5R or C0G, or "aluminium electrolytic" or "polymer"'
            ),
        ),
    ),
    (
        SEAT,
        'dielectric = "X7R"',
        'dielectric = "COG"',
        (('storage.ceramic.capacitance.dielectric = "COG": no dielectric of this name; did you mean "C0G"?'),),
    ),
    (
        SEAT,
        'dielectric = "X7R"',
        'dielectric = "x7r"',
        (('storage.ceramic.capacitance.dielectric = "x7r": no dielectric of this name; did you mean "X7R"?'),),
    ),
    (
        SEAT,
        'dielectric = "X7R"',
        'dielectric = "Z5U"',
        (
            (
                'storage.ceramic.capacitance.dielectric = "Z5U": Z5U holds from 10 to 85 degC, and '
                "actuations are computed at 5 degC; choose a code that holds there, or give the part's "
                "own temperature law"
            ),
        ),
    ),
    (
        VENT,
        'voltage_rating = "10 V"\n',
        "",
        (
            (
                'derating[1].of = "store.voltage": there is no storage.voltage_rating that it could refer '
                "to; add storage.voltage_rating"
            ),
        ),
    ),
    (
        VENT,
        'clamp_voltage = "6 V ±3 %"',
        'clamp_voltage = "1.5 V ±3 %"',
        (
            (
                'storage.residual.voltage = "1.6 V": above the clamp voltage 1.5 V; lower it, or raise '
                "storage.clamp_voltage"
            ),
        ),
    ),
    (
        VENT,
        "[storage.residual]",
        'initial_voltage = "1 V"\n[storage.residual]',
        (
            (
                'storage.initial_voltage = "1 V": the residual says what is in the store; leave out '
                "initial_voltage, or residual"
            ),
        ),
    ),
    (
        VENT,
        'time_since = { nominal = "20 s"',
        'time_since = { nominal = "-20 s"',
        (('storage.residual.time_since.nominal = "-20 s": must not be below 0 s; give a possible value'),),
    ),
    (
        SEAT,
        '["1.7 V", 1.4], ["2 V", 1.0]',
        '["1.7 V", 1.4], ["2 V", 1.5]',
        (
            (
                'regulator.dropout.against_input[2] = ["2 V", 1.5]: the dropout rises with the input '
                "voltage; give factors that do not rise with the input voltage"
            ),
        ),
    ),
    (
        SEAT,
        '["4 V", 1.15], ["7 V", 1.5]',
        '["4 V", 1.15], ["4 V", 1.5]',
        (
            (
                'regulator.quiescent.against_input[3] = ["4 V", 1.5]: points out of order; sort the '
                "points by their first number, each different"
            ),
        ),
    ),
    (
        SEAT,
        '["4 V", 1.15], ["7 V", 1.5]',
        '["4 V", 1.15], ["7 V", 0]',
        (
            (
                'regulator.quiescent.against_input[3] = ["7 V", 0]: a factor must be above 0; give the '
                "factor on the nominal"
            ),
        ),
    ),
    (
        SEAT,
        '[["2 V", 1.0], ["4 V", 1.15]',
        '[["-2 V", 1.0], ["4 V", 1.15]',
        (('regulator.quiescent.against_input[1] = ["-2 V", 1.0]: a voltage or current below 0; begin at 0 or above'),),
    ),
    (
        SEAT,
        'against_input = [["2 V", 1.0], ["4 V", 1.15], ["7 V", 1.5]]',
        'against_input = [["2 V", 1.0]]',
        (
            (
                'regulator.quiescent.against_input = [["2 V", 1.0]]: two points or more are due here; '
                'write [["2 V", 1.0], ["10 V", 1.4]]'
            ),
        ),
    ),
    (
        SEAT,
        'against_input = [["2 V", 1.0]',
        'against_load = [["2 mA", 1.0]',
        (
            (
                'regulator.quiescent.against_load = [["2 mA", 1.0], ["4 V", 1.15], ["7 V", 1.5]]: unknown '
                "key; did you mean against_input?"
            ),
        ),
    ),
    (
        SEAT,
        'against_input = [["2 V", 1.0]',
        'against_input = [["2 mA", 1.0]',
        (
            (
                'regulator.quiescent.against_input[1] = "2 mA": mA belongs to a current, but a voltage is '
                "due here; write it in V, mV"
            ),
        ),
    ),
    (
        LID,
        '["8 mA", 1.0]',
        '["8 mA", 1.2]',
        (
            (
                "regulator.efficiency.against_load: its largest factor 1.2 makes the efficiency 108 %, "
                "more than 100 %; give factors on the nominal efficiency, at most 1 where the nominal is "
                "the best"
            ),
        ),
    ),
    (
        LID,
        '["8 mA", 1.0]',
        '["8 mA", 1.1]',
        (
            (
                "regulator.efficiency.against_load: with its largest factor 1.1 the tolerance of the "
                "efficiency reaches above 100 % with probability 2.7e-01; tighten the tolerance, or lower "
                "the factors"
            ),
        ),
    ),
    (
        VENT,
        "restart = true",
        'restart = "yes"',
        ('regulator.restart = "yes": true or false is due here; write true or false without quotes',),
    ),
    (
        VENT,
        'minimum_supply = "1.8 V"',
        'minimum_supply = "2.1 V"',
        (
            (
                'radio.minimum_supply = "2.1 V": above the lowest output 1.96 V (regulator.output); lower '
                "the minimum supply, or raise or tighten the output"
            ),
        ),
    ),
    (LID, 'share = "94 %"', 'share = "90 %"', ("radio.message: its shares add up to 96 %; make them add up to 100 %",)),
    (
        LID,
        'name = "report"',
        'name = "count"',
        (
            'radio.message[2].name = "count": two messages of one name; give each its own name',
            'radio.read fill level.message = "report": no message has this name; known here: count',
            'radio.store report.message = "report": no message has this name; known here: count',
        ),
    ),
    (
        LID,
        'name = "count"',
        'name = "count/1"',
        (
            (
                'radio.message[1].name = "count/1": a message\'s name has 1 to 40 letters, digits, spaces, '
                "hyphens or underscores; write a name such as event"
            ),
        ),
    ),
    (
        LID,
        'message = "report"\n',
        'message = "reports"\n',
        (('radio.read fill level.message = "reports": no message has this name; did you mean report?'),),
    ),
    (
        LID,
        'message = "report"\n',
        "message = []\n",
        (
            (
                "radio.read fill level.message = []: the name of a message, or a list of names, is due "
                'here; write message = "event", or message = ["event", "alarm"]'
            ),
        ),
    ),
    (
        LID,
        'message = ["report"]',
        'message = ["report", "report"]',
        (('radio.store report.message = ["report", "report"]: "report" given twice; leave one of them out'),),
    ),
    (
        LID,
        'bit_rate = "250 kbit/s", overhead_octets = 6 }',
        'bit_rate = "250 kbit/s", overhead_octets = 6 }\nmessage = "count"',
        (
            (
                'radio.message: the message "report" has octets but sends no frame; leave the octets out, '
                "or let a step with a frame run for it"
            ),
            (
                'radio.sequence: the message "report" awaits an acknowledgement but sends no frame; let a '
                "step with a frame run for it, or no acknowledgement"
            ),
        ),
    ),
    (
        SEAT,
        'step = "boot"',
        'step = "boot"\nmessage = "event"',
        (('radio.boot.message = "event": no message has this name; add it: [[radio.message]] with name and share'),),
    ),
    (LID, "octets = 58", "octets = 0", ("radio.message[2].octets = 0: must not be below 1; give a larger value",)),
    (
        LID,
        "retry_octets = 22",
        'retry_octets = "22"',
        (('radio.message[2].retry_octets = "22": a whole number is due here; write it without quotes and unit'),),
    ),
    (
        LID,
        'retry_above = "2.6 V ±2 %"',
        'retry_above = "-2.6 V"',
        ('link.retry_above = "-2.6 V": must not be below 0 V; give a possible value',),
    ),
    (
        LID,
        'retry_above = "2.6 V ±2 %"',
        'retry_over = "2.6 V"',
        ('link.retry_over = "2.6 V": unknown key; did you mean retry_above?',),
    ),
]


def told(text: str, folder: Path = CONFIGS) -> tuple[str, ...]:
    """What is told about a configuration, one line a problem; fails when it is accepted."""
    with pytest.raises(InputError) as caught:
        design_from_toml(text, "f.toml", folder)
    return tuple(line.removeprefix("f.toml: ") for line in str(caught.value).splitlines())


def edited(name: str, *edits: tuple[str, str]) -> str:
    text = (CONFIGS / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text, f"{old!r} is not in the demo"
        text = text.replace(old, new, 1)
    return text


@pytest.mark.parametrize(("name", "old", "new", "lines"), FAULTS)
def test_a_fault_is_told_whole(name, old, new, lines):
    assert told(edited(name, (old, new))) == lines


def test_a_bank_without_a_rating_has_none_to_refer_to():
    text = edited(SEAT, ('voltage_rating = "16 V"\n[storage.capacitor', "[storage.capacitor"))
    assert design_from_toml(text).storage.voltage_rating == 12.5
    assert told(text.replace('voltage_rating = "12.5 V"\n', "")) == (
        'derating[1].of = "store.voltage": no capacitor of the bank has a voltage_rating that it could refer to; '
        "add storage.ceramic.voltage_rating",
    )


def test_a_code_that_leaves_no_capacitance():
    # U3N: -7,500 +- 2,500 ppm/K, so that 100 K above the reference nothing is left.
    hot = edited(SEAT, ('"45 degC"', '"125 degC"'), ('dielectric = "X7R"', 'dielectric = "U3N"'))
    assert told(hot) == (
        'storage.ceramic.capacitance.dielectric = "U3N": its lowest factor at 125 degC is 0; '
        "choose another code, or give the part's own temperature law",
    )


def test_a_limit_for_retries_that_nothing_reaches_is_allowed():
    assert design_from_toml(edited(LID, ('"2.6 V ±2 %"', '"19 V"'))).link.retry_above.nominal == 19.0


# --- recordings -----------------------------------------------------------------------------------------------------

CSV = "gate-rope-emf.csv"
IT = f'harvester.emf_waveform.file = "{CSV}": '


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (  # a gap in a row
            "time_s,emf_V\n0,0\n0.001,\n0.002,0\n",
            'an empty cell in column "emf_V", row 2 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "time_s,emf_V\n0,0\n0.001,NaN\n0.002,0\n",
            '"NaN" in column "emf_V", row 2 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "time_s,emf_V\n0,0\n1 ms,8\n2 ms,0\n",
            '"1 ms" in column "time_s", row 2 below the header, is not a finite number; '
            "write a number with a decimal point in every row",
        ),
        (
            "time_s,emf_V\n0,0\n0.001,8\n0.001,8\n0.002,0\n",
            'the times in column "time_s" do not rise: in row 3 below the header 0.001 s is given twice; '
            "sort the rows by time, each time once",
        ),
        (
            "time_s,emf_V\n0,0\n0.002,8\n0.001,8\n",
            'the times in column "time_s" do not rise: in row 3 below the header 0.001 s lies before the one above it, '
            "0.002 s; sort the rows by time, each time once",
        ),
        ("time_s,emf_V\n", "no rows below its header line; give at least one row of numbers"),
        ("0,8\n", 'no column "time_s" in its header line; known here: 0, 8'),
        ("time_s,emf_V\n0,8\n", "a waveform has two samples or more; give the whole pulse"),
        ("time_s,emf_V\n" + "0,0\n" * 100_001, "more than 100,000 rows; give fewer rows"),
        ("time_s,emf_V\n" + "0,0\n" * 10_000_000, "more than 100,000 rows; give fewer rows"),
        ("time_s,emf_V\n" + "0.001,0.1\n" * 10_000_000, "larger than 64 MB; give a shorter file"),
    ],
    ids=lambda text: text[:40] if len(text) < 500 else f"{len(text)} characters",
)
def test_a_recording_that_is_none(tmp_path, content, text):
    (tmp_path / CSV).write_text(content)
    (tmp_path / "gate-rope-batch.csv").write_bytes((CONFIGS / "gate-rope-batch.csv").read_bytes())
    assert told(edited(ROPE), tmp_path) == (IT + text,)


@pytest.mark.parametrize(
    ("column", "key", "unit", "due"),
    [
        ("time_ms", "time", "ms", "s"),
        ("t [us]", "time", "us", "s"),
        ("emf_V", "time", "V", "s"),
        ("emf [mV]", "emf", "mV", "V"),
        ("time_s", "emf", "s", "V"),
    ],
)
def test_columns_named_in_another_unit(column, key, unit, due):
    was = {"time": "time_s", "emf": "emf_V"}[key]
    text = edited(ROPE, (f'{key} = "{was}"', f'{key} = "{column}"'))
    assert told(text) == (
        f'harvester.emf_waveform.{key} = "{column}": its name ends in {unit}, but the column is read in {due}; '
        f"give a column in {due}",
    )


@pytest.mark.parametrize("column", ["t", "V", "channel A", "emf", "coil V", "peak_h"])
def test_names_that_tell_no_other_unit(tmp_path, column):
    (tmp_path / CSV).write_text(f"time_s,{column}\n0,0\n0.001,8\n0.002,0\n")
    (tmp_path / "gate-rope-batch.csv").write_bytes((CONFIGS / "gate-rope-batch.csv").read_bytes())
    read = design_from_toml(edited(ROPE, ('emf = "emf_V"', f'emf = "{column}"')), "f.toml", tmp_path)
    assert read.harvester.waveform.emf == (0.0, 8.0, 0.0)


def test_a_recorded_press_cannot_be_cut():
    text = edited(ROPE, ("[rectifier]", '[harvester.partial]\nshare = "2 %"\ntravel = 0.5\n[rectifier]'))
    assert told(text) == (
        "harvester.partial: a measured waveform cannot be cut short; record the partial press as a waveform of its own",
    )


def test_a_long_recording_is_read_in_full(tmp_path):
    rows = "".join(f"{i * 1e-7:.7f},{(i % 1000) / 100}\n" for i in range(100_000))
    (tmp_path / CSV).write_text("time_s,emf_V\n" + rows)
    (tmp_path / "gate-rope-batch.csv").write_bytes((CONFIGS / "gate-rope-batch.csv").read_bytes())
    assert len(design_from_toml(edited(ROPE), "f.toml", tmp_path).harvester.waveform.time) == 100_000

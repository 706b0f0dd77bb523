"""The text of every kind of refusal, whole."""

import pytest

from yieldsim.design.reading import design_from_toml, read_design
from yieldsim.words.errors import InputError

ESR = 'esr = "40 mohm"'
DROPOUT = 'tolerance = { sigma = "8 %" }'
RANK = "rank = -0.4"

ONE_FAULT = [
    # --- values and units
    (
        'coil_resistance = "100 ohm ±5 %"',
        'coil_resistance = "-100 ohm"',
        'harvester.coil_resistance = "-100 ohm": must not be below 0 ohm; give a possible value',
    ),
    (
        'transit_time = "2.4 ms"',
        'transit_time = "0 ms"',
        'harvester.transit_time = "0 ms": must be above 0 s; give a possible value',
    ),
    (
        'busy = "5 %"',
        "busy = 5",
        "link.backoff.busy = 5: must lie between 0 % and 100 %; give a possible value",
    ),
    (
        'nominal = "16 V"',
        "nominal = nan",
        'harvester.peak_emf.nominal = nan: not a finite number; write a finite one, for example "2.5 V"',
    ),
    (
        ESR,
        'esr = "40 mV"',
        'storage.esr = "40 mV": mV belongs to a voltage, but a resistance is due here; write '
        "it in ohm, mohm, kohm, Mohm",
    ),
    (
        ESR,
        "esr = 0.04",
        'storage.esr = 0.04: a number without its unit; write the unit too, for example "100 ohm"',
    ),
    (
        'completion = "99.9 %"',
        "completion = 99.9",
        'requirement.completion = 99.9: a share lies between 0 % and 100 %; for 99.9 per cent write "99.9 %"',
    ),
    (
        'completion = "99.9 %"',
        'completion = "109 %"',
        'requirement.completion = "109 %": a share lies between 0 % and 100 %; write 0 % to 100 %',
    ),
    (
        'unit_yield = "99.5 %"',
        'unit_yield = "0 %"',
        'requirement.unit_yield = "0 %": must be above 0 %; give a larger value',
    ),
    (
        "actuations_per_day = 30",
        'actuations_per_day = "30"',
        'conditions.actuations_per_day = "30": a bare number is due here; write it without quotes and unit',
    ),
    (
        "actuations_per_day = 30",
        "actuations_per_day = inf",
        "conditions.actuations_per_day = inf: not a finite number; write a finite number",
    ),
    (
        "attempts = 2",
        "attempts = 0",
        "link.attempts = 0: must not be below 1; give a larger value",
    ),
    (
        "octets = 31,",
        "octets = 31.5,",
        "radio.transmit.frame.octets = 31.5: a whole number is due here; write it without quotes and unit",
    ),
    (
        'nominal = "47 uF"',
        'nominal = "47 uF ±20 %"',
        'storage.capacitance.nominal = "47 uF ±20 %": a nominal with a tolerance inside a table; '
        'write tolerance = "..." beside it',
    ),
    (
        'temperatures = ["-20 degC", "5 degC"',
        'temperatures = ["-20 C", "5 degC"',
        'conditions.temperatures[1] = "-20 C": "C" is not a unit here; write "-20 degC" or "-20 °C"',
    ),
    (
        'temperatures = ["-20 degC", "5 degC"',
        'temperatures = ["5 degC", "5 degC"',
        'conditions.temperatures[2] = "5 degC": given twice; leave one of them out',
    ),
    (
        'ages = ["0 yr", "5 yr", "12 yr"]',
        "ages = []",
        'conditions.ages = []: a list with one entry or more is due here; write ["0 yr", "10 yr"]',
    ),
    # --- keys, kinds, types
    (
        "since_soldering",
        "since_solderng",
        'storage.since_solderng = "1000 h": unknown key; did you mean since_soldering?',
    ),
    (
        "[storage]\n",
        '[storage]\ndielectric = "X7R"\n',
        'storage.dielectric = "X7R": unknown key; known here: capacitance, esr, insulation, initial_voltage, '
        "clamp_voltage, capacitor, residual, voltage_rating, since_soldering",
    ),
    (
        "[regulator]\n",
        '[regulator]\nefficiency = "88 %"\n',
        'regulator.efficiency = "88 %": unknown key; it belongs to the kind "buck"; leave it out',
    ),
    (
        "title =",
        "titel =",
        'titel = "Valve-turn reporter, revision B": unknown section; did you mean title?',
    ),
    (
        'kind = "electromagnetic"',
        'kind = "hydraulic"',
        'harvester.kind = "hydraulic": no such kind of harvester; '
        'choose from "electromagnetic", "piezoelectric", "energy packet"',
    ),
    (
        'kind = "full bridge"',
        'kind = "half bridge"',
        'rectifier.kind = "half bridge": unknown here; choose from "full bridge", "single diode"',
    ),
    (
        'law = "per decade of hours"',
        'law = "per century"',
        'storage.capacitance.ageing.law = "per century": no such ageing law; choose from "per '
        'decade of hours", '
        '"per year", "per decade of actuations", "endurance", "table"',
    ),
    (
        'note = "40 mechanisms, bench of March"',
        "note = 40",
        'harvester.peak_emf.note = 40: a text is due here; write it in quotes, "..."',
    ),
    (
        "acknowledgement = {",
        "required = 1\nacknowledgement = {",
        "radio.listen.required = 1: true or false is due here; write true or false without quotes",
    ),
    (
        'frame = { octets = 31, bit_rate = "250 kbit/s", overhead_octets = 6 }',
        "frame = 31",
        "radio.transmit.frame = 31: a table is due here; write { octets = ..., bit_rate = ..., overhead_octets = ... }",
    ),
    (
        'bit_rate = "250 kbit/s", ',
        "",
        'radio.transmit.frame.bit_rate: missing; add it, for example bit_rate = "250 kbit/s"',
    ),
    (
        'at = "20 mA"\n',
        "",
        'regulator.dropout.at: missing; add it, for example at = "20 mA"',
    ),
    (
        'duration = "3.8 ms ±8 %"\n',
        "",
        "radio.boot: a step has exactly one of duration, frame and acknowledgement; none of them is given; "
        'add one, for example duration = "3.8 ms"',
    ),
    # --- tolerances
    (
        DROPOUT,
        'tolerance = { sigma = "18 %" }',
        'regulator.dropout.nominal = "0.28 V": its tolerance reaches below 0 V with probability 1.4e-08; '
        'use the shape "truncated normal" (sigma and within) with limits that exclude it, or "lognormal"',
    ),
    (
        DROPOUT,
        'tolerance = { sigma = "10 mV", within = "±20 %" }',
        'regulator.dropout.tolerance.sigma = "10 mV": relative and absolute widths in one tolerance; '
        "write all of them in % or all in one unit",
    ),
    (
        DROPOUT,
        "tolerance = { sigma = 0.08 }",
        'regulator.dropout.tolerance.sigma = 0.08: a width without its unit; write "3 %"',
    ),
    (
        DROPOUT,
        'tolerance = { shape = "lognormal" }',
        'regulator.dropout.tolerance.sigma: a tolerance of shape "lognormal" needs it; add sigma',
    ),
    (
        DROPOUT,
        'tolerance = { shape = "normal", sigma = "3 %", within = "±9 %" }',
        'regulator.dropout.tolerance.within = "±9 %": no part of the shape "normal"; '
        "leave it out, or name the shape that it belongs to; this one takes sigma",
    ),
    (
        DROPOUT,
        'tolerance = { shape = "sorted", within = "±10 %", removed = "±10 %" }',
        'regulator.dropout.tolerance.removed = "±10 %": nothing is left beside it; '
        "remove a band narrower than the limits on both sides",
    ),
    (
        DROPOUT,
        'tolerance = { shape = "triangular", within = "±10 %", mode = "12 %" }',
        'regulator.dropout.tolerance.mode = "12 %": outside the limits; put it between them',
    ),
    (
        DROPOUT,
        'tolerance = ["±5 %", "±3 %"]',
        'regulator.dropout.tolerance: more than one tolerance at the level "unit"; '
        "give each its own level: lot, unit or actuation",
    ),
    (
        DROPOUT,
        'tolerance = "±0 %"',
        'regulator.dropout.tolerance = "±0 %": limits without a width; leave the tolerance out',
    ),
    (
        'tolerance = "±0.7 %" }',
        'tolerance = { level = "actuation", sigma = "0.1 %" } }',
        "storage.capacitance.ageing.change.tolerance: how fast a unit ages cannot be drawn "
        "for each actuation; "
        'use the level "unit" or "lot"',
    ),
    (
        DROPOUT,
        'tolerance = { shape = "measured", file = "none.csv", column = "x" }',
        'regulator.dropout.tolerance.file = "none.csv": no such file; '
        "check its name; files are named relative to the configuration",
    ),
    # --- laws
    (
        'temperature = "-1.3 mV/K"',
        'temperature = "-1.3 mA/K"',
        'rectifier.forward_drop.temperature = "-1.3 mA/K": "mA/K" is not a unit here; units here: 1/K, %/K, ppm/K',
    ),
    (
        'temperature = "0.08 %/K"',
        'temperature = "1 mV/K"',
        'radio.transmit.current.temperature = "1 mV/K": a coefficient in V/K is for voltages only; '
        'write it relative, for example "0.1 %/K"',
    ),
    (
        'temperature = "-0.11 %/K"',
        'temperature = "-3 %/K"',
        'harvester.peak_emf.temperature = "-3 %/K": its factor at 60 degC is -0.05; '
        "a factor must stay above 0: give a smaller change, or a table of points",
    ),
    (
        'change = "-2.5 %", from',
        "change = -2.5, from",
        'harvester.peak_emf.ageing.change = -2.5: a number without its unit; write the unit too, for example "-2.5 %"',
    ),
    (
        "actuations_per_day = 30\n",
        "",
        "conditions.actuations_per_day: missing, and the ageing of harvester.peak_emf counts actuations; "
        "add it, for example actuations_per_day = 30",
    ),
    (
        'ageing = { law = "per decade of actuations", change = "-2.5 %", from = 100 }',
        'ageing = { law = "endurance", change = "-20 %", rated_life = "2000 h", rated_temperature = "105 degC" }',
        "harvester.peak_emf.ageing: the speed at other temperatures is not said, or said twice; "
        'write doubling = "10 K" or activation_energy = "0.8 eV", one of them',
    ),
    (
        'bias = [["0 V", 1.0]',
        'bias = [["0 V", 0.9]',
        'storage.capacitance.bias[1] = ["0 V", 0.9]: the first point of a bias curve is 0 V with factor 1; '
        'begin with ["0 V", 1.0]',
    ),
    (
        '["4 V", 0.87]',
        '["4 V", 0.98]',
        'storage.capacitance.bias[3] = ["4 V", 0.98]: the capacitance rises with bias; '
        "give factors that do not rise with the voltage",
    ),
    (
        '["25 degC", 1.0], ["85 degC", 0.93]',
        '["85 degC", 1.0], ["25 degC", 0.93]',
        'storage.capacitance.temperature[3] = ["25 degC", 0.93]: points out of order; '
        "sort the points by their first number, each different",
    ),
    (
        'points = [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]',
        'points = [["10 mA", "0.32 V"]]',
        'rectifier.forward_drop.points = [["10 mA", "0.32 V"]]: two points or more are due here; '
        'write [["10 mA", "0.32 V"], ["100 mA", "0.42 V"]]',
    ),
    # --- between the parts
    (
        'minimum_supply = "1.9 V"',
        'minimum_supply = "2.48 V"',
        'radio.minimum_supply = "2.48 V": above the lowest output 2.45 V (regulator.output); '
        "lower the minimum supply, or raise or tighten the output",
    ),
    (
        'initial_voltage = "0 V"',
        'initial_voltage = "10 V"\nclamp_voltage = "9 V"',
        'storage.initial_voltage = "10 V": above the clamp voltage 9 V; lower it, or raise storage.clamp_voltage',
    ),
    (
        'stop_voltage = "1.7 V ±3 %"',
        'stop_voltage = "2.7 V"',
        'regulator.stop_voltage = "2.7 V": above the start voltage 2.6 V; '
        "lower it: a regulator starts at or above the voltage at which it stops",
    ),
    (
        'share = "55 %"',
        'share = "50 %"',
        "conditions.mission: its shares add up to 95 %; make them add up to 100 %",
    ),
    (
        "linkage = 1 ",
        'linkage = 1\n[[harvester.strokes]]\nstart = "2.5 ms"\nlinkage = -1 ',
        'harvester.stroke_2.start = "2.5 ms": stroke 1 may last until 2.82353 ms, when its '
        "start, width and speed "
        "are at their limits; start the stroke at 2.82353 ms or later; strokes do not overlap",
    ),
    (
        'step = "listen"',
        'step = "transmit"',
        'radio.sequence[3].step = "transmit": two steps of one name; give each step its own name',
    ),
    (
        'step = "boot"',
        'step = "boot.1"',
        'radio.sequence[1].step = "boot.1": a step\'s name has 1 to 40 letters, digits, spaces, hyphens or '
        "underscores; write a name such as boot",
    ),
    (
        'timeout = "0.864 ms"',
        'timeout = "0.4 ms"',
        'radio.listen.timeout = "0.4 ms": below earliest, 544 us: nothing is ever received; '
        "wait at least until the earliest arrival",
    ),
    (
        'when = "each attempt"\nframe',
        'when = "once"\nframe',
        'radio.transmit.when = "once": a frame is sent in each attempt; write when = "each attempt", or leave it out',
    ),
    (
        'voltage_rating = "16 V"\n# buck',
        "# buck",
        'derating[1].of = "regulator.voltage": there is no regulator.voltage_rating that it could refer to; '
        "add regulator.voltage_rating",
    ),
    (
        'acknowledgement_loss = "0.2 %"',
        'signal_to_noise = "3 dB"',
        'link.frame_loss = "0.4 %": losses follow from signal_to_noise; leave out frame_loss, or signal_to_noise',
    ),
    (
        'acknowledgement = { earliest = "0.544 ms", spread = "0.3 ms", timeout = "0.864 ms" }',
        'duration = "1 ms"',
        "link.attempts = 2: without an acknowledgement step nothing tells the node to try again; "
        "write attempts = 1, or add a step with an acknowledgement",
    ),
    # --- correlation
    (
        '"regulator.dropout", "regulator.quiescent"',
        '"regulator.dropuot", "regulator.quiescent"',
        'correlation[1].between = "regulator.dropuot": no parameter has this name; did you mean regulator.dropout?',
    ),
    (
        '"regulator.dropout", "regulator.quiescent"',
        '"regulator.dropout", "regulator.off_current"',
        'correlation[1].between = "regulator.off_current": the parameter has no tolerance, so nothing can be '
        "correlated; give it a tolerance, or take it out",
    ),
    (
        '"regulator.dropout", "regulator.quiescent"',
        '"regulator.dropout", "harvester.speed"',
        'correlation[1].between = "harvester.speed": it has no tolerance at the level "unit", '
        'only at "actuation"; '
        "correlate parameters that spread at one common level",
    ),
    (
        RANK,
        f'{RANK}\n[[correlation]]\nbetween = ["regulator.dropout", "regulator.output"]\nrank = 0.95\n'
        '[[correlation]]\nbetween = ["regulator.quiescent", "regulator.output"]\nrank = 0.95',
        "correlation[1]: these cannot hold at once, their matrix is not positive definite: "
        "regulator.dropout, regulator.quiescent, regulator.output; use weaker ranks, or fewer pairs",
    ),
    (
        RANK,
        f'{RANK}\n[[correlation]]\nbetween = ["regulator.quiescent", "regulator.dropout"]\nrank = 0.1',
        "correlation[2].between: regulator.quiescent and regulator.dropout given twice; leave one of them out",
    ),
    (
        RANK,
        "rank = -1.5",
        "correlation[1].rank = -1.5: must not be below -1; give a larger value",
    ),
]


@pytest.mark.parametrize(("old", "new", "text"), ONE_FAULT)
def test_one_fault_is_told_in_one_line(told, old, new, text):
    lines = told((old, new))
    assert lines == [f"valve.toml: {text}"]


def test_all_faults_at_once_in_the_order_of_the_file(told):
    lines = told(
        ('coil_resistance = "100 ohm ±5 %"', 'coil_resistence = "100 ohm ±5 %"'),
        ('minimum_supply = "1.9 V"', 'minimum_supply = "2.6 V"'),
        ('share = "55 %"', 'share = "65 %"'),
        ("attempts = 2", 'attempts = "2"'),
        (ESR, 'esr = "-1 ohm"'),
        ('at_most = "70 %"', "at_most = 70"),
    )
    assert lines == [
        "valve.toml: conditions.mission: its shares add up to 110 %; make them add up to 100 %",
        'valve.toml: derating[1].at_most = 70: a share lies between 0 % and 100 %; for 70 per cent write "70 %"',
        'valve.toml: harvester.coil_resistence = "100 ohm ±5 %": unknown key; did you mean coil_resistance?',
        'valve.toml: harvester.coil_resistance: missing; add it, for example coil_resistance = "100 ohm"',
        'valve.toml: storage.esr = "-1 ohm": must not be below 0 ohm; give a possible value',
        'valve.toml: radio.minimum_supply = "2.6 V": above the lowest output 2.45 V (regulator.output); '
        "lower the minimum supply, or raise or tighten the output",
        'valve.toml: link.attempts = "2": a whole number is due here; write it without quotes and unit',
    ]


def test_faults_are_rows_with_file_key_value_and_remedy(changed):
    with pytest.raises(InputError) as caught:
        changed((ESR, 'esr = "-1 ohm"'))
    assert caught.value.as_json()["error"] == {
        "file": "valve.toml",
        "key": "storage.esr",
        "value": '"-1 ohm"',
        "remedy": "give a possible value",
        "reason": "must not be below 0 ohm",
    }


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "a = 1\nb = = 2\n",
            "f.toml: b = = 2: not TOML at line 2, column 5 (invalid value); correct this line",
        ),
        (
            '[harvester]\nkind = "electromagnetic',
            'f.toml: kind = "electromagnetic: not TOML at line 2, column 24 (unterminated string); correct this line',
        ),
        (
            "a = 1\na = 2\n",
            "f.toml: a = 2: not TOML at line 2, column 6 (cannot overwrite a value); correct this line",
        ),
    ],
)
def test_toml_faults_carry_line_and_column(text, told):
    with pytest.raises(InputError) as caught:
        design_from_toml(text, "f.toml")
    assert str(caught.value) == told


def test_an_empty_document_names_every_missing_section():
    with pytest.raises(InputError) as caught:
        design_from_toml("# nothing\n")
    assert str(caught.value).splitlines() == [
        f"{section}: this section is missing; add [{section}]"
        for section in ("conditions", "radio", "rectifier", "regulator", "storage")
    ]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "the file is empty; start from the commented file that `yieldsim new` writes"),
        (b" \n", "the file is empty; start from the commented file that `yieldsim new` writes"),
        (b"\x89PNG\r\n\x1a\n", "not a text file in UTF-8 (line 1); save it as TOML in UTF-8"),
        (b'title = "a\nb\xff"', "not a text file in UTF-8 (line 2); save it as TOML in UTF-8"),
        (b"\x00\x01\x02", "not a text file; name a configuration file in TOML"),
        (b"#" * 1_000_001, "larger than 1 MB; put measured data into CSV files beside it"),
    ],
)
def test_files_that_are_no_configuration(tmp_path, content, told):
    path = tmp_path / "f.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_design(path)
    assert str(caught.value) == f"{path}: {told}"


def test_missing_files_and_folders(tmp_path):
    with pytest.raises(InputError) as caught:
        read_design(tmp_path / "none.toml")
    assert str(caught.value) == f"{tmp_path / 'none.toml'}: no such file; check its name and folder"
    with pytest.raises(InputError) as caught:
        read_design(tmp_path)
    assert str(caught.value) == f"{tmp_path}: not a file; name a configuration file in TOML"


def test_a_file_is_not_looked_for_without_a_folder(edited):
    text = edited((DROPOUT, 'tolerance = { shape = "measured", file = "a.csv", column = "x" }'))
    with pytest.raises(InputError) as caught:
        design_from_toml(text)
    assert str(caught.value) == (
        'regulator.dropout.tolerance.file = "a.csv": a file is named, but the configuration has no folder; '
        "read the configuration from a file, or say which folder its files are in"
    )

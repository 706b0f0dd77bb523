"""What the engine will use, in words and numbers, and whether it makes sense."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.analysis.check import CheckResult, check
from yieldsim.analysis.described import (
    LIMIT,
    POINTS,
    LevelLimits,
    ageing_text,
    levels_of,
    levels_text,
    limits_of,
    temperature_text,
    tolerance_text,
)
from yieldsim.analysis.stated import settings_of_design
from yieldsim.design.parameter import AgeingLaw, Parameter, TemperatureLaw, Tolerance
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.report.terminal import text_of

SMALL = Path(__file__).parent / "small.toml"


@pytest.fixture(scope="module")
def checked(small: Design) -> CheckResult:
    return check(small)


def findings(result: CheckResult, about: str) -> list[tuple[str, str]]:
    return [(f.kind, f.text) for f in result.findings if f.text.startswith(about)]


def test_machine_readable_names(checked: CheckResult) -> None:
    answer = json.loads(json.dumps(checked.as_json(), allow_nan=False))
    assert answer["command"] == "check"
    rows = {row["name"]: row for row in answer["parameters"]}
    row = rows["storage.capacitance"]
    assert (row["value_SI"], row["unit"], row["shown"], row["basis"]) == (33e-6, "F", "33 uF", "datasheet")
    assert row["tolerance"] == "lot: normal, sigma 2 %; unit: truncated normal, sigma 4 %, within ±10 %"
    assert row["ageing"] == "-2 % a decade of hours since soldering, nominal at 1,000 h"
    assert row["note"] == "two lots"


def test_every_parameter_is_told_and_defaults_are_marked(small: Design, checked: CheckResult) -> None:
    assert [p.name for p in checked.parameters] == list(small.parameters)
    rows = {p.name: p for p in checked.parameters}
    assert rows["harvester.coil_inductance"].defaulted
    assert rows["rectifier.reverse_leakage"].defaulted
    assert not rows["harvester.coil_resistance"].defaulted
    assert rows["harvester.coil_resistance"].temperature == "0.393 %/K about 20 degC (annealed copper, IEC 60028)"


def test_assumed_parameters_are_listed(small: Design, checked: CheckResult) -> None:
    assert "radio.boot.current" in checked.assumed
    assert "harvester.peak_emf" not in checked.assumed  # measured
    assert "harvester.coil_inductance" not in checked.assumed  # a default, which is marked as such
    stated = [p for p in small.parameters.values() if not p.defaulted]
    (finding,) = findings(checked, f"{len(checked.assumed)} of {len(stated)} stated parameters are assumed: ")
    assert finding[0] == "look"
    assert all(name in finding[1] for name in checked.assumed)


def parameter(*tolerances: Tolerance, nominal: float = 100.0, **more: object) -> Parameter:
    return Parameter("storage.esr", "ohm", nominal, tolerances, **more)  # type: ignore[arg-type]


def test_limits_of_bounded_shapes_add_up() -> None:
    lot = Tolerance("lot", "uniform", True, -0.01, 0.02)
    unit = Tolerance("unit", "triangular", False, -3.0, 3.0)
    assert limits_of(parameter(lot, unit)) == pytest.approx((96.0, 105.0))
    assert limits_of(parameter()) == (None, None)


def test_limits_without_bounds_are_three_sigma() -> None:
    normal = Tolerance("unit", "normal", True, sigma=0.02)
    assert limits_of(parameter(normal)) == pytest.approx((94.0, 106.0))
    lognormal = Tolerance("unit", "lognormal", True, sigma=0.4)
    assert limits_of(parameter(lognormal)) == pytest.approx((100 * math.exp(-1.2), 100 * math.exp(1.2)))
    both = limits_of(parameter(normal, Tolerance("lot", "normal", True, sigma=0.015)))
    # the sum of two normals is one of sqrt(2² + 1.5²) = 2.5 %
    assert both == pytest.approx((92.5, 107.5), abs=2e-3)


def test_limits_of_mixed_shapes_are_quantiles_of_their_sum() -> None:
    mixed = parameter(Tolerance("lot", "normal", True, sigma=0.02), Tolerance("unit", "uniform", True, -0.1, 0.1))
    low, high = limits_of(mixed)
    rng = np.random.default_rng(11)
    n = 400_000
    sample = 100 * (1 + 0.02 * rng.standard_normal(n) + rng.uniform(-0.1, 0.1, n))
    tail = 0.5 * math.erfc(3 / math.sqrt(2))
    # 5 sigma of a binomial count of 400,000 at 0.135 %: false alarms below 1e-6
    for share in ((sample < low).mean(), (sample > high).mean()):
        assert abs(share - tail) < 5 * math.sqrt(tail / n)


def test_sorting_limits_the_sum() -> None:
    unit = Tolerance("unit", "normal", True, sigma=0.05)
    lot = Tolerance("lot", "normal", True, sigma=0.05)
    assert limits_of(parameter(lot, unit, within_total=(-0.1, 0.1, True))) == pytest.approx((90.0, 110.0))


@pytest.mark.parametrize(
    ("tolerance", "text"),
    [
        (Tolerance("unit", "uniform", True, -0.05, 0.05), "unit: uniform, within ±5 %"),
        (Tolerance("unit", "uniform", True, -0.2, 0.8), "unit: uniform, within +80 % / -20 %"),
        (Tolerance("lot", "normal", False, sigma=0.03), "lot: normal, sigma 30 mohm"),
        (Tolerance("unit", "lognormal", True, sigma=0.4), "unit: lognormal, sigma 0.4 of the logarithm"),
        (
            Tolerance("unit", "truncated normal", True, -0.06, 0.06),
            "unit: truncated normal, sigma 2 %, within ±6 %",
        ),
        (
            Tolerance("unit", "sorted", True, -0.2, 0.2, removed=(-0.1, 0.1)),
            "unit: sorted, within ±20 %, without ±10 %",
        ),
        (
            Tolerance("unit", "trapezoidal", True, -0.2, 0.2, flat=0.5, offset=0.01),
            "unit: trapezoidal, within ±20 %, flat over 50 %, shifted by +1 %",
        ),
        (
            Tolerance("unit", "measured", True, values=(-0.02, 0.0, 0.03), file="a.csv", column="R", sample_size=3),
            "unit: measured, 3 values, a.csv, R, -2 % to +3 %",
        ),
    ],
)
def test_tolerances_in_words(tolerance: Tolerance, text: str) -> None:
    assert tolerance_text(parameter(tolerance)) == text


@pytest.mark.parametrize(
    ("law", "text"),
    [
        (TemperatureLaw("linear", 0.00393, 20.0), "0.393 %/K about 20 degC"),
        (TemperatureLaw("shift", -0.0013), "-1.3 mV/K about 25 degC"),
        (TemperatureLaw("doubling", doubles_per=11.0), "doubles per 11 K about 25 degC"),
        (
            TemperatureLaw("table", temperatures=(-20.0, 25.0), factors=(0.9, 1.0)),
            "factor -20 degC 0.9, 25 degC 1",
        ),
    ],
)
def test_temperature_laws_in_words(law: TemperatureLaw, text: str) -> None:
    assert temperature_text(parameter(temperature=law)) == text


def test_ageing_laws_in_words() -> None:
    change = Parameter("storage.esr.ageing.change", "factor", -0.025)
    endurance = AgeingLaw("endurance", change, rated_life=2000.0, rated_temperature=105.0, doubling=10.0)
    arrhenius = replace(endurance, doubling=None, activation_energy=0.8)
    laws = {
        AgeingLaw("per year", change): "-2.5 % a year",
        AgeingLaw("per decade of actuations", change, start=100.0): "-2.5 % a decade of actuations from 100 on",
        endurance: "-2.5 % in 2000 h at 105 degC, twice as fast per 10 K",
        arrhenius: "-2.5 % in 2000 h at 105 degC, activation energy 0.8 eV",
        AgeingLaw("table", years=(0.0, 10.0), factors=(1.0, 0.9)): "factor 0 yr 1, 10 yr 0.9",
    }
    for law, text in laws.items():
        assert ageing_text(parameter(ageing=(law,))) == text
    assert ageing_text(parameter(ageing=tuple(laws)[:2])) == "; ".join(list(laws.values())[:2])


def test_the_start_is_compared_with_the_first_step(small: Design, checked: CheckResult) -> None:
    # 0.47 uF at 2.2 V from 33 uF with a bias factor of 0.928 at 2.4 V (between 1 and 0.88): 33.8 mV; need
    # 1.83 V
    assert findings(checked, "regulator.start_voltage") == [
        (
            "ok",
            "regulator.start_voltage: after the start at 2.4 V the output capacitor leaves 2.366 V in the "
            "store, without further charge; boot needs 1.83 V.",
        )
    ]
    low = check(small.with_nominal("regulator.output_capacitance", 10e-6))
    ((kind, text),) = findings(low, "regulator.start_voltage")
    assert kind == "warning"
    assert text.endswith("boot needs 1.83 V, which the source must still deliver.")


def test_the_inductance_is_compared_with_the_stroke(small: Design, checked: CheckResult) -> None:
    assert findings(checked, "harvester.coil_inductance") == []  # 0 here
    assert findings(check(small.with_nominal("harvester.coil_inductance", 18e-3)), "harvester.coil_inductance") == [
        ("ok", "harvester.coil_inductance: its time constant L/R is 200 us, 10 % of the shortest stroke.")
    ]
    ((kind, _),) = findings(check(small.with_nominal("harvester.coil_inductance", 0.18)), "harvester.coil_inductance")
    assert kind == "look"


def test_the_clamp_or_the_emf_is_compared_with_the_weakest_rating(small: Design, checked: CheckResult) -> None:
    assert findings(checked, "no clamp") == [
        (
            "look",
            "no clamp: nominal peak emf 11 V is above storage.voltage_rating 10 V; only the store's size limits it.",
        )
    ]
    assert findings(check(small.with_nominal("harvester.peak_emf", 9.0)), "no clamp") == [
        ("ok", "no clamp: the nominal peak emf 9 V does not exceed storage.voltage_rating 10 V.")
    ]

    def clamped(nominal: float) -> list[tuple[str, str]]:
        clamp = Parameter("storage.clamp_voltage", "V", nominal, (Tolerance("unit", "uniform", True, -0.05, 0.05),))
        return findings(check(replace(small, storage=replace(small.storage, clamp_voltage=clamp))), "storage.clamp")

    # 50 mohm times 11 V / 90 ohm is 6.111 mV, by Ohm's law
    told = (
        "storage.clamp_voltage: the store's own voltage is at most {}; the terminal may stand ESR times the coil "
        "current above it, 6.111 mV at the unloaded peak current: {} storage.voltage_rating 10 V."
    )
    assert clamped(9.0) == [("ok", told.format("9.45 V", "9.456 V in all, within"))]
    assert clamped(9.8) == [("warning", told.format("10.29 V", "10.3 V in all, above"))]
    # the store alone stays below its rating, 9.998 V; its terminal does not
    ((kind, _),) = clamped(9.998 / 1.05)
    assert kind == "warning"


def test_work_is_compared_with_the_mechanical_energy(small: Design, checked: CheckResult) -> None:
    assert findings(checked, "harvester.mechanical_energy") == []

    def with_energy(joules: float) -> list[tuple[str, str]]:
        energy = Parameter("harvester.mechanical_energy", "J", joules)
        design = replace(small, harvester=replace(small.harvester, mechanical_energy=energy))
        return findings(check(design), "harvester.mechanical_energy")

    assert with_energy(20e-3)[0][0] == "ok"
    assert with_energy(2e-3)[0][0] == "look"


def test_the_line_of_the_drop_is_told_with_its_error(small: Design, checked: CheckResult) -> None:
    assert checked.drop_line == {"intercept_V": 0.35, "slope_ohm": 0.0, "error_V": 0.0, "mean_error_V": 0.0}
    drop = replace(small.rectifier.forward_drop, nominal=0.42, points=((0.01, 0.32), (0.1, 0.42)))
    result = check(replace(small, rectifier=replace(small.rectifier, forward_drop=drop)))
    assert 0.0 < result.drop_line["mean_error_V"] < 0.01 < result.drop_line["error_V"]
    assert findings(result, "rectifier.forward_drop")[0][0] == "ok"


def test_no_rating_at_all_deserves_a_look(small: Design) -> None:
    bare = replace(
        small,
        storage=replace(small.storage, voltage_rating=None),
        regulator=replace(small.regulator, voltage_rating=None),
    )
    assert findings(check(bare), "no rating")[0][0] == "look"


def test_checking_a_plain_design_compiles_nothing() -> None:
    code = (
        "import sys\nfrom yieldsim import check, read_design\n"
        f"check(read_design({str(SMALL)!r}))\n"
        "print(sorted({'numba', 'scipy', 'pandas', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = 2
maximum_exponent = 6
maximum_backoffs = 3
busy = "5 %"
idle_current = "1 mA"
assess_time = "128 us"
assess_current = "8 mA"
turnaround = "192 us"
turnaround_current = "8 mA"
"""


def test_all_else_that_is_used_is_told(small: Design) -> None:
    rows = dict(settings_of_design(design_from_toml(small.text + BACKOFF)))
    expected = {
        "conditions.mission": "25 degC 80 %, 45 degC 20 %",
        "conditions.service_life": "10 yr",
        "conditions.actuations_per_day": "20",
        "requirement.completion": "99 % of each unit's actuations",
        "requirement.unit_yield": "90 % of units",
        "requirement.applies_to": "every condition",
        "requirement.confidence": "95 %",
        "derating[1]": "store.voltage at most 80 % of its rating in 90 % of actuations",
        "storage.capacitance.bias": "0 V: 1, 4 V: 0.88, 10 V: 0.5",
        "storage.since_soldering": "1000 h before age 0",
        "storage.voltage_rating": "10 V",
        "rectifier.current_rating": "not stated",
        "regulator.dropout.at": "20 mA",
        # IEEE 802.15.4, O-QPSK at 2.4 GHz: (6 + 20) octets of 32 us
        "radio.transmit.frame": "20 octets behind 6, at 250 kbit/s: 832 us on air",
        "radio.listen.when": "each attempt",
        "link.attempts": "2 in all",
        "link.backoff.minimum_exponent": "2",
        "link.backoff.maximum_exponent": "6",
        "link.backoff.maximum_backoffs": "3",
        "correlation[1]": "regulator.dropout and regulator.quiescent: rank 0.5, level unit",
    }
    assert {key: rows.get(key) for key in expected} == expected
    assert "rectifier.forward_drop.points" not in rows  # a single number here


def test_what_is_left_out_is_told_with_what_stands_in_its_place(small: Design) -> None:
    drop = replace(small.rectifier.forward_drop, nominal=0.42, points=((0.01, 0.32), (0.1, 0.42)))
    bare = replace(
        small,
        conditions=replace(small.conditions, mission=((25.0, 1.0),), mission_given=False, actuations_per_day=None),
        requirement=None,
        rectifier=replace(small.rectifier, forward_drop=drop),
        correlations=(),
    )
    rows = dict(settings_of_design(bare))
    assert rows["conditions.mission"] == "25 degC 100 % (default: the file states none)"
    assert rows["conditions.actuations_per_day"] == "not stated"
    assert rows["requirement"] == "not stated"
    assert rows["correlation"] == "none: all draws are independent"
    assert rows["link.backoff"].startswith("none")
    assert rows["rectifier.forward_drop.points"] == "10 mA: 320 mV, 100 mA: 420 mV"


def test_the_settings_stand_in_the_json_and_the_text(checked: CheckResult) -> None:
    answer = json.loads(json.dumps(checked.as_json(), allow_nan=False))
    assert {"key": "regulator.dropout.at", "text": "20 mA"} in answer["design_settings"]
    lines = text_of(checked).split("\n")
    for key, text in checked.design_settings:
        assert any(line.strip().startswith(f"{key}: {text[:20]}") for line in lines), key


def test_each_level_has_its_own_limits(checked: CheckResult) -> None:
    row = next(p for p in checked.parameters if p.name == "storage.capacitance")
    lot, unit = row.levels
    # three sigma of 2 %, the 0.135 % points of a normal; and limits at 10 % of 33 uF
    assert (lot.level, lot.kind, unit.level, unit.kind) == ("lot", POINTS, "unit", LIMIT)
    assert (lot.low, lot.high) == pytest.approx((31.02e-6, 34.98e-6), rel=1e-12)
    assert (unit.low, unit.high) == pytest.approx((29.7e-6, 36.3e-6), rel=1e-12)
    assert row.limits == "lot 31.02 uF to 34.98 uF*; unit 29.7 uF to 36.3 uF"
    assert f"limits: {row.limits}" in text_of(checked)
    answer = next(p for p in checked.as_json()["parameters"] if p["name"] == row.name)
    assert answer["levels"][0] == {"level": "lot", "low": lot.low, "high": lot.high, "kind": POINTS}
    assert POINTS == "0.135 % and 99.865 % points"


def test_a_sorted_total_does_not_narrow_a_level() -> None:
    tolerances = (Tolerance("lot", "normal", True, sigma=0.05), Tolerance("unit", "uniform", False, -4.0, 2.0))
    both = parameter(*tolerances, within_total=(-0.01, 0.01, True))
    lot, unit = levels_of(both)
    assert (lot.low, lot.high) == pytest.approx((85.0, 115.0))
    assert unit == LevelLimits("unit", 96.0, 102.0, LIMIT)
    assert levels_of(parameter()) == ()
    assert levels_text(parameter()) == ""


def test_a_law_that_the_file_does_not_state_is_a_default(small: Design, checked: CheckResult) -> None:
    assert [p.name for p in checked.parameters if p.temperature_defaulted] == ["harvester.coil_resistance"]
    assert checked.defaults["temperature_laws"] == 1
    assert checked.defaults["parameters"] == sum(p.defaulted for p in small.parameters.values()) > 0
    assert checked.as_json()["defaults"] == checked.defaults
    assert "+ temperature: 0.393 %/K about 20 degC (annealed copper, IEC 60028)" in text_of(checked)
    assert "+ temperature: -0.11 %/K" not in text_of(checked)  # the emf's, which the file states
    leaky = small.text.replace('forward_drop = "0.35', 'reverse_leakage = "1 uA"\nforward_drop = "0.35')
    names = [p.name for p in check(design_from_toml(leaky)).parameters if p.temperature_defaulted]
    assert names == ["harvester.coil_resistance", "rectifier.reverse_leakage"]

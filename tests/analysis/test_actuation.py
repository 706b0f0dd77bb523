"""One actuation opened: names, steps, energies, and the reserve in other units."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from yieldsim.analysis.actuation import ActuationResult, actuation
from yieldsim.analysis.margins import charge_between, required_input
from yieldsim.design.parameter import AgeingLaw, Parameter
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import Design
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.kernel import layout as at
from yieldsim.kernel.layout import CHANNEL_ACCESS
from yieldsim.words.errors import InputError

BENCH = Condition(25.0, 0.0)
NAMES = {
    *(
        "outcome",
        "delivered",
        "start_stroke",
        "start_margin_V",
        "run_margin_V",
        "voltage_margin_V",
        "reserve_V",
    ),
    *(
        "start_time_s",
        "complete_time_s",
        "hold_up_s",
        "run_time_s",
        "peak_voltage_V",
        "peak_current_A",
        "steps",
    ),
}
STEP_NAMES = {"step", "start_s", "end_s", "lowest_input_V", "required_input_V"}


@pytest.fixture(scope="module")
def opened(small: Design) -> ActuationResult:
    return actuation(small, Settings(), BENCH)


def test_machine_readable_names(opened: ActuationResult) -> None:
    answer = json.loads(json.dumps(opened.as_json(), allow_nan=False))
    assert set(answer) >= NAMES | {
        "command",
        "version",
        "design",
        "design_hash",
        "seed",
        "settings",
        "warnings",
    }
    assert answer["command"] == "actuation"
    assert all(set(step) == STEP_NAMES for step in answer["steps"])
    assert (answer["outcome"], answer["delivered"], answer["start_stroke"]) == ("complete", True, 1)


def test_steps_follow_one_another_as_the_design_says(small: Design, opened: ActuationResult) -> None:
    assert [step.step for step in opened.steps] == ["boot", "transmit", "listen"]
    boot, transmit, listen = opened.steps
    assert opened.start_time_s is not None
    # the curve is made to a finer accuracy than the times told: the two starts are nanoseconds apart
    assert boot.start_s == pytest.approx(opened.start_time_s + 100e-6, abs=5e-8)
    assert boot.end_s - boot.start_s == pytest.approx(2e-3, rel=1e-9)
    # IEEE 802.15.4, O-QPSK at 2.4 GHz: (6 + 20) octets of 32 us
    assert transmit.end_s - transmit.start_s == pytest.approx(26 * 32e-6, rel=1e-9)
    # nominal: earliest arrival and half of its spread
    assert listen.end_s - listen.start_s == pytest.approx(0.644e-3, rel=1e-9)
    assert (transmit.start_s, listen.start_s) == (boot.end_s, transmit.end_s)
    # the recorded run is made to a finer accuracy than the one that gives the numbers
    assert opened.complete_time_s == pytest.approx(listen.end_s, abs=5e-8)


def test_margins_are_those_of_the_steps(opened: ActuationResult) -> None:
    above = min(step.lowest_input_V - step.required_input_V for step in opened.steps)
    # the curve is recorded at four points a step of the integration, the margin is found between them
    assert opened.run_margin_V == pytest.approx(above, abs=2e-3)
    assert opened.voltage_margin_V == min(opened.start_margin_V, opened.run_margin_V)


def test_required_input_is_minimum_plus_dropout(small: Design, opened: ActuationResult) -> None:
    # 0.2 V at 20 mA is 10 ohm: 1.8 V + 10 ohm * 3, 9 and 8 mA
    assert [s.required_input_V for s in opened.steps] == pytest.approx([1.83, 1.89, 1.88], abs=1e-12)


@pytest.mark.parametrize("slope", [0.0, 0.5e-3])
def test_required_input_is_that_of_the_compiled_circuit(small: Design, slope: float) -> None:
    step = small.radio.sequence[0]
    current = replace(step.current, slope=slope, at=2.2) if slope else step.current
    design = replace(
        small,
        radio=replace(small.radio, sequence=(replace(step, current=current), *small.radio.sequence[1:])),
    )
    # one step alone: what V_in stood above its need at the end is the reserve
    design = replace(design, radio=replace(design.radio, sequence=design.radio.sequence[:1]))
    opened = Response(design, Settings(accuracy=1e-8)).respond_at({}, BENCH, opened=True)
    assert opened.codes[at.RESERVE_STEP] == 0
    at_end = opened.record[opened.record[:, at.REC_PHASE] == 0][-1, at.REC_INPUT]
    need = at_end - opened.values[at.RESERVE]
    assert required_input(design, opened.x, 0) == pytest.approx(need, abs=1e-6)
    assert required_input(design, opened.x * 1.001, 0) != pytest.approx(need, abs=1e-6)  # negative control


@pytest.mark.parametrize(("low", "high"), [(1.0, 3.0), (-0.5, 2.0), (8.0, 14.0), (2.0, 2.0), (3.0, 1.0)])
def test_charge_is_the_integral_of_the_differential_capacitance(small: Design, low: float, high: float) -> None:
    bias = small.storage.capacitance.bias
    volts, factors = zip(*bias, strict=True)
    curve = PchipInterpolator(volts, factors)  # shape-preserving, flat beyond its last point

    def factor(v: float) -> float:
        return 1.0 if v < 0.0 else float(curve(min(v, volts[-1])))

    knots = [v for v in (0.0, *volts) if min(low, high) < v < max(low, high)]
    whole, _ = quad(factor, low, high, points=knots or None, epsrel=1e-12, epsabs=0.0) if low != high else (0.0, 0.0)
    assert charge_between(bias, 33e-6, low, high) == pytest.approx(33e-6 * whole, abs=33e-6 * 1e-9)


def test_charge_without_bias_is_capacitance_times_voltage() -> None:
    assert charge_between(None, 10e-6, 1.0, 3.0) == pytest.approx(20e-6, rel=1e-15)


BACKOFF = """
[link.backoff]
unit = "320 us"
minimum_exponent = 3
maximum_exponent = 5
maximum_backoffs = 4
busy = "0 %"
idle_current = "1 mA"
assess_time = "128 us"
assess_current = "200 mA"
turnaround = "{}"
turnaround_current = "{}"
"""


def access(small: Design, turnaround: str, current: str) -> ActuationResult:
    """Open one actuation on a store charged before, whose assessment needs the most: 1.8 V + 10 ohm * 200 mA."""
    design = design_from_toml(small.text + BACKOFF.format(turnaround, current))
    charged = design.with_nominal("storage.initial_voltage", 6.0)
    return actuation(replace(charged, harvester=None), Settings(), BENCH)


@pytest.mark.parametrize(("turnaround", "current"), [("5 ms", "5 mA"), ("0.2 ms", "1 mA"), ("10 us", "200 mA")])
def test_channel_access_needs_what_leaves_its_least_margin(small: Design, turnaround: str, current: str) -> None:
    result = access(small, turnaround, current)
    (step,) = [s for s in result.steps if s.step == "channel access"]
    others = [s.lowest_input_V - s.required_input_V for s in result.steps if s is not step]
    assert step.lowest_input_V - step.required_input_V < min(others)  # this step sets the run margin
    # a steady drain is recorded at its ends, where the margin is least
    assert step.lowest_input_V - step.required_input_V == pytest.approx(result.run_margin_V, abs=1e-6)
    lowest = result.trace.input_V[result.trace.phase == CHANNEL_ACCESS].min()
    assert step.lowest_input_V == pytest.approx(lowest, abs=1e-12)
    greatest = 3.8  # the need of the assessment
    if turnaround != "5 ms":  # lowest input and least margin at one place: the need itself
        assert step.required_input_V == pytest.approx(greatest, abs=1e-9)
    else:  # the input goes on falling at a lesser need: the greatest one would tell a margin far too low
        assert 1.8 <= step.required_input_V < greatest
        assert step.lowest_input_V - greatest < result.run_margin_V - 0.3


def test_the_reserve_in_kind_buys_what_it_says(opened: ActuationResult) -> None:
    # Behind a linear regulator listening draws a constant current, so that the reserve at the end of
    # listening, in time, is
    # the hold-up, but for the leakage of 33 uF over 200 ohm F: some 1e-4 of it
    assert opened.reserve_listen_s == pytest.approx(opened.hold_up_s, rel=1e-3)
    assert opened.reserve_octets == math.floor(opened.reserve_charge_C / (9e-3 + 1e-6) / 32e-6)


def test_the_reserve_of_a_failure_says_what_lacks(small: Design) -> None:
    failed = actuation(small.with_nominal("radio.boot.duration", 12e-3), Settings(), Condition(60.0, 0.0))
    assert failed.outcome.startswith("brown-out in ")
    assert failed.reserve_V < 0.0
    assert failed.reserve_charge_C < 0.0
    assert failed.reserve_octets is not None
    assert failed.reserve_octets < 0
    assert failed.complete_time_s is None
    assert failed.hold_up_s < 0.0


def test_energy_is_accounted_for(opened: ActuationResult) -> None:
    came = opened.ledger["source"] + opened.ledger["stored at the release"]
    went = sum(opened.ledger.values()) - came
    assert abs(came - went) <= 1e-3 * came
    assert opened.ledger_error == pytest.approx((came - went) / came, abs=1e-12)
    # boot takes 3 mA at 2.2 V for 2 ms
    assert opened.ledger["boot"] == pytest.approx(3e-3 * 2.2 * 2e-3, rel=1e-6)
    assert "channel access" not in opened.ledger


def test_a_step_may_be_called_like_an_entry_of_the_ledger(small: Design) -> None:
    steps = (replace(small.radio.sequence[0], name="coil"), *small.radio.sequence[1:])
    result = actuation(replace(small, radio=replace(small.radio, sequence=steps)), Settings(), BENCH)
    assert result.ledger["step coil"] == pytest.approx(3e-3 * 2.2 * 2e-3, rel=1e-6)
    assert result.ledger["coil"] > 0.0


def test_what_never_starts_is_still_told(small: Design) -> None:
    result = actuation(small.with_nominal("harvester.peak_emf", 2.0), Settings(), BENCH)
    assert result.outcome == "never started"
    assert result.steps == ()
    assert result.start_stroke is None
    assert result.start_time_s is None
    assert result.run_time_s is None
    assert result.start_margin_V < 0.0
    json.dumps(result.as_json(), allow_nan=False)


def test_a_precharged_store_needs_no_harvester(small: Design) -> None:
    charged = small.with_nominal("storage.initial_voltage", 4.0)
    names = [name for name in charged.parameters if name.startswith("harvester.")]
    assert names
    result = actuation(replace(charged, harvester=None), Settings(), BENCH)
    assert result.outcome == "complete"
    assert result.start_time_s == 0.0
    assert result.ledger["source"] == 0.0
    assert abs(result.ledger_error) < 1e-3


def test_an_address_opens_with_what_was_drawn(small: Design) -> None:
    one, again = (actuation(small, Settings(), BENCH, (5, 3)) for _ in range(2))
    assert one.as_json() == again.as_json()
    value, nominal, unit = one.values["harvester.peak_emf"]
    assert (nominal, unit) == (11.0, "V")
    assert value != nominal
    assert one.as_json()["address"] == {"unit": 5, "actuation": 3}
    assert actuation(small, Settings(seed=1), BENCH, (5, 3)).values["harvester.peak_emf"][0] != value


def test_nominal_values_are_those_of_the_condition(small: Design, opened: ActuationResult) -> None:
    assert all(value == nominal for value, nominal, _ in opened.values.values())
    hot = actuation(small, Settings(), Condition(60.0, 0.0))
    # -0.11 %/K about 25 degC, and copper 0.393 %/K about 20 degC (IEC 60028)
    assert hot.values["harvester.peak_emf"][0] == pytest.approx(11.0 * (1 - 0.0011 * 35))
    assert hot.values["harvester.coil_resistance"][0] == pytest.approx(90.0 * (1 + 0.00393 * 40))


@pytest.mark.parametrize(
    ("condition", "text"),
    [
        (Condition(400.0, 0.0), "temperature = 400 degC: out of range; use -100 to 300 degC"),
        (Condition(math.nan, 0.0), "temperature = nan degC: out of range; use -100 to 300 degC"),
        (Condition(25.0, -1.0), "age = -1 yr: out of range; use 0 to 200 yr"),
        (Condition(25.0, math.inf), "age = inf yr: out of range; use 0 to 200 yr"),
    ],
)
def test_impossible_conditions(small: Design, condition: Condition, text: str) -> None:
    with pytest.raises(InputError) as error:
        actuation(small, Settings(), condition)
    assert str(error.value) == text


def test_a_law_that_takes_a_part_to_nothing_is_told(small: Design) -> None:
    emf = small.harvester.peak_emf
    fading = AgeingLaw("per year", Parameter("harvester.peak_emf.ageing.change", "factor", -0.02))
    design = replace(small, harvester=replace(small.harvester, peak_emf=replace(emf, ageing=(fading,))), source=None)
    with pytest.raises(InputError) as error:
        actuation(design, Settings(), Condition(25.0, 60.0))
    assert str(error.value) == (
        "harvester.peak_emf.ageing.change: its factor at 60 yr is -0.2; "
        "ask for a condition at which its law still holds"
    )


@pytest.mark.parametrize("address", [(-1, 0), (0, -1), (0, 2**30)])
def test_impossible_addresses(small: Design, address: tuple[int, int]) -> None:
    with pytest.raises(InputError, match="no such address"):
        actuation(small, Settings(), BENCH, address)

"""One block in one cell: the completion of a unit worked out, against counting its presses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from yieldsim.design.reading import design_from_toml
from yieldsim.engine import cells
from yieldsim.engine.cells import BlockAnswer, run_block
from yieldsim.engine.columns import Condition
from yieldsim.engine.response import Response
from yieldsim.engine.settings import Settings
from yieldsim.estimate.unit_completion import STAGES, UnitCompletion
from yieldsim.kernel import layout as at
from yieldsim.kernel.loop import run

SEEDS = {"alder": 20_011, "birch": 481_516, "cedar": 90_210}
BENCH = Condition(25.0, 0.0)
SMALL = (Path(__file__).parents[1] / "analysis" / "small.toml").read_text(encoding="utf-8")
# Charged at the release; the store's voltage differs from press to press, and a sequence costs 12 or 22 mV of it.
CHARGED = """
title = "Charged at the release"
[conditions]
temperatures = ["25 degC"]
ages = ["0 yr"]
[rectifier]
kind = "full bridge"
forward_drop = "0.3 V"
[storage]
esr = "0 ohm"
capacitance = "1 mF"
initial_voltage = { nominal = "1.85 V", tolerance = STORE }
[regulator]
kind = "direct"
start_voltage = "1.8 V"
[radio]
minimum_supply = "1.79 V"
[[radio.sequence]]
step = "send"
frame = { octets = 20, bit_rate = "250 kbit/s", overhead_octets = 6 }
current = CURRENT
[[radio.sequence]]
step = "listen"
acknowledgement = { earliest = "0.5 ms", spread = "SPREAD", timeout = "0.9 ms" }
current = "7 mA"
[link]
attempts = ATTEMPTS
frame_loss = "LOSS"
"""
PRESSES = '[{ level = "unit", sigma = "2 %" }, { level = "actuation", sigma = "1 %" }]'
UNITS_ONLY = '{ level = "unit", sigma = "2 %" }'


def response(
    *, store: str = PRESSES, current: str = '"9 mA"', spread: str = "0 ms", loss: str = "10 %", attempts: int = 2,
    seed: int = 1, more: str = "",
) -> Response:  # fmt: skip
    text = CHARGED.replace("STORE", store).replace("CURRENT", current).replace("SPREAD", spread)
    text = text.replace("LOSS", loss).replace("ATTEMPTS", str(attempts))
    return Response(design_from_toml(text + more), Settings(seed=seed))


def counted(r: Response, units: np.ndarray, presses: int, place: Condition = BENCH) -> tuple[np.ndarray, np.ndarray]:
    """Presses of each unit that complete, and those whose energy suffices."""
    base, scale = r.unit_base(units, place)
    rows = np.empty((len(units) * presses, 3), dtype=np.int64)
    rows[:, at.ROW_UNIT] = np.repeat(np.arange(len(units)), presses)
    rows[:, at.ROW_UNIT_ID] = np.repeat(units, presses)
    rows[:, at.ROW_ACTUATION] = np.tile(np.arange(presses), len(units))
    _, codes = run(r.kernel, base, scale, rows)
    shape = (len(units), presses)
    complete = (codes[:, at.OUTCOME] == at.COMPLETE).reshape(shape).sum(axis=1)
    return complete, codes[:, at.SUFFICED].reshape(shape).sum(axis=1)


def both(answer: BlockAnswer) -> tuple[UnitCompletion, UnitCompletion]:
    assert answer.completion is not None
    assert answer.energy is not None
    return answer.completion, answer.energy


def refutes(found: int, of: int, low: float, high: float, alarm: float) -> bool:
    """Whether a count refutes that its probability lies between two values."""
    below = stats.binom.cdf(found, of, low) if low > 0.0 else 1.0
    above = stats.binom.sf(found - 1, of, high) if high < 1.0 else 1.0
    return bool(below < alarm / 2 or above < alarm / 2)


# --- against counting ---------------------------------------------------------------------------------------------

COUNT = 200_000


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_completion_of_a_unit_is_what_its_presses_do(seed: int) -> None:
    # four units, completion and energy, three seeds: 24 tests of 4e-8, false-alarm rate at most 1e-6 in all
    r = response(seed=seed)
    units = np.arange(60)
    completion, energy = both(run_block(r, BENCH, units, 1, 0.99))
    middle = 0.5 * (completion.low + completion.high)
    # no two of these units complete alike
    chosen = [int(np.argmin(np.abs(middle - share))) for share in (0.2, 0.5, 0.9, 0.98)]
    done, enough = counted(r, units[chosen], COUNT)
    assert (energy.high - energy.low).max() < 1e-3
    for unit, complete, sufficed in zip(chosen, done, enough, strict=True):
        assert not refutes(complete, COUNT, completion.low[unit], completion.high[unit], 4e-8)
        assert not refutes(sufficed, COUNT, energy.low[unit], energy.high[unit], 4e-8)
        # negative control: off by one per cent
        assert refutes(complete, COUNT, completion.low[unit] + 0.01, 1.0, 4e-8)


def test_completion_of_a_pressed_unit_is_what_its_presses_do() -> None:
    # the same with a harvester, a linear regulator and retries: one unit near the edge, at the hot end of its life
    text = SMALL.replace('duration = "2 ms ±5 %"', 'duration = "2 ms"').replace('spread = "0.2 ms"', 'spread = "0 ms"')
    r = Response(design_from_toml(text), Settings(seed=7))
    place = Condition(60.0, 10.0)
    units = np.arange(300)
    completion, energy = both(run_block(r, place, units, 1, 0.99))
    middle = 0.5 * (completion.low + completion.high)
    unit = int(np.argmin(np.abs(middle - 0.8)))
    assert 0.3 < middle[unit] < 0.97
    done, enough = counted(r, units[[unit]], 60_000, place)
    assert not refutes(done[0], 60_000, completion.low[unit], completion.high[unit], 5e-7)
    assert not refutes(enough[0], 60_000, energy.low[unit], energy.high[unit], 5e-7)


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_what_is_drawn_beside_the_pivot_averages_out(seed: int) -> None:
    # 4 draws of current and latency are few for one unit, 400 units have 1,600 of them. Two differences of means on
    # three seeds, two-sided at 5.5 standard errors: false-alarm rate 2.3e-7 in all for normal means
    current = '{ nominal = "9 mA", tolerance = { level = "actuation", within = "±30 %" } }'
    r = response(current=current, spread="0.3 ms", seed=seed)
    units = np.arange(400)
    completion, energy = both(run_block(r, BENCH, units, 1, 0.99))
    done, enough = counted(r, units, 500)
    for worked_out, found in ((completion, done), (energy, enough)):
        assert worked_out.sampling is not None
        assert worked_out.sampling.draws == STAGES[0]
        middle = 0.5 * (worked_out.low + worked_out.high)
        difference = middle - found / 500
        error = difference.std(ddof=1) / np.sqrt(len(units))
        assert abs(difference.mean()) < 5.5 * error
        assert error < 2e-3
    # negative control: a link that loses 35 % of its frames instead of 10 %
    worse, _ = both(
        run_block(response(current=current, spread="0.3 ms", seed=seed, loss="35 %"), BENCH, units, 1, 0.99)
    )
    difference = 0.5 * (worse.low + worse.high) - done / 500
    assert abs(difference.mean()) > 5.5 * difference.std(ddof=1) / np.sqrt(len(units))


# --- cases with a closed form ---------------------------------------------------------------------------------------


def test_without_a_pivot_a_unit_completes_by_the_link_alone() -> None:
    # nothing but the link differs from press to press: 0, one attempt, or both attempts can be paid for
    r = response(store=UNITS_ONLY)
    units = np.arange(300)
    completion, energy = both(run_block(r, BENCH, units, 1, 0.999999))
    base, _ = r.unit_base(units, BENCH)
    start = base[:, at.INITIAL_VOLTAGE]
    air = 26 * 8 / 250e3
    once, lost = 9e-3 * air + 7e-3 * 0.5e-3, 9e-3 * air + 7e-3 * 0.9e-3  # what an attempt takes [C]
    first, second = start - once / 1e-3 >= 1.79, start - (lost + once) / 1e-3 >= 1.79
    both_lost = start - 2 * lost / 1e-3 >= 1.79
    up = start >= 1.8
    expected = np.where(up & first, 0.9, 0.0) + np.where(up & second, 0.09, 0.0)
    enough = expected + np.where(up & both_lost, 0.01, 0.0)
    assert len(np.unique(np.round(enough, 6))) == 4  # all cases occur
    np.testing.assert_allclose(completion.low, expected, atol=1e-12)
    np.testing.assert_allclose(completion.high, expected, atol=1e-12)
    np.testing.assert_allclose(energy.low, enough, atol=1e-12)


RICH = '{ level = "unit", sigma = "0.01 %" }'


@pytest.mark.parametrize(("loss", "attempts"), [("20 %", 1), ("20 %", 3), ("0 %", 2)])
def test_with_energy_to_spare_the_link_decides(loss: str, attempts: int) -> None:
    text = {"store": RICH, "loss": loss, "attempts": attempts}
    r = response(**text)  # type: ignore[arg-type]
    r = Response(design_from_toml(r.design.text.replace('"1.85 V"', '"2.4 V"')), Settings())
    completion, energy = both(run_block(r, BENCH, np.arange(5), 1, 0.999999))
    expected = 1.0 - (float(loss.split()[0]) / 100.0) ** attempts
    np.testing.assert_allclose(completion.low, expected, atol=1e-9)
    np.testing.assert_allclose(completion.high, expected, atol=1e-9)
    np.testing.assert_allclose(energy.low, 1.0, atol=1e-9)


@pytest.mark.parametrize("seed", SEEDS.values(), ids=SEEDS)
def test_late_acknowledgements_fail_whatever_the_energy(seed: int) -> None:
    # it arrives after 0.5 to 1.0 ms and is waited for until 0.9 ms: a fifth of the attempts are in vain
    r = response(store=RICH, spread="0.5 ms", loss="0 %", attempts=2, seed=seed)
    r = Response(design_from_toml(r.design.text.replace('"1.85 V"', '"2.4 V"')), Settings(seed=seed))
    units = np.arange(1000)
    answer = run_block(r, BENCH, units, 4, 0.99)
    completion, energy = both(answer)
    np.testing.assert_allclose(energy.low, 1.0, atol=1e-9)
    # 4,000 draws of each, two-sided 5e-8, 6 of them: false-alarm rate 3e-7 in all
    for completed in (round(float((0.5 * (completion.low + completion.high)).sum()) * 4), answer.tally.completed.sum()):
        assert stats.binomtest(int(completed), 4000, 1.0 - 0.2**2).pvalue > 5e-8
        assert stats.binomtest(int(completed), 4000, 1.0 - 0.2).pvalue < 5e-8  # negative control: one attempt
    assert answer.tally.outcomes[at.UNACKNOWLEDGED] == 4000 - answer.tally.completed.sum()


# --- what holds of every block --------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [BENCH, Condition(60.0, 10.0)])
def test_completion_is_at_most_the_energys_share(place: Condition) -> None:
    r = Response(design_from_toml(SMALL), Settings())
    answer = run_block(r, place, np.arange(64), 6, 0.99)
    completion, energy = both(answer)
    assert (completion.low <= completion.high).all()
    assert (completion.low <= energy.low + 1e-12).all()
    assert (completion.high <= energy.high + 1e-12).all()
    assert (energy.high <= 1.0).all()
    assert (answer.tally.completed <= answer.tally.sufficed).all()
    assert (answer.tally.completed <= answer.tally.delivered).all()


def test_without_a_requirement_nothing_is_worked_out() -> None:
    answer = run_block(response(), BENCH, np.arange(4), 3, None)
    assert answer.completion is None
    assert answer.energy is None
    assert answer.tally.outcomes.sum() == 12


def test_presses_worked_out_stand_apart_from_those_counted() -> None:
    # a unit's own 2^30 presses are numbered below the draws of its worked-out completion
    assert cells.CONDITIONED == 2**30


def test_what_is_not_finite_fails_a_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    r = response(store=UNITS_ONLY, loss="0 %", attempts=1)
    true_run = cells.run

    def broken(kernel: object, base: np.ndarray, scale: np.ndarray, rows: np.ndarray, **more: object) -> object:
        values, codes = true_run(kernel, base, scale, rows, **more)  # type: ignore[arg-type]
        hurt = rows[:, at.ROW_UNIT_ID] == 3
        values[hurt, at.HOLD_UP] = np.nan
        codes[hurt, at.OUTCOME], codes[hurt, at.SUFFICED] = at.NOT_FINISHED, 0
        return values, codes

    sound = both(run_block(r, BENCH, np.arange(8), 2, 0.99))[0]
    assert sound.low[3] == 1.0
    monkeypatch.setattr(cells, "run", broken)
    answer = run_block(r, BENCH, np.arange(8), 2, 0.99)
    completion, energy = both(answer)
    assert completion.high[3] == energy.high[3] == 0.0
    rest = [0, 1, 2, 4, 5, 6, 7]
    np.testing.assert_array_equal(completion.low[rest], sound.low[rest])
    assert answer.tally.outcomes[at.NOT_FINISHED] == 2

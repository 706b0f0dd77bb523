"""A half-sine of emf charges a store through a coil and a bridge, against the closed form.

One loop of resistance R with an ideal rectifier of drop V_b charges C from V_0: a linear first-order equation
from the instant at which the emf exceeds V_b + V_0 until the current is zero (any textbook of differential
equations).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from kernel_node import kernel_design, run_node, value_vector
from reference_node import LoadStep, ReferenceNode, Stroke
from scipy.integrate import quad
from scipy.optimize import brentq

from yieldsim.kernel import layout as at
from yieldsim.kernel.actuation import ledger_size, record_room
from yieldsim.kernel.loop import run

TIGHTEST, DEFAULT = 1e-9, 0.5e-3
OUT_OF_REACH = 100.0  # [V] a start voltage that no stroke here reaches


@dataclass(frozen=True)
class Charging:
    """One row: peak emf [V], width [s], coil [ohm], drop of the bridge [V], store [F]; final voltage and
    energy.
    """

    emf: float
    width: float
    coil: float
    drop: float
    store: float
    volts: float
    joules: float

    def node(self, **changes: object) -> ReferenceNode:
        node = ReferenceNode(
            sequence=(LoadStep("idle", 1e-3, 0.0, 0.0),),
            strokes=(Stroke(0.4e-3, self.emf, self.width),),
            coil_resistance=self.coil,
            junction_voltage=0.5 * self.drop,
            capacitance=self.store,
            start_voltage=OUT_OF_REACH,
        )
        return replace(node, **changes)


# The closed form below, evaluated beforehand to ten digits of voltage and seven of energy.
ROWS = [
    Charging(10.0, 5e-3, 100.0, 0.6, 10e-6, 8.044616412, 323.5793e-6),
    Charging(8.0, 10e-3, 500.0, 0.6, 22e-6, 2.851011897, 89.41096e-6),
    Charging(10.0, 4e-3, 300.0, 0.6, 10e-6, 4.663328238, 108.7332e-6),
    Charging(5.0, 8e-3, 300.0, 0.6, 10e-6, 3.045670340, 46.38054e-6),
]
NAMES = [f"{row.emf:g}V-{row.width * 1e3:g}ms-{row.coil:g}ohm" for row in ROWS]
rows = pytest.mark.parametrize("row", ROWS, ids=NAMES)


def closed_form(row: Charging, initial: float = 0.0, esr: float = 0.0) -> float:
    """Final voltage [V] of the store."""
    w, tau = math.pi / row.width, (row.coil + esr) * row.store
    a = row.emf / (1.0 + (w * tau) ** 2)
    onset = math.asin((row.drop + initial) / row.emf) / w

    def forced(t: float) -> float:
        return a * (math.sin(w * t) - w * tau * math.cos(w * t)) - row.drop

    def voltage(t: float) -> float:
        return forced(t) + (initial - forced(onset)) * math.exp(-(t - onset) / tau)

    def drive(t: float) -> float:
        return row.emf * math.sin(w * t) - row.drop - voltage(t)

    return voltage(brentq(drive, 0.5 * row.width, row.width, xtol=1e-16))


def peak(node: ReferenceNode, accuracy: float = TIGHTEST) -> float:
    """Highest V_in [V] with the regulator off."""
    values, codes = run_node(node, accuracy)
    assert codes[at.OUTCOME] == at.NEVER_STARTED
    return float(values[at.START_MARGIN]) + node.start_voltage


def energies(node: ReferenceNode) -> np.ndarray:
    """Energy ledger [J]."""
    x, ledger = value_vector(node), np.zeros(ledger_size(len(node.sequence)))
    run(
        kernel_design(node),
        x[None],
        np.zeros((1, len(x))),
        np.zeros((1, 3), dtype=np.int64),
        accuracy=TIGHTEST,
        record=record_room(20000),
        ledger=ledger,
    )
    return ledger


@rows
def test_rows_are_those_of_the_closed_form(row: Charging) -> None:
    assert closed_form(row) == pytest.approx(row.volts, rel=1e-9)
    assert 0.5 * row.store * row.volts**2 == pytest.approx(row.joules, rel=1e-6)


@rows
def test_final_voltage_at_the_tightest_accuracy(row: Charging) -> None:
    assert peak(row.node()) == pytest.approx(row.volts, rel=1e-6)
    # negative control: a drop that is 1e-4 off is seen
    wrong = row.node(junction_voltage=0.5 * row.drop * 1.0001)
    assert peak(wrong) != pytest.approx(row.volts, rel=1e-6)


@rows
def test_final_voltage_at_the_default_accuracy(row: Charging) -> None:
    error = peak(row.node(), DEFAULT) - row.volts
    print(f"error at the default accuracy: {error * 1e6:.1f} uV")
    assert abs(error) < 0.5e-3


@rows
def test_energies_of_the_stroke(row: Charging) -> None:
    """What the store holds is in the table; the coil's share follows from the loop equation."""
    ledger = energies(row.node())
    assert ledger[at.LED_STORE] == pytest.approx(row.joules, rel=1e-6)
    # the diodes pass the whole charge at a constant drop
    assert ledger[at.LED_DIODE] == pytest.approx(row.drop * row.store * row.volts, rel=1e-6)
    spent = ledger[at.LED_COIL] + ledger[at.LED_DIODE] + ledger[at.LED_STORE]
    assert ledger[at.LED_SOURCE] == pytest.approx(spent, rel=1e-6)


def test_flux_is_the_same_at_every_speed() -> None:
    """Faraday's law: the last three rows sweep equal flux, 2 E w/pi, at three speeds; slower charges less."""
    flux = []
    for row in ROWS:
        w = math.pi / row.width
        flux.append(quad(lambda t, w=w, e=row.emf: e * math.sin(w * t), 0.0, row.width, epsrel=1e-12)[0])
    assert flux == pytest.approx([31.831e-3, 50.930e-3, 25.465e-3, 25.465e-3], rel=2e-5)
    fast, slow = ROWS[2], ROWS[3]
    assert peak(fast.node()) > peak(slow.node())


@rows
@pytest.mark.parametrize("esr", [0.0, 3.0])
def test_store_that_holds_a_voltage_before(row: Charging, esr: float) -> None:
    """ESR is in series with the coil; the store's own voltage is read when the current has ended."""
    node = row.node(initial_voltage=1.5, esr=esr)
    ledger = energies(node)
    volts = math.sqrt(2.0 * ledger[at.LED_STORE] / row.store)
    assert volts == pytest.approx(closed_form(row, 1.5, esr), rel=1e-6)


@rows
def test_direction_of_every_part(row: Charging) -> None:
    """More resistance or drop charges less, more emf more; never above E - V_b nor the flux over R C."""
    whole = peak(row.node())
    assert peak(row.node(coil_resistance=1.1 * row.coil)) < whole
    assert peak(row.node(junction_voltage=0.6 * row.drop)) < whole
    assert peak(row.node(strokes=(Stroke(0.0, 1.1 * row.emf, row.width),))) > whole
    assert whole < row.emf - row.drop
    assert whole < 2.0 * row.emf * row.width / math.pi / (row.coil * row.store)


@rows
def test_bridge_takes_either_polarity_and_a_single_diode_one(row: Charging) -> None:
    against = (Stroke(0.4e-3, -row.emf, row.width),)
    assert peak(row.node(strokes=against)) == pytest.approx(row.volts, rel=1e-6)
    assert peak(row.node(strokes=against, bridge=False)) == 0.0
    # one junction of the whole drop charges as a bridge of two halves
    single = row.node(bridge=False, junction_voltage=row.drop)
    assert peak(single) == pytest.approx(row.volts, rel=1e-6)

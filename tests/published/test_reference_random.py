"""The independent integration on random nodes: conservation of energy, plain integrations, what the nodes cover."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from random_designs import Shares, random_node, random_nodes, shares
from reference_examples import starter
from reference_node import (
    CLAMPED,
    Piece,
    ReferenceNode,
    ReferenceResult,
    Store,
    solve,
    trace,
    unloaded,
)
from scipy.integrate import quad, solve_ivp

SEED, COUNT = 20240611, 200

# ---- conservation -----------------------------------------------------------------------------------

NODES, WEIGHTS = np.polynomial.legendre.leggauss(8)


def works(node: ReferenceNode, piece: Piece, t: float) -> np.ndarray:
    """Power of the source, and of coil, diodes, ESR, leakage, clamp and regulator [W]."""
    v = piece.state(t)[0]
    current, v_in, drawn = piece.operate(t)
    leak = piece.circuit.leakage(v, piece.mode.place)
    surplus = current - drawn - leak if piece.mode.place == CLAMPED else 0.0
    diode = node.junctions * (node.junction_voltage + node.junction_slope * current)
    return np.array(
        [
            piece.mode.sign * piece.circuit.emf(t) * current,
            node.coil_resistance * current**2,
            diode * current,
            node.esr * (current - drawn) ** 2,
            leak * v,
            surplus * v,
            drawn * v_in,
        ]
    )


def stored(node: ReferenceNode, piece: Piece, t: float) -> float:
    """Energy in store and coil [J], the store's by quadrature."""
    store, state = Store(node), piece.state(t)
    knots = [v for v, _ in node.bias or () if 0.0 < v < state[0]]
    held = quad(lambda v: v * store.capacitance(v), 0.0, state[0], points=knots or None, epsrel=1e-11)[0]
    coil = state[1] if len(state) == 2 else 0.0
    return held + 0.5 * node.coil_inductance * coil**2


def ledger(node: ReferenceNode, pieces: list[Piece]) -> np.ndarray:
    total = np.zeros(7)
    for piece in pieces:
        edges = [piece.begin, *(t for t in piece.edges if t < piece.end), piece.end]
        for left, right in pairwise(edges):
            half = 0.5 * (right - left)
            for x, weight in zip(NODES, WEIGHTS, strict=True):
                total += half * weight * works(node, piece, left + half * (1.0 + x))
    return total


def energy_error(node: ReferenceNode) -> float:
    """What is missing from the ledger of an actuation, relative to what went in."""
    run = trace(node)
    sequence = [piece for pieces in run.steps for piece in pieces]
    missing, entered = 0.0, 0.0
    for pieces in (run.before, sequence):  # between them a charge may be taken at once
        if pieces:
            total = ledger(node, pieces)
            begin = stored(node, pieces[0], pieces[0].begin)
            entered += total[0] + begin
            missing += total[0] + begin - total[1:].sum() - stored(node, pieces[-1], pieces[-1].end)
    return abs(missing) / entered


def test_energy_is_conserved_in_nodes_of_every_kind():
    """Source and first charge are all accounted for by losses, loads and what is left."""
    nodes = [starter(), starter(regulator="buck", efficiency=0.9), starter(regulator="direct", clamp=3.5)]
    nodes += [starter(esr=0.0, coil_inductance=0.0, bias=None, bridge=False)]
    nodes += random_nodes(20, seed=7)
    errors = [energy_error(node) for node in nodes]
    assert max(errors) < 1e-8
    # negative control: a coil resistance that is off by 1e-4 is seen
    node = starter()
    run = trace(node)
    wrong = ledger(replace(node, coil_resistance=node.coil_resistance * 1.0001), run.before)
    assert wrong[1] - ledger(node, run.before)[1] > 1e-8 * wrong[0]


def plain_rates(node: ReferenceNode, small: float):
    """Right side of an off phase with its corners left in, the sign of the current smooth over ``small``."""
    store, loop = Store(node), node.coil_resistance + node.junctions * node.junction_slope + node.esr

    def emf(t: float) -> float:
        on = (s for s in node.strokes if s.start < t < s.start + s.width)
        return sum(s.amplitude * math.sin(math.pi * (t - s.start) / s.width) for s in on)

    def rates(t, y):
        e, v = emf(t), y[0]
        leak = (v * node.capacitance / node.insulation + node.reverse_leakage) if v > 0.0 else 0.0
        if not node.coil_inductance:
            current = max((abs(e) if node.bridge else e) - v - node.drop, 0.0) / loop
            return [(current - leak) / store.capacitance(v)]
        j = y[1] if node.bridge else max(y[1], 0.0)
        current = abs(j) if abs(j) > 5.0 * small else 0.0  # less than this is the smoothing's own
        push = e - (v + node.drop) * math.tanh(j / small) - loop * j
        return [(current - leak) / store.capacitance(v), push / node.coil_inductance]

    return rates


def test_against_an_integration_without_events():
    """Off phases of random nodes, all strokes in one call of solve_ivp; its smoothing costs some 10 uV."""
    for index in range(8):
        node = replace(random_node(11, index, waveform_share=0.0), off_current=0.0, clamp=math.inf)
        last = node.spans[-1][1]
        plain = solve_ivp(
            plain_rates(node, 1e-7),
            (0.0, last),
            [node.initial_voltage, 0.0][: 2 if node.coil_inductance else 1],
            "LSODA",
            rtol=1e-8,
            atol=1e-10,
            max_step=node.strokes[0].width / 100.0,
        )
        piece = next(p for p in unloaded(node) if p.begin < last <= p.end)
        assert piece.state(last)[0] == pytest.approx(plain.y[0, -1], abs=5e-5)


def test_tighter_tolerances_change_nothing():
    for index in range(6):
        node = random_node(13, index)
        normal, tight = solve(node), solve(node, rtol=1e-12, atol=1e-14)
        assert normal.outcome == tight.outcome
        for name in ("start_margin", "run_margin", "reserve"):
            assert getattr(normal, name) == pytest.approx(getattr(tight, name), abs=1e-7)
        if normal.start_time is not None:
            assert normal.start_time == pytest.approx(tight.start_time, abs=1e-9)


# ---- the random nodes -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def solved() -> tuple[list[ReferenceNode], list[ReferenceResult]]:
    nodes = random_nodes(COUNT, SEED)
    return nodes, [solve(node) for node in nodes]


def test_random_nodes_cover_what_they_should(solved):
    nodes, results = solved
    found: Shares = shares(nodes, results)
    print(found)
    assert min(found.never_started, found.brown_out, found.complete, found.overlap) >= 0.15
    assert min(found.clamp_active, found.pass_through) >= 0.05
    assert min(found.two_strokes, found.single_diode, found.no_inductance, *found.regulators) >= 0.15
    assert found.waveform > 0.0
    assert any(node.output_capacitance and not node.start_delay for node in nodes)
    assert any(node.output_capacitance and node.start_delay for node in nodes)
    assert any(result.outcome == "brown-out in boot" for result in results)
    # the second stroke arrives while the load runs, and false starts on the first
    assert any(
        len(node.strokes) == 2 and result.brown_out_time is not None
        and result.sequence_start < node.strokes[1].start < result.brown_out_time
        for node, result in zip(nodes, results, strict=True)
    )  # fmt: skip


def test_random_nodes_lie_in_their_ranges(solved):
    nodes, _ = solved
    for node in nodes:
        assert all(3.0 <= abs(s.amplitude) <= 25.0 for s in node.strokes)
        assert all(0.5e-3 <= s.width <= 10e-3 for s in node.strokes)
        assert 20.0 <= node.coil_resistance <= 1000.0
        assert node.coil_inductance == 0.0 or 1e-3 <= node.coil_inductance <= 0.1
        assert 4.7e-6 <= node.capacitance <= 470e-6
        assert 0.0 <= node.esr <= 1.0
        assert len(node.strokes) < 2 or node.strokes[0].amplitude * node.strokes[1].amplitude < 0.0
        if node.regulator != "direct":
            assert all(step.minimum_supply <= node.output_voltage for step in node.sequence)


def test_forced_runs_stay_where_the_rectifier_blocks(solved):
    """Below minus the drop of the rectifier it would conduct without an emf, in no set direction."""
    nodes, results = solved
    assert all(r.lowest_input > -n.drop for n, r in zip(nodes, results, strict=True))
    assert any(r.lowest_input < 0.0 for r in results)


def test_random_nodes_hang_on_seed_and_index_alone():
    assert random_nodes(3, 5) == random_nodes(6, 5)[:3]
    assert random_node(5, 2) == random_nodes(3, 5)[2]
    assert random_node(5, 2) != random_node(6, 2)

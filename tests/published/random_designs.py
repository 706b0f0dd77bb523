"""Random nodes for the comparison of the compiled physics with the independent integration.

Every node is a function of (seed, index) alone.  Coil, store and stroke are drawn over wide ranges; the
thresholds and the load are then set in proportion to what the store reaches with the regulator off (a
loose integration), so that nodes that never start, that brown out and that live are all common, and the
forced run of a failing node does not drag the store far below zero, where no real node goes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from reference_node import (
    LoadStep,
    ReferenceNode,
    ReferenceResult,
    Store,
    Stroke,
    highest,
    stroke_peaks,
    unloaded,
)

LEAST_PEAK = 1.2  # [V] a node whose store stays below this is drawn again: no regulator wakes there
FATES = ("never", "edge", "spent", "lives")
ODDS = (0.20, 0.06, 0.44, 0.30)


@dataclass(frozen=True)
class Shares:
    """Shares of a set of solved nodes, each in 0..1."""

    never_started: float
    brown_out: float
    complete: float
    overlap: float
    clamp_active: float
    pass_through: float
    two_strokes: float
    waveform: float
    single_diode: float
    no_inductance: float
    regulators: tuple[float, float, float]  # linear, buck, direct

    def __str__(self) -> str:
        return ", ".join(f"{name} {value}" for name, value in self.__dict__.items())


def shares(nodes: Sequence[ReferenceNode], results: Sequence[ReferenceResult]) -> Shares:
    """What a set of nodes and their solutions consists of."""

    def share(flags: Sequence[bool]) -> float:
        return sum(flags) / len(flags)

    kinds = ("linear", "buck", "direct")
    return Shares(
        never_started=share([r.outcome == "never started" for r in results]),
        brown_out=share([r.outcome.startswith("brown-out") for r in results]),
        complete=share([r.outcome == "complete" for r in results]),
        overlap=share([r.overlap for r in results]),
        clamp_active=share([r.clamp_active for r in results]),
        pass_through=share([r.pass_through for r in results]),
        two_strokes=share([len(n.strokes) == 2 for n in nodes]),
        waveform=share([bool(n.waveform) for n in nodes]),
        single_diode=share([not n.bridge for n in nodes]),
        no_inductance=share([n.coil_inductance == 0.0 for n in nodes]),
        regulators=tuple(share([n.regulator == kind for n in nodes]) for kind in kinds),  # type: ignore[arg-type]
    )


def random_nodes(count: int, seed: int, waveform_share: float = 0.06) -> list[ReferenceNode]:
    """``count`` nodes; ``waveform_share`` of them have a sampled emf in place of half-sine strokes."""
    return [random_node(seed, index, waveform_share) for index in range(count)]


def random_node(seed: int, index: int, waveform_share: float = 0.06) -> ReferenceNode:
    rng = np.random.default_rng([seed, index])
    while True:
        node = coil_supply(rng, waveform_share)
        if flux(node) / (node.coil_resistance * node.capacitance) + node.initial_voltage < LEAST_PEAK:
            continue  # the store cannot reach it even from a loss-free rectifier
        off = unloaded(node, rtol=1e-5, atol=1e-7)
        peak = highest(off)[1]
        if peak >= LEAST_PEAK:
            return loaded(rng, node, peak, [p for p in stroke_peaks(node, off) if p == p])


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def flux(node: ReferenceNode) -> float:
    """Integral of |e| [V s]: bounds the charge that the coil can pass."""
    if node.waveform:
        t, e = np.array(node.waveform).T
        return float(np.trapezoid(np.abs(e), t))
    return sum(2.0 * abs(s.amplitude) * s.width / math.pi for s in node.strokes)


def coil_supply(rng: np.random.Generator, waveform_share: float) -> ReferenceNode:
    """Coil, strokes, rectifier and store."""
    emf, width = log_uniform(rng, 3.0, 25.0), log_uniform(rng, 0.5e-3, 10e-3)
    begin = 0.0 if rng.random() < 0.6 else log_uniform(rng, 0.05e-3, 3e-3)
    strokes = [Stroke(begin, emf, width)]
    if rng.random() < 0.5:
        gap = 0.0 if rng.random() < 0.1 else log_uniform(rng, 0.05e-3, 40e-3)
        back = min(max(emf * float(rng.uniform(0.7, 1.1)), 3.0), 25.0)
        strokes.append(Stroke(begin + width + gap, -back, width))
    wave = _waveform(rng, begin, emf, width) if rng.random() < waveform_share else ()
    clamp = log_uniform(rng, 2.5, 12.0) if rng.random() < 0.3 else math.inf
    precharge = 0.0 if rng.random() < 0.75 else float(rng.uniform(0.0, 1.2))
    return ReferenceNode(
        sequence=(LoadStep("none", 1e-3, 0.0, 0.0),),  # until the load is known
        strokes=() if wave else tuple(strokes),
        waveform=wave,
        coil_resistance=log_uniform(rng, 20.0, 1000.0),
        coil_inductance=0.0 if rng.random() < 0.3 else log_uniform(rng, 1e-3, 0.1),
        bridge=bool(rng.random() < 0.7),
        junction_voltage=float(rng.uniform(0.15, 0.45)),
        junction_slope=log_uniform(rng, 0.2, 3.0),
        reverse_leakage=0.0 if rng.random() < 0.3 else log_uniform(rng, 0.1e-6, 10e-6),
        capacitance=log_uniform(rng, 4.7e-6, 470e-6),
        bias=bias_curve(rng) if rng.random() < 0.5 else None,
        esr=0.0 if rng.random() < 0.25 else log_uniform(rng, 0.01, 1.0),
        insulation=math.inf if rng.random() < 0.3 else log_uniform(rng, 10.0, 1000.0),
        initial_voltage=precharge,
        clamp=clamp,
        off_current=0.0 if rng.random() < 0.3 else log_uniform(rng, 0.05e-6, 2e-6),
    )


def _waveform(rng: np.random.Generator, begin: float, emf: float, width: float) -> tuple[tuple[float, float], ...]:
    """A ringing pulse of 30 to 60 samples, its ends not quite at zero as measured ones are."""
    t = np.linspace(0.0, 2.0 * width, int(rng.integers(30, 61)))
    e = emf * np.sin(np.pi * t / width) * np.exp(-0.5 * t / width) + rng.normal(0.0, 0.01 * emf, len(t))
    return tuple((begin + float(x), float(y)) for x, y in zip(t, e, strict=True))


def bias_curve(rng: np.random.Generator) -> tuple[tuple[float, float], ...]:
    """A class II ceramic's small-signal factor: falls in a bell about a voltage of its own."""
    half = float(rng.uniform(4.0, 14.0))
    floor = float(rng.uniform(0.1, 0.3))
    volts = (0.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 25.0)
    return tuple((v, 1.0 if v == 0.0 else floor + (1.0 - floor) / (1.0 + (v / half) ** 2)) for v in volts)


def loaded(
    rng: np.random.Generator, node: ReferenceNode, peak: float, peaks: list[float], regulator: str | None = None
) -> ReferenceNode:
    """Regulator and sequence in proportion to the highest V_in ``peak`` and the strokes' ``peaks``."""
    fate = str(rng.choice(FATES, p=ODDS))
    if fate == "never":
        start = peak * float(rng.uniform(1.01, 1.4))
    elif fate == "edge":
        start = peak + float(rng.normal(0.0, 0.02))
    else:
        start = max(peak * float(rng.uniform(0.4, 0.98)), 0.7)
    kind = regulator or str(rng.choice(("linear", "buck", "direct")))
    node = _regulator(rng, node, kind, start)
    # the charge that is there when it wakes: that of the first stroke that reaches V_start
    held = min(next((p for p in peaks if p >= start), peak), node.clamp)
    lowest = start if kind == "direct" else node.output_voltage
    minimum = lowest * float(rng.uniform(0.7, 0.97) if fate == "spent" else rng.uniform(0.55, 0.92))
    usable = max(_charge(node, held) - _charge(node, minimum), 0.1 * _charge(node, held))
    wanted = usable * float(rng.uniform(1.05, 2.0) if fate == "spent" else rng.uniform(0.15, 0.8))
    wanted = min(wanted, 1.02 * _charge(node, held if fate == "spent" else min(held, start)))
    sequence = _sequence(rng, wanted, minimum, lowest)
    most = max(step.current for step in sequence)
    dropout = lowest * float(rng.uniform(0.0, 0.08))
    stop = 0.0 if rng.random() < 0.5 else minimum * float(rng.uniform(0.8, 1.05))
    return _output_capacitor(
        rng,
        replace(
            node,
            sequence=sequence,
            stop_voltage=min(stop, 0.98 * start),
            pass_resistance=0.0 if kind == "direct" else dropout / most,
        ),
        min(held, start),
    )


def _charge(node: ReferenceNode, v: float) -> float:
    """q(v) of the store [C], by the midpoint rule: only proportions hang on it."""
    store, n = Store(node), 40
    return sum(store.capacitance(v * (k + 0.5) / n) for k in range(n)) * v / n


def _regulator(rng: np.random.Generator, node: ReferenceNode, kind: str, start: float) -> ReferenceNode:
    efficiency = float(rng.uniform(0.75, 0.95)) if kind == "buck" else 1.0
    output = 0.0 if kind == "direct" else start * float(rng.uniform(0.6, 0.97))
    return replace(
        node,
        regulator=kind,
        output_voltage=output,
        efficiency=efficiency,
        start_voltage=start,
        quiescent=0.0 if rng.random() < 0.2 else log_uniform(rng, 0.5e-6, 20e-6),
        ground_share=float(rng.uniform(0.0, 0.02)) if kind == "linear" else 0.0,
        start_delay=0.0 if rng.random() < 0.4 else log_uniform(rng, 20e-6, 600e-6),
    )


def _output_capacitor(rng: np.random.Generator, node: ReferenceNode, held: float) -> ReferenceNode:
    """At most 12 % of the charge, or of the energy, that the store holds at the start goes into it."""
    if rng.random() < 0.3:
        return node
    charged_to = node.start_voltage if node.regulator == "direct" else node.output_voltage
    ceiling = 0.12 * _charge(node, held) / charged_to
    return replace(node, output_capacitance=min(log_uniform(rng, 0.1e-6, 20e-6), ceiling))


def _sequence(rng: np.random.Generator, charge: float, minimum: float, lowest: float) -> tuple[LoadStep, ...]:
    """Boot, a frame and a listening step that take ``charge`` [C] in all, some with a sensing step."""
    # 32 us an octet, six octets of overhead: value from memory of IEEE 802.15.4 (O-QPSK, 2.4 GHz)
    frame = (6 + int(rng.integers(11, 128))) * 32e-6
    parts = [("boot", log_uniform(rng, 0.5e-3, 5e-3), float(rng.uniform(0.3, 1.0)))]
    if rng.random() < 0.3:
        parts.append(("sense", log_uniform(rng, 0.2e-3, 2e-3), float(rng.uniform(0.1, 0.6))))
    parts.append(("transmit", frame, float(rng.uniform(0.8, 1.5))))
    parts.append(("listen", float(rng.uniform(0.544e-3, 0.864e-3)), float(rng.uniform(0.7, 1.3))))
    weight = sum(duration * share for _, duration, share in parts)
    scale = charge / weight  # [A]
    longer = max(scale / 25e-3, 1.0)  # a large store is emptied by a longer sequence, not by a larger current
    steps = []
    for name, duration, share in parts:
        own = minimum if rng.random() < 0.75 else min(minimum * float(rng.uniform(0.9, 1.1)), 0.99 * lowest)
        steps.append(LoadStep(name, duration * longer, scale / longer * share, own))
    return tuple(steps)

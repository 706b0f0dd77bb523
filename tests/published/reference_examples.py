"""Nodes that the tests of the independent integration begin from."""

from __future__ import annotations

from dataclasses import replace

from reference_node import LoadStep, ReferenceNode, Stroke

BIAS = ((0.0, 1.0), (2.0, 0.97), (4.0, 0.87), (6.0, 0.72), (8.0, 0.58), (12.0, 0.38))


def charger(**changes: object) -> ReferenceNode:
    """A store that is only charged: its regulator never wakes and takes nothing."""
    idle = (LoadStep("idle", 1e-3, 0.0, 0.0),)
    return replace(ReferenceNode(sequence=idle, start_voltage=1e3), **changes)


def discharger(current: float = 10e-3, duration: float = 20e-3, **changes: object) -> ReferenceNode:
    """47 uF at 5 V, no source, one step that needs 2 V at V_in."""
    step = (LoadStep("run", duration, current, 2.0),)
    node = ReferenceNode(sequence=step, capacitance=47e-6, initial_voltage=5.0, output_voltage=2.0)
    return replace(node, start_voltage=4.0, **changes)


def starter(**changes: object) -> ReferenceNode:
    """A node that meets all the rules at once, its regulator waking during the stroke."""
    return replace(
        ReferenceNode(
            sequence=(
                LoadStep("boot", 3.8e-3, 3.4e-3, 1.9),
                LoadStep("transmit", 1.184e-3, 9e-3, 1.9),
                LoadStep("listen", 0.694e-3, 8.2e-3, 1.9),
            ),
            strokes=(Stroke(0.0, 14.0, 2.4e-3),),
            coil_resistance=102.0,
            coil_inductance=27e-3,
            junction_voltage=0.22,
            junction_slope=1.1,
            reverse_leakage=2e-6,
            capacitance=47e-6,
            bias=BIAS,
            esr=0.4,
            insulation=100.0,
            output_voltage=2.5,
            quiescent=1.2e-6,
            off_current=0.3e-6,
            ground_share=0.001,
            start_voltage=2.6,
            stop_voltage=1.7,
            start_delay=120e-6,
            output_capacitance=1e-6,
            pass_resistance=14.0,
        ),
        **changes,
    )

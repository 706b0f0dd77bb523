"""A design put together from its parts, without a file, for the tests of what is drawn."""

from __future__ import annotations

from yieldsim.design.parameter import AgeingLaw, Parameter, Tolerance
from yieldsim.design.schema import (
    Acknowledgement,
    Backoff,
    Conditions,
    Correlation,
    Defaults,
    Design,
    Frame,
    Harvester,
    Link,
    Radio,
    Rectifier,
    Regulator,
    Step,
    Storage,
    Stroke,
)
from yieldsim.design.tree import with_replaced


def plain(name: str, dimension: str, nominal: float, *tolerances: Tolerance, **more: object) -> Parameter:
    return Parameter(name, dimension, nominal, tolerances, **more)  # type: ignore[arg-type]


def within(level: str, low: float, high: float, *, relative: bool = True) -> Tolerance:
    return Tolerance(level, "uniform", relative, low, high)


def normal(level: str, sigma: float, *, relative: bool = True) -> Tolerance:
    return Tolerance(level, "normal", relative, sigma=sigma)


def step(name: str, when: str, kind: str, *tolerances: Tolerance, **more: object) -> Step:
    base = f"radio.{name}"
    parts = {"duration": None, "frame": None, "acknowledgement": None} | more
    return Step(
        name=name,
        when=when,
        kind=kind,
        current=plain(f"{base}.current", "A", 0.008, *tolerances),
        minimum_supply=None,
        required=True,
        **parts,  # type: ignore[arg-type]
    )


def base(*, backoff: bool = True, correlations: tuple[Correlation, ...] = ()) -> Design:
    """A half-sine harvester, a linear regulator, boot, transmit, listen; spread at all three levels."""
    change = plain("storage.capacitance.ageing.change", "factor", -0.025, within("unit", -0.007, 0.007, relative=False))
    return Design(
        title="made",
        source=None,
        text="",
        defaults=Defaults(),
        conditions=Conditions((25.0,), (0.0,), 10.0),
        requirement=None,
        deratings=(),
        harvester=Harvester(
            kind="electromagnetic",
            peak_emf=plain("harvester.peak_emf", "V", 16.0, normal("lot", 0.02), normal("unit", 0.03)),
            transit_time=plain("harvester.transit_time", "s", 2.4e-3),
            speed=plain("harvester.speed", "factor", 1.0, normal("actuation", 0.05)),
            coil_resistance=plain("harvester.coil_resistance", "ohm", 100.0, within("unit", -0.05, 0.05)),
            coil_inductance=plain("harvester.coil_inductance", "H", 0.027),
            strokes=(
                Stroke(
                    plain("harvester.stroke_1.start", "s", 0.0),
                    plain("harvester.stroke_1.linkage", "factor", 1.0),
                ),
            ),
        ),
        precharge=None,
        rectifier=Rectifier(
            "full bridge",
            plain("rectifier.forward_drop", "V", 0.42, within("unit", -0.03, 0.03, relative=False)),
            plain("rectifier.reverse_leakage", "A", 2e-6, Tolerance("unit", "lognormal", True, sigma=0.4)),
        ),
        storage=Storage(
            capacitance=plain(
                "storage.capacitance",
                "F",
                47e-6,
                normal("lot", 0.03),
                normal("unit", 0.05),
                ageing=(AgeingLaw("per decade of hours", change),),
            ),
            esr=plain("storage.esr", "ohm", 0.04),
            insulation=None,
            initial_voltage=plain("storage.initial_voltage", "V", 0.0),
        ),
        regulator=Regulator(
            kind="linear",
            output=plain("regulator.output", "V", 2.5, within("unit", -0.02, 0.02)),
            quiescent=plain("regulator.quiescent", "A", 1.2e-6, within("unit", -0.4, 0.4)),
            off_current=plain("regulator.off_current", "A", 3e-7),
            ground_share=plain("regulator.ground_share", "share", 0.001),
            start_voltage=plain("regulator.start_voltage", "V", 2.6, within("unit", -0.03, 0.03)),
            stop_voltage=plain("regulator.stop_voltage", "V", 1.7, within("unit", -0.03, 0.03)),
            start_delay=plain("regulator.start_delay", "s", 1.2e-4),
            output_capacitance=plain("regulator.output_capacitance", "F", 1e-6),
            dropout=plain("regulator.dropout", "V", 0.28, normal("unit", 0.08), at=0.02),
        ),
        radio=Radio(
            plain("radio.minimum_supply", "V", 1.9),
            3.8,
            (
                step(
                    "boot",
                    "once",
                    "fixed",
                    normal("actuation", 0.02),
                    duration=plain("radio.boot.duration", "s", 3.8e-3, within("actuation", -0.08, 0.08)),
                ),
                step("transmit", "each attempt", "frame", normal("actuation", 0.04), frame=Frame(31, 250e3, 6)),
                step(
                    "listen",
                    "each attempt",
                    "listen",
                    acknowledgement=Acknowledgement(
                        plain("radio.listen.earliest", "s", 0.544e-3),
                        plain("radio.listen.spread", "s", 0.3e-3),
                        plain("radio.listen.timeout", "s", 0.864e-3),
                    ),
                ),
            ),
        ),
        link=Link(
            attempts=2,
            frame_loss=plain("link.frame_loss", "share", 0.004, within("actuation", -0.5, 0.5)),
            acknowledgement_loss=plain("link.acknowledgement_loss", "share", 0.002),
            backoff=_backoff() if backoff else None,
        ),
        correlations=correlations,
    )


def _backoff() -> Backoff:
    names = {"unit": "s", "busy": "share", "idle_current": "A", "assess_time": "s", "assess_current": "A"}
    names |= {"turnaround": "s", "turnaround_current": "A"}
    parts = {name: plain(f"link.backoff.{name}", dimension, 1e-3) for name, dimension in names.items()}
    return Backoff(**parts, minimum_exponent=3, maximum_exponent=5, maximum_backoffs=4)


def with_tolerances(design: Design, name: str, *tolerances: Tolerance, **more: object) -> Design:
    """The design with other tolerances on one parameter, none for a parameter that is not drawn."""
    from dataclasses import replace

    old = design.parameters[name]
    return with_replaced(design, replace(old, tolerances=tolerances, **more))  # type: ignore[arg-type]

"""In what two configurations differ: parameters by nominal, tolerance and laws, and all else that is used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from yieldsim.analysis.described import ageing_text, dimension_of, temperature_text, tolerance_text
from yieldsim.analysis.stated import settings_of_design
from yieldsim.design.identity import fingerprint
from yieldsim.design.parameter import Parameter
from yieldsim.design.quantity import format_quantity
from yieldsim.design.schema import Design

ABSENT = ""


@dataclass(frozen=True)
class Differing:
    """One thing that the two files say differently.

    Attributes
    ----------
    name : dotted path as in the file
    what : ``nominal``, ``tolerance``, ``temperature``, ``ageing``, ``values`` or ``setting``
    a, b : as either file would write it; empty where it has no such thing
    """

    name: str
    what: str
    a: str
    b: str


def differing(a: Design, b: Design) -> tuple[Differing, ...]:
    """Return everything that is computed with and differs, in the order of the files; titles and notes do not count."""
    parameters = [
        row
        for name in dict.fromkeys([*a.parameters, *b.parameters])
        for row in _of_parameter(name, a.parameters.get(name), b.parameters.get(name))
    ]
    settings = list(_of_settings(dict(settings_of_design(a)), dict(settings_of_design(b))))
    if not parameters and a.hash != b.hash and not settings:
        settings = [Differing("measured values", "values", a.hash, b.hash)]
    return (*parameters, *settings)


def _of_parameter(name: str, a: Parameter | None, b: Parameter | None) -> Iterator[Differing]:
    if a is not None and b is not None and fingerprint(a) == fingerprint(b):
        return
    texts_a, texts_b = _texts(a), _texts(b)
    found = [Differing(name, what, texts_a[what], texts_b[what]) for what in texts_a if texts_a[what] != texts_b[what]]
    own = a is not None and b is not None and _without_coefficients(a) == _without_coefficients(b)
    if not found and not own:  # words of the same length stand for lists of numbers
        found = [Differing(name, "values", "its own", "its own")]
    yield from found


def _without_coefficients(parameter: Parameter) -> str:
    """Fingerprint but for the parameters that its laws hold, which have rows of their own."""
    return "".join(fingerprint(part) for part in (parameter.nominal, parameter.tolerances, parameter.points))


def _texts(parameter: Parameter | None) -> dict[str, str]:
    if parameter is None:
        return dict.fromkeys(("nominal", "tolerance", "temperature", "ageing"), ABSENT)
    return {
        "nominal": format_quantity(parameter.nominal, dimension_of(parameter)),
        "tolerance": tolerance_text(parameter),
        "temperature": temperature_text(parameter),
        "ageing": ageing_text(parameter),
    }


def _of_settings(a: dict[str, str], b: dict[str, str]) -> Iterator[Differing]:
    for key in dict.fromkeys([*a, *b]):
        texts = a.get(key, ABSENT), b.get(key, ABSENT)
        if texts[0] != texts[1]:
            yield Differing(key, "setting", *texts)

"""The page of a sign-off: one self-contained file, the verdict first, then four questions with evidence."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import jinja2
from markupsafe import Markup

from yieldsim.report import change, grids, method, sections
from yieldsim.report.grids import standing
from yieldsim.report.numbers import (
    condition,
    count,
    fixed,
    high_bound,
    low_bound,
    plain,
    share,
    share_with_bounds,
    stated,
    tied,
)

if TYPE_CHECKING:
    from yieldsim.analysis.signoff import SignoffResult
    from yieldsim.analysis.verdict import Verdict

_MARKS = {"met": "\u2713", "not met": "\u2717", "undecided": "?", "none": "\u2013"}
_WORDS = {"met": "Met", "not met": "Not met", "undecided": "Undecided", "none": "No requirement"}
_ALT = {
    "completion": "Cards of completion over temperature and age",
    "outcomes": "Shares of the failing outcomes at each condition, on a logarithmic axis",
    "reserve": "Distributions of reserve and voltage margin at each condition",
    "ranking": "First-order and total indices of the strongest parameters",
    "actuation_worst": "Waveforms of the nominal actuation at the worst condition",
    "actuation_bench": "Waveforms of the nominal actuation on the bench",
    "ledger": "Energies of the nominal actuation at the worst condition",
    "worst_case": "Waterfall from the nominal reserve to its extreme value, contribution by contribution",
    "life": "Units that comply and actuations that complete against years",
    "sizing": "Units that comply, derating rules and margins against the capacitance of the store",
    "ledger_run": "Mean and spread of the energies over a sample of actuations",
}


@dataclass(frozen=True)
class Fact:
    """A number of the banner with what it is."""

    name: str
    value: str
    remark: str = ""


def page_of(result: SignoffResult, pictures: Mapping[str, str], files: Sequence[str] = ()) -> str:
    """Return the page as HTML text.

    Parameters
    ----------
    result : of a sign-off
    pictures : SVG text by the name of the picture
    files : what else lies in the report's folder, relative to the page

    Returns
    -------
    str : refers to nothing outside itself but ``files``
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["tied"] = tied
    inline = {name: inlined(svg, name, _ALT.get(name, name)) for name, svg in pictures.items()}
    return environment.get_template("signoff.html.j2").render(_content(result), pictures=inline, files=sorted(files))


def _content(result: SignoffResult) -> dict[str, Any]:
    yields, ranking = result.yields, result.ranking
    worst = condition(result.actuation.temperature_degC, result.actuation.age_yr)
    remarks = change.remarks(result)
    return {
        "title": result.provenance.title,
        "provenance": result.provenance,
        "settings": _settings(result),
        "word": _WORDS[result.verdict.word],
        "mark": _MARKS[result.verdict.word],
        "kind": result.verdict.word.replace(" ", "-"),
        "reason": result.verdict.reason,
        "more": _more(result.verdict),
        "facts": _facts(result),
        "standing": _standing(result),
        "worst": worst,
        "bench": condition(result.nominal.temperature_degC, result.nominal.age_yr),
        "deciding": _deciding(result),
        "change": remarks,
        "covered": method.computed(result),
        "assumptions": method.assumptions(result),
        "limits": method.limits(result),
        "caution": method.CAUTION,
        "findings": result.check.findings,
        "requirements": grids.requirements(yields),
        "cells": grids.cells(yields),
        "ratings": grids.ratings(yields),
        "messages": grids.messages(yields),
        "ranked": grids.ranking(ranking),
        "steps_worst": grids.steps(result.actuation),
        "steps_bench": grids.steps(result.nominal),
        "addresses": grids.addresses(yields),
        "how_to_open": grids.how_to_open(yields),
        "parameters": grids.parameters(result.check),
        "confidence": stated(yields.confidence),
        **sections.content(result),
    }


def _more(verdict: Verdict) -> str:
    return f"About {count(verdict.more_units)} more units would decide it." if verdict.more_units else ""


def _facts(result: SignoffResult) -> list[Fact]:
    """Return what stands in the banner: required, reached, the worst condition, the effort."""
    yields = result.yields
    facts = []
    requirement = yields.requirement
    if requirement is not None and requirement.unit_yield is not None:
        remark = f"must each complete {stated(requirement.completion)} of their actuations"
        facts.append(Fact("Required of the units", f"\u2265 {stated(requirement.unit_yield)}", remark))
    elif requirement is not None and requirement.completion is not None:
        facts.append(Fact("Required completion", f"\u2265 {stated(requirement.completion)}"))
    if yields.joint is not None:
        bounds = f"between {low_bound(yields.joint)} and {high_bound(yields.joint)}"
        facts.append(Fact("Reached by", share(yields.joint.value), bounds))
    cell = change.worst_cell(yields)
    remark = f"of actuations complete; at least {low_bound(cell.completion)}"
    facts.append(Fact(f"Worst, {change.place_of(cell)}", share(cell.completion.value), remark))
    total = sum(c.actuations for c in yields.cells)
    remark = f"actuations of {count(yields.cells[0].units)} units in {count(len(yields.cells))} conditions"
    facts.append(Fact("Computed", count(total), remark))
    return facts


def _standing(result: SignoffResult) -> str:
    """Return the sentence that says how many conditions comply, each taken alone."""
    yields = result.yields
    marks = [standing(cell, yields) for cell in yields.cells]
    cell = change.worst_cell(yields)
    place = change.place_of(cell)
    worst = f"The worst is {place}, where {share_with_bounds(cell.completion)} of actuations complete"
    if cell.unit_yield is not None:
        worst += f" and {share_with_bounds(cell.unit_yield)} of units comply"
    if not any(marks):
        return f"{worst}."
    told = {"meets": "comply", "below": "fall short", "open": "open"}
    parts = [f"{count(marks.count(mark))} {word}" for mark, word in told.items() if mark in marks]
    return f"Of {count(len(marks))} conditions, each taken alone, {', '.join(parts)}. {worst}."


def _deciding(result: SignoffResult) -> str:
    """Return the sentence that answers what decides it."""
    ranking = result.ranking
    leading = [p for p in ranking.parameters if p.influence][:3]
    if not leading:
        return f"No parameter was seen to have an influence on the {ranking.response}."
    named = ", ".join(
        f"{p.name} per {p.level} ({fixed(p.total, 2)}, from {fixed(p.total_low, 2)} to {fixed(p.total_high, 2)})"
        for p in leading
    )
    cell = change.worst_cell(result.yields)
    place = condition(ranking.temperature_degC, ranking.age_yr)
    return (
        f"At {place} the {ranking.response} is decided most by {named}: total shares of its variance. At "
        f"{change.place_of(cell)}, energy sufficed in {share_with_bounds(cell.energy_sufficed)} of "
        f"actuations and {share_with_bounds(cell.completion)} completed."
    )


def _settings(result: SignoffResult) -> str:
    """Return the settings in one line, as they were in force."""
    settings = result.provenance.settings
    lots = settings["lots"]
    confidence = f"confidence {stated(result.yields.confidence)}"
    if result.ranking.confidence != result.yields.confidence:
        confidence += f" (ranking: {stated(result.ranking.confidence)})"
    return ", ".join(
        (
            f"units {count(settings['units'])}",
            f"actuations {count(settings['actuations'])}",
            "lots: one for each unit" if lots is None else f"lots {count(lots)}",
            f"effort {count(settings['effort'])}",
            f"accuracy {plain(settings['accuracy'] * 1e3)} mV",
            confidence,
        )
    )


def inlined(svg: str, name: str, alternative: str) -> Markup:
    """SVG text made part of a page: no outside names, its ids its own, its size that of the page.

    Everything in it was escaped when it was written.
    """
    start = svg.index("<svg")
    body = re.sub(r"<style[^>]*>.*?</style>", "", svg[start:], flags=re.DOTALL)
    head, rest = body.split(">", 1)
    view = re.search(r'viewBox="([^"]*)"', head)
    box = view[1] if view else "0 0 100 100"
    rest = rest.replace("xlink:href=", "href=").replace('href="#', f'href="#{name}-').replace("url(#", f"url(#{name}-")
    rest = re.sub(r'\bid="', f'id="{name}-', rest)
    return Markup('<svg viewBox="{}" role="img" aria-label="{}">').format(box, alternative) + Markup(rest)

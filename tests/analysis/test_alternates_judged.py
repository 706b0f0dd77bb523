"""Second sources judged together: each is the design written in full, the verdict the worst or the mixture."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from yieldsim.analysis.alternates import EACH, MIXTURE, SourceYield, for_each, sources_of, worst_verdict
from yieldsim.analysis.verdict import MET, NONE, NOT_MET, UNDECIDED, Verdict
from yieldsim.analysis.yields import yields
from yieldsim.cli import run
from yieldsim.design.reading import design_from_toml
from yieldsim.design.schema import STATED
from yieldsim.engine.settings import Settings
from yieldsim.report.tables import table_of
from yieldsim.report.terminal import text_of

TEXT = (Path(__file__).parent / "small.toml").read_text(encoding="utf-8")
STATED_CAPACITANCE = TEXT[TEXT.index("[storage.capacitance]") : TEXT.index("[regulator]")]
CERAMIC = """nominal = "22 uF"
tolerance = { sigma = "3 %", within = "±10 %" }
bias = [["0 V", 1.0], ["4 V", 0.8], ["10 V", 0.4]]
"""
REGULATOR = 'output = "2.1 V ±1 %"\n'
SETTINGS = Settings(units=48, actuations=4, threads=1)


def alternates(first: str = "", second: str = "") -> str:
    return (
        f'\n[[alternate]]\nname = "ceramic B"\n{first}[alternate.storage.capacitance]\n{CERAMIC}'
        f'\n[[alternate]]\nname = "regulator C"\n{second}[alternate.regulator]\n{REGULATOR}'
    )


@pytest.fixture(scope="module")
def judged_each():
    return for_each(design_from_toml(TEXT + alternates()), SETTINGS)


@pytest.fixture(scope="module")
def judged_mixed():
    return for_each(design_from_toml(TEXT + alternates('share = "30 %"\n', 'share = "20 %"\n')), SETTINGS)


def test_each_source_is_the_design_written_out_in_full_to_the_bit(judged_each):
    assert [source.name for source in judged_each.sources] == [STATED, "ceramic B", "regulator C"]
    full = (
        TEXT,
        TEXT.replace(STATED_CAPACITANCE, f"[storage.capacitance]\n{CERAMIC}"),
        TEXT.replace('output = "2.2 V ±2 %"\n', REGULATOR),
    )
    for source, text in zip(judged_each.sources, full, strict=True):
        alone = yields(design_from_toml(text), SETTINGS)
        assert source.yields.payload() == alone.payload()
        assert source.yields.provenance.design_hash == alone.provenance.design_hash
    assert len({source.yields.provenance.design_hash for source in judged_each.sources}) == 3


def test_without_shares_the_verdict_is_the_worst(judged_each):
    words = [source.yields.verdict.word for source in judged_each.sources]
    assert judged_each.rule == EACH
    assert judged_each.joint is None
    assert judged_each.each_confidence == judged_each.confidence == 0.95
    assert judged_each.verdict.word == next(w for w in (NOT_MET, UNDECIDED, MET) if w in words)


def source(name: str, word: str, bound: float | None = 0.9, more: int | None = None) -> SourceYield:
    """A source of which nothing but its verdict is looked at."""
    verdict = Verdict(word, bound, 0.9, f"At {bound}.", more, (60.0, 0.0))
    found = object.__new__(type("Found", (), {"verdict": verdict}))
    return SourceYield(name, None, found)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((MET, MET, MET), MET),
        ((MET, UNDECIDED, MET), UNDECIDED),
        ((UNDECIDED, NOT_MET, MET), NOT_MET),
        ((MET, NONE), NONE),
        ((NONE, UNDECIDED), UNDECIDED),
    ],
)
def test_all_must_hold(words, expected):
    found = worst_verdict([source(f"s{k}", word) for k, word in enumerate(words)])
    assert found.word == expected
    if expected not in (MET, NONE):
        named = [f"s{k}" for k, word in enumerate(words) if word == expected]
        assert all(f"With {name}: at 0.9." in found.reason for name in named)
        assert sum(f"With s{k}:" in found.reason for k in range(len(words))) == len(named)


def test_the_least_bound_decides_and_the_most_units_are_asked_for():
    met = worst_verdict([source(STATED, MET, 0.97), source("B", MET, 0.95)])
    assert met.deciding_bound == 0.95
    assert met.reason == "Met with each of 2 sources. With B: at 0.95."
    open_ones = worst_verdict([source(STATED, UNDECIDED, 0.8, 500), source("B", UNDECIDED, 0.7, 2000)])
    assert open_ones.more_units == 2000
    assert worst_verdict([source("A", UNDECIDED, 0.8, 500), source("B", UNDECIDED, 0.7)]).more_units is None


def test_with_shares_units_are_a_mixture(judged_mixed):
    shares = [s.share for s in judged_mixed.sources]
    assert judged_mixed.rule == MIXTURE
    assert shares == pytest.approx([0.5, 0.3, 0.2])
    # Bonferroni (1936): three bounds at 1 - 0.05 / 3 hold together at 95 %
    assert judged_mixed.each_confidence == pytest.approx(1.0 - 0.05 / 3.0)
    joints = [s.yields.joint for s in judged_mixed.sources]
    assert {joint.confidence for joint in joints} == {judged_mixed.each_confidence}
    for name in ("value", "low", "high"):
        expected = sum(w * getattr(joint, name) for w, joint in zip(shares, joints, strict=True))
        assert getattr(judged_mixed.joint, name) == pytest.approx(expected)
    assert judged_mixed.joint.confidence == 0.95
    assert joints[0].low <= joints[0].value <= joints[0].high


def test_a_rule_of_derating_must_hold_for_every_source(judged_mixed):
    words = {p.word for s in judged_mixed.sources for p in s.yields.judged if p.name != "unit yield"}
    assert words  # the small design has rules
    if NOT_MET in words:
        assert judged_mixed.verdict.word == NOT_MET


def test_sources_that_replace_the_stated_parts_in_all_units_leave_these_out():
    design = design_from_toml(TEXT + alternates('share = "60 %"\n', 'share = "40 %"\n'))
    assert [(name, share) for name, share, _ in sources_of(design)] == [("ceramic B", 0.6), ("regulator C", 0.4)]


def test_a_design_without_alternates_is_its_own_one_source(small):
    found = for_each(small, SETTINGS)
    alone = yields(small, SETTINGS)
    assert [s.name for s in found.sources] == [STATED]
    assert found.sources[0].yields.payload() == alone.payload()
    assert found.verdict.word == alone.verdict.word
    assert found.provenance.design_hash == small.hash


def test_text_and_table_name_every_source(judged_each, judged_mixed):
    for found in (judged_each, judged_mixed):
        text, table = text_of(found), table_of(found)
        assert max(len(line) for line in text.splitlines()) <= 100
        assert list(dict.fromkeys(table["source"])) == [s.name for s in found.sources]
        for s in found.sources:
            assert s.name in text
        json.dumps(found.as_json(), allow_nan=False)


# --- the command line -----------------------------------------------------------------------------------------------


@pytest.fixture
def node(tmp_path, monkeypatch) -> str:
    monkeypatch.chdir(tmp_path)
    Path("node.toml").write_text(TEXT + alternates(), encoding="utf-8")
    return "node.toml"


FEW = ["--units", "16", "--actuations", "2", "--threads", "1", "--json"]


def asked(arguments: list[str], capsys) -> dict:
    assert run(arguments) == 0
    return json.loads(capsys.readouterr().out)


def test_yield_runs_each_source_or_the_one_that_is_named(node, capsys):
    every = asked(["yield", node, *FEW], capsys)
    assert [s["source"] for s in every["sources"]] == [STATED, "ceramic B", "regulator C"]
    for k, name in enumerate((STATED, "ceramic B")):
        one = asked(["yield", node, "--alternate", name, *FEW], capsys)
        assert one["command"] == "yield"
        assert one["cells"] == every["sources"][k]["cells"]


def test_other_commands_take_the_stated_parts_and_say_so(node, capsys):
    rows = {name: asked(["check", node, *more, "--json"], capsys) for name, more in (
        (STATED, []), ("ceramic B", ["--alternate", "ceramic B"]),
    )}  # fmt: skip
    nominal = {
        name: next(p["value_SI"] for p in answer["parameters"] if p["name"] == "storage.capacitance")
        for name, answer in rows.items()
    }
    assert nominal == pytest.approx({STATED: 33e-6, "ceramic B": 22e-6})
    told = "this is the design with its parts as stated; it has alternates (ceramic B, regulator C), see --alternate"
    assert told in rows[STATED]["warnings"]
    assert told not in rows["ceramic B"]["warnings"]


def test_a_name_that_is_none_is_refused(node, capsys):
    assert run(["yield", node, "--alternate", "ceramic", *FEW[:-1]]) == 1
    told = "error: node.toml: alternate = ceramic: no alternate has this name; did you mean ceramic B?\n"
    assert capsys.readouterr().err == told

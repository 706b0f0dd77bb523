"""Whatever stands in the file, the reader answers with a design or with errors that a user can act on."""

import copy
import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from yieldsim.design.reading import design_from_toml
from yieldsim.words.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
DOCUMENTS = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in CONFIGS.glob("*.toml")}


def toml(node) -> str:
    """A document or value as TOML, tables inline."""
    if isinstance(node, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {toml(value)}" for key, value in node.items()) + " }"
    if isinstance(node, list):
        return "[" + ", ".join(toml(value) for value in node) + "]"
    return json.dumps(node) if isinstance(node, str | bool | int) else repr(node)


def document_text(document) -> str:
    return "\n".join(f"{key} = {toml(value)}" for key, value in document.items())


def places(node, path=()):
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield (*path, key)
        yield from places(value, (*path, key))


def put(document, path, value):
    document = copy.deepcopy(document)
    node = document
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    return document


def without(document, path):
    document = copy.deepcopy(document)
    node = document
    for key in path[:-1]:
        node = node[key]
    del node[path[-1]]
    return document


EVERY_PLACE = [(name, path) for name, document in DOCUMENTS.items() for path in places(document)]
PLAIN = st.one_of(
    st.booleans(),
    st.integers(-(10**6), 10**6),
    st.just(10**400),
    st.floats(),
    st.sampled_from(
        [
            "",
            "x",
            "5 %",
            "±5 %",
            "1 V",
            "-1 V",
            "nan V",
            "0 s",
            "25 degC",
            "+1/-1 V",
            "1e300 F",
            "lot",
            "once",
        ]
    ),
)
JUNK = st.one_of(
    PLAIN,
    st.lists(PLAIN, max_size=3),
    st.lists(st.lists(PLAIN, max_size=2), max_size=3),
    st.dictionaries(
        st.sampled_from(["nominal", "tolerance", "sigma", "shape", "kind", "law", "change", "points", "x"]),
        PLAIN,
        max_size=3,
    ),
)


def outcome(document, name) -> str:
    """``design`` or ``errors``; anything else propagates."""
    text = document_text(document)
    try:
        design_from_toml(text, "f.toml", CONFIGS)
    except InputError as error:
        for problem in error.problems:
            if not (problem.file == "f.toml" and problem.reason and problem.remedy and "\n" not in str(problem)):
                return f"{name}: a problem that says too little: {problem!r}"
        return "errors"
    return "design"


@settings(max_examples=400)
@given(st.sampled_from(EVERY_PLACE), JUNK)
def test_junk_at_any_place(place, junk):
    name, path = place
    assert outcome(put(DOCUMENTS[name], path, junk), name) in ("design", "errors")


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
def test_any_key_may_be_missing(name):
    document = DOCUMENTS[name]
    outcomes = [outcome(without(document, path), name) for path in places(document)]
    assert set(outcomes) == {"design", "errors"}


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
def test_the_way_a_table_is_written_makes_no_difference(name):
    inline = design_from_toml(document_text(DOCUMENTS[name]), None, CONFIGS)
    shipped = design_from_toml((CONFIGS / f"{name}.toml").read_text(encoding="utf-8"), None, CONFIGS)
    assert (inline.hash, inline.conditions_hash) == (shipped.hash, shipped.conditions_hash)


@settings(max_examples=100)
@given(st.text(max_size=200))
def test_any_text(text):
    with pytest.raises(InputError):
        design_from_toml(text)

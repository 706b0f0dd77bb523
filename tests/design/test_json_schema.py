"""The JSON Schema that editors use describes the same file that the reader accepts."""

import copy
import json
import re
import tomllib
from pathlib import Path

import pytest

from yieldsim.design.reading import json_schema, starter

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
SCHEMA = json_schema()
TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "number": (int, float),
    "integer": int,
    "boolean": bool,
}


def valid(node, schema) -> bool:
    """The part of JSON Schema 2020-12 that the file's schema uses."""
    if "$ref" in schema:
        return valid(node, SCHEMA["$defs"][schema["$ref"].rpartition("/")[2]])
    if "anyOf" in schema and not any(valid(node, option) for option in schema["anyOf"]):
        return False
    if "oneOf" in schema and sum(valid(node, option) for option in schema["oneOf"]) != 1:
        return False
    if isinstance(node, dict) and not set(schema.get("required", ())) <= set(node):
        return False
    if "const" in schema and node != schema["const"]:
        return False
    if "enum" in schema and node not in schema["enum"]:
        return False
    kinds = schema.get("type", [])
    kinds = [kinds] if isinstance(kinds, str) else kinds
    if kinds and not any(isinstance(node, TYPES[kind]) for kind in kinds):
        return False
    if isinstance(node, list) and "items" in schema:
        return all(valid(item, schema["items"]) for item in node)
    if isinstance(node, dict) and "properties" in schema:
        known = schema["properties"]
        if not set(node) <= set(known):
            return False
        return all(valid(value, known[key]) for key, value in node.items())
    return True


def documents():
    texts = {path.stem: path.read_text(encoding="utf-8") for path in CONFIGS} | {"starter": starter()}
    return [pytest.param(tomllib.loads(text), id=name) for name, text in texts.items()]


@pytest.mark.parametrize("document", documents())
def test_shipped_configurations_are_valid(document):
    assert valid(document, SCHEMA)


def removed(document, *keys):
    document = copy.deepcopy(document)
    node = document
    for key in keys[:-1]:
        node = node[key]
    del node[keys[-1]]
    return document


def test_wrong_ones_are_not():
    document = tomllib.loads(starter())
    assert not valid(document | {"harvestor": {}}, SCHEMA)
    assert not valid(removed(document, "storage", "capacitance"), SCHEMA)
    assert not valid(removed(document, "radio"), SCHEMA)
    bank = {"capacitor": [{"name": "ceramic", "capacitance": "10 uF"}]}
    assert valid(document | {"storage": bank}, SCHEMA)
    assert not valid(document | {"storage": document["storage"] | bank}, SCHEMA)
    assert not valid(document | {"harvester": document["harvester"] | {"strokes": [{"linkage": 1}]}}, SCHEMA)
    assert not valid(document | {"rectifier": document["rectifier"] | {"kind": "half bridge"}}, SCHEMA)
    assert not valid(document | {"regulator": document["regulator"] | {"efficiency": "88 %"}}, SCHEMA)
    assert not valid(document | {"storage": document["storage"] | {"esr": 0.04}}, SCHEMA)
    assert not valid(document | {"link": {"attempts": "2"}}, SCHEMA)


def test_every_table_refuses_unknown_keys_and_says_what_it_is():
    assert SCHEMA["additionalProperties"] is False
    for name, table in SCHEMA["$defs"].items():
        assert table["additionalProperties"] is False, name
        assert table["description"], name


def test_it_is_plain_json_without_null():
    text = json.dumps(SCHEMA, allow_nan=False)
    assert "null" not in re.sub(r'"[^"]*"', "", text)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_keys_are_described_and_shown_by_example():
    emf = SCHEMA["$defs"]["ElectromagneticTable"]["properties"]["peak_emf"]
    assert emf["examples"] == ["16 V"]
    assert emf["anyOf"][0]["description"] == "open-circuit peak of the emf at speed 1"
    derating = SCHEMA["$defs"]["DeratingTable"]["properties"]
    assert set(derating) == {"of", "at_most", "in"}

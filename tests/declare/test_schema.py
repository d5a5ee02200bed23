"""The published JSON Schema: described throughout, and of one mind with the model."""

# ruff: noqa: E501 - tables read better in rows

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from verifier.declare.schema import suite_schema, suite_schema_text
from verifier.declare.suite import Suite
from verifier.errors import Problem
from verifier.shipped import shipped_suites

VALIDATOR = Draft202012Validator(suite_schema())


def test_schema_is_a_valid_schema_with_its_dialect() -> None:
    schema = json.loads(suite_schema_text())
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["additionalProperties"] is False


def _properties(node: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    for name, definition in [("Suite", node), *node["$defs"].items()]:
        for key, value in definition.get("properties", {}).items():
            yield f"{name}.{key}", value


def test_every_key_is_described_and_no_null_is_offered() -> None:
    schema = suite_schema()
    found = dict(_properties(schema))
    assert len(found) > 60
    for name, value in found.items():
        # Where key and table would say the same, it stands at the table only.
        table = schema["$defs"].get(value.get("$ref", "").rpartition("/")[2], {})
        assert len(value.get("description", table.get("description", ""))) > 5, name
    assert '"null"' not in suite_schema_text()
    assert "null" not in json.dumps([value.get("default") for value in found.values() if "default" in value])


def test_keys_are_those_of_the_file() -> None:
    found = dict(_properties(suite_schema()))
    assert {"Suite.schema", "Limit.is"} <= set(found)
    assert not {"Suite.schema_version", "Limit.is_"} & set(found)


@pytest.mark.parametrize("name", sorted(shipped_suites()))
def test_shipped_suites_are_valid(name: str) -> None:
    data = tomllib.loads(shipped_suites()[name].read_text("utf-8"))
    assert [error.message for error in VALIDATOR.iter_errors(data)] == []


def test_good_suite_is_valid(good: str) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(tomllib.loads(good))] == []


SHAPES = [
    ("schema = 1", "schema = 2"),
    ("revision = 4", 'revision = "4"'),
    ("revision = 4", "revision = 0"),
    ("revision = 4", "colour = 4"),
    ('title = "Quayside counter terminal, close of repair"\n', ""),
    ('title = "Rear cover"', 'title = " "'),
    ('model = "marrowby-quayside"', 'model = "Quayside"'),
    ('state = "approved"', 'state = "done"'),
    ("max_false_accept = 0.025", "max_false_accept = 0.5"),
    ("[joints.antenna-right]", '[joints."antenna right"]'),
    ('timeout = "40 s"', "timeout = 40"),
    ('timeout = "40 s"', 'timeout = "0 s"'),
    ('timeout = "40 s"', 'timeout = "4 weeks"'),
    ("at_most = 8, ", ""),
    ("at_most = 8", "at_most = 8, equals = 3"),
    ("at_most = 8", 'at_most = "8"'),
    ("tolerance = 1", "tolerance = 0"),
    ("nominal = 5, ", ""),
    (", tolerance = 1", ""),
    ("is = true", "is_ = true"),
    ("equals = 2", "equals = [2]"),
    ("half_width = 1", "half_width = 1, u = 1"),
    ("half_width = 1, ", ""),
    ("half_width = 1", "half_width = 1, dof = 3"),
    ("times = 3", "times = 1"),
    ('prompt = "confirm"\n', ""),
    ('prompt = "confirm"', 'prompt = "confirm"\nprobe = "x"'),
    ('prompt = "confirm"', 'prompt = "confirm"\nsettings = { a = 1 }'),
    ('prompt = "confirm"', 'prompt = "confirm"\noptions = ["a", "b"]'),
    ('prompt = "confirm"', 'prompt = "confirm"\nrange = [1, 2]'),
    ('prompt = "confirm"', 'prompt = "confirm"\nunit = "V"'),
    ('prompt = "confirm"', 'prompt = "confirm"\nduration = "5 s"'),
    ('prompt = "confirm"', 'prompt = "note"'),
    ('prompt = "confirm"', 'prompt = "timed"'),
    ('say = "Is the seal whole?"\n', ""),
    ('options = ["whole", "nicked", "flattened"]\n', ""),
    ('unit = "A"\n', ""),
    ("range = [0, 3]", "range = [0]"),
    ('settings = { port = "ttyS0" }', 'say = "Look!"'),
    ('settings = { port = "ttyS0" }', "second_person = true"),
    ('settings = { port = "ttyS0" }', 'picture = "a.svg"'),
    ('covers = ["antenna-left", "antenna-right"]', 'covers = "antenna-left"'),
    ("firmware = { probe", "firmware = true\n[serial.firm]\nx = { probe"),
]
FINE = [
    ("firmware = { probe = \"bench.meter\", reading = \"model\", settings = { port = \"ttyS9\" } }", "firmware = false"),
    ('prompt = "confirm"', 'prompt = "text"'),
    ('timeout = "40 s"', 'timeout = "0.5min"'),
    ("second_person = true", "required = false"),
    ("equals = 2", "one_of = [2, 3]"),
    ("at_least = -62", "at_most = -62"),
    (', source = "parts list"', ""),
]  # fmt: skip


def _model_takes(data: dict[str, Any]) -> bool:
    try:
        Suite.model_validate_json(json.dumps(data), strict=True, by_alias=True, by_name=False)
    except ValidationError:
        return False
    return True


@pytest.mark.parametrize(("old", "new"), SHAPES + FINE)
def test_schema_and_model_agree(lint: Callable[[str], list[Problem]], good: str, old: str, new: str) -> None:
    assert old in good
    data = tomllib.loads(good.replace(old, new, 1))
    fine = (old, new) in FINE
    assert VALIDATOR.is_valid(data) is fine
    assert _model_takes(data) is fine
    if not fine:
        assert any(p.severity == "error" for p in lint(good.replace(old, new, 1)))

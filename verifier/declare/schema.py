"""The published JSON Schema of the suite file (draft 2020-12), made from the model."""

from __future__ import annotations

import json
from typing import Any

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def suite_schema() -> dict[str, Any]:
    """The schema as data. What needs the catalogue of probes or more than one table is left to lint."""
    from verifier.declare.suite import Suite

    schema = Suite.model_json_schema(by_alias=True, mode="validation")
    schema = _as_toml(schema)
    definitions = schema["$defs"]
    definitions["Limit"] |= _LIMIT_FORMS
    definitions["Statement"]["oneOf"] = [{"required": ["u"]}, {"required": ["half_width"]}]
    definitions["Statement"]["dependentSchemas"] = {"half_width": {"not": {"required": ["dof"]}}}
    definitions["Check"] |= _check_rules()
    firmware = definitions["Serial"]["properties"]["firmware"]
    description = firmware.pop("description")
    definitions["Serial"]["properties"]["firmware"] = {
        "anyOf": [{"$ref": "#/$defs/FirmwareSerial"}, {"const": False}],
        "description": description,
    }
    return {
        "$schema": DIALECT,
        "title": "Suite of verifier, schema version 1",
        **{key: value for key, value in schema.items() if key != "title"},
    }


def suite_schema_text() -> str:
    """The schema as JSON text."""
    return json.dumps(suite_schema(), indent=2, ensure_ascii=False) + "\n"


_LIMIT_FORMS: dict[str, Any] = {
    "oneOf": [
        {"anyOf": [{"required": ["at_least"]}, {"required": ["at_most"]}]},
        {"anyOf": [{"required": ["nominal"]}, {"required": ["tolerance"]}]},
        {"required": ["equals"]},
        {"required": ["one_of"]},
        {"required": ["matches"]},
        {"required": ["is"]},
    ],
    "dependentRequired": {"nominal": ["tolerance"], "tolerance": ["nominal"]},
}


def _check_rules() -> dict[str, Any]:
    def only_for(key: str, *kinds: str) -> dict[str, Any]:
        return {"if": {"required": [key]}, "then": {"properties": {"prompt": {"enum": list(kinds)}}}}

    def needs(kind: str, key: str) -> dict[str, Any]:
        is_kind = {"properties": {"prompt": {"const": kind}}, "required": ["prompt"]}
        return {"if": is_kind, "then": {"required": [key]}}

    return {
        "oneOf": [
            {
                "required": ["probe"],
                "properties": {
                    "second_person": {"const": False},
                    "options": {"maxItems": 0},
                    "unit": {"maxLength": 0},
                },
                "not": {
                    "anyOf": [{"required": [key]} for key in ("prompt", "say", "picture", "range", "duration")]
                },
            },
            {
                "required": ["prompt", "say"],
                "properties": {"settings": {"maxProperties": 0}},
                "not": {"required": ["probe"]},
                "allOf": [
                    _filled("choice", "options", {"minItems": 1}),
                    _filled("number", "unit", {"minLength": 1}),
                    needs("timed", "duration"),
                    only_for("duration", "timed"),
                    only_for("range", "number", "count"),
                    _empty_unless("options", {"maxItems": 0}, "choice"),
                    _empty_unless("unit", {"maxLength": 0}, "number"),
                    {
                        "if": {"properties": {"prompt": {"const": "note"}}},
                        "then": {"properties": {"limits": {"maxItems": 0}}},
                    },
                ],
            },
        ]
    }


def _filled(kind: str, key: str, how: dict[str, Any]) -> dict[str, Any]:
    return {
        "if": {"properties": {"prompt": {"const": kind}}},
        "then": {"required": [key], "properties": {key: how}},
    }


def _empty_unless(key: str, how: dict[str, Any], kind: str) -> dict[str, Any]:
    return {"if": {"properties": {"prompt": {"not": {"const": kind}}}}, "then": {"properties": {key: how}}}


def _as_toml(node: Any) -> Any:
    """TOML has no null, an optional key is left out instead; and names have the form that the model asks for."""
    if isinstance(node, list):
        return [_as_toml(item) for item in node]
    if not isinstance(node, dict):
        return node
    made = {key: _as_toml(value) for key, value in node.items() if not (key == "default" and value is None)}
    if isinstance(made.get("default"), dict):
        made["default"] = {key: value for key, value in made["default"].items() if value is not None}
    if "patternProperties" in made:
        # pydantic leaves open what names of another form may hold; the model refuses them.
        made.setdefault("additionalProperties", False)
    if "anyOf" in made:
        branches = [branch for branch in made["anyOf"] if branch != {"type": "null"}]
        if len(branches) == 1 and len(branches) < len(made["anyOf"]):
            del made["anyOf"]
            return {**branches[0], **made}
        made["anyOf"] = branches
    return made

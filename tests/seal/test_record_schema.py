import json

import jsonschema
import pytest

from verifier.seal.schema import record_schema, schema_files, sealed_schema


def check(value, schema):
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(value, schema, jsonschema.Draft202012Validator)


def test_the_published_schemas_are_those_of_the_models():
    for path, text in schema_files().items():
        assert path.read_text("utf-8") == text, f"{path.name} is stale; run: python -m verifier.seal"


def test_a_real_sealed_record_and_the_record_in_it_keep_to_the_published_schemas(bench):
    assert bench.runs
    for run in bench.runs:
        check(json.loads(run.sealed.raw), sealed_schema())
        check(json.loads(run.sealed.payload), record_schema())


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 2},
        {"role": "approver"},
        {"extra": 1},
        {"unit": None},
        {"times": {"began": "yesterday", "ended": "2026-11-25T10:15:00Z", "took_s": None, "clock": {}}},
    ],
)
def test_a_record_of_another_shape_does_not_keep_to_it(bench, change):
    with pytest.raises(jsonschema.ValidationError):
        check(json.loads(bench.runs[0].sealed.payload) | change, record_schema())


def test_fields_of_readings_and_findings_are_described_with_their_units():
    definitions = record_schema()["$defs"]
    for name in ("Reading", "Contribution", "Series"):
        undescribed = [k for k, v in definitions[name]["properties"].items() if "description" not in v]
        assert not undescribed, f"{name}: {undescribed}"
    assert definitions["Contribution"]["properties"]["u"]["description"].endswith("in the unit of the reading.")

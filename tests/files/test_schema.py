"""The JSON Schema of a file kind serves an editor."""

import json

import jsonschema
import pytest

from hilkit.files import loads, schema
from hilkit.quantities import kinds
from tests.files.models import GOOD, Bench


def test_the_schema_is_a_valid_one_of_draft_2020_12_and_plain_json():
    found = schema(Bench)
    assert found["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(found)
    assert json.loads(json.dumps(found)) == found


def test_a_good_file_passes_and_defaults_stand_as_in_a_file():
    found = schema(Bench)
    jsonschema.Draft202012Validator(found).validate(loads(GOOD, "b.yaml").data)
    assert found["properties"]["rating"]["default"] == "30 dBm"
    for key, one in found["properties"].items():
        if "default" in one and one["default"] is not None:
            jsonschema.Draft202012Validator({**found, "required": []}).validate({key: one["default"]})


@pytest.mark.parametrize(
    "line",
    ["rating: 20 GHz", "colour: green", "zzz: 1", "path: [{kind: pad}]", "instruments: {a: {driver: x}}"],
)
def test_an_editor_finds_the_mistakes_of_a_line(line):
    validator = jsonschema.Draft202012Validator(schema(Bench))
    assert not validator.is_valid(loads(f"bench: x\n{line}\n", "b.yaml").data)


def test_field_docstrings_and_units_become_descriptions():
    found = schema(Bench)
    assert found["$defs"]["Instrument"]["properties"]["driver"]["description"] == "Name of the driver file."
    assert "dBm" in found["properties"]["rating"]["description"]
    assert found["properties"]["rating"]["examples"] == ["-20 dBm"]


def test_the_pattern_of_every_kind_takes_its_example():
    for kind in kinds():
        jsonschema.validate(kind.example, {"type": "string", "pattern": kind.pattern()})

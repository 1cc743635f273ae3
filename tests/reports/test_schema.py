"""The JSON Schema of reports: the demo's data keep to it, and it tells of every key."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest
from jsonschema import Draft202012Validator

from trialog.reports.kinds import KINDS, render
from trialog.reports.schema import schema_of, schemas


def errors(schema, data):
    return [f"{list(error.path)}: {error.message}"
            for error in Draft202012Validator(schema).iter_errors(data)]  # fmt: skip


@pytest.mark.parametrize("name", list(KINDS))
def test_the_demos_data_keep_to_the_schema_of_their_kind(demo_reports, name):
    schema = schema_of(KINDS[name])
    Draft202012Validator.check_schema(schema)
    data = json.loads(render(demo_reports(name)[1], "json").content)
    assert errors(schema, data) == []
    assert set(schema["properties"]) == set(data)


@pytest.mark.parametrize("name", list(KINDS))
def test_a_key_too_many_or_too_few_and_a_value_of_another_type_are_found(demo_reports, name):
    schema = schema_of(KINDS[name])
    data = json.loads(render(demo_reports(name)[1], "json").content)
    assert errors(schema, data | {"more": 1}) != []
    assert errors(schema, data | {"sentence": 1}) != []
    assert errors(schema, {key: data[key] for key in data if key != "sentence"}) != []


def test_what_lies_within_is_held_to_its_type_too(demo_reports):
    schema = schema_of(KINDS["trial"])
    data = json.loads(render(demo_reports("trial")[1], "json").content)
    for path, value in (
        (("verdict", "cycles"), 1.5),
        (("verdict", "verdict"), "PERHAPS"),
        (("verdict", "plan", "kind"), "guess"),
        (("rates", 0, "upper"), None),
        (("rates", 0, "level"), "shop"),
        (("shifts", 0, "opened_at"), 5),
    ):
        changed = json.loads(json.dumps(data))
        place = changed
        for key in path[:-1]:
            place = place[key]
        assert place[path[-1]] != value
        place[path[-1]] = value
        assert errors(schema, changed) != [], path


def test_every_object_is_closed_and_says_what_it_is():
    for schema in schemas().values():
        assert schema["$schema"].endswith("2020-12/schema")
        for part in (schema, *schema["$defs"].values()):
            assert part["additionalProperties"] is False
            assert part["required"] == list(part["properties"])
            assert part["description"]


def test_a_type_that_json_lacks_is_refused():
    @dataclass(frozen=True)
    class Odd:
        """An odd one."""

        value: complex

    with pytest.raises(TypeError, match="no schema for <class 'complex'>"):
        schema_of(KINDS["shift"].__class__(**vars(KINDS["shift"]) | {"report": Odd}))

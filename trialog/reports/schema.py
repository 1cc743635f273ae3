"""The JSON Schema of reports' data, made from the dataclasses that the data are made from.

JSON Schema 2020-12. Every key is required and no other is allowed, so whoever checks data against
it knows all that there is.
"""

from __future__ import annotations

import types
from dataclasses import fields, is_dataclass
from datetime import datetime
from enum import Enum
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from trialog.evidence import Verdict
from trialog.records.words import PlanKind
from trialog.reliability import Decision
from trialog.reports.kinds import KINDS, Kind
from trialog.reports.sign_offs import SignOffStanding

DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
WHOLE: Schema = {"type": "integer"}
NUMBER: Schema = {"type": "number"}
YES_NO: Schema = {"type": "boolean"}

PLAIN: dict[Any, Schema] = {
    str: TEXT,
    int: WHOLE,
    float: NUMBER,
    bool: YES_NO,
    type(None): {"type": "null"},
    datetime: {"type": "string", "format": "date-time"},
}
"""Types that JSON has, and times, which are text in it."""


def schema_of(kind: Kind) -> Schema:
    """Return the schema of a kind of report."""
    known: dict[str, Schema] = {}
    whole = _of_dataclass(kind.report, known)
    return {
        "$schema": DIALECT,
        "title": f"trialog report: {kind.name}",
        **whole,
        "$defs": dict(sorted(known.items())),
    }


def schemas() -> dict[str, Schema]:
    """Return the schema of every kind of report, by its name."""
    return {name: schema_of(kind) for name, kind in KINDS.items()}


def verdict_schema() -> Schema:
    """Return the schema of what `verdict_now` says of a trial."""
    known: dict[str, Schema] = {}
    also = {
        "sentence": TEXT,
        "fixed": TEXT,
        "changed_after": _list_of(TEXT),
        "sign_off": _of(SignOffStanding, known),
        "cautions": _list_of(TEXT),
    }
    whole = _object({**VERDICT["properties"], **also})
    return {"title": "trialog verdict", **whole, "$defs": dict(sorted(known.items()))}


def _of(annotation: Any, known: dict[str, Schema]) -> Schema:
    """Return the schema of a type, in the form that `plain` gives its values.

    Objects with a class of their own are put among the `known` ones and pointed at.
    """
    if annotation in PLAIN:
        return PLAIN[annotation]
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin in (Union, types.UnionType):
        return _one_of([_of(each, known) for each in arguments])
    if origin is tuple:
        return {"type": "array", "items": _of(arguments[0], known)}
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return {"enum": [str(each) for each in annotation]}
    if is_dataclass(annotation):
        return _pointed_at(annotation, known)
    raise TypeError(f"no schema for {annotation!r}")


def _pointed_at(annotation: Any, known: dict[str, Schema]) -> Schema:
    name = annotation.__name__
    if name not in known:
        known[name] = {}  # so that one which holds itself is not begun again
        known[name] = VERDICT if annotation is Verdict else _of_dataclass(annotation, known)
    return {"$ref": f"#/$defs/{name}"}


def _of_dataclass(annotation: Any, known: dict[str, Schema]) -> Schema:
    hints = get_type_hints(annotation)
    kept = [field.name for field in fields(annotation) if not field.metadata.get("omit")]
    described = {"description": (annotation.__doc__ or "").split("\n\n")[0]}
    return described | _object({name: _of(hints[name], known) for name in kept})


def _object(properties: dict[str, Schema]) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _one_of(choices: list[Schema]) -> Schema:
    """Return a choice between schemas, as a list of types where that says it."""
    if all(set(choice) == {"type"} for choice in choices):
        return {"type": [choice["type"] for choice in choices]}
    return {"anyOf": choices}


def _list_of(item: Schema) -> Schema:
    return {"type": "array", "items": item}


_OR_NONE: Schema = {"type": ["number", "null"]}

VERDICT: Schema = {"description": "How a trial stands."} | _object(
    {
        "trial": TEXT,
        "subject": TEXT,
        "verdict": {"enum": list(get_args(Decision))},
        "cycles": WHOLE,
        "failures": WHOLE,
        "no_tests": WHOLE,
        "parked_lines": WHOLE,
        "confidence": NUMBER,
        "estimate": _OR_NONE,
        "upper": NUMBER,
        "bound_method": TEXT,
        "exact_upper": NUMBER,
        "limit": NUMBER,
        "chance": NUMBER,
        "share": NUMBER,
        "required_stretch_seconds": NUMBER,
        "proven_stretch_seconds": _OR_NONE,
        "clean_cycles_to_go": {"type": ["integer", "null"]},
        "shifts_to_go": {"type": ["integer", "null"]},
        "plan": _object(
            {
                "kind": {"enum": [str(kind) for kind in PlanKind]},
                "first_go_cycles": WHOLE,
                "cycles_per_failure": NUMBER,
                "max_cycles": WHOLE,
                "max_failures": WHOLE,
                "in_words": TEXT,
            }
        ),
        "reasons": _list_of(
            _object(
                {
                    "key": TEXT,
                    "name": TEXT,
                    "met": YES_NO,
                    "detail": TEXT,
                    "explanation": TEXT,
                    "would_change": _list_of(TEXT),
                }
            )
        ),
    }
)
"""`evidence.verdict_as_dict` gathers a verdict from several objects; no one class has its keys."""

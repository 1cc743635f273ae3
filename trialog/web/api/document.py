"""The OpenAPI 3.1 document, assembled from the operations themselves."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from typing import Any, cast

from apispec import APISpec
from flask import Flask
from pydantic import BaseModel
from pydantic.json_schema import models_json_schema
from werkzeug.routing import Rule

from trialog import __version__
from trialog.reports.kinds import KINDS
from trialog.reports.schema import DIALECT, schema_of, verdict_schema
from trialog.web.api.batches import NewLine
from trialog.web.api.operations import Operation, operation_of
from trialog.web.problems import EXPLAINED, MEDIA_TYPE, ROOT
from trialog.web.problems import KINDS as PROBLEMS

OPENAPI = "3.1.0"
EXTENSION = "trialog_openapi"
SCHEMAS = "#/components/schemas/"

ABOUT = f"""
Records and reports of trialog for other programs, and lines from them. The help page
[{EXPLAINED}]({EXPLAINED}) tells how to let a program in, with examples.

Every request carries a token. Every error is a problem document (RFC 9457). Lists come in pages:
ask again with `next` as `cursor`. Answers carry an entity tag: send it back as If-None-Match, and
the answer is 304 while nothing has changed. Bodies are JSON, or a file, and must not be compressed.
Times carry their zone; rates are per cycle, chances and confidences fractions from 0 to 1.
""".strip()

TAGS = {
    "Clients": "Who I am.",
    "Cells": "Machines, their devices and failure modes, and what ready means.",
    "People": "Whom lines may name.",
    "Shifts": "Stretches of logging.",
    "Logbook": "The append-only record behind all of this.",
    "Machine counter": "What the machine counts by itself.",
    "Trials": "What is under trial, and how it stands.",
    "Reports": "The same reports as pages and commands have.",
}

ALWAYS = (401, 403, 429, 500, 503)
"""What every operation may end in."""

WITH_BODY = (400, 413, 415, 422)


class Problem(BaseModel):
    """Why a request was refused (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[ProblemValue] | None = None


class ProblemValue(BaseModel):
    """A value that breaks a rule."""

    field: str
    rule: str | None
    value: str | None


def openapi(app: Flask) -> dict[str, Any]:
    """Return the document of an app."""
    if EXTENSION not in app.extensions:
        app.extensions[EXTENSION] = _assemble(app)
    return cast(dict[str, Any], app.extensions[EXTENSION])


def operations(app: Flask) -> Iterator[tuple[Rule, str, Operation]]:
    """Go through the routes of the API, each with its method and what it says of itself."""
    for rule in app.url_map.iter_rules():
        about = operation_of(app.view_functions[rule.endpoint])
        if about is not None:
            (method,) = (rule.methods or set()) - {"HEAD", "OPTIONS"}
            yield rule, method, about


def _assemble(app: Flask) -> dict[str, Any]:
    found = list(operations(app))
    spec = APISpec(
        title="trialog",
        version="1",
        openapi_version=OPENAPI,
        info={"summary": "Is a machine cell ready for a robot?", "description": ABOUT},
        servers=[{"url": ROOT}],
        jsonSchemaDialect=DIALECT,
        externalDocs={"url": EXPLAINED, "description": f"The API of trialog {__version__}"},
    )
    for name, words in TAGS.items():
        spec.tag({"name": name, "description": words})
    spec.components.security_scheme(
        "token",
        {"type": "http", "scheme": "bearer", "description": "A client's token, by its scopes."},
    )
    for name, schema in sorted(_schemas(about for _, _, about in found).items()):
        spec.components.schema(name, schema)
    for status, title in PROBLEMS.items():
        spec.components.response(str(status), _problem_response(title))
    for rule, method, about in found:
        view = app.view_functions[rule.endpoint]
        told = _operation(rule, method, about, view.__name__, inspect.getdoc(view) or "")
        path = re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule.rule).removeprefix(ROOT)
        spec.path(path=path, operations={method.lower(): told})
    return spec.to_dict()


def _problem_response(title: str) -> dict[str, Any]:
    content = {MEDIA_TYPE: {"schema": {"$ref": f"{SCHEMAS}Problem"}}}
    return {"description": title, "content": content}


def _schemas(found: Iterator[Operation]) -> dict[str, dict[str, Any]]:
    """Return every schema that operations point at."""
    models: set[tuple[type[BaseModel], Any]] = {(Problem, "serialization"), (NewLine, "validation")}
    for about in found:
        if isinstance(about.gives, type):
            models.add((about.gives, "serialization"))
        if isinstance(about.takes, type):
            models.add((about.takes, "validation"))
    ordered = sorted(models, key=lambda one: one[0].__name__)
    _, made = models_json_schema(ordered, ref_template=f"{SCHEMAS}{{model}}")
    schemas = dict(made["$defs"])
    of_reports = {kind.report.__name__: schema_of(kind) for kind in KINDS.values()}
    for name, schema in (of_reports | {"TrialVerdict": verdict_schema()}).items():
        whole = _repointed(schema)
        for part, inner in whole.pop("$defs", {}).items():
            _add(schemas, part, inner)
        whole.pop("$schema", None)
        _add(schemas, name, whole)
    return schemas


def _add(schemas: dict[str, Any], name: str, schema: dict[str, Any]) -> None:
    if schemas.setdefault(name, schema) != schema:
        raise RuntimeError(f"two schemas are called {name!r}")


def _repointed(schema: Any) -> Any:
    """Let a schema that stands alone point at the document's schemas."""
    if isinstance(schema, dict):
        return {
            key: value.replace("#/$defs/", SCHEMAS)
            if key == "$ref" and isinstance(value, str)
            else _repointed(value)
            for key, value in schema.items()
        }
    return [_repointed(one) for one in schema] if isinstance(schema, list) else schema


def _operation(rule: Rule, method: str, about: Operation, name: str, doc: str) -> dict[str, Any]:
    summary, _, rest = doc.partition("\n")
    told: dict[str, Any] = {
        "operationId": name,
        "tags": [about.tag],
        "summary": summary.rstrip("."),
        "security": [{"token": [about.scope.value]}],
        "parameters": [*_in_path(rule), *_in_query(about), *_headers(method, about)],
        "responses": _responses(method, about),
    }
    if rest.strip():
        told["description"] = rest.strip()
    if about.takes is not None:
        told["requestBody"] = {
            "required": True,
            "description": f"At most {about.largest_body // 1024:,} kB, not compressed.",
            "content": _taken(about.takes),
        }
    return told


def _taken(takes: type[BaseModel] | str) -> dict[str, Any]:
    if isinstance(takes, str):
        return {takes: {"schema": {"type": "string"}}}
    return {"application/json": {"schema": {"$ref": f"{SCHEMAS}{takes.__name__}"}}}


def _in_path(rule: Rule) -> list[dict[str, Any]]:
    schema = {"type": "integer", "minimum": 0}
    return [
        {"name": name, "in": "path", "required": True, "schema": schema}
        for name in sorted(rule.arguments)
    ]


def _in_query(about: Operation) -> list[dict[str, Any]]:
    if about.query is None:
        return []
    whole = about.query.model_json_schema(ref_template=f"{SCHEMAS}{{model}}")
    named = whole.get("$defs", {})
    found = []
    for name, given in whole["properties"].items():
        words = given.pop("description")
        found.append(
            {"name": name, "in": "query", "description": words, "schema": _plain(given, named)}
        )
    return found


def _plain(schema: dict[str, Any], named: dict[str, Any]) -> dict[str, Any]:
    """Return a parameter's schema without what only bodies know: null, and other schemas."""
    made = {key: value for key, value in schema.items() if key not in ("title", "anyOf", "$ref")}
    for choice in (*schema.get("anyOf", ()), schema):
        if "$ref" in choice:
            made["enum"] = named[choice["$ref"].removeprefix(SCHEMAS)]["enum"]
        elif choice is not schema and choice != {"type": "null"}:
            made |= choice
    if made.get("default", 0) is None:
        del made["default"]
    return made


def _headers(method: str, about: Operation) -> list[dict[str, Any]]:
    if method == "GET":
        words = "An entity tag that an answer had: 304 while it still holds."
        return [_header("If-None-Match", words)]
    if 412 in about.problems:
        return [_header("If-Match", "The logbook's entity tag: 412 if somebody wrote meanwhile.")]
    return []


def _header(name: str, words: str) -> dict[str, Any]:
    return {"name": name, "in": "header", "description": words, "schema": {"type": "string"}}


def _responses(method: str, about: Operation) -> dict[str, Any]:
    content: dict[str, Any] = {kind: {} for kind in about.also}
    if about.gives is not None:
        name = about.gives if isinstance(about.gives, str) else about.gives.__name__
        content = {"application/json": {"schema": {"$ref": f"{SCHEMAS}{name}"}}, **content}
    good: dict[str, Any] = {"description": "Done.", "content": content}
    told: dict[str, Any] = {"200": good}
    if method == "GET":
        tag = {"description": "Changes with the answer.", "schema": {"type": "string"}}
        good["headers"] = {"ETag": tag}
        told["304"] = {"description": "What the entity tag stands for still holds."}
    statuses = {*ALWAYS, *about.problems}
    statuses |= {*WITH_BODY} if about.takes is not None else set()
    statuses |= {422} if about.query is not None else set()
    return told | {str(s): {"$ref": f"#/components/responses/{s}"} for s in sorted(statuses)}

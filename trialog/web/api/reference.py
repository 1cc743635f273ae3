"""The OpenAPI document itself, and the page that shows it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from flask import Response, current_app, render_template
from markupsafe import Markup, escape

from trialog.web.api import bp
from trialog.web.api.answers import Plain, answer
from trialog.web.security import public

_CODE = re.compile(r"`([^`]+)`")

METHODS = ("get", "put", "post", "delete", "patch")


@dataclass(frozen=True)
class Row:
    """A parameter, a field or a status, with what is said of it."""

    name: str
    kind: str
    required: bool
    words: str


@dataclass(frozen=True)
class Shown:
    """An operation as the page shows it."""

    id: str
    method: str
    path: str
    summary: str
    paragraphs: list[str]
    scope: str
    tag: str
    parameters: list[Row]
    body: str | None
    body_words: str
    answers: list[str]
    files: list[str]
    problems: list[tuple[str, str]]


@bp.get("/openapi.json")
@public
def openapi_json() -> Response:
    """Serve the document."""
    from trialog.web.api.document import openapi  # noqa: PLC0415 - it needs every view first

    return answer(Plain(openapi(current_app)))


@bp.get("/")
@public
def reference() -> str:
    """Show the document as a page."""
    from trialog.web.api.document import openapi  # noqa: PLC0415 - it needs every view first

    told = openapi(current_app)
    root = told["servers"][0]["url"]
    shown = [_shown(told, root, *one) for one in _operations(told)]
    groups = [(tag, [one for one in shown if one.tag == tag["name"]]) for tag in told["tags"]]
    return render_template(
        "api/reference.html",
        groups=[group for group in groups if group[1]],
        schemas=[(name, schema, _fields(schema)) for name, schema in _schemas(told)],
        version=told["openapi"],
    )


def _operations(told: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in told["paths"].items():
        for method in METHODS:
            if method in item:
                yield path, method, item[method]


def _schemas(told: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return sorted(told["components"]["schemas"].items())


def _shown(told: dict[str, Any], root: str, path: str, method: str, about: dict[str, Any]) -> Shown:
    body = about.get("requestBody")
    content = about["responses"]["200"]["content"]
    responses = told["components"]["responses"]
    return Shown(
        id=about["operationId"],
        method=method.upper(),
        path=root + path,
        summary=about["summary"],
        paragraphs=about.get("description", "").split("\n\n"),
        scope=", ".join(about["security"][0]["token"]),
        tag=about["tags"][0],
        parameters=[
            Row(
                one["name"],
                f"{one['in']}: {type_words(one['schema'])}",
                one.get("required", False),
                one.get("description", ""),
            )
            for one in about["parameters"]
        ],
        body=None if body is None else _body_name(body["content"]),
        body_words="" if body is None else body["description"],
        answers=[_name(one["schema"]) for one in content.values() if "schema" in one],
        files=[kind for kind, one in content.items() if "schema" not in one],
        problems=[
            (status, responses[status]["description"])
            for status in about["responses"]
            if status in responses
        ],
    )


def _fields(schema: dict[str, Any]) -> list[Row]:
    needed = schema.get("required", ())
    return [
        Row(name, type_words(one), name in needed, one.get("description", ""))
        for name, one in schema.get("properties", {}).items()
    ]


def _body_name(content: dict[str, Any]) -> str:
    """Return the name of what a body holds: a schema of ours, or the media type of a file."""
    ((media_type, one),) = content.items()
    return _name(one["schema"]) if "$ref" in one["schema"] else media_type


def _name(schema: dict[str, Any]) -> str:
    return str(schema["$ref"]).rpartition("/")[2]


@bp.app_template_filter()
def with_code(words: str) -> Markup:
    """Show what stands between backticks as code."""
    return Markup(_CODE.sub(r"<code>\1</code>", str(escape(words))))  # noqa: S704 - escaped before


def type_words(schema: dict[str, Any]) -> str:
    """Say in a few words what a schema allows."""
    if "$ref" in schema:
        return _name(schema)
    if (words := schema.get("enum")) is not None:
        return " | ".join(json.dumps(one, ensure_ascii=False) for one in words)
    return _type_of(schema)


def _type_of(schema: dict[str, Any]) -> str:
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(type_words(one) for one in schema["anyOf"]))
    kind = schema.get("type", "anything")
    if isinstance(kind, list):
        return " or ".join(kind)
    if kind == "array":
        return f"list of {type_words(schema.get('items', {}))}"
    return f"{kind} ({schema['format']})" if "format" in schema else str(kind)

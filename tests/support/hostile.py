"""What somebody types who wants to break in, and how to tell that it stayed text."""

from __future__ import annotations

import io
import json
import re
from html.parser import HTMLParser

from sqlalchemy import JSON, Enum, String, Text, select, update

from trialog.records.base import Base

SCRIPT = (
    "\"'></script></title></textarea><zq-mark onclick=alert(1)>{{7*7}}<img src=x onerror=alert(1)>"
)
FORMULA = "=cmd|'/C calc'!A0 ${7*7} {% raw %} javascript:alert(1)"
TURNED = "\u202egnp.exe\u2066 <!--scripts--> & \u0000"
"""Text that is read from right to left, a comment that looks like one of ours, and a zero byte."""

NOT_TYPED = {
    # Hashes, ids and kinds that the program itself writes, and checks before it takes them.
    "token_hash", "code_hash", "key_hash", "pin_hash", "chain_head", "previous_hash", "hash",
    "document_hash", "sha256", "photo", "head", "client_id", "target", "hint", "place", "action",
    "subject", "verdict", "language", "instance",
}  # fmt: skip


def typed_columns():
    """Yield each table's columns that hold what somebody typed, be it deep in JSON."""
    for table in Base.metadata.sorted_tables:
        for column in table.columns:
            text = isinstance(column.type, String | Text) and not isinstance(column.type, Enum)
            if text and column.name not in NOT_TYPED and not column.primary_key:
                yield column
    for name in ("parked_line.line", "audit_event.details"):
        table, _, column = name.partition(".")
        yield Base.metadata.tables[table].c[column]


def poison(session, text):
    """Put a hostile text wherever somebody typed something, past every check of a form."""
    for column in list(typed_columns()):
        table = column.table
        (key,) = table.primary_key
        for number, value in session.execute(select(key, column)).all():
            if value in (None, ""):
                continue
            if isinstance(column.type, JSON):
                spoiled = json.loads(json.dumps(value), object_hook=lambda o: spoil(o, text))
            else:
                mark = str(number)[:6]
                spoiled = f"{text[: column.type.length - len(mark)]}{mark}"
            session.execute(update(table).where(key == number).values({column.name: spoiled}))
    session.commit()


KEPT = {"client_id", "kind", "shift", "time", "tablet_time", "target", "sha256"}


def spoil(values, text):
    """Return a JSON object with a hostile text for each text that means nothing to the program."""
    return {
        name: text if isinstance(value, str) and name not in KEPT else value
        for name, value in values.items()
    }


class Look(HTMLParser):
    """A page, looked at for what a browser would run that our templates do not hold."""

    def __init__(self, page, *, styles, scripts=False):
        super().__init__(convert_charrefs=True)
        self.styles, self.scripts = styles, scripts
        self.faults, self.inside = [], None
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.inside = tag
        if tag in {"zq-mark", "iframe", "object", "embed", "base", "applet"}:
            self.faults.append(tag)
        if tag == "script" and "src" not in values and not self.scripts:
            self.faults += [tag] * (values.get("type") != "application/json")
        if tag == "meta" and values.get("http-equiv", "").lower() == "refresh":
            self.faults.append("refresh")
        for name, value in attrs:
            if name.startswith("on") or (name == "style" and not self.styles):
                self.faults.append(f"{tag} {name}={value}")
            if RUNS.match(value or "") and name in {"href", "src", "action", "formaction", "data"}:
                self.faults.append(f"{tag} {name}={value}")

    def handle_comment(self, data):
        self.faults += [f"comment {data}"] * ("scripts" in data or "zq" in data)

    def handle_data(self, data):
        if self.inside == "script" and not self.scripts and "<" in data:
            self.faults.append(f"in a script: {data[:80]}")


def looked_at(app, records):
    """Return the endpoint and address of everything that can be looked at."""
    return sorted(
        (rule.endpoint, records.address(rule))
        for rule in app.url_map.iter_rules()
        if "GET" in rule.methods
    )


def faults_of(answer, *, document=False):
    """Return what a browser would run of a page that our templates do not hold."""
    loose = "unsafe-inline" in answer.headers["Content-Security-Policy"]
    return Look(answer.text, styles=loose or document, scripts=document).faults


class Forms(HTMLParser):
    """The forms of a page: where each leads, its fields, and which of them somebody types into."""

    def __init__(self, page):
        super().__init__()
        self.forms = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "form":
            self.forms.append(Form(given.get("action"), given.get("method", "get")))
        elif self.forms and given.get("name"):
            self.forms[-1].add(tag, given)


class Form:
    """A form, to be filled in by somebody who means no good."""

    def __init__(self, action, method):
        self.action, self.method = action, method.upper()
        self.fixed, self.typed, self.files = {}, [], []

    def add(self, tag, given):
        name, kind = given["name"], given.get("type", "text")
        if kind == "file":
            self.files.append(name)
        elif kind in {"checkbox", "radio", "hidden", "submit"} or tag == "button":
            if kind != "checkbox" or "checked" in given:
                self.fixed.setdefault(name, given.get("value") or "y")
        else:
            self.typed.append(name)

    def filled(self, text):
        """Return what is sent, with a text in every field: in selects as well, where none is."""
        files = {name: (io.BytesIO(text.encode()), f"{text[:200]}.csv") for name in self.files}
        return self.fixed | dict.fromkeys(self.typed, text) | files


RUNS = re.compile(r"[\s\x00-\x1f]*(javascript|vbscript|data:text/html)", re.IGNORECASE)

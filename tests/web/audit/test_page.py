"""The page of the audit: who did what when, narrowed down, and as a file."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from datetime import UTC, date, datetime, timedelta
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from support.cells import log_shift, make_cell

import trialog
from trialog.records.audit import record_event
from trialog.records.audit_log import days
from trialog.records.database import unit_of_work
from trialog.records.people import add_person
from trialog.records.words import Role
from trialog.reports.audit_words import DEEDS, deed_words

AUDITED = (
    "sequence", "at", "person_id", "action", "subject", "subject_id", "details", "sealed",
)  # fmt: skip
"""What a hash covers, in the order that the help page gives."""


@pytest.fixture
def told(session, people, now):
    """Return a cell that an admin set up and an operator logged on."""
    with unit_of_work(session):
        cell = make_cell(session, now, actor=people.admin)
    with unit_of_work(session):
        add_person(
            session, "Jürgen <New>", Role.OPERATOR, "1846",
            actor=people.engineer, now=now + timedelta(days=1),
        )  # fmt: skip
    log_shift(
        session, cell, "A", good=3, failed=[cell.dropped], actor=people.operator,
        now=now + timedelta(days=2),
    )  # fmt: skip
    return cell


def shown(visitor, **looked_for):
    """Return how many events the page says there are, and its text."""
    answer = visitor.get("/audit", query_string=looked_for)
    assert answer.status_code == 200, answer.text
    return answer.text.count('<li id="event-'), unescape(answer.text)


def exported(visitor, kind, **looked_for):
    answer = visitor.get(f"/audit.{kind}", query_string=looked_for)
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == f'attachment; filename="audit.{kind}"'
    if kind == "json":
        return json.loads(answer.text)
    return list(csv.DictReader(io.StringIO(answer.text)))


@pytest.mark.database("sqlite")  # the page shows what the records say
def test_the_newest_event_stands_first_with_who_what_and_when(engineer, told):
    number, text = shown(engineer)
    assert number == 11
    assert text.index("Olga Operator") < text.index("Emil Engineer</strong> added person")
    assert f'<a href="/cells/{told.id}">Lathe 4</a>' in text
    assert "Jürgen &lt;New&gt;" in engineer.get("/audit").text
    assert "04 Mar 2026, 14:00" in text or "2026-03-04 14:00" in text


NARROWED = (
    ({"person": "Adam Admin"}, 8),
    ({"person": "nobody signed in"}, 1),
    ({"person": "Emil Engineer"}, 1),
    ({"action": "wrote"}, 1),
    ({"action": "added", "subject": "device"}, 3),
    ({"first": "2026-03-03", "last": "2026-03-04"}, 2),
    ({"first": "2026-03-03", "last": "2026-03-03"}, 1),
    ({"last": "2026-03-01"}, 0),
    ({"text": "jürgen <"}, 1),
    ({"text": "Jürgen"}, 1),
    ({"text": "EJECTION"}, 1),
    ({"text": "lathe 4"}, 2),
    ({"text": "100%"}, 0),
    ({"text": "wrot"}, 1),
    ({"text": "nul\x00"}, 0),
    ({"person": "Adam Admin", "text": "jet"}, 1),
)


def test_each_filter_narrows_the_list_down(approver, told):
    found = [(looked_for, shown(approver, **looked_for)[0]) for looked_for, _ in NARROWED]
    assert found == list(NARROWED)
    assert "No event is like that" in shown(approver, last="2026-03-01")[1]


def test_a_day_is_the_shops_day():
    """At half past eleven in the evening, UTC, a shop in Tokyo has the next day."""
    tokyo, day = ZoneInfo("Asia/Tokyo"), date(2026, 3, 23)
    late = datetime(2026, 3, 22, 23, 30, tzinfo=UTC)
    bounds = days(day, day, tokyo)
    assert bounds["since"] <= late < bounds["before"]
    assert bounds["before"] - bounds["since"] == timedelta(days=1)
    assert days(None, None, tokyo) == {"since": None, "before": None}


REFUSED = (
    ({"first": "2026-03-05", "last": "2026-03-04"}, "Must not be before the first day"),
    ({"first": "yesterday"}, "Not a valid date value."),
    ({"first": "0001-01-01"}, "Must be a day between 2000 and 9998"),
    ({"person": "Nobody Known"}, "Not a valid choice."),
    ({"action": "danced"}, "Not a valid choice."),
    ({"text": "x" * 121}, "Must be at most 120 characters."),
)


@pytest.mark.database("sqlite")  # no event is looked for
@pytest.mark.parametrize("page", ["/audit", "/audit.csv", "/audit.json"])
def test_what_cannot_be_looked_for_is_said_beside_its_field(engineer, told, page):
    for looked_for, said in REFUSED:
        answer = engineer.get(page, query_string=looked_for)
        assert answer.status_code == 422
        assert said in unescape(answer.text)
        assert "Nothing was looked for: please mend this" in answer.text


@pytest.mark.database("sqlite")  # pages are counted alike on both
def test_a_long_list_comes_in_pages_that_keep_the_filter(engineer, session, people, now):
    with unit_of_work(session):
        for number in range(205):
            record_event(session, "did", "thing", number, actor=people.admin, now=now)
    first, text = shown(engineer, action="did")
    assert first == 100
    assert "205 events, page 1 of 3" in text
    assert 'rel="next" href="/audit?action=did&page=2"' in text
    assert 'rel="prev"' not in text
    last, text = shown(engineer, action="did", page="3")
    assert last == 5
    assert 'rel="prev" href="/audit?action=did&page=2"' in text
    assert 'rel="next"' not in text
    assert "page 3 of 3" in shown(engineer, action="did", page="99")[1]
    assert "page 1 of 3" in shown(engineer, action="did", page="-1")[1]
    assert "page 1 of 3" in shown(engineer, action="did", page="x")[1]


def test_the_export_holds_what_the_filter_lets_through_oldest_first(engineer, told):
    rows = exported(engineer, "csv", person="Adam Admin", action="added")
    assert [row["subject"] for row in rows] == ["cell", *["device"] * 3, *["failure mode"] * 4]
    assert [int(row["sequence"]) for row in rows] == sorted(int(row["sequence"]) for row in rows)
    assert json.loads(rows[1]["details"]) == {"name": "arm"}
    data = exported(engineer, "json", subject="logbook")
    (event,) = data["events"]
    assert (event["person"], event["name"]) == ("Olga Operator", "Lathe 4")
    assert data["chain"] == {"length": event["sequence"], "head": event["hash"]}


def test_an_export_of_nothing_is_a_file_all_the_same(engineer, told):
    assert exported(engineer, "csv", last="2026-03-01") == []
    assert exported(engineer, "json", last="2026-03-01")["events"] == []


@pytest.mark.database("sqlite")  # the guard sees text only
def test_an_exported_name_is_no_formula(engineer, session, people, now):
    with unit_of_work(session):
        add_person(session, "=1+1", Role.OPERATOR, "1846", actor=people.admin, now=now)
    (row,) = exported(engineer, "csv", subject="person", action="added")
    assert row["name"] == "'=1+1"


def test_the_hashes_can_be_worked_out_again_from_an_export(engineer, told):
    """By anybody, with nothing but the file and the recipe on the help page."""
    previous = ""
    for event in exported(engineer, "json")["events"]:
        assert event["previous_hash"] == previous
        chained = [event[name] for name in AUDITED]
        text = json.dumps(chained, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256((previous + text).encode()).hexdigest() == event["hash"]
        previous = event["hash"]


@pytest.mark.database("sqlite")  # the page shows what the records say
def test_the_page_tells_the_end_of_the_chain_and_what_each_event_seals(engineer, told):
    head = exported(engineer, "json")["chain"]["head"]
    _, text = shown(engineer)
    assert f'<code class="hash">{head}</code>' in text
    assert f"<li>person {5}, added</li>" in text


@pytest.mark.database("sqlite")  # rights do not depend on it
@pytest.mark.parametrize("who", ["engineer", "approver", "admin"])
def test_whoever_may_read_the_audit_finds_it_in_the_menu(request, people, who):
    assert '<a href="/audit">Audit</a>' in request.getfixturevalue(who).get("/").text


@pytest.mark.database("sqlite")  # rights do not depend on it
def test_an_operator_neither_sees_nor_reads_it(operator, told):
    assert '"/audit"' not in operator.get("/").text
    for page in ("/audit", "/audit.csv", "/audit.json"):
        assert operator.get(page).status_code == 403


def test_each_deed_that_has_words_of_its_own_is_one_that_trialog_does():
    modules = Path(trialog.__file__).parent.rglob("*.py")
    done = "\n".join(path.read_text("utf-8") for path in modules if path.stem != "audit_words")
    assert [
        deed for deed in DEEDS if f'"{deed[0]}"' not in done or f'"{deed[1]}"' not in done
    ] == []
    assert deed_words("wrote", "logbook") == "wrote in the logbook of"
    assert deed_words("added", "cell") == "added cell"

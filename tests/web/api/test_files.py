"""A file of a log that a client sends: taken whole or not at all, once, by somebody's rights."""

from __future__ import annotations

import pytest
from sqlalchemy import select
from support.clients import Program, assert_problem

from trialog.records.models import AuditEvent, Entry
from trialog.records.verify import verify
from trialog.records.words import Scope

# Importing is tested on both databases; here it is the door's turn.
pytestmark = pytest.mark.database("sqlite")

LOG = b"""shift,cycle,time,outcome,modes,note
early,1,2026-03-02T06:00:00+00:00,good,,
early,2,2026-03-02T06:01:00+00:00,failed,dropped part,"slipped, again"
early,3,2026-03-02T06:02:00+00:00,good,,
"""
BAD = LOG + b"early,4,2026-03-02T06:03:00+00:00,nonsense,,\n"


class Importer(Program):
    """A client that sends files for one cell."""

    def __init__(self, app, session, person, cell, *scopes):
        super().__init__(app, session, person, *(scopes or (Scope.LOG,)))
        self.path = f"/cells/{cell.id}/log.csv"

    def send(self, content=LOG, *, query="", kind="text/csv", **options):
        return self.open("POST", self.path + query, data=content, content_type=kind, **options)


@pytest.fixture
def importer(app, session, people, cell):
    return Importer(app, session, people.engineer, cell)


def lines(session):
    session.rollback()
    return session.scalars(select(Entry).order_by(Entry.sequence)).all()


def test_a_file_is_taken_whole_and_sent_again_it_adds_nothing(importer, session, people):
    first = importer.send().json
    assert (first["form"], first["written"], first["rejected"]) == ("cycles", True, [])
    assert (first["added"], first["repeated"]) == (len(lines(session)), 0)
    assert first["shifts"] == [
        {"shift": "early", "new": True, "added": first["added"], "cycles": 3, "failed": 1}
    ]
    assert {line.recorded_by_id for line in lines(session)} == {people.engineer.id}
    again = importer.send().json
    assert (again["added"], again["repeated"]) == (0, 3)  # it opens and closes nothing anew
    assert len(lines(session)) == first["added"]
    assert verify(session) == []


def test_the_audit_says_through_which_client_and_token_it_came(importer, session):
    added = importer.send().json["added"]
    importer.send()
    session.rollback()
    (sent,) = session.scalars(select(AuditEvent).where(AuditEvent.action == "sent")).all()
    told = {"client": "relay box", "token": importer.row.hint, "first": 1, "last": added}
    assert sent.details == told


def test_a_line_with_a_fault_is_named_and_nothing_is_written(importer, session):
    told = importer.send(BAD).json
    assert (told["written"], told["added"], told["acceptable"]) == (False, 0, 5)
    (fault,) = told["rejected"]
    assert fault["line"] == 5
    assert "nonsense" in fault["reason"]
    assert lines(session) == []
    rest = importer.send(BAD, query="?good_lines_only=true").json
    assert (rest["written"], [one["line"] for one in rest["rejected"]]) == (True, [5])
    assert len(lines(session)) == rest["added"]


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(importer, session):
    dry = importer.send(query="?dry_run=true").json
    assert (dry["written"], dry["shifts"][0]["cycles"]) == (False, 3)
    assert lines(session) == []
    assert importer.send().json["added"] == dry["added"]


def test_what_is_no_log_is_refused_in_words(importer, session):
    told = assert_problem(importer.send(b"a,b\n1,2\n"), 422, "Invalid value")
    assert "column" in told["detail"]
    assert_problem(
        importer.send(kind="application/json"), 415, "Unsupported media type", "text/csv"
    )
    packed = importer.send(b"\x1f\x8b", headers={"Content-Encoding": "gzip"})
    assert_problem(packed, 415, "Unsupported media type", "compressed")
    assert importer.send(b"\x00\xff").status_code == 422
    assert lines(session) == []


def test_who_answers_must_be_one_that_may_import(app, session, people, cell):
    operator = Importer(app, session, people.operator, cell)
    assert_problem(operator.send(), 403, "Not allowed", "may not import logs")
    assert lines(session) == []


def test_a_log_of_several_megabytes_comes_in(importer, session, cell):
    note = "x" * 1_900
    rows = [
        f"early,{number},2026-03-02T06:00:{number % 60:02}+00:00,good,,{note}"
        for number in range(1, 1_201)
    ]
    content = "\n".join(["shift,cycle,time,outcome,modes,note", *rows]).encode()
    assert len(content) > 2 * 2**20
    told = importer.send(content).json
    assert told["rejected"] == []
    assert told["shifts"][0]["cycles"] == 1_200

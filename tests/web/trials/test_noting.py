"""After a change the verdicts are noted, whoever made it and by whatever way; never by a look."""

import io

import pytest
from sqlalchemy import select
from support.cells import opening, write
from support.enrolled import Enrolled
from support.tablets import Tablet, failed, good, line

from trialog.evidence import verdict_history
from trialog.records.models import AuditEvent, Entry
from trialog.web import noting

FILE = "shift,cycle,time,outcome,modes,operator,note\r\nMon,1,2026-03-02T06:00:01Z,good,,,\r\n"


@pytest.fixture
def noted(on_trial):
    """Return a way to look up what was noted of the trial so far."""

    def look():
        on_trial.session.rollback()
        return [one.verdict for one in verdict_history(on_trial.session, on_trial.trial)]

    return look


@pytest.fixture
def tablet(app, on_trial, people, cell):
    """Return an enrolled tablet of the cell, on a shift that is open."""
    made = Enrolled(app, on_trial.session, people.engineer, cell=cell.cell)
    made.person = people.operator
    assert made.send(made.tap("open", stage="by hand", counter=0)).status_code == 200
    return made


def test_a_tablet_that_closes_a_shift_has_the_verdict_noted(tablet, noted):
    tablet.send(tablet.tap("good", cycles=875))
    assert noted() == [], "good cycles are told when the shift closes"
    tablet.send(tablet.tap("close", counter=875))
    assert noted() == ["KEEP RUNNING"]


def test_a_failure_that_can_damage_is_noted_at_once_and_under_whoever_saw_it(
    tablet, noted, cell, people, session
):
    tablet.send(tablet.tap("failed", modes=[cell.chips.id]))
    assert noted() == ["NO-GO"]
    event = session.scalar(select(AuditEvent).where(AuditEvent.action == "noted verdict"))
    assert event.person_id == people.operator.id


def test_a_line_sent_again_notes_nothing(tablet, noted, monkeypatch):
    closing = tablet.tap("close", counter=0)
    tablet.send(closing)
    before = noted()
    monkeypatch.setattr(noting, "note_verdicts", lambda *_, **__: pytest.fail("noted again"))
    tablet.send(closing)
    assert noted() == before


def test_a_parked_line_and_what_becomes_of_it_is_noted(tablet, noted, engineer, on_trial):
    tablet.send(tablet.tap("good", cycles=5), tablet.tap("close", counter=5))
    assert len(noted()) == 1
    tablet.send(tablet.tap("good", cycles=0))
    assert len(noted()) == 2
    waiting = verdict_history(on_trial.session, on_trial.trial)[-1]
    assert "log agrees with the machine counter" in waiting.unmet
    parked = f"/cells/{on_trial.cell.id}/parked"
    engineer.post("/parked/1/leave-out", {"leave-1-reason": "a slip"}, page=parked)
    assert len(noted()) == 3


def test_a_program_and_a_form_have_it_noted(on_trial, operator, cell, noted):
    write(on_trial.session, cell, opening("early A", counter=0), now=on_trial.now)
    program = Tablet(operator, cell)
    program.taken(good())
    assert noted() == []
    program.taken(failed(cell.dropped))
    assert noted() == ["NO-GO"]
    entry = on_trial.session.scalars(select(Entry).where(Entry.kind == "failed")).one()
    operator.post("/shifts/1/undo", {"target": entry.client_id}, page="/shifts/1")
    program.taken(line("close", counter=1))
    assert noted()[-1] == "KEEP RUNNING"


def test_an_import_has_it_noted(on_trial, engineer, noted):
    data = {"file": (io.BytesIO(FILE.encode()), "log.csv")}
    engineer.post(f"{on_trial.url}/import", data, content_type="multipart/form-data")
    assert noted() == []
    engineer.post(f"{on_trial.url}/import/check", {"lines": "all"})
    assert noted() == ["KEEP RUNNING"]


def test_a_noting_that_fails_does_not_fail_the_log(tablet, noted, monkeypatch, caplog, session):
    def broken(*_, **__):
        raise RuntimeError("no verdict today")

    monkeypatch.setattr(noting, "note_verdicts", broken)
    answer = tablet.send(tablet.tap("close", counter=0))
    assert answer.get_json()["entries"][0]["status"] == "added"
    assert noted() == []
    assert session.scalar(select(Entry).where(Entry.kind == "close")) is not None
    assert "could not be noted" in caplog.text


def test_looking_notes_nothing(on_trial, engineer, noted):
    on_trial.reach_go()
    engineer.get(on_trial.url)
    assert noted() == []

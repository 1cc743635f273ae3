"""Reports made when a shift closes or a trial is signed: kept, once, and anew after changes."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import zlib
from dataclasses import fields
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select, update
from support.cells import closing, good, note, opening, revision, ruling, undo, write
from support.tampering import past_the_application

from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence import acknowledge, refuse, sign
from trialog.records import kept as records
from trialog.records.database import unit_of_work
from trialog.records.due import CLAIM, PAUSES, SETTLES, claim
from trialog.records.kept import KeptFilter, count_kept, list_due, list_kept, versions_of
from trialog.records.models import AuditEvent, DueReport, KeptReport, SignOff
from trialog.records.verify import verify
from trialog.records.words import AcknowledgementKind, EntryKind, ReportKind
from trialog.reports import keeping, kinds
from trialog.reports.freezing import body_of, thaw
from trialog.reports.keeping import Keeper, keep_due, keep_shift, kept_document

from .conftest import HOSTILE

ZONE = ZoneInfo("Europe/Berlin")


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now

    def move(self, by):
        self.now += by


@pytest.fixture
def clock(now):
    return Clock(now)


@pytest.fixture
def keeper(sessions, clock):
    return Keeper(sessions=sessions, zone=ZONE, clock=clock)


def kept(session):
    """Return what is kept, oldest first."""
    session.rollback()
    session.expire_all()
    return session.scalars(select(KeptReport).order_by(KeptReport.id)).all()


def due(session):
    session.rollback()
    session.expire_all()
    found = session.scalars(select(DueReport)).all()
    for one in found:
        session.expunge(one)  # as whoever makes them has them
    return found


def rules(session, cell, entries, people, now):
    """Rule on the failed cycles of a shift that was logged, one after the other."""
    for slip in (entry for entry in entries if entry.kind is EntryKind.FAILED):
        line = ruling(slip.client_id, relevant=False)
        write(session, cell, line, actor=people.engineer, now=now())
        yield slip


def test_a_closed_shifts_report_is_kept_as_it_is_made(shop, session, keeper, clock):
    shop.trial(shop.cell.arm)
    shop.tablet_shift()
    shift = next(iter(shop.shifts().values()))
    made = kinds.make(session, "shift", shift, now=clock(), zone=ZONE)
    assert keep_due(keeper) == 1
    (one,) = kept(session)
    assert (one.kind, one.shift_id, one.version) == (ReportKind.SHIFT, shift.id, 1)
    assert (one.title, one.sentence, one.made_at) == (made.title, made.sentence, clock())
    thawed = kept_document(session, one)
    for field in fields(made):
        assert getattr(thawed, field.name) == getattr(made, field.name), field.name
    assert "data:image/jpeg;base64," in thawed.html
    assert b"base64" not in keeping.records.content_of(one)
    assert due(session) == []
    assert verify(session) == []


@pytest.mark.parametrize("form", ["html", "json", "xlsx", "csv"])
@pytest.mark.database("sqlite")  # the forms are made of what was read
def test_what_is_kept_is_had_in_the_forms_of_a_fresh_report(shop, session, keeper, clock, form):
    shop.rich_shift()
    made = kinds.make(session, "shift", next(iter(shop.shifts().values())), now=clock(), zone=ZONE)
    keep_due(keeper)
    thawed = kept_document(session, kept(session)[0])
    assert kinds.render(thawed, form) == kinds.render(made, form)


FROZEN = {
    "form": 1, "kind": "shift", "stem": "shift-7", "title": "Shift A, Lathe 4", "about": "Lathe 4",
    "sentence": "9 good cycles.", "language": "en", "produced_at": "2026-03-02T15:00:00+01:00",
    "zone": "CET", "clock": "Europe/Berlin", "data": {"logged": 9},
    "html": "<html><main><p>9 good cycles.</p></main></html>",
    "cautions": ["Statistics do not make a cell safe."], "methods": ["Exact bounds."],
    "tables": [{
        "name": "cycles", "caption": "Cycles", "head": "", "empty": "", "upright": False,
        "gone since": "a field of former times",
        "columns": [
            {"key": "at", "heading": "time", "kind": "moment", "unit": "", "missing": "–",
             "aside": "", "on_page": True, "gone since": 1},
            {"key": "rate", "heading": "rate", "kind": "rate"},
        ],
        "rows": [[{"at": "2026-03-02T13:00:00+00:00"}, 0.25], [None, None]],
    }],
}  # fmt: skip
"""A report as it was frozen in March 2026. Never change it: records hold such ones."""


def test_what_was_frozen_once_is_read_for_ever():
    thawed = thaw(zlib.compress(json.dumps(FROZEN).encode()), str)
    assert (thawed.title, thawed.data, thawed.clock) == ("Shift A, Lathe 4", {"logged": 9}, ZONE)
    assert thawed.tables[0].in_words(thawed.clock) == (("2026-03-02 14:00", "25 %"), ("–", "–"))
    assert body_of(thawed) == "<p>9 good cycles.</p>"
    assert kinds.render(thawed, "json").content == b'{\n  "logged": 9\n}\n'


def test_a_form_that_only_a_later_version_knows_is_refused():
    later = zlib.compress(json.dumps(FROZEN | {"form": 2}).encode())
    with pytest.raises(InvalidValueError, match="kept report must be of form 1"):
        thaw(later, str)


@pytest.mark.database("sqlite")  # what is compressed does not depend on it
def test_a_kept_report_is_small(shop, session, keeper):
    shop.trial(shop.cell.arm)
    shop.rich_shift()
    keep_due(keeper)
    assert len(kept(session)[0].content) < 60_000


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_a_report_is_made_once(shop, session, keeper):
    shop.shift("A", good=9)
    assert [keep_due(keeper), keep_due(keeper)] == [1, 0]
    assert len(kept(session)) == 1


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_an_open_shift_has_no_report_yet(shop, session, keeper):
    shop.shift("A", good=9, closed=False)
    assert due(session) == []
    assert keep_due(keeper) == 0


def test_a_ruling_makes_a_new_version_and_the_old_one_stays(shop, session, people, keeper, clock):
    entries = shop.shift("A", good=9, failed=[shop.cell.slow])
    keep_due(keeper)
    before = kinds.render(kept_document(session, kept(session)[0]), "json")
    assert len(list(rules(session, shop.cell, entries, people, clock))) == 1
    assert keep_due(keeper) == 0  # it may be the first of many
    clock.move(SETTLES)
    assert keep_due(keeper) == 1
    first, second = kept(session)
    assert (first.version, second.version) == (1, 2)
    assert kinds.render(kept_document(session, first), "json") == before
    assert kept_document(session, second).data["no_tests"] == 1
    assert [(line.version, line.replaced_at) for line in versions_of(session, first)] == [
        (2, None), (1, second.made_at),
    ]  # fmt: skip
    assert verify(session) == []


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_changes_shortly_after_each_other_make_one_version(shop, session, people, keeper, *, clock):
    entries = shop.shift("A", good=9, failed=[shop.cell.slow, shop.cell.slow])
    keep_due(keeper)
    for _ in rules(session, shop.cell, entries, people, clock):
        clock.move(SETTLES / 3)
    assert keep_due(keeper) == 0
    clock.move(SETTLES / 3)
    assert keep_due(keeper) == 1
    assert [one.version for one in kept(session)] == [1, 2]


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_a_shift_that_was_opened_again_is_reported_once_it_is_closed(shop, session, keeper, clock):
    *_, close = shop.shift("A", good=9)
    write(session, shop.cell, undo(close.client_id), now=clock())
    assert keep_due(keeper) == 0
    assert due(session) == []  # let go of: it is no news any more
    write(session, shop.cell, good("A", 5), closing("A"), now=clock())
    assert keep_due(keeper) == 1
    assert kept_document(session, kept(session)[0]).data["logged"] == 14


def test_a_revision_recorded_late_bears_on_the_shifts_since(shop, session, keeper, clock):
    shop.shift("A", days=2, good=9)
    shop.shift("B", days=1, good=9)
    keep_due(keeper)
    late = revision(shop.cell.arm, occurred_at=clock() - timedelta(days=1, hours=1))
    write(session, shop.cell, late, now=clock())
    clock.move(SETTLES)
    assert keep_due(keeper) == 1
    titles = [one.title.split(",")[0] for one in kept(session)]
    assert sorted(titles) == ["Shift A", "Shift B", "Shift B"]


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_lines_of_another_shift_change_no_kept_report(shop, session, keeper, clock):
    shop.shift("A", days=1, good=9)
    keep_due(keeper)
    shop.shift("B", good=9)
    clock.move(SETTLES)
    assert keep_due(keeper) == 1
    assert [one.version for one in kept(session)] == [1, 1]


def test_who_comes_second_keeps_nothing(shop, session, keeper, sessions):
    """Two servers of one database: the claim of the slower one ran out while it was building."""
    shop.shift("A", good=9)
    (wanted,) = due(session)
    slow = keeping._make(keeper, wanted)
    assert keep_due(keeper) == 1
    with unit_of_work(session):
        assert records.keep(session, wanted, slow).version == 1
    assert len(kept(session)) == 1


def test_what_changed_while_it_was_built_stays_due(shop, session, people, keeper, *, clock):
    entries = shop.shift("A", good=9, failed=[shop.cell.slow])
    (wanted,) = due(session)
    made = keeping._make(keeper, wanted)
    assert len(list(rules(session, shop.cell, entries, people, clock))) == 1
    with unit_of_work(session):
        records.keep(session, wanted, made)
        records.keep(session, wanted, made)
    assert len(kept(session)) == 1
    assert len(due(session)) == 1
    clock.move(SETTLES)
    assert keep_due(keeper) == 1
    assert [one.version for one in kept(session)] == [1, 2]


def test_threads_at_once_keep_each_report_once(shop, session, keeper):
    for number in range(4):
        shop.shift(f"shift {number}", days=number, good=9)
    start, made = threading.Barrier(3), []

    def work():
        start.wait(timeout=30)
        made.append(keep_due(keeper))

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sum(made) == 4
    assert sorted(one.title.split(",")[0][-1] for one in kept(session)) == ["0", "1", "2", "3"]
    assert due(session) == []
    assert verify(session) == []


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_the_newest_are_made_first_and_no_more_than_asked_for(shop, session, keeper):
    """A long log that was imported must not keep this morning's shift waiting."""
    for number in range(3):
        shop.shift(f"shift {number}", days=3 - number, good=9)
    assert keep_due(keeper, most=2) == 2
    assert sorted(one.title.split(",")[0][-1] for one in kept(session)) == ["1", "2"]
    assert keep_due(keeper, most=2) == 1


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_a_notice_gets_the_report_without_waiting_for_its_turn(shop, session, keeper):
    shop.shift("A", good=9)
    shift = next(iter(shop.shifts().values()))
    report_id = keep_shift(keeper, shift.id)
    assert [one.id for one in kept(session)] == [report_id]
    assert keep_shift(keeper, shift.id) == report_id
    assert due(session) == []


BUILDING = """
import sys
from datetime import datetime
from trialog.records.database import make_engine, make_sessions
from trialog.reports import keeping

def stuck(document):
    print("building", flush=True)
    sys.stdin.read()

keeping.freeze = stuck
moment = datetime.fromisoformat(sys.argv[2])
keeper = keeping.Keeper(
    sessions=make_sessions(make_engine(sys.argv[1])), zone=moment.tzinfo, clock=lambda: moment
)
keeping.keep_due(keeper)
"""


def test_a_process_that_is_killed_while_it_builds_leaves_the_report_due(
    shop, session, database, keeper, clock
):
    shop.shift("A", good=9)
    command = [sys.executable, "-c", BUILDING, database, clock().isoformat()]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout.readline() == "building\n"
        # The log waits for nothing of it.
        write(session, shop.cell, opening("B"), good("B"), now=clock())
        program.kill()
    assert keep_due(keeper) == 0  # it might be at it still
    clock.move(CLAIM)
    assert keep_due(keeper) == 1
    assert [one.version for one in kept(session)] == [1]
    assert verify(session) == []


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_what_cannot_be_made_says_why_and_is_tried_again(
    shop, session, keeper, *, clock, monkeypatch, caplog
):
    shop.shift("A", days=1, good=9)
    shop.shift("B", good=9)
    whole = keeping.freeze
    broken = lambda document: whole(document) if "B" in document.title else 1 / 0  # noqa: E731
    monkeypatch.setattr(keeping, "freeze", broken)
    assert keep_due(keeper) == 1
    (wanted,) = list_due(session, most=9)
    assert (wanted.title, wanted.tries) == ("A", 1)
    assert wanted.error == "ZeroDivisionError: division by zero"
    assert wanted.next_try_at == clock() + PAUSES[0]
    assert "could not be made" in caplog.text
    monkeypatch.setattr(keeping, "freeze", whole)
    clock.move(PAUSES[0])
    assert keep_due(keeper) == 1
    assert len(kept(session)) == 2


@pytest.mark.database("sqlite")  # when it is made does not depend on it
def test_it_is_tried_for_ever_but_ever_more_rarely(shop, session, clock):
    shop.shift("A", good=9)
    for tries in range(1, len(PAUSES) + 3):
        (wanted,) = due(session)
        clock.now = wanted.next_try_at
        with unit_of_work(session):
            assert claim(session, wanted, now=clock())
            assert not claim(session, wanted, now=clock())
        with unit_of_work(session):
            keeping.put_off(session, wanted, "no", now=clock())
        (wanted,) = due(session)
        assert wanted.tries == tries
        assert wanted.next_try_at - clock() == PAUSES[min(tries, len(PAUSES)) - 1]


@pytest.fixture
def ready(shop):
    """Return a trial that five clean cycles have brought to GO."""
    easy = {"stretch_hours": 0.02, "chance": 0.6, "design_rate": 0.04}
    trial = shop.trial(shop.cell.tray, **easy)
    shop.shift("A", good=20, counters=(0, 20))
    by = {"actor": shop.people.engineer, "now": shop.now}
    with unit_of_work(shop.session):
        acknowledge(shop.session, trial, AcknowledgementKind.CAUTIONS, "read", **by)
    return trial


def test_the_dossier_is_kept_at_a_signature_and_stays_what_was_signed(
    shop, session, people, keeper, *, clock, ready
):
    with unit_of_work(session):
        sign(session, ready, people.approver, statement="seen", cautions_acknowledged=True,
             now=clock())  # fmt: skip
    assert keep_due(keeper) == 2
    (dossier,) = [one for one in kept(session) if one.kind is ReportKind.TRIAL]
    signed = session.scalars(select(SignOff)).one()
    assert dossier.sign_off_id == signed.id
    assert dossier.title == f"Trial trial, {shop.cell.tray.name}, signed by {people.approver.name}"
    assert people.approver.name in kept_document(session, dossier).html
    write(session, shop.cell, opening("B"), good("B"), closing("B"), now=clock())
    clock.move(SETTLES)
    keep_due(keeper)
    assert [line.version for line in versions_of(session, dossier)] == [1]
    assert verify(session) == []


@pytest.mark.database("sqlite")  # the words do not depend on it
def test_a_refusal_keeps_the_dossier_too(session, people, keeper, *, clock, ready):
    with unit_of_work(session):
        refuse(session, ready, people.approver, reason="too few lots", now=clock())
    keep_due(keeper)
    (dossier,) = [one for one in kept(session) if one.kind is ReportKind.TRIAL]
    assert dossier.title.endswith(f", refused by {people.approver.name}")


@pytest.mark.database("sqlite")  # the words do not depend on it
def test_reports_are_kept_in_the_language_of_the_shop(shop, session, sessions, clock):
    shop.shift("A", good=9)
    keep_due(Keeper(sessions=sessions, zone=ZONE, language="es", clock=clock))
    (one,) = kept(session)
    assert one.language == "es"
    assert '<html lang="es"' in kept_document(session, one).html


@pytest.mark.database("sqlite")  # what an event says does not depend on it
def test_what_is_kept_is_told_in_the_audit(shop, session, keeper):
    shop.shift("A", good=9)
    keep_due(keeper)
    (one,) = kept(session)
    event = session.scalars(select(AuditEvent).where(AuditEvent.subject == "report")).one()
    assert (event.action, event.subject_id, event.person_id) == ("kept", one.id, None)
    assert event.details == {"version": 1, "line": one.line, "sha256": one.sha256}
    assert [seal[:2] for seal in event.sealed] == [["kept_report", str(one.id)]]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"content": b"another"}, "its content was changed: its hash is"),
        ({"sentence": "All is well."}, "was changed behind the application's back"),
    ],
    ids=["content", "sentence"],
)
def test_a_kept_report_that_somebody_changed_is_named(shop, session, keeper, values, said):
    shop.shift("A", good=9)
    keep_due(keeper)
    past_the_application(session, update(KeptReport).values(**values))
    (found,) = verify(session)
    assert found.where.startswith(f"kept report {kept(session)[0].id}")
    assert found.what.startswith(said)


@pytest.mark.database("sqlite")  # bytes are compared
def test_content_that_somebody_changed_is_never_shown(shop, session, keeper):
    shop.shift("A", good=9)
    keep_due(keeper)
    past_the_application(session, update(KeptReport).values(content=b"another"))
    with pytest.raises(ConflictError, match="is not what was kept"):
        kept_document(session, kept(session)[0])


@pytest.mark.database("sqlite")  # a text is a text
def test_a_text_cannot_pass_itself_off_as_a_photo(shop, session, keeper):
    trick = f'src="photo:{"0" * 64}" {HOSTILE}'
    write(session, shop.cell, opening("A"), note("A", trick), closing("A"), now=shop.now)
    keep_due(keeper)
    html = kept_document(session, kept(session)[0]).html
    assert "src=&#34;photo:" in html
    assert HOSTILE not in html


def test_kept_reports_are_found_by_cell_kind_and_day(
    shop, session, keeper, *, clock, ready, people
):
    shop.shift("Older", days=3, good=9, counters=(0, 9))
    with unit_of_work(session):
        sign(session, ready, people.approver, statement="seen", cautions_acknowledged=True,
             now=clock())  # fmt: skip
    keep_due(keeper)

    def titles(**asked):
        which = KeptFilter(**asked)
        lines = list_kept(session, which, most=10)
        assert count_kept(session, which) == len(lines)
        return [line.title.split(",")[0] for line in lines]

    assert titles() == ["Trial trial", "Shift A", "Shift Older"]
    assert titles(kind=ReportKind.SHIFT) == ["Shift A", "Shift Older"]
    assert titles(since=clock() - timedelta(days=1)) == ["Trial trial", "Shift A"]
    assert titles(before=clock() - timedelta(days=1)) == ["Shift Older"]
    assert titles(cell_id=shop.cell.id + 1) == []
    (second,) = list_kept(session, KeptFilter(), skip=1, most=1)
    assert second.title.startswith("Shift A")
    assert session.scalar(select(func.count()).select_from(KeptReport)) == 3

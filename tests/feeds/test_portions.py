"""A large file is read in portions, and what its rows share once: it comes to the same."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from support.cells import make_cell, opening, write

from trialog.feeds import csv_log, cycle_log, identity, importing
from trialog.feeds.identity import Identities
from trialog.feeds.outline import Outline
from trialog.feeds.tables import RejectedLine, read_table
from trialog.records import batch
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.logbook import Part
from trialog.records.partitions import make_ahead
from trialog.records.verify import verify
from trialog.records.words import EntryKind

HEADER = (
    "shift,time,outcome,modes,operator,cycles,cycle,id,target,note,device,resets_evidence,reason"
)


TOLD = {"device": "arm", "resets_evidence": "yes", "note": "softer jaws"}


def row(shift, time, outcome, **cells):
    given = {"shift": shift, "time": time, "outcome": outcome, "operator": "Olga Operator"} | cells
    return ",".join(str(given.get(column, "")) for column in HEADER.split(","))


def log(*rows):
    return "\n".join([HEADER, *rows]).encode()


def parts(content, least=1):
    """Return the lines at which the parts of a file begin and end."""
    return [(part[0].line, part[-1].line) for part in Outline(read_table(content)).parted(least)]


def test_a_portion_ends_where_no_shift_goes_on():
    content = log(
        row("A", "", "good"), row("A", "", "good"), row("B", "", "good"), row("'=C", "", "good"),
        row("B", "", "note"), row("=C", "", "good"), row("", "", "revision"), row("D", "", "good"),
    )  # fmt: skip
    assert parts(content) == [(2, 3), (4, 7), (8, 8), (9, 9)]
    assert parts(content, 3) == [(2, 7), (8, 9)]


def test_an_undo_that_names_no_shift_holds_all_before_it_together():
    content = log(
        row("A", "", "good"), row("B", "", "good"), row("", "", " Undo"), row("C", "", "good")
    )
    assert parts(content) == [(2, 4), (5, 5)]


def test_a_line_that_cannot_be_told_apart_stays_in_its_place():
    content = log(row("A", "", "good"), 'A,"x"y,good', row("A", "", "good"), row("B", "", "good"))
    (first, second) = Outline(read_table(content)).parted(1)
    assert [type(one) is RejectedLine for one in first] == [False, True, False]
    assert len(second) == 1


def test_a_revision_that_stands_twice_is_two_lines_however_far_apart(intake, monkeypatch):
    monkeypatch.setattr(csv_log, "PORTION", 1)
    time = "2026-03-01T06:00Z"
    revision = row("", time, "revision", **TOLD)
    content = log(revision, row("A", time, "good"), revision, row("B", time, "good"))
    assert intake.imports(content).added == 8  # each shift is opened and closed besides
    again = intake.imports(content)
    assert (again.added, again.repeated) == (0, 4)


def test_a_shift_left_open_is_told_when_the_whole_file_is_known(intake, monkeypatch, reasons):
    monkeypatch.setattr(csv_log, "PORTION", 1)
    time = "2026-03-01T06:00Z"
    content = log(row("A", time, "open"), row("B", time, "open"), row("", time, "revision", **TOLD))
    result = intake.imports(content)
    assert "only one shift of a cell can be open" in reasons(result)[3]
    assert not result.written
    assert intake.entries() == []


BEYOND = text("SELECT setval('entry_id_seq', 15000000)")


@pytest.fixture(params=["in one partition", "in two partitions"])
def beyond(request, intake, database_kind):
    """Return a function after which lines may go where nothing keeps an id from standing twice."""

    def go_on():
        if request.param == "in two partitions" and database_kind == "postgresql":
            make_ahead(intake.session.get_bind(), upto=15_000_000)
            with unit_of_work(intake.session):
                intake.session.execute(BEYOND)

    return go_on


def test_a_line_that_somebody_sent_under_an_id_made_here_is_told_from_the_files(
    intake, people, now, reasons, beyond
):
    at = datetime(2026, 3, 1, 6, tzinfo=UTC)
    note = NewEntry("-", EntryKind.NOTE, at, None, people.operator.id, "A", text="hm")
    made = Identities(intake.cell.id).name_of(note)
    with unit_of_work(intake.session):
        elsewhere = make_cell(intake.session, now, "Elsewhere")
    sent = note._replace(client_id=made, shift="Z")
    write(intake.session, elsewhere, opening("Z", occurred_at=at), sent, now=now)
    beyond()
    content = without_ids(
        log(row("A", at.isoformat(), "good"), row("A", at.isoformat(), "note", note="hm"))
    )
    assert reasons(intake.imports(content)) == {
        3: f"client_id must be new for a new line, but {made!r} already stands for a note line "
        "with other content"
    }
    kept = intake.imports(content, good_lines_only=True)
    assert (kept.added, intake.kinds()) == (3, ["open", "good", "close"])
    assert verify(intake.session) == []


def test_a_tablet_new_to_the_records_writes_in_many_portions(intake, monkeypatch):
    monkeypatch.setattr(csv_log, "PORTION", 1)
    rows = [f"S{day},2026-02-0{day}T06:00Z,good,1,blue,{day}" for day in range(1, 6)]
    result = intake.imports("\n".join(["shift,time,outcome,cycles,tablet,tablet_number", *rows]))
    assert (result.added, result.tablets) == (15, ("blue",))
    assert len({line.tablet_id for line in intake.entries("good")}) == 1


def test_a_fault_while_the_next_lines_are_read_leaves_nothing(intake, monkeypatch):
    """PostgreSQL is still at work on the lines before them then."""
    monkeypatch.setattr(csv_log, "PORTION", 1)
    content = log(*(row(f"S{day}", f"2026-02-0{day}T06:00Z", "good") for day in (1, 2, 3)))
    arranged = iter([csv_log.arrange])

    def arrange(*drafts, **known):
        return next(arranged)(*drafts, **known)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_log, "arrange", arrange)
        with pytest.raises(RuntimeError):
            intake.imports(content)
    assert intake.entries() == []
    assert intake.imports(content).added == 9


@given(st.text(max_size=40))
def test_an_id_is_a_name_based_uuid(name):
    """RFC 9562, section 5.5, as Python's own library makes it."""
    assert identity._uuid(name) == str(uuid.uuid5(uuid.UUID(bytes=identity._NAMESPACE), name))


def _times(now):
    minutes = st.integers(0, 3)
    fair = minutes.map(lambda at: (now - timedelta(hours=5) + timedelta(minutes=at)).isoformat())
    ahead = (now + timedelta(days=1)).isoformat()
    return fair | st.sampled_from(["", "noon", ahead])


@st.composite
def logs(draw, now):
    """A log of a few shifts with much that repeats, and with faults."""
    rows = draw(
        st.lists(
            st.tuples(
                st.sampled_from(["A", "A", "A", "B", "C", ""]),
                _times(now),
                st.sampled_from(["good", "good", "good", "failed", "note", "undo", "close"]),
                st.sampled_from(["", "", "", "1", "2", "5", "x"]),
                st.sampled_from(["", "", "", "@one", "@two", "bad id"]),
            ),
            max_size=12,
        )
    )
    own = {"failed": {"modes": "dropped part"}, "note": {"note": "hm"}, "undo": {"target": "@Aone"}}
    named = log(
        *(
            row(
                shift,
                time,
                outcome,
                cycle=cycle,
                id=name.replace("@", f"@{shift}"),
                **own.get(outcome, {}),
            )
            for shift, time, outcome, cycle, name in rows
        )
    )
    return named if draw(st.booleans()) else without_ids(named)


def without_ids(content):
    """Leave out the ids: then they are made, and lines of new shifts are not looked for."""
    at = HEADER.split(",").index("id")
    rows = [line.split(b",") for line in content.splitlines()]
    return b"\n".join(b",".join(cells[:at] + cells[at + 1 :]) for cells in rows)


@pytest.mark.database("sqlite")  # nothing here is left to the database
@settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_a_file_comes_to_the_same_however_it_is_read(intake, data):
    content = data.draw(logs(intake.now))

    def outcome(*patches):
        intake.start_anew()
        name = f"n{intake.cell.id:05}"  # a line's id is one of all cells'
        with pytest.MonkeyPatch.context() as patch:
            for patched in patches:
                patch.setattr(*patched)
            named = content.replace(b"@", name.encode())
            results = [intake.imports(named, good_lines_only=True) for _ in range(2)]
        lines = [
            (one.kind, one.shift and one.shift.label, one.occurred_at, one.cycle_number, one.text)
            for one in intake.entries()
        ]
        return str(results).replace(name, "@"), lines

    one_by_one = [
        (cycle_log._Alike, "draft", lambda *_: None), (batch, "_goes_on", lambda _: False),
        (importing, "Part", lambda _unseen, meanwhile: Part(meanwhile=meanwhile)),
    ]  # fmt: skip
    plain = outcome(*one_by_one)
    assert outcome() == plain
    assert outcome((csv_log, "PORTION", 1)) == plain
    assert outcome((csv_log, "PORTION", 1), *one_by_one) == plain
    assert verify(intake.session) == []
    intake.session.rollback()

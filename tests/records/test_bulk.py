"""Rows on their way in by the quickest path that a database has: nothing of them changes on it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from support.cells import good, note, opening, write

from trialog.records import bulk
from trialog.records.entries import NewEntry
from trialog.records.models import Entry
from trialog.records.verify import verify
from trialog.records.words import EntryKind

TEXTS = [
    "tab\there",
    "line\nbreak\r\n",
    "back\\slash",
    r"\N",
    r"\.",
    "'quoted', \"twice\"",
    "Späne µ 🛠",
]
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=40)


@pytest.mark.parametrize("few", [bulk.FEW, 1])
def test_texts_of_a_line_come_back_as_they_were_written(session, cell, now, monkeypatch, few):
    monkeypatch.setattr(bulk, "FEW", few)
    notes = [
        NewEntry(f"n{place}", EntryKind.NOTE, now - timedelta(hours=1), shift="A", text=text)
        for place, text in enumerate(TEXTS)
    ]
    write(session, cell, opening("A", occurred_at=now - timedelta(hours=2)), *notes, now=now)
    stored = session.scalars(select(Entry.text).where(Entry.kind == EntryKind.NOTE)).all()
    assert sorted(stored) == sorted(TEXTS)
    assert verify(session) == []


@pytest.mark.database("postgresql")
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.none() | st.integers() | texts, min_size=1, max_size=4))
def test_values_are_written_as_copy_takes_them(session, values):
    """PostgreSQL itself reads them back."""
    connection = session.connection()
    columns = ", ".join(f"c{place} text" for place in range(len(values)))
    connection.exec_driver_sql("DROP TABLE IF EXISTS copied")
    connection.exec_driver_sql(f"CREATE TEMP TABLE copied ({columns})")
    with connection.connection.driver_connection.cursor() as cursor:
        with cursor.copy("COPY copied FROM STDIN") as copy:
            copy.write(bulk.copy_text(values) + "\n")
        (row,) = cursor.execute("SELECT * FROM copied", prepare=False).fetchall()
    assert list(row) == [None if value is None else str(value) for value in values]


@pytest.mark.parametrize("many", [1, bulk.FEW - 1, bulk.FEW, bulk.CHUNK + 1])
def test_lines_stand_in_their_order_and_as_they_were_hashed(session, cell, now, many):
    """However many come at once; values that none, some or all of them have."""
    at = now - timedelta(hours=1)
    lines = [
        note("A", f"note {place}", occurred_at=at) if place % 7 == 3
        else good("A", occurred_at=at + timedelta(microseconds=place))
        for place in range(many)
    ]  # fmt: skip
    write(session, cell, opening("A", occurred_at=at), *lines, now=now)
    stored = session.execute(select(Entry.client_id, Entry.sequence).order_by(Entry.id)).all()
    assert stored[1:] == [(line.client_id, place + 2) for place, line in enumerate(lines)]
    assert verify(session) == []


def test_a_row_that_is_there_already_is_refused_among_many(session, cell, now):
    write(session, cell, opening("A"), note("A", client_id="twice"), now=now)
    (row,) = session.execute(select(Entry.__table__).where(Entry.client_id == "twice")).all()
    names = [column.name for column in Entry.__table__.columns if column.name != "id"]
    values = tuple(getattr(row, name) for name in names)
    for many in (1, bulk.FEW):
        with pytest.raises(IntegrityError), session.begin_nested():
            bulk.insert_rows(session.connection(), Entry.__table__, names, [values] * many)
    assert len(session.execute(select(Entry.id)).all()) == 2

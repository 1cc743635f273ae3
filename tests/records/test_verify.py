"""Behind the application's back nothing changes unseen: verify finds it and says where."""

from datetime import timedelta, timezone

import pytest
from sqlalchemy import delete, select, text, update
from support.cells import (
    closing,
    failed,
    good,
    log_shift,
    make_cell,
    note,
    opening,
    revision,
    ruling,
    undo,
)

from trialog.records.chain import canonical, document_hash, entry_hash
from trialog.records.models import (
    Cell,
    CellRollup,
    DeviceRollup,
    Entry,
    EntryMode,
    FailurePosition,
    ModeRollup,
    OperatorRollup,
    Revision,
    Shift,
)
from trialog.records.verify import verify


@pytest.fixture
def kept(logbook, cell, people):
    """Return a logbook of two shifts with a bit of everything in it."""
    by = {"person_id": people.operator.id}
    drop, slip, tap = failed("A", cell.dropped, **by), failed("A", cell.chips), good("A", 9, **by)
    logbook.write(opening("A", counter=0), tap, drop, slip, note("A", "all quiet"))
    logbook.write(undo(slip.client_id), revision(cell.arm), ruling(drop.client_id, relevant=False))
    logbook.write(closing("A", 10), opening("B", counter=10), good("B", 4))
    return logbook


def tampered(logbook, *statements):
    """Change the database directly and return what verify then says, as lines."""
    session = logbook.session
    session.rollback()
    if session.get_bind().dialect.name == "sqlite":
        session.execute(text("PRAGMA defer_foreign_keys = ON"))
    for statement in statements:
        session.execute(statement)
    session.commit()
    return [f"{found.where}: {found.what}" for found in logbook.verify()]


def test_an_untouched_logbook_verifies(kept):
    assert kept.verify() == []


def test_records_without_any_cell_verify(session):
    assert verify(session) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"cycles": 8},
        {"text": "nothing to see"},
        {"person_id": None},
        {"occurred_at": "shifted"},
        {"recorded_at": "shifted"},
        {"cycle_number": 3},
        {"client_id": "another"},
        {"reason": "made up"},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_a_changed_line_is_found(kept, now, changes):
    changes = {name: now.replace(hour=3) if value == "shifted" else value
               for name, value in changes.items()}  # fmt: skip
    found = tampered(kept, update(Entry).where(Entry.sequence == 2).values(**changes))
    assert any("line 2" in line and "was changed after it was written" in line for line in found)


def test_a_changed_mode_is_found(kept, cell):
    found = tampered(kept, update(EntryMode).where(EntryMode.failure_mode_id == cell.dropped.id)
                     .values(failure_mode_id=cell.slow.id))  # fmt: skip
    assert any("line 3" in line and "was changed" in line for line in found)


def test_a_removed_line_is_found(kept):
    found = tampered(kept, delete(Entry).where(Entry.sequence == 5))
    assert any("line 5 is missing (next is 6)" in line for line in found)


def test_a_removed_last_line_is_found(kept):
    found = tampered(kept, delete(Entry).where(Entry.sequence == 11))
    assert any("ends at line 10, but 11 lines were written" in line for line in found)


def test_reordered_lines_are_found(kept):
    found = tampered(
        kept,
        update(Entry).where(Entry.sequence == 2).values(sequence=99),
        update(Entry).where(Entry.sequence == 5).values(sequence=2),
        update(Entry).where(Entry.sequence == 99).values(sequence=5),
    )
    assert any("line 2 " in line for line in found)
    assert any("line 5 " in line for line in found)


def test_a_line_changed_with_its_hash_recomputed_breaks_the_next_one(kept):
    """Whoever can compute one hash must recompute all after it, and the cell's own."""
    line = kept.entries()[1]
    columns = {column.name: getattr(line, column.name) for column in Entry.__table__.columns}
    facts = columns | {"cycles": 8, "mode_ids": []}
    forged = entry_hash(line.previous_hash, facts)
    found = tampered(kept, update(Entry).where(Entry.sequence == 2).values(cycles=8, hash=forged))
    assert any("line 3 does not follow the line before it" in line for line in found)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"stage": "unattended"}, "stage is unattended, the logbook says by hand"),
        ({"label": "A2"}, "label is A2, the logbook says A"),
    ],
)
def test_a_shift_moved_to_another_stage_or_renamed_is_found(kept, changes, said):
    found = tampered(kept, update(Shift).where(Shift.label == "A").values(**changes))
    assert any(line.endswith(said) for line in found)
    assert len(found) == 1


def test_a_shift_moved_together_with_its_opening_line_is_found(kept):
    found = tampered(
        kept,
        update(Shift).where(Shift.label == "A").values(stage="unattended"),
        update(Entry).where(Entry.sequence == 1).values(stage="unattended"),
    )
    assert any("line 1" in line and "was changed after it was written" in line for line in found)


def test_a_changed_chain_head_is_found(kept):
    found = tampered(kept, update(Cell).values(chain_head="0" * 64))
    assert len(found) == 1
    assert "logbook: ends at line 11" in found[0]


@pytest.mark.parametrize(
    ("table", "changes"),
    [
        (CellRollup, {"failures": 7}),
        (CellRollup, {"logged": 7}),
        (DeviceRollup, {"cycles": 1}),
        (ModeRollup, {"unruled": 5}),
        (OperatorRollup, {"logged": 5}),
        (FailurePosition, {"logged_before": 2}),
        (FailurePosition, {"relevant": True}),
    ],
)
def test_a_changed_rollup_is_found(kept, table, changes):
    found = tampered(kept, update(table).values(**changes))
    assert any(table.__tablename__ in line and "holds" in line for line in found)


@pytest.mark.parametrize(
    "table", [CellRollup, DeviceRollup, ModeRollup, OperatorRollup, FailurePosition]
)
def test_a_lost_rollup_is_found(kept, table):
    found = tampered(kept, delete(table))
    assert any(table.__tablename__ in line and "lacks" in line for line in found)


@pytest.mark.parametrize(
    "changes", [{"opening_counter": 3}, {"closed_at": None}, {"closing_counter": 99}]
)
def test_a_changed_shift_is_found(kept, changes):
    found = tampered(kept, update(Shift).where(Shift.label == "A").values(**changes))
    assert any("shift 'A'" in line and next(iter(changes)) in line for line in found)


@pytest.mark.parametrize("changes", [{"withdrawn": True}, {"resets_evidence": False}])
def test_a_changed_revision_is_found(kept, changes):
    found = tampered(kept, update(Revision).where(Revision.entry_id.is_not(None)).values(**changes))
    assert any("revisions" in line for line in found)


def test_a_difference_names_the_cell(kept):
    found = tampered(kept, update(Cell).values(chain_length=3))
    assert found == ["cell 'Lathe 4', logbook: ends at line 11, but 3 lines were written"]


def test_each_line_is_chained_to_the_one_before(kept):
    lines = kept.entries()
    assert lines[0].previous_hash == ""
    assert [line.previous_hash for line in lines[1:]] == [line.hash for line in lines[:-1]]
    assert kept.head() == (len(lines), lines[-1].hash)


def test_a_hash_does_not_depend_on_the_time_zone_of_a_time(now):
    elsewhere = now.astimezone(timezone(timedelta(hours=9)))
    assert canonical({"at": now}) == canonical({"at": elsewhere})


def test_canonical_json_has_one_form():
    assert canonical({"b": 1, "a": "ö"}) == '{"a":"ö","b":1}'.encode()
    assert document_hash({"b": 1, "a": 2}) == document_hash({"a": 2, "b": 1})


def test_a_value_without_a_form_is_refused():
    with pytest.raises(TypeError, match="set has no canonical form"):
        canonical({1, 2})


def test_the_chain_of_another_cell_is_its_own(kept, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    log_shift(session, other, "A", good=2, now=now)
    first = session.scalars(select(Entry).where(Entry.cell_id == other.id, Entry.sequence == 1))
    assert first.one().previous_hash == ""
    assert kept.verify() == []

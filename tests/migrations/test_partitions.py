"""The logbook on PostgreSQL becomes partitions without a row of it being written anew."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import event, select, text
from sqlalchemy.exc import IntegrityError
from support.cells import good, make_cell, note, opening, revision, undo, write
from support.migrating import migrate

from trialog.records import dividing, online, partitions, schema
from trialog.records.copying.rows import set_counters
from trialog.records.copying.tables import copied_tables
from trialog.records.database import make_engine
from trialog.records.models import Cell, Entry
from trialog.records.verify import verify

pytestmark = pytest.mark.database("postgresql")
BEFORE = "0009"
"""The version before the logbook was divided."""


@pytest.fixture
def undivided(engine, session, now):
    """Return an engine on a logbook that is one table yet, with lines in it."""
    cell = make_cell(session, now)
    session.commit()
    slip = good("A")
    write(session, cell, opening("A"), good("A", 3), slip, note("A"), now=now)
    write(session, cell, undo(slip.client_id), revision(cell.arm), now=now)
    session.rollback()
    migrate(engine, "downgrade", BEFORE)
    return engine


def ask(engine, statement, **values):
    with engine.connect() as connection:
        return connection.execute(text(statement), values).all()


def file_of(engine, table):
    """Return where the database keeps a table's rows: another file, and they were written anew."""
    return ask(engine, "SELECT pg_relation_filepath(:table)", table=table)


def test_the_table_becomes_the_first_partition_as_it_lies_on_the_disk(undivided, session):
    before = file_of(undivided, "entry")
    schema.upgrade(undivided)
    assert file_of(undivided, "entry_p0") == before
    assert schema.differences(undivided) == []
    assert verify(session) == []


def test_work_goes_on_before_between_and_after(undivided, session, now):
    schema.upgrade(undivided)
    cell = session.scalars(select(Cell)).one()
    write(session, cell, good("A"), now=now)
    assert verify(session) == []


STEPS = 60


@pytest.mark.parametrize("step", [1, 4, 9, 13, 14, 17])
def test_an_interrupted_division_goes_on_where_it_was(undivided, session, monkeypatch, now, step):
    taken = iter(range(1, STEPS))
    briefly = online.briefly

    def break_off(*args, **options):
        if next(taken) == step:
            raise KeyboardInterrupt
        briefly(*args, **options)

    for module in (dividing, online):
        monkeypatch.setattr(module, "briefly", break_off)
    with pytest.raises(KeyboardInterrupt):
        schema.upgrade(undivided)
    write(session, session.scalars(select(Cell)).one(), good("A"), now=now)  # nobody waits
    session.rollback()
    schema.upgrade(undivided)
    assert schema.differences(undivided) == []
    write(session, session.scalars(select(Cell)).one(), good("A"), now=now)
    assert verify(session) == []


def test_a_long_read_delays_the_division_and_no_writer(undivided, sessions, now, monkeypatch):
    monkeypatch.setattr(online, "PAUSE_SECONDS", 0.05)
    tried = threading.Event()
    run_at_once = online._run_at_once

    def tell(connection, statements, locks):
        try:
            run_at_once(connection, statements, locks)
        except BaseException:
            tried.set()
            raise

    monkeypatch.setattr(online, "_run_at_once", tell)
    with sessions() as reader:
        reader.scalars(select(Entry)).all()  # its transaction stays open
        upgrade = threading.Thread(target=schema.upgrade, args=(undivided,))
        upgrade.start()
        assert tried.wait(30)
        with sessions() as writer:
            cell = writer.scalars(select(Cell)).one()
            write(writer, cell, good("A"), now=now)
        assert upgrade.is_alive()
    upgrade.join(60)
    assert schema.differences(undivided) == []


def test_a_lock_that_is_never_had_is_said(engine, sessions, monkeypatch):
    monkeypatch.setattr(online, "TRIES", 2)
    monkeypatch.setattr(online, "PAUSE_SECONDS", 0)
    monkeypatch.setattr(online, "WAIT_MILLISECONDS", 20)
    with sessions() as reader, engine.connect() as connection:
        reader.scalars(select(Cell)).all()
        alone = connection.execution_options(isolation_level="AUTOCOMMIT")
        with pytest.raises(online.ConflictError, match="in use all the time"):
            online.briefly(alone, "ALTER TABLE cell ADD COLUMN extra integer")


@pytest.fixture
def near_the_end(session, now):
    """Return a cell whose next lines cross from one partition into the next."""
    cell = make_cell(session, now)
    session.commit()
    session.execute(text("SELECT setval('entry_id_seq', 9999998)"))
    session.commit()
    return cell


def partition_of(session, client_id):
    asked = text("SELECT CAST(tableoid AS regclass)::text FROM entry WHERE client_id = :id")
    return session.scalar(asked, {"id": client_id})


def test_lines_cross_into_the_next_partition(near_the_end, engine, session, now):
    partitions.make_ahead(engine, upto=10_000_000)
    lines = [opening("A"), good("A"), good("A"), note("A")]
    write(session, near_the_end, *lines, now=now)
    found = [partition_of(session, line.client_id) for line in lines]
    assert found == ["entry_p0", "entry_p1", "entry_p1", "entry_p1"]
    slip = undo(lines[1].client_id)
    write(session, near_the_end, slip, revision(near_the_end.arm), now=now)
    assert verify(session) == []
    assert schema.differences(engine) == []


@pytest.fixture
def overflowing(near_the_end, engine, session, now):
    """Return the cell, two lines of which came when there was no partition for them."""
    with engine.begin() as connection:
        for name in online.partitions_of(connection, "entry"):
            if name not in ("entry_p0", "entry_default"):
                connection.execute(text(f"DROP TABLE {name}"))
    write(session, near_the_end, opening("A"), good("A"), good("A"), now=now)
    session.rollback()
    assert ask(engine, "SELECT count(*) FROM entry_default") == [(2,)]
    return near_the_end


def test_beyond_the_last_partition_nothing_is_lost(overflowing, engine, session, now):
    partitions.make_ahead(engine, upto=1)  # beyond those lines, which stay where they are
    session.execute(text("SELECT setval('entry_id_seq', 20000000)"))
    last = good("A")
    write(session, overflowing, last, now=now)
    assert partition_of(session, last.client_id) == "entry_p2"
    assert verify(session) == []
    assert schema.differences(engine) == []


def test_what_lies_beyond_the_last_partition_is_not_looked_through_under_the_lock(
    overflowing, database
):
    talkative = make_engine(f"{database}&options=-c%20client_min_messages%3Ddebug1")
    said = []

    @event.listens_for(talkative, "connect")
    def hear(connection, _record):
        connection.add_notice_handler(lambda notice: said.append(notice.message_primary))

    partitions.make_ahead(talkative, upto=1)
    talkative.dispose()
    implied = [one for one in said if "entry_default" in one and "is implied by existing" in one]
    assert len(implied) == 1


def test_what_a_try_left_that_broke_off_stops_nobody(
    overflowing, engine, session, now, monkeypatch
):
    def die(*_args):
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr(partitions, "_make", die)
        broken.setattr(partitions, "_let_go_of_default", die)
        with pytest.raises(KeyboardInterrupt):
            partitions.make_ahead(engine, upto=1)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE entry_p2 (id bigint)"))
    partitions.make_ahead(engine, upto=1)
    session.execute(text("SELECT setval('entry_id_seq', 45000000)"))
    write(session, overflowing, good("A"), now=now)  # into the default one again
    assert verify(session) == []
    assert schema.differences(engine) == []


def test_many_that_make_partitions_at_once_make_each_once(near_the_end, engine, session, now):
    write(session, near_the_end, opening("A"), now=now)
    makers = [
        threading.Thread(target=partitions.make_ahead, args=(engine, 25_000_000)) for _ in range(4)
    ]
    for maker in makers:
        maker.start()
    for maker in makers:
        maker.join(60)
    with engine.connect() as connection:
        assert partitions.standing(connection).upper == 40_000_000
    write(session, near_the_end, good("A"), good("A"), now=now)
    assert verify(session) == []


def test_a_table_with_lines_is_never_dropped(near_the_end, engine, session, now, caplog):
    partitions.make_ahead(engine, upto=10_000_000)
    write(session, near_the_end, opening("A"), good("A"), now=now)
    session.rollback()
    with engine.begin() as connection:
        connection.execute(text("ALTER TABLE entry DETACH PARTITION entry_p1"))
    partitions.make_ahead(engine, upto=10_000_000)
    assert "table entry_p1 holds lines, but is no partition of the logbook" in caplog.text
    assert ask(engine, "SELECT count(*) FROM entry_p1") == [(1,)]


@pytest.mark.parametrize("column", ["client_id", "sequence"])
def test_a_partition_takes_nothing_twice(near_the_end, session, now, column):
    write(session, near_the_end, opening("A"), now=now)
    session.execute(text("SELECT setval('entry_id_seq', 100)"))
    twice = "client_id, sequence + 1" if column == "client_id" else "client_id || 'x', sequence"
    with pytest.raises(IntegrityError, match=f"uq_entry_p0.*{column}"):
        session.execute(text(DOUBLE.format(twice)))


DOUBLE = (
    "INSERT INTO entry (client_id, sequence, cell_id, shift_id, kind, occurred_at, recorded_at, "
    "text, reason, previous_hash, hash) SELECT {}, cell_id, shift_id, kind, occurred_at, "
    "recorded_at, text, reason, previous_hash, hash FROM entry ORDER BY id LIMIT 1"
)


def test_verify_finds_what_stands_twice_in_two_partitions(near_the_end, engine, session, now):
    partitions.make_ahead(engine, upto=10_000_000)
    write(session, near_the_end, opening("A"), note("A"), now=now)
    for twice in ("client_id, sequence + 2", "client_id || 'x', sequence"):
        session.execute(text(DOUBLE.format(twice)))
    session.commit()
    found = [item.what for item in verify(session)]
    assert any("stands 2 times" in what for what in found)
    assert any("stands twice" in what or "is missing" in what for what in found)


def test_an_index_is_made_on_every_partition_while_others_write(engine):
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        for _ in range(2):  # a second run finds it there
            online.make_index(connection, "ix_entry_extra", "entry", ["occurred_at", "id"])
        asked = "SELECT count(*) FROM pg_index WHERE indexrelid::regclass::text LIKE '%_extra'"
        partition_count = len(online.partitions_of(connection, "entry"))
        assert connection.scalar(text(asked + " AND indisvalid")) == partition_count + 1


def test_an_index_goes_on_after_a_partition_came_amid_a_try_that_broke_off(engine):
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("CREATE INDEX ix_entry_extra ON ONLY entry (occurred_at, id)"))
        partitions.make_ahead(engine, upto=10_000_000)
        online.make_index(connection, "ix_entry_extra", "entry", ["occurred_at", "id"])
        asked = "SELECT indisvalid FROM pg_index WHERE indexrelid = 'ix_entry_extra'::regclass"
        assert connection.scalar(text(asked))


def test_a_check_is_changed_for_new_rows_and_old_ones(near_the_end, engine, session, now):
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        online.change_check(connection, "entry", "ck_entry_cycles", "cycles < 5")
    write(session, near_the_end, opening("A"), good("A", 4), now=now)
    with pytest.raises(IntegrityError, match="ck_entry_cycles"):
        write(session, near_the_end, good("A", 5), now=now)


def test_check_names_what_a_partition_lacks(engine):
    with engine.begin() as connection:
        connection.execute(text("DROP INDEX uq_entry_default_client_id"))
    said = "partition entry_default has no valid unique index on client_id"
    assert schema.differences(engine) == [said]


def test_a_user_who_may_make_no_tables_is_not_stopped(engine, monkeypatch, caplog):
    monkeypatch.setattr(partitions, "UNIQUE", (("no_such_column",),))
    partitions.make_ahead(engine, upto=10**9)
    assert "the logbook's next partition could not be made" in caplog.text


def test_a_copy_finds_its_partitions_made(engine, session, near_the_end, now):
    partitions.make_ahead(engine, upto=35_000_000)
    with engine.connect() as connection:
        assert partitions.standing(connection).upper >= 40_000_000
    entry = next(one for one in copied_tables() if one.name == "entry")
    set_counters(engine, entry)
    write(session, near_the_end, opening("A"), now=now)
    assert session.scalar(select(Entry.id)) == 1

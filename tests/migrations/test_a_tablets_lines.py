"""The index that leads to a tablet's last line: over tablets' lines alone, and asked for it."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import event, inspect, text
from support.cells import good, make_cell, write
from support.intake import Tablet
from support.migrating import migrate

from trialog.records import online, schema
from trialog.records.database import unit_of_work
from trialog.records.tablets import enrol, make_code
from trialog.records.verify import verify

BEFORE = "0011"
INDEX = "cell_id_tablet_id_sequence"
MANY = """
    INSERT INTO entry (client_id, cell_id, sequence, kind, occurred_at, recorded_at, cycles,
                       text, reason, previous_hash, hash)
    WITH RECURSIVE line(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM line WHERE n < 20000)
    SELECT 'line-' || n, :cell, 1000 + n, 'good', :now, :now, 1, '', '', '', '' FROM line
"""
"""Lines of no tablet, so many that nobody would go through them for the one of a tablet."""


@pytest.fixture
def tablets(session, people, now):
    """Return two tablets at one cell, of which the first has opened a shift there."""
    cell = make_cell(session, now)
    session.commit()
    found = []
    for name in ("by the door", "by the window"):
        with unit_of_work(session):
            code = make_code(session, name=name, cell=None, actor=people.engineer, now=now)
            row, _key = enrol(session, code, now=now)
        found.append(Tablet(session, cell, row, people.operator, now))
    found[0].send(found[0].open(), found[0].good())
    write(session, cell, good("A", 3), now=now)
    session.rollback()
    return found


def the_index(engine):
    """Return what the database says of the index on the whole logbook."""
    found = {index["name"]: index for index in inspect(engine).get_indexes("entry")}
    return found.get(f"ix_entry_{INDEX}")


def test_the_index_comes_to_a_logbook_with_lines_and_goes_again(engine, session, tablets):
    migrate(engine, "downgrade", BEFORE)
    assert the_index(engine) is None
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    assert verify(session) == []
    here, _ = tablets
    assert here.statuses(here.good()) == ["added"]


def test_lines_of_no_tablet_are_not_in_it(engine):
    found = the_index(engine)
    assert found["column_names"] == ["cell_id", "tablet_id", "sequence"]
    (condition,) = (
        said for key, said in found["dialect_options"].items() if key.endswith("_where")
    )
    assert "tablet_id IS NOT NULL" in str(condition)


@pytest.mark.database("postgresql")
@pytest.mark.parametrize("step", [1, 2, 3])
def test_it_is_made_while_others_write_and_goes_on_after_a_break(
    engine, session, tablets, monkeypatch, step
):
    migrate(engine, "downgrade", BEFORE)
    steps = iter(range(1, 20))
    briefly = online.briefly

    def break_off(*args, **options):
        if next(steps) == step:
            raise KeyboardInterrupt
        briefly(*args, **options)

    monkeypatch.setattr(online, "briefly", break_off)
    with pytest.raises(KeyboardInterrupt):
        migrate(engine, "upgrade", "head")
    here, _ = tablets
    assert here.statuses(here.good()) == ["added"]
    session.rollback()
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    with engine.connect() as connection:
        asked = text("SELECT indisvalid FROM pg_index WHERE indexrelid::regclass::text LIKE :name")
        valid = connection.scalars(asked, {"name": f"%{INDEX}"}).all()
        assert valid == [True] * (len(online.partitions_of(connection, "entry")) + 1)


@pytest.fixture
def asked(engine):
    """Return the statements that look for a line of a tablet, each with its values."""
    found = []

    def note(_connection, _cursor, statement, values, *_rest):
        if "entry.tablet_id = " in statement and "ORDER BY" in statement:
            found.append((statement, values))

    event.listen(engine, "before_cursor_execute", note)
    yield found
    event.remove(engine, "before_cursor_execute", note)


@pytest.mark.parametrize("which", [0, 1], ids=["a line before", "its first line"])
def test_a_tablets_last_line_is_found_by_it(engine, session, tablets, asked, which):
    tablet = tablets[which]
    session.execute(text(MANY), {"cell": tablet.cell.id, "now": tablet.now})
    session.execute(text("ANALYZE"))
    session.commit()
    tablet.send(tablet.good())
    ((statement, values),) = asked
    explain = "EXPLAIN QUERY PLAN" if engine.dialect.name == "sqlite" else "EXPLAIN"
    plan = str(session.connection().exec_driver_sql(f"{explain} {statement}", values).all())
    led_by = re.findall(r"(?:USING INDEX|using) (\w+)", plan)
    assert led_by
    assert all(name.endswith(INDEX) for name in led_by)
    assert "Seq Scan on entry_p0" not in plan
    assert "TEMP B-TREE" not in plan

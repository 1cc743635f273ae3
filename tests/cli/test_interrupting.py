"""Ctrl-C amid a command that changes the database: it ends at once, in words, and harms nothing."""

from __future__ import annotations

import signal

import pytest
from sqlalchemy import text
from support.migrating import migrate
from support.waiting import until

from trialog.records import schema
from trialog.records.database import make_engine

BEFORE = "0011"
WAITING = text(
    "SELECT count(*) FROM pg_stat_activity"
    " WHERE wait_event_type = 'Lock' AND datname = current_database()"
)


@pytest.mark.database("postgresql")  # on SQLite nobody is waited for amid a statement
def test_an_upgrade_that_waits_for_others_can_be_called_off(start, database):
    engine = make_engine(database)
    migrate(engine, "downgrade", BEFORE)
    watching = engine.execution_options(isolation_level="AUTOCOMMIT")
    with engine.connect() as busy, watching.connect() as watch:
        busy.execute(text("LOCK TABLE entry IN ROW EXCLUSIVE MODE"))
        process = start("database", "upgrade", "--database", database)
        until(lambda: watch.scalar(WAITING))
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (1, "")
    assert err.splitlines()[0] == "Called off. Run it again to finish it."
    assert "Traceback" not in err
    assert schema.current_version(engine) == BEFORE
    schema.upgrade(engine)
    assert schema.differences(engine) == []
    engine.dispose()

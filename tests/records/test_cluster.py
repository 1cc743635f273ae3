"""A primary dies and its replica takes over: what was acknowledged is there."""

from __future__ import annotations

from sqlalchemy import func, select
from support.cells import good, make_cell, opening, write

from trialog.records import schema
from trialog.records.database import make_engine, make_sessions
from trialog.records.models import Cell, Entry
from trialog.records.verify import verify


def test_the_replica_that_takes_over_has_every_acknowledged_line(mortal_cluster, now):
    engine = make_engine(mortal_cluster.url())
    schema.upgrade(engine)
    with make_sessions(engine)() as session:
        cell = make_cell(session, now)
        session.commit()
        write(session, cell, opening("A"), good("A"), good("A"), now=now)
    mortal_cluster.primary.kill()
    mortal_cluster.replica.promote()
    # The pool's connections are dead; the same URL finds the server that takes writes now.
    with make_sessions(engine)() as session:
        assert session.scalar(select(func.count(Entry.id))) == 3
        write(session, session.scalars(select(Cell)).one(), good("A"), now=now)
        assert verify(session) == []
    engine.dispose()

"""The records: is the database there, whole and safe; do clocks agree; what waits for somebody."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from trialog.cli.doctor.computer import disk
from trialog.cli.doctor.findings import Finding, look, ok, wrong
from trialog.feeds.mtconnect.standing import FeedState, feeds_standing
from trialog.records import partitions, schema
from trialog.records.database import make_sessions
from trialog.records.disk import embedded_file
from trialog.records.feeds import all_feeds
from trialog.records.models import AuditEvent, DueReport, Entry, Notice, Person
from trialog.records.outbox import lost
from trialog.records.parking import count_by_outcome
from trialog.records.words import Role
from trialog.reports.words import counted
from trialog.web.journal.faults import words_of
from trialog.web.probing import Probe

PATIENCE = 10.0
"""Seconds that the database has to answer."""

RESTORE = "stop the server, keep the database as it is, and restore the newest backup."
CLOCK_SLACK = timedelta(minutes=1)
STUCK_TRIES = 3
SAFE = ("fsync", "full_page_writes", "synchronous_commit")
"""Settings of PostgreSQL without which a power cut loses what was acknowledged."""


def look_through(engine: Engine, now: datetime, *, patience: float = PATIENCE) -> Iterator[Finding]:
    """Look at the database; at what is in it only where its schema is this version's."""
    shown = engine.url.render_as_string(hide_password=True)
    probe = Probe(lambda: schema.current_version(engine), patience=patience, kept=0)
    try:
        current = probe.answer()
    except TimeoutError:
        do = "See whether it runs, and whether a network or a firewall is in between."
        yield wrong("database", f"{shown} does not answer within {patience:g} s", do)
        return
    except SQLAlchemyError as error:
        do = "See whether it runs, and whether TRIALOG_DATABASE_URL is right."
        yield wrong("database", f"{shown} cannot be used ({words_of(error)})", do)
        return
    yield ok("database", f"{shown} answers")
    yield from _safety(engine)
    if (newest := schema.newest_version()) != current:
        says = f"is at {current or 'nothing'}, this trialog needs {newest}"
        yield wrong("schema", says, f"Run: {schema.UPGRADE_COMMAND}")
        return
    yield ok("schema", f"{current}, this version's")
    yield from _or_why_not("partitions", _partitions(engine))
    with make_sessions(engine)() as session:
        for name, looked in (
            ("clock", _clock(session, now)),
            ("people", _people(session)),
            ("parked lines", _parked(session)),
            ("lost notices", _lost(session)),
            ("kept reports", _stuck(session)),
            ("machines", _machines(session, now)),
        ):
            yield from _or_why_not(name, looked)
            # After an error PostgreSQL answers nothing more within the transaction.
            session.rollback()


def _or_why_not(name: str, looked: Iterator[Finding]) -> Iterator[Finding]:
    """Yield what a look finds. Where an error of the database ends it, that is what it finds.

    A damaged database is what the doctor is there for: the other looks go on.
    """
    try:
        yield from looked
    except SQLAlchemyError as error:
        do = f"Where nothing else explains it, the database is damaged: {RESTORE}"
        yield wrong(name, f"cannot be looked at ({words_of(error)})", do)


def _safety(engine: Engine) -> Iterator[Finding]:
    """Look whether what is acknowledged survives a power cut, and whether the file is whole."""
    if engine.dialect.name == "postgresql":
        yield from _or_why_not("journal", _of_postgresql(engine))
        return
    yield from _or_why_not("journal", _journal(engine))
    yield from _or_why_not("integrity", _integrity(engine))
    if (file := embedded_file(engine.url)) is not None:
        yield from disk(file)


def _journal(engine: Engine) -> Iterator[Finding]:
    with engine.connect() as connection:
        mode = connection.exec_driver_sql("PRAGMA journal_mode").scalar()
    if mode != "wal":
        do = "Move the data folder to a local disk: network file systems cannot keep it safe."
        yield wrong("journal", f"is {mode}, not wal", do)
    else:
        yield ok("journal", "wal, on the disk before anything is acknowledged")


def _integrity(engine: Engine) -> Iterator[Finding]:
    with engine.connect() as connection:
        found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
    if found != "ok":
        says = " ".join(str(found).split())
        yield wrong("integrity", f"quick check: {says}", RESTORE.capitalize())
    else:
        yield ok("integrity", "quick check passed; trialog verify looks at every line")


def _of_postgresql(engine: Engine) -> Iterator[Finding]:
    with engine.connect() as connection:
        version = connection.scalar(text("SHOW server_version"))
        off = [name for name in SAFE if connection.scalar(text(f"SHOW {name}")) == "off"]
    if off:
        do = "Switch it on in postgresql.conf: what was acknowledged may be lost in a power cut."
        yield wrong("journal", f"PostgreSQL {version}: {', '.join(off)} off", do)
    else:
        says = f"PostgreSQL {version}, on its disk before anything is acknowledged"
        yield ok("journal", says)


def _partitions(engine: Engine) -> Iterator[Finding]:
    """Look whether the logbook's next lines have a partition of their own to go into."""
    name = "partitions"
    if engine.dialect.name != "postgresql":
        return
    with engine.connect() as connection:
        lacking = list(partitions.missing(connection))
        if lacking:
            yield wrong(name, "; ".join(lacking), "See the page on PostgreSQL in the help.")
            return
        found = partitions.standing(connection)
    room = max(found.upper - found.highest, 0)
    says = f"room for {room:,} lines in those that are made"
    do = f"Run: {schema.UPGRADE_COMMAND}, as the user who owns the tables."
    if found.overflow:
        yield look(name, f"lines lie in the default one; {says}", do)
    elif room < partitions.LITTLE_ROOM:
        yield look(name, says, do)
    else:
        yield ok(name, says)


def _clock(session: Session, now: datetime) -> Iterator[Finding]:
    """Compare this computer's clock with the last of what was written."""
    written = (
        session.scalar(select(column).order_by(key.desc()).limit(1))
        for column, key in ((Entry.recorded_at, Entry.id), (AuditEvent.at, AuditEvent.id))
    )
    newest = max((moment for moment in written if moment is not None), default=None)
    if newest is not None and newest - now > CLOCK_SLACK:
        says = f"{now:%Y-%m-%d %H:%M} UTC, before the last line ({newest:%Y-%m-%d %H:%M} UTC)"
        do = "Set the clock, and let it be kept by a time server: revisions take effect by time."
        yield wrong("clock", says, do)
    else:
        yield ok("clock", f"{now:%Y-%m-%d %H:%M:%S} UTC, not before the last line")


def _people(session: Session) -> Iterator[Finding]:
    statement = select(func.count()).where(Person.active, Person.role == Role.ADMIN)
    admins = session.scalar(statement) or 0
    if admins:
        yield ok("people", f"{counted(admins, 'admin')}")
    else:
        yield wrong("people", "nobody is an admin", "trialog people add --role admin --name …")


def _parked(session: Session) -> Iterator[Finding]:
    number = count_by_outcome(session)[None]
    yield _waiting("parked lines", number, "line", "An engineer sees to them, under Tablets.")


def _lost(session: Session) -> Iterator[Finding]:
    number = session.scalar(select(func.count()).select_from(Notice).where(lost())) or 0
    yield _waiting("lost notices", number, "notice", "trialog notices --retry")


def _stuck(session: Session) -> Iterator[Finding]:
    stuck = select(func.count()).select_from(DueReport).where(DueReport.tries >= STUCK_TRIES)
    number = session.scalar(stuck) or 0
    yield _waiting("kept reports", number, "report", "See the server's log for why they fail.")


def _waiting(name: str, number: int, things: str, do: str) -> Finding:
    """Return the finding on what waits for somebody."""
    if number:
        return look(name, f"{counted(number, things)} waiting", do)
    return ok(name, "none waiting")


def _machines(session: Session, now: datetime) -> Iterator[Finding]:
    """Look whether the machines that are listened to are heard."""
    states = feeds_standing(all_feeds(session), now).by_state
    told = [f"{number} {state}" for state, number in states.items() if number]
    says = ", ".join(told) or "none is listened to"
    if states[FeedState.SILENT]:
        yield look("machines", says, "Run beside the server: trialog feed run")
    elif states[FeedState.FAILING]:
        yield look("machines", says, "trialog feed list says why.")
    else:
        yield ok("machines", says)

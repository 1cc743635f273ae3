"""Copy all records into an empty database, from one moment, and make sure that they are the same.

While rows arrive, the target's schema version says that it is a copy under way and of which
records: no command works on it, and whoever was interrupted goes on where he was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, func, select, text
from sqlalchemy.exc import IntegrityError

from trialog.errors import ConflictError
from trialog.records import schema
from trialog.records.copying.rows import Progress, carry, clear, count, set_counters, writing
from trialog.records.copying.tables import Copied, copied_tables
from trialog.records.database import make_sessions, read_one_moment
from trialog.records.models import AuditChain, AuditEvent, Cell, Entry
from trialog.records.partitions import make_ahead
from trialog.records.verify import Difference, verify

MOST_PASSES = 5
"""How often what was written in between is fetched before a move gives up."""

Begin = Callable[[int], None]
"""Told how many rows there are, each time rows begin to be carried."""


@dataclass(frozen=True)
class Heads:
    """Where the chains end: each cell's logbook and the audit."""

    logbooks: tuple[tuple[int, int, str], ...]
    audit: tuple[int, str]


@dataclass(frozen=True)
class Moment:
    """What the records held when they were read."""

    counts: dict[str, int]
    heads: Heads


@dataclass(frozen=True)
class Moved:
    """What was copied, and where it is not what the logbook says: it was not so before either."""

    moment: Moment
    differences: tuple[Difference, ...]


def move(source: Engine, target: Engine, *, begin: Begin, progress: Progress) -> Moved:
    """Copy all records from one database to another that has none, and verify them there.

    What is written to the source meanwhile is fetched too, until nothing new has come.

    Raises
    ------
    ConflictError
        If the target holds other records, or the source is written to without an end.
    SchemaBehindError
        If the source's schema is not this version's.
    """
    mark = _prepare(source, target)
    for _ in range(MOST_PASSES):
        moment = _copy_once(source, target, begin, progress)
        if heads_of(source) == moment.heads:
            break
    else:
        raise ConflictError(
            "the records were written to all the time, so that the copy never caught up; stop "
            "trialog serve and run this again: it goes on from here"
        )
    _require_same(target, moment)
    with make_sessions(target)() as session:
        read_one_moment(session)
        differences = tuple(verify(session))
    _finish(target, mark)
    return Moved(moment, differences)


def copy_moment(source: Engine, target: Engine, *, begin: Begin, progress: Progress) -> None:
    """Copy the records as they stand at one moment, whatever is written meanwhile."""
    mark = _prepare(source, target)
    _require_same(target, _copy_once(source, target, begin, progress))
    _finish(target, mark)


def identity_of(engine: Engine) -> str:
    """Return what these records have and no others: the hash of the first event of the audit."""
    with engine.connect() as connection:
        first = select(AuditEvent.hash).order_by(AuditEvent.sequence).limit(1)
        return connection.scalar(first) or "nothing"


def heads_of(engine: Engine) -> Heads:
    """Return where the chains of a database's records end now."""
    with engine.connect() as connection:
        return read_heads(connection)


def read_heads(connection: Connection) -> Heads:
    """Return where the chains end as a connection sees them."""
    cells = select(Cell.id, Cell.chain_length, Cell.chain_head).order_by(Cell.id)
    end = connection.execute(select(AuditChain.length, AuditChain.head)).one()
    logbooks = tuple(
        (row.id, row.chain_length, row.chain_head) for row in connection.execute(cells)
    )
    return Heads(logbooks, (end.length, end.head))


@contextmanager
def one_moment(engine: Engine) -> Iterator[Connection]:
    """Read from a database as it stands now, however long that takes and whoever writes."""
    options = {}
    if engine.dialect.name == "postgresql":
        options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    with engine.connect().execution_options(**options) as connection:
        yield connection


def read_counts(connection: Connection) -> dict[str, int]:
    """Return how many rows each table holds."""
    return {copied.name: count(connection, copied) for copied in copied_tables()}


def _prepare(source: Engine, target: Engine) -> str:
    """Make the target ready, and return the mark that says whose copy it is."""
    schema.require_current(source)
    if source.url == target.url:
        raise ConflictError("the records are in this database already: name another one")
    mark = f"{schema.COPYING} {identity_of(source)[:16]}"
    current = schema.current_version(target)
    if current == mark:
        return mark
    if current is not None and current.startswith(schema.COPYING):
        raise ConflictError("the database holds a part of a copy of other records: empty it first")
    if current is None:
        schema.upgrade(target)
    schema.require_current(target)
    _require_empty(target)
    _stamp(target, schema.newest_version(), mark)
    return mark


def _require_empty(target: Engine) -> None:
    with target.connect() as connection:
        filled = [copied.name for copied in copied_tables() if _holds_rows(connection, copied)]
    if filled:
        names = ", ".join(name.replace("_", " ") for name in filled[:3])
        raise ConflictError(f"the database holds records already ({names}): name an empty one")


def _holds_rows(connection: Connection, copied: Copied) -> bool:
    if copied.name == AuditChain.__tablename__:  # the schema comes with it
        return bool(connection.scalar(select(AuditChain.length)))
    return connection.execute(select(*copied.key).limit(1)).first() is not None


def _stamp(target: Engine, before: str | None, after: str | None) -> None:
    with writing(target) as connection:
        changed = connection.execute(
            text("UPDATE alembic_version SET version_num = :after WHERE version_num = :before"),
            {"before": before, "after": after},
        )
        if changed.rowcount != 1:
            raise ConflictError("the database is being copied into by somebody else as well")


def _copy_once(source: Engine, target: Engine, begin: Begin, progress: Progress) -> Moment:
    """Bring the target to what the source holds at one moment."""
    for copied in copied_tables():
        if not copied.pointed_at and not copied.appended:
            clear(target, copied)
    with one_moment(source) as connection:
        moment = Moment(read_counts(connection), read_heads(connection))
        make_ahead(target, upto=connection.scalar(select(func.max(Entry.id))) or 0)
        begin(sum(moment.counts.values()))
        for copied in copied_tables():
            try:
                carry(connection, target, copied, progress)
            except IntegrityError as error:
                raise ConflictError(
                    f"rows of {copied.name.replace('_', ' ')} break a rule of the database; run "
                    f"trialog verify on the records that are copied ({error.orig})"
                ) from error
    return moment


def _require_same(target: Engine, moment: Moment) -> None:
    """Compare what has arrived with what was read."""
    with one_moment(target) as connection:
        counts, heads = read_counts(connection), read_heads(connection)
    for name, there in moment.counts.items():
        if counts[name] != there:
            what = name.replace("_", " ")
            raise ConflictError(f"{what} has {counts[name]} rows in the copy, but {there} before")
    if heads != moment.heads:
        raise ConflictError("the copy's logbooks or audit do not end where those of the records do")


def _finish(target: Engine, mark: str) -> None:
    for copied in copied_tables():
        set_counters(target, copied)
    _stamp(target, mark, schema.newest_version())

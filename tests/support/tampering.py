"""Write into the records as somebody does who has the database's password and no trialog."""

from __future__ import annotations

from contextlib import contextmanager

from sqlalchemy import NullPool, create_engine, event, text


def past_the_application(session, *statements):
    """Run statements on a connection of their own, without the application's rules."""
    session.rollback()
    engine = create_engine(session.get_bind().url, poolclass=NullPool)
    with engine.begin() as connection:
        for statement in statements:
            connection.execute(statement)


@contextmanager
def without_rules(url):
    """Open a connection on which no foreign key holds; SQLite holds none unless asked to."""
    engine = create_engine(url, poolclass=NullPool)
    if engine.dialect.name == "sqlite":
        # The driver begins too late for a savepoint to be part of what is rolled back.
        event.listen(engine, "connect", lambda raw, _: setattr(raw, "isolation_level", None))
        event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN"))
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SET session_replication_role = replica"))
            connection.commit()
        yield connection

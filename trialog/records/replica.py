"""Read from a replica of the database where it is not behind by more than a bound."""

from __future__ import annotations

import logging
import threading
import time

from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.orm import Session

from trialog.records.database import Limits, make_engine

AFTER_A_FAULT_SECONDS = 30.0
"""How long a replica that failed is not asked again: its faults take time of their own."""

_END = text("SELECT pg_current_wal_lsn()::text")
_BEHIND = text(
    "SELECT CASE WHEN NOT pg_is_in_recovery() THEN NULL "
    "WHEN pg_last_wal_replay_lsn() >= CAST(:end AS pg_lsn) THEN 0 "
    "ELSE extract(epoch FROM clock_timestamp() - pg_last_xact_replay_timestamp()) END"
)

_log = logging.getLogger(__name__)


class Replica:
    """A streaming replica of the primary, for reading what may be some seconds old."""

    def __init__(self, primary: Engine, url: str, most_behind: float, limits: Limits) -> None:
        self.engine = make_engine(url, limits)
        self._primary, self._most_behind = primary, most_behind
        self._rests_until = 0.0
        self._lock = threading.Lock()

    def session(self) -> Session | None:
        """Return a session on the replica; None where it fails, or is behind by more than that."""
        with self._lock:
            if time.monotonic() < self._rests_until:
                return None
        try:
            behind = self._behind()
        except (DBAPIError, PoolTimeoutError) as error:
            with self._lock:
                self._rests_until = time.monotonic() + AFTER_A_FAULT_SECONDS
            _log.warning("the replica cannot be read, so reports read the primary: %s", type(error))
            return None
        return Session(self.engine) if behind is not None and behind <= self._most_behind else None

    def _behind(self) -> float | None:
        """Return for how many seconds the replica has lagged; None: it is none, or knows nothing.

        Asked of the primary first: a replica that lost its connection has replayed all it got.
        """
        with self._primary.connect() as connection:
            end = connection.scalar(_END)
        with self.engine.connect() as connection:
            seconds = connection.scalar(_BEHIND, {"end": end})
        return None if seconds is None else float(seconds)

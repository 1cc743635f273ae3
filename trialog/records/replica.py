"""Read from a replica of the database where it has all that was written, or nearly all."""

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

CATCH_UP_SECONDS = 0.1
"""How long a replica is waited for that has not replayed all yet: mostly it takes milliseconds."""

_LOOK_SECONDS = 0.005

_END = text("SELECT pg_current_wal_lsn()::text")
_BEHIND = text(
    "SELECT CASE WHEN NOT pg_is_in_recovery() THEN NULL "
    "WHEN pg_last_wal_replay_lsn() >= CAST(:end AS pg_lsn) THEN 0 "
    "ELSE extract(epoch FROM clock_timestamp() - pg_last_xact_replay_timestamp()) END"
)

_log = logging.getLogger(__name__)


class Replica:
    """A streaming replica of the primary, for reading."""

    def __init__(self, primary: Engine, url: str, most_behind: float, limits: Limits) -> None:
        self.engine = make_engine(url, limits)
        self._primary, self._most_behind = primary, most_behind
        self._rests_until = 0.0
        self._lock = threading.Lock()

    def session(self, *, fresh: bool = False) -> Session | None:
        """Return a session on the replica; None where it fails, or is behind by more than it may.

        It is waited for, for a moment, until it has all that was committed before. `fresh`: where
        it has not even then, it is left out, however little it is behind.
        """
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
        most = 0.0 if fresh else self._most_behind
        return Session(self.engine) if behind is not None and behind <= most else None

    def _behind(self) -> float | None:
        """Return for how many seconds the replica has lagged; None: it is none, or knows nothing.

        0: it has all that the primary had committed when this was asked.

        Asked of the primary first: a replica that lost its connection has replayed all it got.
        """
        with self._primary.connect() as connection:
            end = connection.scalar(_END)
        until = time.monotonic() + CATCH_UP_SECONDS
        with self.engine.connect() as connection:
            while seconds := connection.scalar(_BEHIND, {"end": end}):
                if time.monotonic() >= until:
                    break
                time.sleep(_LOOK_SECONDS)
        return None if seconds is None else float(seconds)

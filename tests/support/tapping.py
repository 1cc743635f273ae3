"""A program that taps good cycles and says each one's id once it is acknowledged.

Run by the test of sudden death: `python tapping.py DATABASE_URL CELL_ID`.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

from trialog.records.database import make_engine, make_sessions, unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Cell
from trialog.records.words import EntryKind


def main(url, cell_id):
    with make_sessions(make_engine(url))() as session:
        number = 0
        while True:
            number += 1
            tap = NewEntry(client_id=f"tap-{number}", kind=EntryKind.GOOD, shift="A", cycles=1)
            with unit_of_work(session):
                cell = session.get_one(Cell, cell_id)
                write_entries(session, cell, [tap], actor=None, now=datetime.now(UTC))
            print(tap.client_id, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))

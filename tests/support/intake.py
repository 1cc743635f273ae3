"""Tablets whose lines go straight to the intake, each with its own running numbers."""

from __future__ import annotations

import hashlib
import itertools
from datetime import timedelta

from sqlalchemy import select
from support.cells import new_id

from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.intake import Incoming, take_in
from trialog.records.models import Cell, ParkedLine
from trialog.records.photos import JPEG_BEGINS, store_photo
from trialog.records.words import EntryKind, Stage


class Tablet:
    """A tablet that taps and sends by itself."""

    def __init__(self, session, cell, row, person, now):
        self.session, self.cell, self.row, self.person, self.now = session, cell, row, person, now
        self.numbers = itertools.count(1)

    def line(self, kind, *, shift="A", after=0, **fields):
        """Return a line tapped so many seconds after the test's moment."""
        moment = self.now + timedelta(seconds=after)
        facts = {"person_id": self.person.id, "occurred_at": moment, "tablet_time": moment}
        entry = NewEntry(
            client_id=new_id("tap"), kind=kind, shift=shift,
            tablet_id=self.row.id, tablet_number=next(self.numbers), **facts | fields,
        )  # fmt: skip
        return Incoming(entry.client_id, {"kind": kind.value, "client_id": entry.client_id}, entry)

    def open(self, shift="A", **fields):
        return self.line(EntryKind.SHIFT_OPENED, shift=shift, stage=Stage.BY_HAND, **fields)

    def good(self, cycles=1, **fields):
        return self.line(EntryKind.GOOD, cycles=cycles, **fields)

    def failed(self, *modes, **fields):
        ids = tuple(mode.id for mode in modes)
        return self.line(EntryKind.FAILED, cycles=1, mode_ids=ids, **fields)

    def undo(self, target, **fields):
        return self.line(EntryKind.UNDO, target=target.client_id, **fields)

    def photo(self, target, **fields):
        """Let a photo of a failed cycle arrive, and return its line."""
        content = JPEG_BEGINS + b" a part on the floor"
        name = hashlib.sha256(content).hexdigest()
        with unit_of_work(self.session):
            store_photo(self.session, name, content, tablet=self.row, now=self.now)
        about = {"target": target.client_id, "photo": name}
        return self.line(EntryKind.PHOTO, **about | fields)

    def send(self, *lines, after=0):
        """Send lines so many seconds after the test's moment; return what became of each."""
        moment = self.now + timedelta(seconds=after)
        with unit_of_work(self.session):
            cell = self.session.get_one(Cell, self.cell.id)
            return take_in(self.session, cell, self.row, lines, now=moment)

    def statuses(self, *lines, after=0):
        return [taken.status for taken in self.send(*lines, after=after)]


def parked_rows(session):
    """Return all parked lines, settled ones too, in the order they came."""
    session.rollback()
    return session.scalars(select(ParkedLine).order_by(ParkedLine.id)).all()

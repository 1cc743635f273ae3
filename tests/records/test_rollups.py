"""Rollups against an independent recount: random days, counted afresh from what was sent.

The recount below shares no code with the application. It keeps no rollups and no caches: it
walks over what was sent, in order, and adds up.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from datetime import timedelta

import pytest
from sqlalchemy import select
from support.cells import closing, failed, good, note, opening, revision, ruling, undo

from trialog.records.models import (
    CellRollup,
    DeviceRollup,
    Entry,
    FailurePosition,
    ModeRollup,
    Revision,
    Shift,
)
from trialog.records.words import EntryKind

SEEDS = range(8)
STEPS = 60


class RandomDay:
    """Writes a random but valid sequence of lines, and remembers what it sent."""

    def __init__(self, logbook, cell, seed):
        self.logbook, self.cell = logbook, cell
        self.random = random.Random(seed)
        self.clock = logbook.now
        self.sent = []
        self.labels = {}
        self.undone = set()
        self.open = None
        self.modes = [cell.dropped, cell.slow, cell.chips, cell.missed]
        self.devices = [cell.arm, cell.jet, cell.tray]

    def run(self, steps):
        for _ in range(steps):
            self.clock += timedelta(minutes=self.random.randint(1, 90))
            for line in self._lines():
                self._write(line)

    def _write(self, line):
        self.logbook.write(line, now=self.clock)
        self.sent.append((line, line.occurred_at or self.clock))
        if line.kind is EntryKind.UNDO:
            self.undone.add(line.target)

    def _lines(self):
        if self.open is None:
            self.open = f"shift {len(self.labels)}"
            self.labels[self.open] = None
            yield opening(self.open)
            return
        actions = {
            self._tap: 6, self._fail: 5, self._undo: 3, self._rule: 3, self._revise: 1,
            self._undo_revision: 1, self._close: 1, self._say: 1,
        }  # fmt: skip
        chosen = self.random.choices(list(actions), list(actions.values()))[0]
        line = chosen()
        if line is not None:
            yield line

    def _standing(self, *kinds, shift=None):
        return [
            line for line, _ in self.sent
            if line.kind in kinds and line.client_id not in self.undone
            and (shift is None or line.shift == shift)
        ]  # fmt: skip

    def _pick(self, lines):
        return self.random.choice(lines) if lines else None

    def _tap(self):
        return good(self.open, self.random.choice([1, 1, 1, 5, 40]))

    def _fail(self):
        modes = self.random.sample(self.modes, self.random.choice([1, 1, 2, 3]))
        return failed(self.open, *modes)

    def _say(self):
        return note(self.open)

    def _undo(self):
        line = self._pick(self._standing(EntryKind.GOOD, EntryKind.FAILED, shift=self.open))
        return line and undo(line.client_id)

    def _rule(self):
        line = self._pick(self._standing(EntryKind.FAILED))
        if line is None:
            return None
        mode = self.random.choice([None, *(m for m in self.modes if m.id in line.mode_ids)])
        return ruling(line.client_id, relevant=self.random.random() < 0.4, mode=mode)

    def _revise(self):
        back = timedelta(hours=self.random.choice([0, 0, 5, 40]))
        return revision(self.random.choice(self.devices), occurred_at=self.clock - back)

    def _undo_revision(self):
        line = self._pick(self._standing(EntryKind.REVISION))
        return line and undo(line.client_id)

    def _close(self):
        label, self.open = self.open, None
        return closing(label)


class Recount:
    """What the lines that were sent add up to."""

    def __init__(self, day):
        self.cell = defaultdict(Counter)
        self.devices = defaultdict(Counter)
        self.modes = defaultdict(Counter)
        self.before = {}
        self._starts = sorted(
            (at, place, line.client_id) for place, (line, at) in enumerate(day.sent)
            if line.kind is EntryKind.REVISION and line.client_id not in day.undone
        )  # fmt: skip
        self._device_of = {mode.id: mode.device_id for mode in day.modes}
        self._devices = [device.id for device in day.devices]
        self._rulings = self._last_rulings(day)
        for line, at in day.sent:
            if line.cycles and line.client_id not in day.undone:
                self._count(line, (line.shift, self._revision_at(at)))

    def _revision_at(self, moment):
        started = [client_id for at, _, client_id in self._starts if at <= moment]
        return started[-1] if started else None

    def _last_rulings(self, day):
        last = {}
        for line, _ in day.sent:
            if line.kind is EntryKind.RULING and line.client_id not in day.undone:
                for mode in [m.id for m in day.modes]:
                    if line.failure_mode_id in (None, mode):
                        last[line.target, mode] = line.relevant
        return last

    def _count(self, line, where):
        relevant = {mode: self._rulings.get((line.client_id, mode), True) for mode in line.mode_ids}
        for mode, counts in relevant.items():
            self.before[line.client_id, mode] = self.cell[where]["logged"]
            self.modes[*where, mode]["relevant" if counts else "non_relevant"] += 1
            self.modes[*where, mode]["unruled"] += (line.client_id, mode) not in self._rulings
        self.cell[where]["logged"] += line.cycles
        self._outcome(self.cell[where], list(relevant.values()), line.cycles)
        for device in self._devices:
            own = [counts for mode, counts in relevant.items() if self._device_of[mode] == device]
            self._outcome(self.devices[*where, device], own, line.cycles)

    @staticmethod
    def _outcome(counter, relevances, cycles):
        if relevances and not any(relevances):
            counter["no_tests"] += cycles
            return
        counter["cycles"] += cycles
        counter["failures"] += any(relevances)


def stored(session, table, *keys, values):
    """Read a rollup table as the recount writes it: shift label, revision's line, keys."""
    lines = select(Revision.id, Entry.client_id).outerjoin(Entry, Entry.id == Revision.entry_id)
    revisions = dict(list(session.execute(lines)))
    labels = {shift.id: shift.label for shift in session.scalars(select(Shift))}
    return {
        (labels[row.shift_id], revisions[row.revision_id], *(getattr(row, k) for k in keys)): {
            value: getattr(row, value) for value in values
        }
        for row in session.scalars(select(table))
    }


def filled(counters, names):
    """Write the recount's counters with their zeros."""
    return {key: {name: counter[name] for name in names} for key, counter in counters.items()}


COUNTS = ("cycles", "failures", "no_tests")


@pytest.mark.parametrize("seed", SEEDS)
def test_rollups_of_a_random_day_equal_an_independent_recount(logbook, cell, session, seed):
    day = RandomDay(logbook, cell, seed)
    day.run(STEPS)
    session.rollback()
    recount = Recount(day)
    names = ("logged", *COUNTS)
    assert stored(session, CellRollup, values=names) == filled(recount.cell, names)
    assert stored(session, DeviceRollup, "device_id", values=COUNTS) == filled(
        recount.devices, COUNTS
    )
    names = ("relevant", "non_relevant", "unruled")
    assert stored(session, ModeRollup, "failure_mode_id", values=names) == filled(
        recount.modes, names
    )
    assert places(session) == recount.before
    assert logbook.verify() == []


def places(session):
    """Return how many cycles were logged before each failure, by its line and mode."""
    rows = select(Entry.client_id, FailurePosition).join(
        FailurePosition, FailurePosition.entry_id == Entry.id
    )
    return {
        (client_id, place.failure_mode_id): place.logged_before
        for client_id, place in session.execute(rows)
    }


def test_the_random_days_hold_what_is_hard(logbook, cell):
    """Guard the test above: without undone, ruled and back-dated lines it would show little."""
    day = RandomDay(logbook, cell, seed=0)
    day.run(STEPS * 3)
    kinds = Counter(line.kind for line, _ in day.sent)
    assert min(kinds[kind] for kind in ("undo", "ruling", "revision", "close")) >= 3

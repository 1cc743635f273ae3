"""Tablets over bad Wi-Fi: whatever is cut, repeated or late, the logbook equals the taps."""

from __future__ import annotations

import random

import pytest

from trialog.records.words import EntryKind

TAPS = 60
SEEDS = range(6)


class Sender:
    """A tablet with a queue: sends its oldest lines first, and hears an answer or not."""

    def __init__(self, tablet, chance):
        self.tablet, self.chance = tablet, chance
        self.queue, self.taps, self.seen = [], [], 0

    def tap(self, line):
        self.queue.append(line)
        self.taps.append(line)

    def tap_anything(self, modes):
        kind = self.chance.choices(("good", "failed", "note", "undo"), (12, 3, 1, 1))[0]
        standing = [line for line in self.taps if line.entry.cycles and not self._is_undone(line)]
        if kind == "failed":
            self.tap(self.tablet.failed(self.chance.choice(modes), seen=self.seen, waited=True))
        elif kind == "note":
            self.tap(
                self.tablet.line(EntryKind.NOTE, text="chips packed", seen=self.seen, waited=True)
            )
        elif kind == "undo" and standing:
            self.tap(self.tablet.undo(standing[-1], seen=self.seen, waited=True))
        else:
            self.tap(
                self.tablet.good(self.chance.choice((1, 1, 1, 7)), seen=self.seen, waited=True)
            )

    def _is_undone(self, line):
        return any(one.entry.target == line.client_id for one in self.taps)

    def send(self):
        """Send a batch: it may never arrive, or arrive twice, or its answer may get lost."""
        batch = self.queue[: self.chance.randint(1, 8)]
        fate = self.chance.choice(("heard", "heard", "lost on the way", "answer lost", "twice"))
        if not batch or fate == "lost on the way":
            return
        taken = self.tablet.send(*batch)
        if fate == "twice":
            taken = self.tablet.send(*batch)
        if fate != "answer lost":
            del self.queue[: len(batch)]
            self.seen = max([self.seen, *(one.sequence or 0 for one in taken)])

    def expected_cycles(self):
        counted = [one for one in self.taps if one.entry.kind in (EntryKind.GOOD, EntryKind.FAILED)]
        return sum(line.entry.cycles for line in counted if not self._is_undone(line))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_logbook_equals_the_taps(logbook, tablets, cell, seed):
    chance = random.Random(seed)
    senders = [Sender(tablets(), chance) for _ in range(2)]
    senders[0].tap(senders[0].tablet.open(counter=0))
    while senders[0].queue:
        senders[0].send()
    for _ in range(TAPS):
        sender = chance.choice(senders)
        sender.tap_anything([cell.chips, cell.dropped, cell.missed])
        if chance.random() < 0.6:
            chance.choice(senders).send()
    while any(sender.queue for sender in senders):
        chance.choice(senders).send()
    entries = logbook.entries()
    for sender in senders:
        own = [one for one in entries if one.tablet_id == sender.tablet.row.id]
        assert [one.client_id for one in own] == [line.client_id for line in sender.taps]
        times = [one.occurred_at for one in own]
        assert times == sorted(times)
    assert logbook.totals()[0] == sum(sender.expected_cycles() for sender in senders)
    assert logbook.verify() == []

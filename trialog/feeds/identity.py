"""Client ids for lines that come without one: the same line always gets the same id."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from operator import attrgetter

from trialog.records.entries import NewEntry

_NAMESPACE = uuid.UUID("5f0a3a5e-2f0c-5d53-9a53-0d2f4a8c1b6e")

_ALWAYS = (
    "kind", "person_id", "shift", "occurred_at", "cycles", "cycle_number", "order_known",
    "mode_ids", "stage", "counter", "counter_event", "reading", "clear_seconds", "condition",
    "device_id", "resets_evidence", "failure_mode_id", "relevant", "target", "text", "reason",
)  # fmt: skip
"""What an id is made of. Never to be changed: a file that was imported before must be known."""

_WHERE_GIVEN = ("photo", "tablet_number", "tablet_time", "cause")
"""Facts that lines have only since tablets log on their own, and since rulings name a cause. A
tablet's number in these records is not among them: it is another one in each."""

_always, _where_given = attrgetter(*_ALWAYS), attrgetter(*_WHERE_GIVEN)


@dataclass
class Identities:
    """Makes ids out of a line's cell and content, and of how often it stood there before.

    So a file that is imported again, even with lines added or in another character set,
    repeats the lines that are in the logbook already.
    """

    cell_id: int
    _seen: Counter[str] = field(default_factory=Counter)

    def named(self, entry: NewEntry) -> NewEntry:
        """Return a line with an id made for it; the one it has is not looked at."""
        return replace(entry, client_id=self.name_of(entry))

    def name_of(self, entry: NewEntry) -> str:
        """Return the id that is made for a line."""
        content = "\x1f".join(_content(entry))
        self._seen[content] += 1
        name = f"{self.cell_id}\x1f{self._seen[content]}\x1f{content}"
        return str(uuid.uuid5(_NAMESPACE, name))


def _content(entry: NewEntry) -> Iterator[str]:
    yield from map(str, _always(entry))
    for name, value in zip(_WHERE_GIVEN, _where_given(entry), strict=True):
        if value is not None:
            yield f"{name}={value}"

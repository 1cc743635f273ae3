"""Client ids for lines that come without one: the same line always gets the same id."""

from __future__ import annotations

import uuid
from collections import Counter
from dataclasses import dataclass, field, fields, replace
from operator import attrgetter

from trialog.records.entries import NewEntry

_NAMESPACE = uuid.UUID("5f0a3a5e-2f0c-5d53-9a53-0d2f4a8c1b6e")
_content = attrgetter(
    *(each.name for each in fields(NewEntry) if each.name not in {"client_id", "mismatch_accepted"})
)


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
        content = "\x1f".join(map(str, _content(entry)))
        self._seen[content] += 1
        name = f"{self.cell_id}\x1f{self._seen[content]}\x1f{content}"
        return replace(entry, client_id=str(uuid.uuid5(_NAMESPACE, name)))

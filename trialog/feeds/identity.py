"""Client ids for lines that come without one: the same line always gets the same id."""

from __future__ import annotations

import hashlib
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter
from typing import NamedTuple

from trialog.records.entries import NewEntry

_NAMESPACE = uuid.UUID("5f0a3a5e-2f0c-5d53-9a53-0d2f4a8c1b6e").bytes

_ALWAYS = (
    "kind", "person_id", "shift", "occurred_at", "cycles", "cycle_number", "order_known",
    "mode_ids", "stage", "counter", "counter_event", "reading", "clear_seconds", "condition",
    "device_id", "resets_evidence", "failure_mode_id", "relevant", "target", "text", "reason",
)  # fmt: skip
"""What an id is made of. Never to be changed: a file that was imported before must be known."""

_WHERE_GIVEN = ("photo", "tablet_number", "tablet_time", "cause")
"""Facts that lines have only since tablets log on their own, and since rulings name a cause. A
tablet's number in these records is not among them: it is another one in each."""


class Surroundings(NamedTuple):
    """What an id is made of before, between and after a line's time and its cycle's number."""

    before: str
    between: str
    after: str
    in_shift: bool


_always, _where_given = attrgetter(*_ALWAYS), attrgetter(*_WHERE_GIVEN)


@dataclass
class Identities:
    """Makes ids out of a line's cell and content, and of how often it stood there before.

    So a file that is imported again, even with lines added or in another character set,
    repeats the lines that are in the logbook already.
    """

    cell_id: int
    _in_shifts: dict[str, int] = field(default_factory=dict)
    _of_none: dict[str, int] = field(default_factory=dict)

    def leave_shifts(self) -> None:
        """Forget the lines of the shifts so far, of which there will be no more."""
        self._in_shifts.clear()

    def named(self, entry: NewEntry) -> NewEntry:
        """Return a line with an id made for it; the one it has is not looked at."""
        return entry.again(self.name_of(entry), entry.occurred_at, entry.cycle_number)

    def name_of(self, entry: NewEntry) -> str:
        """Return the id that is made for a line."""
        return self.name_in(surroundings(entry), entry.occurred_at, entry.cycle_number)

    def name_in(
        self, around: Surroundings, occurred_at: datetime | None, number: int | None
    ) -> str:
        """Return the id that is made for a line with what stands around its time and number."""
        content = f"{around.before}{_written(occurred_at)}{around.between}{number}{around.after}"
        name, seen = self._made(1, content), self._in_shifts if around.in_shift else self._of_none
        seen[name] = times = seen.get(name, 0) + 1
        return name if times == 1 else self._made(times, content)

    def _made(self, times: int, content: str) -> str:
        return _uuid(f"{self.cell_id}\x1f{times}\x1f{content}")


def _uuid(name: str) -> str:
    """Return what `str(uuid.uuid5(...))` does, which takes thrice as long for a file of lines."""
    made = hashlib.sha1(_NAMESPACE + name.encode(), usedforsecurity=False).hexdigest()
    variant = _VARIANTS[made[16]]
    return f"{made[:8]}-{made[8:12]}-5{made[13:16]}-{variant}{made[17:20]}-{made[20:32]}"


_VARIANTS = {digit: "89ab"[int(digit, 16) % 4] for digit in "0123456789abcdef"}
"""RFC 9562, section 5.5: the two highest bits of this digit are 1 and 0."""


def _written(at: datetime | None) -> str:
    """Return what `str` does, which takes twice as long: it asks the zone."""
    if at is None or at.tzinfo is not UTC:
        return str(at)
    return f"{at.date().isoformat()} {at.time().isoformat()}+00:00"


def surroundings(entry: NewEntry) -> Surroundings:
    """Return what stands around a line's time and its cycle's number."""
    facts = [str(fact) for fact in _always(entry)]
    given = zip(_WHERE_GIVEN, _where_given(entry), strict=True)
    facts += [f"{name}={value}" for name, value in given if value is not None]
    places = (_ALWAYS.index("occurred_at"), _ALWAYS.index("cycle_number"))
    for place in places:
        facts[place] = _GAP
    before, between, after = "\x1f".join(facts).split(_GAP)
    return Surroundings(before, between, after, entry.shift is not None)


_GAP = "\x00"
"""No fact of a line holds this sign."""

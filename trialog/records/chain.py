"""The hash chains over logbooks and audit: what is changed, removed or reordered breaks them."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

CHAINED = (
    "client_id", "cell_id", "sequence", "shift_id", "kind", "occurred_at", "recorded_at",
    "person_id", "recorded_by_id", "opened_as", "stage", "cycles", "cycle_number", "counter",
    "counter_event", "reading", "clear_seconds", "condition", "device_id", "resets_evidence",
    "failure_mode_id", "relevant", "target", "text", "reason", "mode_ids",
)  # fmt: skip
"""Every fact that the chain protected from the first entry on."""

CHAINED_SINCE = ("tablet_id", "tablet_number", "tablet_time", "photo")
"""Facts that entries have only since tablets log on their own. Where all are empty they stay out
of the hash, so that the hashes of older entries hold."""

CHAINED_WITH_CAUSES = ("cause",)
"""Facts that entries have only since rulings name a cause; left out where empty, like those."""

PROTECTED = (*CHAINED, *CHAINED_SINCE, *CHAINED_WITH_CAUSES)
"""Every fact of an entry that the chain protects, whenever it came to be one."""


def canonical(value: object) -> bytes:
    """Write a value as JSON in one way only: sorted keys, UTC times, no blanks."""
    # A tablet's line may hold half a sign, which plain UTF-8 refuses.
    return _WRITER.encode(value).encode(errors="surrogatepass")


def document_hash(document: object) -> str:
    """Return the SHA-256 of a document's canonical JSON, in hex."""
    return hashlib.sha256(canonical(document)).hexdigest()


def entry_hash(previous: str, facts: Mapping[str, Any]) -> str:
    """Return the hash of an entry's facts, chained to the hash of the entry before it."""
    return hashlib.sha256(previous.encode() + canonical(_chained(facts))).hexdigest()


def _chained(facts: Mapping[str, Any]) -> list[Any]:
    chained = [facts[name] for name in CHAINED]
    # The two lists differ in length, so that none can pass for the other.
    for later in (CHAINED_SINCE, CHAINED_WITH_CAUSES):
        if any(facts[name] is not None for name in later):
            chained.append([facts[name] for name in later])
    return chained


class Frame:
    """Hashes lines whose facts agree but for their id, place, time and cycle's number.

    Their canonical JSON is written once, with gaps where those four stand.
    """

    def __init__(self, facts: Mapping[str, Any]) -> None:
        gaps = {name: f"{_GAP}{name}" for name in _VARYING}
        self._parts = _GAPS.split(_WRITER.encode(_chained({**facts, **gaps})))

    def hash(
        self, previous: str, client_id: str, sequence: int, moment: str, number: int | None
    ) -> str:
        """Return what `entry_hash` returns for the line, given its time's `canonical_time`."""
        head, before_place, before_time, before_number, tail = self._parts
        cycle = "null" if number is None else number
        text = (
            f'{previous}{head}"{client_id}"{before_place}{sequence}{before_time}"{moment}"'
            f"{before_number}{cycle}{tail}"
        )
        return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()


_VARYING = ("client_id", "sequence", "occurred_at", "cycle_number")
_GAP = "\x00"
"""No fact of a line holds this sign."""

_GAPS = re.compile(rf'"\\u0000(?:{"|".join(_VARYING)})"')

AUDITED = (
    "sequence", "at", "person_id", "action", "subject", "subject_id", "details", "sealed",
)  # fmt: skip
"""Every fact of an audit event that its chain protects."""


def event_hash(previous: str, facts: Mapping[str, Any]) -> str:
    """Return the hash of an audit event's facts, chained to the hash of the event before it."""
    chained = [facts[name] for name in AUDITED]
    return hashlib.sha256(previous.encode() + canonical(chained)).hexdigest()


def canonical_time(at: datetime) -> str:
    """Write a time as canonical JSON has it: in UTC, to the microsecond."""
    at = at.astimezone(UTC)
    # As isoformat() of the whole does, which takes twice as long: it asks the zone again.
    return f"{at.date().isoformat()}T{at.time().isoformat('microseconds')}+00:00"


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return canonical_time(value)
    raise TypeError(f"{type(value).__name__} has no canonical form")


_WRITER = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_plain
)

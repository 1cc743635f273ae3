"""The hash chain over a cell's logbook: a changed, removed or reordered line breaks it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

CHAINED = (
    "client_id", "cell_id", "sequence", "shift_id", "kind", "occurred_at", "recorded_at",
    "person_id", "recorded_by_id", "opened_as", "stage", "cycles", "cycle_number", "counter",
    "counter_event", "reading", "clear_seconds", "condition", "device_id", "resets_evidence",
    "failure_mode_id", "relevant", "target", "text", "reason", "mode_ids",
)  # fmt: skip
"""Every fact of an entry that the chain protects."""

CHAINED_SINCE = ("tablet_id", "tablet_number", "tablet_time", "photo")
"""Facts that entries have only since tablets log on their own. Where all are empty they stay out
of the hash, so that the hashes of older entries hold."""


def canonical(value: object) -> bytes:
    """Write a value as JSON in one way only: sorted keys, UTC times, no blanks."""
    text = json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_plain
    )
    return text.encode()


def document_hash(document: object) -> str:
    """Return the SHA-256 of a document's canonical JSON, in hex."""
    return hashlib.sha256(canonical(document)).hexdigest()


def entry_hash(previous: str, facts: Mapping[str, Any]) -> str:
    """Return the hash of an entry's facts, chained to the hash of the entry before it."""
    chained = [facts[name] for name in CHAINED]
    if any(facts[name] is not None for name in CHAINED_SINCE):
        chained.append([facts[name] for name in CHAINED_SINCE])
    return hashlib.sha256(previous.encode() + canonical(chained)).hexdigest()


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    raise TypeError(f"{type(value).__name__} has no canonical form")

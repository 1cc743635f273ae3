"""Reports as plain data, for JSON."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from datetime import datetime, tzinfo
from enum import Enum
from typing import Any

from trialog.evidence import Verdict, verdict_as_dict


def plain(value: Any, zone: tzinfo) -> Any:
    """Return frozen results as dicts and lists; times in the zone, with their offset.

    Fields marked `omit` in their metadata stay out: they are for pages only.
    """
    if isinstance(value, Verdict):
        return verdict_as_dict(value)
    if is_dataclass(value):
        kept = [field.name for field in fields(value) if not field.metadata.get("omit")]
        return {name: plain(getattr(value, name), zone) for name in kept}
    if isinstance(value, tuple):
        return [plain(item, zone) for item in value]
    if isinstance(value, datetime):
        return value.astimezone(zone).isoformat(timespec="seconds")
    return str(value) if isinstance(value, Enum) else value

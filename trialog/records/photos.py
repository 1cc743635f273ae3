"""Photos of failures: kept once, under the hash of their bytes, which the logbook's lines name."""

from __future__ import annotations

import hashlib
import re
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.audit import record_event
from trialog.records.entries import SHA256
from trialog.records.models import Entry, Photo, Tablet
from trialog.records.words import EntryKind

LARGEST_PHOTO = 600 * 1024
"""Bytes; the tablet shrinks a photo well below this before it keeps it."""

JPEG_BEGINS = b"\xff\xd8\xff"

MOST_PIXELS = 20_000_000
"""A small file may claim to be a picture of gigabytes, which whoever looks at it would unpack."""

_FRAME = re.compile(
    rb"(?=\xff[\xc0-\xc3\xc5-\xc7\xc9-\xcb\xcd-\xcf].{3}(?P<height>.{2})(?P<width>.{2}))", re.DOTALL
)
"""A frame's header (ITU-T T.81, from memory) wherever one may stand: programs that show pictures go
on looking for it past bytes that make no sense."""


def store_photo(
    session: Session, sha256: str, content: bytes, *, tablet: Tablet, now: datetime
) -> bool:
    """Keep a photo under its hash; say whether it is new.

    Raises
    ------
    InvalidValueError
        If the bytes have another hash, are no JPEG, are too many, or claim too many pixels.
    """
    if not SHA256.fullmatch(sha256):
        raise InvalidValueError("photo", "be named by a SHA-256 in hex", sha256)
    if len(content) > LARGEST_PHOTO:
        most = f"be at most {LARGEST_PHOTO // 1024} kB"
        raise InvalidValueError("photo", most, f"{len(content)} bytes")
    if not content.startswith(JPEG_BEGINS):
        raise InvalidValueError("photo", "be a JPEG", content[:4])
    pixels = max((_pixels(frame) for frame in _FRAME.finditer(content)), default=0)
    if pixels > MOST_PIXELS:
        raise InvalidValueError("photo", f"have at most {MOST_PIXELS:,} pixels", f"{pixels:,}")
    found = hashlib.sha256(content).hexdigest()
    if found != sha256:
        raise InvalidValueError("photo", f"have the hash it is named by, {sha256}", found)
    if session.get(Photo, sha256) is not None:
        return False
    try:
        with session.begin_nested():
            session.add(Photo(sha256=sha256, content=content, tablet_id=tablet.id, stored_at=now))
    except IntegrityError:  # the same photo, sent twice at once
        return False
    record_event(
        session, "stored", "photo", None, actor=None, now=now, sha256=sha256, tablet=tablet.id
    )
    return True


def _pixels(frame: re.Match[bytes]) -> int:
    # A height of 0 is told later in the file: it may be anything.
    height = int.from_bytes(frame["height"]) or 0xFFFF
    return height * int.from_bytes(frame["width"])


def count_photos(session: Session, tablet: Tablet, *, since: datetime) -> int:
    """Return how many photos of a tablet were kept since a moment."""
    own = select(func.count()).where(Photo.tablet_id == tablet.id, Photo.stored_at > since)
    return session.scalar(own) or 0


def photo_of(session: Session, sha256: str) -> bytes | None:
    """Return a photo's bytes, or None where there is none of this hash.

    A file that somebody uploaded with a revision is no photo of a failure, unless a tablet has
    sent the same bytes as one.
    """
    photo = session.get(Photo, sha256) if SHA256.fullmatch(sha256) else None
    if photo is None or (photo.filename is not None and not _is_named(session, sha256)):
        return None
    return photo.content


def _is_named(session: Session, sha256: str) -> bool:
    named = select(Entry.id).where(Entry.photo == sha256, Entry.kind == EntryKind.PHOTO)
    return session.scalar(named.limit(1)) is not None

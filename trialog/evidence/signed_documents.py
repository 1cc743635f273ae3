"""Signed documents as files, and whether the records still reproduce one byte for byte."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError, TrialogError
from trialog.evidence.frozen import SIGNATURE, VERSIONS, frozen_inputs, signature, versions
from trialog.evidence.replay import AsOf, acknowledged_in, replayed
from trialog.evidence.verdict import judge
from trialog.languages import speaking
from trialog.records.chain import canonical, document_hash
from trialog.records.models import AuditEvent, Cell, Entry, SignOff, Trial
from trialog.records.verify import verify_chain

KIND = "trialog signed document"
LARGEST_FILE = 16 * 1024 * 1024
LARGEST_NUMBER = 2**31 - 1
"""No logbook and no table grows that long, and the records' columns hold no more."""

ROUNDING = 1e-9
"""Relative difference of two numbers that other versions of the libraries may round apart."""


WORDING = re.compile(
    r"verdict\.reasons\[\d+\]\.(name|detail)|verdict\.plan\.in_words|cautions\[\d+\]"
)
"""Sentences of trialog's own, which another version may put otherwise; the figures stand beside."""


@dataclass(frozen=True)
class SignedFile:
    """A signed document as a file has it, read and of the right form."""

    sign_off: int
    document: dict[str, Any]
    document_hash: str


@dataclass(frozen=True)
class Deviation:
    """A place of a document where the replay says something else; None: it says nothing.

    `excused`: it is one that another version of trialog or its libraries explains.
    """

    place: str
    document: Any
    replay: Any
    excused: bool = False


@dataclass(frozen=True)
class DocumentCheck:
    """What became of checking a signed document.

    `hash_holds`: the file's data is what was hashed. `signature_held`: the records hold this
    signature, with this document. `range_held`: the logbook has those lines still, with that
    hash. `deviations`: where the replay differs; with none that is not excused the records
    reproduce the document. `faults` say what else is wrong, `notes` what is good to know.
    """

    hash_holds: bool
    signature_held: bool
    range_held: bool
    deviations: tuple[Deviation, ...]
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    record: SignOff | None

    @property
    def reproduced(self) -> bool:
        """Whether the records say, byte for byte, what was signed."""
        return not self.faults and all(item.excused for item in self.deviations)

    @property
    def holds(self) -> bool:
        """Whether everything holds."""
        return self.hash_holds and self.signature_held and self.range_held and self.reproduced


def signed_document(record: SignOff) -> dict[str, Any]:
    """Return a signature or refusal as the file that people keep."""
    return {
        "kind": KIND,
        "sign_off": record.id,
        "document_hash": record.document_hash,
        "document": record.document,
    }


def read_document(content: bytes) -> SignedFile:
    """Read a signed document.

    Raises
    ------
    InvalidValueError
        If it is too large, no JSON in UTF-8, or not of the form of a signed document.
    """
    if len(content) > LARGEST_FILE:
        size = f"{len(content)} bytes"
        raise InvalidValueError("document", f"be at most {LARGEST_FILE // 2**20} MiB", size)
    try:
        data = json.loads(content)
    except (ValueError, RecursionError) as error:
        raise InvalidValueError("document", "be JSON in UTF-8", str(error)) from error
    if not isinstance(data, dict) or data.get("kind") != KIND:
        found = data.get("kind") if isinstance(data, dict) else type(data).__name__
        raise InvalidValueError("document kind", f"be {KIND!r}", found)
    document = _field("document", data.get("document"), dict)
    for name, kind in _NEEDED.items():
        _field(f"document {name}", _inside(document, name), kind)
    for noted in _field("document acknowledgements", document.get("acknowledgements", []), list):
        _field("document acknowledgements id", _inside(noted, "id"), int)
    return SignedFile(
        sign_off=_field("sign_off", data.get("sign_off"), int),
        document=document,
        document_hash=_field("document_hash", data.get("document_hash"), str),
    )


_NEEDED = {
    "cell_id": int, "verdict.trial": str, "logbook.lines": int, "logbook.hash": str,
    "versions": dict,
}  # fmt: skip
_WORDS = {
    int: f"be a whole number from 0 to {LARGEST_NUMBER}",
    str: "be a text",
    list: "be a list",
    dict: "be an object",
}


def _inside(data: Any, path: str) -> Any:
    for key in path.split("."):
        data = data.get(key) if isinstance(data, dict) else None
    return data


def _field(name: str, value: Any, kind: type) -> Any:
    fits = isinstance(value, kind) and not isinstance(value, bool)
    if not fits or (kind is int and not 0 <= value <= LARGEST_NUMBER):
        raise InvalidValueError(name, _WORDS[kind], value)
    return value


@speaking("en")
def check_document(session: Session, file: SignedFile) -> DocumentCheck:
    """Say whether a signed document is whole, and whether the records reproduce it.

    The logbook up to the line it was signed at is replayed in a database of its own, and the
    verdict worked out from that. Nothing is written, and nothing is asked of a network.
    """
    record = session.get(SignOff, file.sign_off)
    held = record is not None and _is_of(record, file)
    in_range = _range_held(session, file)
    deviations: tuple[Deviation, ...] = ()
    faults = []
    try:
        deviations, broken = _replay_and_compare(session, file, record)
        faults += broken
    except (SQLAlchemyError, TrialogError, LookupError, TypeError, ValueError) as error:
        # Lines that were removed or changed by hand may leave a log that nothing follows from.
        faults.append(f"the logbook cannot be replayed: {type(error).__name__}: {_first(error)}")
    return DocumentCheck(
        hash_holds=document_hash(file.document) == file.document_hash,
        signature_held=held,
        range_held=in_range,
        deviations=deviations,
        faults=tuple(faults),
        notes=tuple(_versions_told(file)),
        record=record if held else None,
    )


def _first(error: Exception) -> str:
    return (str(error).splitlines() or [""])[0]


def _is_of(record: SignOff, file: SignedFile) -> bool:
    """Say whether a sign-off on record is the one of a file, with the same document."""
    signed = file.document.get(SIGNATURE)
    return (
        canonical(record.document) == canonical(file.document)
        and record.document_hash == file.document_hash
        and signed in (None, signature(record))
    )


def _range_held(session: Session, file: SignedFile) -> bool:
    lines, signed_hash = file.document["logbook"]["lines"], file.document["logbook"]["hash"]
    line = select(Entry.hash).where(
        Entry.cell_id == file.document["cell_id"], Entry.sequence == lines
    )
    found = session.scalar(line)
    return signed_hash == (found or "") and (found is not None or lines == 0)


def _replay_and_compare(
    session: Session, file: SignedFile, record: SignOff | None
) -> tuple[tuple[Deviation, ...], list[str]]:
    trial = _trial_of(session, file)
    if trial is None:
        name = file.document["verdict"]["trial"]
        return (), [f"the records hold no trial {name!r} on cell {file.document['cell_id']}"]
    with replayed(session, _as_of(session, file, record)) as fresh:
        cell = fresh.get_one(Cell, trial.cell_id)
        broken = [item.what for item in verify_chain(fresh, cell)]
        replay = frozen_inputs(fresh, judge(fresh, fresh.get_one(Trial, trial.id)), cell)
        # As a file has it: a tuple is a list there.
        replay = json.loads(canonical(replay))
    return tuple(_compare(file.document, replay)), [f"logbook: {what}" for what in broken]


def _trial_of(session: Session, file: SignedFile) -> Trial | None:
    """Return the trial that a document is about; an old one names it only."""
    named = file.document.get("trial_id")
    which = (
        Trial.id == named
        if isinstance(named, int)
        else Trial.name == file.document["verdict"]["trial"]
    )
    return session.scalar(select(Trial).where(which, Trial.cell_id == file.document["cell_id"]))


def _as_of(session: Session, file: SignedFile, record: SignOff | None) -> AsOf:
    signed = file.document.get(SIGNATURE)
    if signed is not None:
        moment = datetime.fromisoformat(signed["at"])
    elif record is not None:
        moment = record.signed_at
    else:
        raise InvalidValueError("document signature", "say when it was signed", None)
    return AsOf(
        cell_id=file.document["cell_id"],
        lines=file.document["logbook"]["lines"],
        moment=moment,
        acknowledged=acknowledged_in(file.document),
        event_id=_event_of(session, file.sign_off),
    )


def _event_of(session: Session, sign_off: int) -> int | None:
    """Return the audit event of a signing or refusal."""
    events = (
        select(AuditEvent.id, AuditEvent.details)
        .where(AuditEvent.action.in_(("signed", "refused")), AuditEvent.subject == "trial")
        .order_by(AuditEvent.id)
    )
    found = (
        event_id
        for event_id, details in session.execute(events)
        if details.get("sign_off") == sign_off
    )
    return next(found, None)


def _compare(document: Mapping[str, Any], replay: Mapping[str, Any]) -> Iterator[Deviation]:
    """Compare all that follows from the records; who signed and the versions do not."""
    other_version = document[VERSIONS] != replay[VERSIONS]
    apart = (SIGNATURE, VERSIONS)
    signed = {key: value for key, value in document.items() if key not in apart}
    found = {key: value for key, value in replay.items() if key not in apart}
    for place, was, now in _differences("", signed, found):
        excused = other_version and (
            was is _ABSENT or _rounded_apart(was, now) or WORDING.fullmatch(place) is not None
        )
        yield Deviation(place, _shown(was), _shown(now), excused)


_ABSENT = object()


def _shown(value: Any) -> Any:
    return None if value is _ABSENT else value


def _differences(place: str, was: Any, now: Any) -> Iterator[tuple[str, Any, Any]]:
    """Go through two pieces of plain data, and give each place where their bytes differ."""
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(was.keys() | now.keys()):
            inner = f"{place}.{key}" if place else key
            yield from _differences(inner, was.get(key, _ABSENT), now.get(key, _ABSENT))
    elif isinstance(was, list) and isinstance(now, list):
        for number in range(max(len(was), len(now))):
            pair = [items[number] if number < len(items) else _ABSENT for items in (was, now)]
            yield from _differences(f"{place}[{number}]", *pair)
    elif was is _ABSENT or now is _ABSENT or canonical(was) != canonical(now):
        yield place, was, now


def _rounded_apart(was: Any, now: Any) -> bool:
    """Say whether two numbers differ no more than the last digits of two libraries may."""
    both = isinstance(was, float) and isinstance(now, float)
    return both and math.isclose(was, now, rel_tol=ROUNDING)


def _versions_told(file: SignedFile) -> Iterator[str]:
    """Say where the document was made with other versions than it is checked with."""
    made, here = file.document[VERSIONS], versions()
    for name in sorted(made.keys() | here.keys()):
        if made.get(name) != here.get(name):
            was = made.get(name) or "not recorded"
            yield f"version of {name}: {was} when it was signed, {here.get(name)} here"

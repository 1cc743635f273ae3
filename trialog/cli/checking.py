"""`verify --document`: whether the records still reproduce a signed document."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from trialog.cli.output import show_json
from trialog.errors import InvalidValueError, shown
from trialog.evidence import DocumentCheck, SignedFile, check_document, read_document, sign_offs
from trialog.evidence.signed_documents import LARGEST_FILE
from trialog.records.models import Trial
from trialog.reports.sign_offs import SignOffRow, sign_off_rows


def verify_document(session: Session, path: Path, *, as_json: bool) -> bool:
    """Check a signed document against the records, say what was found, and whether it holds.

    Raises
    ------
    InvalidValueError
        If the file cannot be read, or is no signed document.
    """
    file = read_document(_read(path))
    check = check_document(session, file)
    row = _row_of(session, check)
    if as_json:
        show_json(_as_dict(file, check, row))
    else:
        for line in _lines(file, check, row):
            click.echo(line)
        for line in _wrong(check):
            click.echo(line, err=True)
    return check.holds


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(LARGEST_FILE + 1)
    except OSError as error:
        rule = f"be a file that can be read ({error.strerror or error})"
        raise InvalidValueError("--document", rule, str(path)) from error


def _row_of(session: Session, check: DocumentCheck) -> SignOffRow | None:
    """Return what has become of the signature since, where the records hold it."""
    if check.record is None:
        return None
    found = sign_offs(session, session.get_one(Trial, check.record.trial_id))
    return next(row for row in sign_off_rows(found, UTC) if row.id == check.record.id)


def _lines(file: SignedFile, check: DocumentCheck, row: SignOffRow | None) -> Iterator[str]:
    """Say what was checked, line by line, and how the signature stands now."""
    document = file.document
    lines = document["logbook"]["lines"]
    yield f"Signed document {file.sign_off}, trial {document['verdict']['trial']}"
    if row is not None:
        yield f"{row.decision} by {row.person} ({row.role}), {row.at:%Y-%m-%d %H:%M} UTC"
    for holds, what in (
        (check.hash_holds, "the data of the file have the hash that was signed"),
        (check.signature_held, "the records hold this signature with this document"),
        (check.range_held, f"the logbook has the {lines:,} lines that it was signed on"),
        (check.reproduced, "replayed up to there, the logbook gives this document byte for byte"),
    ):
        yield f"  {'holds' if holds else 'FAILS'}  {what}"
    if row is not None:
        yield f"The signature {_standing(row)}."
    for note in check.notes:
        yield f"Note: {note}."
    for item in check.deviations:
        if item.excused:
            yield f"Note: {_deviation(item.place, item.document, item.replay)} (another version)."


def _standing(row: SignOffRow) -> str:
    if row.revoked is not None:
        return f"was revoked by {row.revoked.person}: {row.revoked.reason}"
    if row.lapsed:
        return f"has lapsed since: {'; '.join(lapse.words for lapse in row.lapses)}"
    return "stands"


def _wrong(check: DocumentCheck) -> Iterator[str]:
    yield from check.faults
    for item in check.deviations:
        if not item.excused:
            yield _deviation(item.place, item.document, item.replay)


def _deviation(place: str, document: Any, replay: Any) -> str:
    return f"{place}: the document says {shown(document)}, the records say {shown(replay)}"


def _as_dict(file: SignedFile, check: DocumentCheck, row: SignOffRow | None) -> dict[str, Any]:
    """Return the check as plain data, with the documented keys."""
    return {
        "sign_off": file.sign_off,
        "trial": file.document["verdict"]["trial"],
        "lines": file.document["logbook"]["lines"],
        "holds": check.holds,
        "hash_holds": check.hash_holds,
        "signature_held": check.signature_held,
        "range_held": check.range_held,
        "reproduced": check.reproduced,
        "state": None if row is None else row.state,
        "deviations": [asdict(item) for item in check.deviations],
        "faults": list(check.faults),
        "notes": list(check.notes),
    }

"""The report that a notice of a closed shift leads to, and the file of it that goes with a mail."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session

from trialog.errors import TrialogError
from trialog.records.kept import find_kept
from trialog.records.models import Notice
from trialog.records.words import NoticeChannel, NoticeKind
from trialog.reports.document import Document, File
from trialog.reports.keeping import keep_shift, kept_document
from trialog.reports.kinds import FORMS, render

if TYPE_CHECKING:
    from trialog.notices.delivering import Post

LARGEST = 7 * 1024 * 1024
"""Bytes of a file that goes with a mail: written for the mail they are a third more, and many a
server takes 10 MB in all. Common practice, no source."""

ATTACHED = ("pdf", "html")
"""The forms that are sent, the first that can be made: not every computer has a browser to print
with, and a document that opens in one needs nothing."""


@dataclass(frozen=True)
class Along:
    """A kept report, and its file where the notice carries one."""

    report_id: int
    version: int
    mailed: bool
    file: File | None

    @property
    def words(self) -> str:
        """What the mail says of the file; empty where there is no mail."""
        if self.file is not None:
            return f"The report is attached: {self.file.name}."
        return "The report is too large to be attached." if self.mailed else ""

    def as_dict(self, link: str | None) -> dict[str, Any]:
        """Return it under the documented keys."""
        attached = None if self.file is None else self.file.name
        return {
            "id": self.report_id, "version": self.version, "link": link, "attached": attached,
        }  # fmt: skip


def report_along(post: Post, session: Session, notice: Notice) -> Along | None:
    """Return the report of the shift that a notice tells of, made now where it is still due.

    None for another notice, and where the report could not be made: the notice goes out all the
    same.
    """
    if notice.kind is not NoticeKind.SHIFT_CLOSED:
        return None
    report_id = keep_shift(post.keeper, notice.payload["shift"])
    if report_id is None:
        return None
    session.rollback()  # what was read before is older than the report
    kept = find_kept(session, report_id)
    mailed = notice.channel is NoticeChannel.MAIL
    along = Along(kept.id, kept.version, mailed, None)
    if not mailed:
        return along
    document = kept_document(session, kept)
    session.rollback()  # a browser may print for seconds: nothing of the records is held
    return replace(along, file=_file(document))


def _file(document: Document) -> File | None:
    for form in ATTACHED:
        try:
            file = render(document, form)
        except TrialogError:
            continue  # no browser to print with, or none that is free in time
        if len(file.content) <= LARGEST:
            return file
    return None


def media_type(name: str) -> tuple[str, str]:
    """Return the two parts of the media type of an attached file's name."""
    main, _, sub = FORMS[name.rpartition(".")[2]].media_type.partition("/")
    return main, sub.partition(";")[0]

"""What people state and sign, what is told of it, and the files they look at first."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import JSON, ForeignKey, LargeBinary, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, Name, PrimaryKey, Sha256, Text, choice
from trialog.records.words import (
    AcknowledgementKind,
    NoticeChannel,
    NoticeKind,
    Role,
    SignDecision,
)

if TYPE_CHECKING:
    from trialog.records.models.setup import Person


class Acknowledgement(Base):
    """A written statement that somebody has taken note of something a GO depends on."""

    __tablename__ = "acknowledgement"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"), index=True)
    kind: Mapped[AcknowledgementKind] = mapped_column(
        choice(AcknowledgementKind, "acknowledgement_kind")
    )
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    text: Mapped[Text]
    chain_length: Mapped[int] = mapped_column(comment="the logbook's length when it was written")
    created_at: Mapped[datetime]

    person: Mapped[Person] = relationship()


class SignOff(Base):
    """A named person's acceptance of a frozen verdict."""

    __tablename__ = "sign_off"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"), index=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    person_name: Mapped[Name]
    role: Mapped[Role] = mapped_column(choice(Role, "role"))
    decision: Mapped[SignDecision] = mapped_column(
        choice(SignDecision, "decision"), default=SignDecision.ACCEPTED
    )
    statement: Mapped[Text]
    signed_at: Mapped[datetime]
    chain_length: Mapped[int]
    chain_head: Mapped[Sha256]
    document: Mapped[dict[str, Any]] = mapped_column(JSON, comment="the verdict's frozen inputs")
    document_hash: Mapped[Sha256]


class Revocation(Base):
    """A sign-off taken back, with the reason; the sign-off itself stays as it was."""

    __tablename__ = "revocation"

    id: Mapped[PrimaryKey]
    sign_off_id: Mapped[int] = mapped_column(ForeignKey("sign_off.id"), unique=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    person_name: Mapped[Name]
    reason: Mapped[Text]
    revoked_at: Mapped[datetime]


class VerdictChange(Base):
    """What the tool said of a trial at the time, written down when it differed from before."""

    __tablename__ = "verdict_change"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"), index=True)
    at: Mapped[datetime]
    verdict: Mapped[str] = mapped_column(String(20))
    cycles: Mapped[int]
    failures: Mapped[int]
    proven_seconds: Mapped[float | None] = mapped_column(comment="empty: nothing limits it")
    unmet: Mapped[list[str]] = mapped_column(JSON, comment="names of the lines that did not hold")
    chain_length: Mapped[int] = mapped_column(comment="the logbook's length at that time")


class Notice(Base):
    """Something to be told to people outside; kept until it got through or was given up."""

    __tablename__ = "notice"

    id: Mapped[PrimaryKey]
    kind: Mapped[NoticeKind] = mapped_column(choice(NoticeKind, "notice_kind"))
    channel: Mapped[NoticeChannel] = mapped_column(choice(NoticeChannel, "channel"))
    payload: Mapped[dict[str, Any]] = mapped_column(JSON)
    created_at: Mapped[datetime]
    tries: Mapped[int] = mapped_column(default=0)
    next_try_at: Mapped[datetime | None] = mapped_column(
        index=True, comment="empty: it got through, or was given up"
    )
    delivered_at: Mapped[datetime | None]
    last_error: Mapped[Text] = mapped_column(default="")
    attachment: Mapped[bytes | None] = mapped_column(
        LargeBinary, deferred=True, comment="the file that goes with it; only until it got through"
    )


class ImportDraft(Base):
    """A file that somebody is looking at before importing it."""

    __tablename__ = "import_draft"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    filename: Mapped[Name]
    content: Mapped[bytes] = mapped_column(LargeBinary)
    created_at: Mapped[datetime]

"""The tables. The logbook (Entry) is the truth; shifts, revisions and rollups derive from it."""

from __future__ import annotations

from trialog.records.models.access import SignIn, WrongPins
from trialog.records.models.auditing import AuditChain, AuditEvent
from trialog.records.models.clients import Client, ClientToken
from trialog.records.models.derived import (
    CellRollup,
    DeviceRollup,
    FailurePosition,
    ModeRollup,
    OperatorRollup,
    Revision,
)
from trialog.records.models.feeds import Feed
from trialog.records.models.logbook import Entry, EntryMode, Photo, Shift
from trialog.records.models.reports import DueReport, KeptReport
from trialog.records.models.setup import Cell, Device, FailureMode, Person, Requirement, Trial
from trialog.records.models.signing import (
    Acknowledgement,
    ImportDraft,
    Notice,
    Revocation,
    SignOff,
    VerdictChange,
)
from trialog.records.models.tablets import EnrolmentCode, ParkedLine, Tablet

__all__ = [
    "Acknowledgement",
    "AuditChain",
    "AuditEvent",
    "Cell",
    "CellRollup",
    "Client",
    "ClientToken",
    "Device",
    "DeviceRollup",
    "DueReport",
    "EnrolmentCode",
    "Entry",
    "EntryMode",
    "FailureMode",
    "FailurePosition",
    "Feed",
    "ImportDraft",
    "KeptReport",
    "ModeRollup",
    "Notice",
    "OperatorRollup",
    "ParkedLine",
    "Person",
    "Photo",
    "Requirement",
    "Revision",
    "Revocation",
    "Shift",
    "SignIn",
    "SignOff",
    "Tablet",
    "Trial",
    "VerdictChange",
    "WrongPins",
]

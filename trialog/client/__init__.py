"""Talk to a trialog server from Python: records and reports out, lines in.

    from trialog.client import Client

    with Client("https://shop.example:8765", token) as trialog:
        for cell in trialog.cells():
            print(cell.name, trialog.logbook(cell.id).length)

It needs no database and no web framework. What goes wrong is an error of its own class, which
carries the server's problem document.
"""

from __future__ import annotations

from trialog.client.calls import Client
from trialog.client.data import (
    Cell,
    Counted,
    Device,
    Entry,
    FailureMode,
    Logbook,
    Myself,
    Named,
    NewLine,
    Person,
    Requirement,
    Shift,
    Taken,
    Trial,
)
from trialog.client.problems import (
    ApiError,
    ChangedMeanwhileError,
    InvalidRequestError,
    NotFoundError,
    Problem,
    RecordsConflictError,
    RefusedError,
    ServerError,
    TokenError,
    TooManyRequestsError,
    UnreachableError,
    WrongValue,
)

__all__ = [
    "ApiError",
    "Cell",
    "ChangedMeanwhileError",
    "Client",
    "Counted",
    "Device",
    "Entry",
    "FailureMode",
    "InvalidRequestError",
    "Logbook",
    "Myself",
    "Named",
    "NewLine",
    "NotFoundError",
    "Person",
    "Problem",
    "RecordsConflictError",
    "RefusedError",
    "Requirement",
    "ServerError",
    "Shift",
    "Taken",
    "TokenError",
    "TooManyRequestsError",
    "Trial",
    "UnreachableError",
    "WrongValue",
]

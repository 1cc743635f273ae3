"""A cell's logbook as a file: all of it out, and a file's lines in."""

from __future__ import annotations

from flask import Response, stream_with_context
from pydantic import BaseModel, Field

from trialog.feeds import export_csv, import_as_dict, import_csv, preview
from trialog.records.audit import record_event
from trialog.records.database import read_one_moment, unit_of_work
from trialog.records.people import Action, require
from trialog.records.words import Scope
from trialog.web.api.access import current_token
from trialog.web.api.bodies import Given
from trialog.web.api.finding import cell_or_404
from trialog.web.api.operations import File, operation
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.noting import note_change
from trialog.web.security import LARGEST_REQUEST


class ImportQuery(Given):
    """How a file is to be imported."""

    good_lines_only: bool = Field(False, description="Leave out the lines with a fault.")
    dry_run: bool = Field(False, description="Say what would be done, and write nothing.")


class RejectedRow(BaseModel):
    """A line of the file that cannot be imported."""

    line: int = Field(description="Its number in the file; the header is 1.")
    reason: str
    text: str = Field(description="What stands there, shortened.")


class TouchedShift(BaseModel):
    """A shift that the file touches, as it stands once the file is imported."""

    shift: str
    new: bool
    added: int = Field(description="Lines of the logbook that the file adds to it.")
    cycles: int
    failed: int


class Imported(BaseModel):
    """What an import did, or would do. Counts are lines of the logbook."""

    form: str = Field(description="What a row of the file stands for: cycles or tallies.")
    written: bool = Field(description="Whether the lines are in the logbook now.")
    added: int
    repeated: int = Field(description="Lines that were in the logbook already.")
    acceptable: int = Field(description="Lines that good_lines_only would add.")
    rejected: list[RejectedRow]
    shifts: list[TouchedShift]
    tablets: list[str] = Field(description="Tablets that the records did not know.")


@operation(
    "POST",
    "/cells/<int:cell_id>/log.csv",
    scope=Scope.LOG,
    tag="Logbook",
    gives=Imported,
    takes=File.LOG[0],
    query=ImportQuery,
    problems=(404, 409),
    largest_body=LARGEST_REQUEST,
)
def import_log(cell_id: int, body: bytes, query: ImportQuery) -> Imported:
    """Import a CSV file into a cell's logbook: all of it, or nothing.

    Where a line has a fault, nothing is written, and `rejected` names it; `good_lines_only` leaves
    it out instead. Sending a file again is safe: lines that are there are `repeated`. The lines are
    entered by whoever answers for the client, who must be one that may import files.
    """
    cell, session, token = cell_or_404(cell_id), get_session(), current_token()
    actor, moment = token.client.responsible, now()
    require(actor, Action.IMPORT)
    run = preview if query.dry_run else import_csv
    with unit_of_work(session):
        session.refresh(cell, with_for_update=True)
        first = cell.chain_length + 1
        result = run(
            session, cell, body, actor=actor, now=moment, good_lines_only=query.good_lines_only
        )
        if result.written and result.added:
            record_event(
                session, "sent", "logbook", cell.id,
                actor=actor, now=moment, client=token.client.name, token=token.hint,
                first=first, last=cell.chain_length,
            )  # fmt: skip
    if result.written and result.added:
        note_change(cell, actor=actor)
    return Imported.model_validate(import_as_dict(result))


@operation(
    "GET",
    "/cells/<int:cell_id>/log.csv",
    scope=Scope.READ,
    tag="Logbook",
    gives=None,
    problems=(404,),
    also=File.LOG,
)
def export_log(cell_id: int) -> Response:
    """Return a cell's whole logbook as a CSV file, which `trialog import` takes.

    It is sent as it is read, however long it is. All of it is of one moment. An import takes
    500,000 lines at a time: a longer log goes in parts, cut between shifts.
    """
    session = get_session()
    session.rollback()
    read_one_moment(session)
    pieces = export_csv(session, cell_or_404(cell_id))
    return Response(stream_with_context(pieces), mimetype="text/csv")

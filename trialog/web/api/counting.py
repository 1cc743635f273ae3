"""What a box at the machine says of its part counter: a pulse for each part, or a running total."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AwareDatetime, BaseModel, BeforeValidator, Discriminator, Field, RootModel, Tag
from sqlalchemy import select

from trialog.errors import ConflictError
from trialog.records.database import unit_of_work
from trialog.records.entries import LARGEST_COUNTER, STATE
from trialog.records.feeds import is_followed
from trialog.records.hearing import Heard, Said, hear
from trialog.records.models import Cell, Entry
from trialog.records.words import CounterEvent, Scope
from trialog.web.api.access import current_client
from trialog.web.api.bodies import Given
from trialog.web.api.finding import cell_or_404
from trialog.web.api.operations import operation
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.noting import note_change

Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]{1,40}$")]
State = Annotated[
    str,
    Field(pattern=f"^{STATE.pattern}$", description="What the machine is doing, such as ACTIVE."),
]


class Pulse(Given):
    """One part more."""

    pulse: Id = Field(description="Made by whoever sends it; sent again, it counts once.")
    at: AwareDatetime | None = Field(None, description="When it was; null: now.")
    state: State | None = None


def _whole(given: Any) -> Any:
    """Read 12.0 as 12, as JSON Schema does; some gateways write their counters so."""
    return int(given) if isinstance(given, float) and given.is_integer() else given


class Total(Given):
    """The machine's count so far."""

    total: Annotated[int, BeforeValidator(_whole)] = Field(ge=0, le=LARGEST_COUNTER)
    id: Id = Field(description="Made by whoever sends it; sent again, nothing changes.")
    at: AwareDatetime | None = Field(None, description="When it was so; null: now.")
    state: State | None = None


def _which(given: Any) -> str:
    named = given.get("pulse") if isinstance(given, dict) else getattr(given, "pulse", None)
    return "total" if named is None else "pulse"


class Counting(RootModel[Any]):
    """A pulse or a total."""

    root: Annotated[
        Annotated[Pulse, Tag("pulse")] | Annotated[Total, Tag("total")], Discriminator(_which)
    ]


class Counted(BaseModel):
    """The line of the logbook that it became."""

    counter: int = Field(description="The machine's count after it.")
    event: CounterEvent | None = Field(description="Why the count fell, where it did.")
    sequence: int = Field(description="The line's place in the cell's logbook.")
    repeated: bool = Field(description="Whether the line was there already.")


@operation(
    "POST",
    "/cells/<int:cell_id>/counter",
    scope=Scope.COUNT,
    tag="Machine counter",
    gives=Counted,
    takes=Counting,
    problems=(404, 409),
)
def count_parts(cell_id: int, body: Counting) -> Counted:
    """Say what the machine counted: one part more, or its running total.

    A total that is lower than the one before means that the counter was reset, or rolled over
    where the cell's counter restarts. Times are held between the reading before and now. Sending
    one again is safe. No cycle is logged by it: what it is used for is told in the help.
    """
    cell, session, given = cell_or_404(cell_id), get_session(), body.root
    client, moment = current_client(), now()
    said = _said(given, client.id)
    with unit_of_work(session):
        if is_followed(session, cell.id):
            raise ConflictError(
                f"cell {cell.name!r} is followed through an agent; pause that feed to count here"
            )
        heard = hear(session, cell, [said], actor=client.responsible, now=moment)
        told = _told(cell, said, heard)
    if heard.late:
        note_change(cell, actor=client.responsible)
    return told


def _said(given: Pulse | Total, client_id: int) -> Said:
    state = given.state or ""
    if isinstance(given, Pulse):
        line = f"pulse-{client_id}-{given.pulse}"
        return Said(client_id=line, at=given.at, pulse=True, state=state)
    line = f"total-{client_id}-{given.id}"
    return Said(client_id=line, at=given.at, counter=given.total, state=state)


def _told(cell: Cell, said: Said, heard: Heard) -> Counted:
    columns = (Entry.counter, Entry.counter_event, Entry.sequence)
    which = Entry.cell_id == cell.id, Entry.client_id == said.client_id
    counter, event, sequence = get_session().execute(select(*columns).where(*which)).one()
    return Counted(
        counter=counter or 0, event=event, sequence=sequence, repeated=bool(heard.repeated)
    )

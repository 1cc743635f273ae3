"""Who a client is."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from trialog.records.words import Scope
from trialog.web.api.access import current_client, current_token
from trialog.web.api.operations import operation


class Named(BaseModel):
    """Something by its number and name."""

    id: int
    name: str


class Myself(BaseModel):
    """The client whose token the request carries."""

    id: int
    name: str
    responsible: Named = Field(description="Who answers for it. It may do no more than they may.")
    cell: Named | None = Field(description="The one cell that it is for; null: all.")
    token: str = Field(description="The part of the token that is no secret.")
    scopes: list[Scope]
    expires_at: datetime


@operation("GET", "/client", scope=Scope.READ, tag="Clients", gives=Myself)
def whoami() -> Myself:
    """Say who I am.

    A good first request: it tells whether the token works, what it opens, and until when.
    """
    client, token = current_client(), current_token()
    cell = client.cell
    return Myself(
        id=client.id,
        name=client.name,
        responsible=Named(id=client.responsible.id, name=client.responsible.name),
        cell=None if cell is None else Named(id=cell.id, name=cell.name),
        token=token.hint,
        scopes=[Scope(scope) for scope in token.scopes],
        expires_at=token.expires_at,
    )

"""`clients`: the programs that may talk to the server, and their tokens."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import click
from sqlalchemy.orm import Session

from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.reading import zone_option
from trialog.errors import UnknownNameError
from trialog.records.clients import (
    LONGEST_LIFE,
    USUAL_LIFE,
    add_client,
    all_clients,
    find_client,
    is_valid,
    issue_token,
    rename_client,
    revoke_token,
)
from trialog.records.database import unit_of_work
from trialog.records.models import Client, ClientToken
from trialog.records.people import find_person
from trialog.records.queries import find_cell
from trialog.records.words import Scope
from trialog.reports.words import moment
from trialog.web.settings import read_zone


@click.command()
@click.option("--name", required=True, help="The client's name, as it stands in the audit.")
@click.option("--responsible", required=True, metavar="NAME", help="The person who answers for it.")
@click.option("--cell", metavar="NAME", help="The one cell that it is for (default: all).")
@place_options
@json_option
def add(*, name: str, responsible: str, cell: str | None, place: Place, as_json: bool) -> None:
    """Add a client. It needs a token to be let in.

    Example: trialog clients add --name "relay box, lathe 4" --responsible "Your name"
    """
    with records_at(place) as session, unit_of_work(session):
        client = add_client(
            session,
            name,
            find_person(session, responsible),
            cell=None if cell is None else find_cell(session, cell),
            actor=None,
            now=datetime.now(UTC),
        )
        added = {"id": client.id, "name": client.name}
    if as_json:
        show_json(added)
    else:
        click.echo(f"Added {added['name']}. Next: trialog clients token --help")


@click.command()
@click.option("--name", required=True, help="The client's name.")
@click.option(
    "--scope",
    "scopes",
    required=True,
    multiple=True,
    type=click.Choice([str(scope) for scope in Scope]),
    help="What the token opens; repeatable.",
)
@click.option(
    "--days",
    type=click.IntRange(1, LONGEST_LIFE.days),
    default=USUAL_LIFE.days,
    show_default=True,
    metavar="N",
    help="For how long it is valid.",
)
@place_options
@json_option
def token(*, name: str, scopes: tuple[str, ...], days: int, place: Place, as_json: bool) -> None:
    """Issue a token and print it, this once: only its hash is kept.

    Example: trialog clients token --name "relay box, lathe 4" --scope count
    """
    with records_at(place) as session, unit_of_work(session):
        made, text = issue_token(
            session,
            find_client(session, name),
            [Scope(scope) for scope in dict.fromkeys(scopes)],
            life=timedelta(days=days),
            actor=None,
            now=datetime.now(UTC),
        )
        about = {"token": text, "hint": made.hint, "scopes": made.scopes}
        until = made.expires_at
    if as_json:
        show_json(about | {"expires_at": until.isoformat()})
    else:
        click.echo(text)
        click.echo(f"Valid until {until:%Y-%m-%d}. It cannot be shown again.", err=True)


@click.command("list")
@zone_option
@place_options
@json_option
def list_clients(*, time_zone: str, place: Place, as_json: bool) -> None:
    """List the clients with their tokens.

    Example: trialog clients list --json
    """
    zone, now = read_zone(time_zone), datetime.now(UTC)
    with records_at(place) as session:
        found = [_about(client, now) for client in all_clients(session)]
    if as_json:
        show_json({"clients": found})
        return
    if not found:
        click.echo("No client yet. Next: trialog clients add --help")
    for client in found:
        click.echo(f"{client['name']}  ({client['responsible']}; {client['cell'] or 'all cells'})")
        for one in client["tokens"]:
            until = moment(datetime.fromisoformat(one["expires_at"]), zone)
            click.echo(
                f"  {one['hint']}  {one['state']}  until {until}  {', '.join(one['scopes'])}"
            )


def _about(client: Client, now: datetime) -> dict[str, Any]:
    return {
        "id": client.id,
        "name": client.name,
        "responsible": client.responsible.name,
        "cell": None if client.cell is None else client.cell.name,
        "tokens": [_about_token(one, now) for one in client.tokens],
    }


def _about_token(one: ClientToken, now: datetime) -> dict[str, Any]:
    state = "valid" if is_valid(one, now=now) else "revoked" if one.revoked_at else "expired"
    return {
        "hint": one.hint,
        "state": state,
        "scopes": one.scopes,
        "expires_at": one.expires_at.isoformat(),
        "last_used_at": one.last_used_at and one.last_used_at.isoformat(),
    }


@click.command()
@click.option("--name", required=True, help="The client's name.")
@click.option("--to", required=True, metavar="NAME", help="The name that it has from now on.")
@place_options
@json_option
def rename(*, name: str, to: str, place: Place, as_json: bool) -> None:
    """Give a client another name. Its tokens stay, and so does what is on record.

    Example: trialog clients rename --name "relay box" --to "relay box, lathe 4"
    """
    with records_at(place) as session, unit_of_work(session):
        client = find_client(session, name)
        rename_client(session, client, to, actor=None, now=datetime.now(UTC))
        renamed = {"id": client.id, "name": client.name, "before": name}
    if as_json:
        show_json(renamed)
    else:
        click.echo(f"{name} is called {renamed['name']} from now on.")


@click.command()
@click.option("--name", required=True, help="The client's name.")
@click.option("--hint", metavar="HINT", help="One token's hint, as listed (default: all of them).")
@place_options
@json_option
def revoke(*, name: str, hint: str | None, place: Place, as_json: bool) -> None:
    """End a client's token, or all of them. What came with them stays.

    Example: trialog clients revoke --name "relay box, lathe 4"
    """
    now = datetime.now(UTC)
    with records_at(place) as session, unit_of_work(session):
        chosen = _chosen(session, name, hint)
        for one in chosen:
            revoke_token(session, one, actor=None, now=now)
        hints = [one.hint for one in chosen]
    if as_json:
        show_json({"revoked": hints})
    else:
        click.echo(f"Revoked: {', '.join(hints) or 'none, it had no token that was valid'}.")


def _chosen(session: Session, name: str, hint: str | None) -> list[ClientToken]:
    tokens = find_client(session, name).tokens
    if hint is None:
        return [one for one in tokens if one.revoked_at is None]
    chosen = [one for one in tokens if one.hint == hint]
    if not chosen:
        raise UnknownNameError("hint", f"be that of a token of {name}", hint)
    return chosen

"""`database`, `people` and `verify`: the records' own housekeeping."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click
from sqlalchemy import func, select

from trialog.cli.checking import verify_document
from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, engine_on, place_options, records_at
from trialog.errors import InvalidValueError
from trialog.records import schema
from trialog.records.audit_log import chain_end
from trialog.records.database import read_one_moment, unit_of_work
from trialog.records.models import Cell, Entry
from trialog.records.people import add_person
from trialog.records.verify import verify as verify_records
from trialog.records.words import Role
from trialog.reports.words import counted


@click.command()
@place_options
@json_option
def upgrade(place: Place, as_json: bool) -> None:
    """Bring the database's schema to this version's; make it where there is none.

    Example: trialog database upgrade
    """
    with engine_on(place.url) as engine:
        before = schema.current_version(engine)
        try:
            schema.upgrade(engine)
        except KeyboardInterrupt:
            click.echo("Called off. Run it again to finish it.", err=True)
            raise
        after = schema.current_version(engine)
    if as_json:
        show_json({"before": before, "after": after})
    elif before == after:
        click.echo(f"The database's schema is up to date ({after}).")
    else:
        click.echo(f"The database's schema went from {before or 'nothing'} to {after}.")


@click.command()
@place_options
@json_option
def check(place: Place, as_json: bool) -> None:
    """Compare the database's schema with what this version needs; exit code 1 if it differs.

    Example: trialog database check
    """
    with engine_on(place.url) as engine:
        differences = schema.differences(engine)
        current = schema.current_version(engine)
    if as_json:
        newest = schema.newest_version()
        show_json({"version": current, "needed": newest, "differences": differences})
    elif not differences:
        click.echo(f"The database's schema is this version's ({current}).")
    for line in differences:
        click.echo(line, err=True)
    if differences:
        click.echo(f"An older schema is brought up to date by: {schema.UPGRADE_COMMAND}", err=True)
        sys.exit(1)


@click.command()
@click.option("--name", required=True, help="The person's name, as it stands in the records.")
@click.option(
    "--role", required=True, type=click.Choice([str(role) for role in Role]), help="What they may."
)
@click.option(
    "--pin", envvar="TRIALOG_PIN", help="PIN to sign in with (default: TRIALOG_PIN, or asked for)."
)
@place_options
@json_option
def add(name: str, role: str, pin: str | None, place: Place, as_json: bool) -> None:
    """Add a person. Without --pin the PIN is asked for and not shown.

    Example: trialog people add --name "Your name" --role admin
    """
    with records_at(place) as session:
        pin = pin if pin is not None else _ask_pin()
        with unit_of_work(session):
            person = add_person(session, name, Role(role), pin, actor=None, now=datetime.now(UTC))
        added = {"id": person.id, "name": person.name, "role": str(person.role)}
    if as_json:
        show_json(added)
    else:
        click.echo(f"Added {added['name']} ({added['role']}).")


def _ask_pin() -> str:
    """Ask for a PIN on a terminal, twice and unseen."""
    if not sys.stdin.isatty():
        raise InvalidValueError("PIN", "be given with --pin or in TRIALOG_PIN", "")
    pin: str = click.prompt("PIN", hide_input=True, confirmation_prompt=True, err=True)
    return pin


@click.command()
@click.option(
    "--document",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Check this signed document instead: do the records still reproduce it?",
)
@place_options
@json_option
def verify(document: Path | None, place: Place, as_json: bool) -> None:
    """Recompute rollups, hashes and seals; exit code 1 on any difference, each named.

    Example: trialog verify --document signed-1.json
    """
    with records_at(place) as session:
        if document is not None:
            sys.exit(0 if verify_document(session, document, as_json=as_json) else 1)
        read_one_moment(session)
        differences = verify_records(session)
        counts = {
            "cells": session.scalar(select(func.count(Cell.id))) or 0,
            "lines": session.scalar(select(func.count(Entry.id))) or 0,
        }
        events, head = chain_end(session)
    found = [{"where": item.where, "what": item.what} for item in differences]
    if as_json:
        show_json({**counts, "events": events, "audit_head": head, "differences": found})
    elif not found:
        lines, cells = counted(counts["lines"], "line"), counted(counts["cells"], "cell")
        click.echo(f"The records are what the logbook says ({lines}, {cells}).")
        click.echo(f"The audit's chain ends at event {events} with the hash {head}.")
    for item in found if not as_json else ():
        click.echo(f"{item['where']}: {item['what']}", err=True)
    if found:
        sys.exit(1)

"""`audit`: who did what when."""

from __future__ import annotations

from datetime import date, datetime

import click

from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.reading import zone_option
from trialog.errors import InvalidValueError
from trialog.records.audit_log import (
    AuditFilter,
    Told,
    chain_end,
    count_events,
    days,
    event_as_dict,
    newest_events,
)
from trialog.reports import words
from trialog.reports.audit_words import deed_words, detail_words
from trialog.web.settings import read_zone

MOST = 1_000_000


@click.command()
@click.option(
    "--person", metavar="NAME", help="Who did it; 'nobody signed in' for what no person did."
)
@click.option("--action", metavar="WORD", help="What was done, such as 'signed'.")
@click.option("--subject", metavar="WORD", help="To what, such as 'trial'.")
@click.option("--from", "first", metavar="DAY", help="First day, such as 2026-03-31.")
@click.option("--to", "last", metavar="DAY", help="Last day.")
@click.option("--text", help="Words in the details or the name.")
@click.option(
    "--most",
    type=click.IntRange(1, MOST),
    default=100,
    metavar="N",
    show_default=True,
    help="How many events to print, the newest ones.",
)
@zone_option
@place_options
@json_option
def audit(
    *,
    person: str | None,
    action: str | None,
    subject: str | None,
    first: str | None,
    last: str | None,
    text: str | None,
    most: int,
    time_zone: str,
    place: Place,
    as_json: bool,
) -> None:
    """Say who did what when, the newest last.

    Example: trialog audit --subject trial --from 2026-03-01
    """
    zone = read_zone(time_zone)
    bounds = days(read_day("from", first), read_day("to", last), zone)
    which = AuditFilter(person=person, action=action, subject=subject, text=text, **bounds)
    with records_at(place) as session:
        found = count_events(session, which)
        events = newest_events(session, which, most=most)[::-1]
        length, head = chain_end(session)
    if as_json:
        chain = {"length": length, "head": head}
        show_json({"chain": chain, "found": found, "events": [event_as_dict(e) for e in events]})
        return
    for event in events:
        click.echo(f"{event.sequence}  {words.moment(event.at, zone)}  {in_words(event)}")
    click.echo(f"{words.counted(found, 'event')} found, {len(events)} shown.")
    click.echo(f"The chain ends at event {length} with the hash {head}.")


def in_words(event: Told) -> str:
    """Say an event in one line."""
    about = f" {event.name!r}" if event.name else ""
    if not about and event.subject_id is not None:
        about = f" {event.subject_id}"
    details = "; ".join(f"{name}: {said}" for name, said in detail_words(event.details))
    return f"{event.person} {deed_words(event.action, event.subject)}{about}" + (
        f" ({details})" if details else ""
    )


def read_day(field: str, typed: str | None) -> date | None:
    """Read a day that was typed, or raise InvalidValueError; nothing typed: none."""
    if typed is None:
        return None
    try:
        return datetime.strptime(typed, "%Y-%m-%d").date()  # noqa: DTZ007 - a day of the shop's
    except ValueError as error:
        raise InvalidValueError(field, "be a day such as 2026-03-31", typed) from error

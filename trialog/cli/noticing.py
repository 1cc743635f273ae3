"""`notices`: what people outside were told, and another try for what did not get through."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import cast

import click
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.reading import zone_option
from trialog.errors import InvalidValueError
from trialog.notices import (
    NAMES,
    NoticeLine,
    NoticeSettings,
    Post,
    count_undelivered,
    deliver_due,
    left_untried,
    list_notices,
    read_notice_settings,
    try_again,
)
from trialog.records.database import make_sessions, unit_of_work
from trialog.reports.plain import plain
from trialog.reports.words import counted, moment
from trialog.web.settings import read_language, read_zone


@click.command()
@click.option("--retry", is_flag=True, help="First try again what has not got through, at once.")
@click.option(
    "--most",
    type=click.IntRange(1),
    default=50,
    show_default=True,
    metavar="N",
    help="How many are listed.",
)
@zone_option
@place_options
@json_option
def notices(*, retry: bool, most: int, time_zone: str, place: Place, as_json: bool) -> None:
    """List what went out by e-mail or to the webhook, or should have, newest first.

    With --retry the exit code is 1 if something still has not got through.

    Example: trialog notices --retry
    """
    zone = read_zone(time_zone)
    given = {name: os.environ.get(f"TRIALOG_{name}") for name in NAMES}
    settings = read_notice_settings(given)
    with records_at(place) as session:
        if retry:
            _retry(session, settings, zone)
        lines = list_notices(session, most=most)
        left = count_undelivered(session)
    if as_json:
        channels = [str(channel) for channel in settings.channels]
        show_json({"channels": channels, "notices": [plain(line, zone) for line in lines]})
    else:
        click.echo(_in_words(settings, lines, left, zone))
    if retry and left:
        sys.exit(1)


def _retry(session: Session, settings: NoticeSettings, zone: tzinfo) -> None:
    """Send what has not got through from here: no server needs to run for it."""
    if not settings.channels:
        raise InvalidValueError("TRIALOG_SMTP_HOST or TRIALOG_WEBHOOK_URL", "be set", "")
    with unit_of_work(session):
        try_again(session, settings.channels, actor=None, now=datetime.now(UTC))
    for words in left_untried(session, settings.channels):
        click.echo(words, err=True)
    sessions = make_sessions(cast(Engine, session.get_bind()))
    language = read_language(os.environ.get("TRIALOG_LANGUAGE") or "en")
    deliver_due(Post(sessions=sessions, settings=settings, zone=zone, language=language))
    session.rollback()  # what was read before is old


def _in_words(
    settings: NoticeSettings, lines: Sequence[NoticeLine], left: int, zone: tzinfo
) -> str:
    channels = " and ".join(settings.channels) or "no channel: neither e-mail nor a webhook is set"
    head = f"Notices go over {channels}. {counted(left, 'notice')} not through."
    return "\n".join([head, *(_line_in_words(line, zone) for line in lines)])


def _line_in_words(line: NoticeLine, zone: tzinfo) -> str:
    at = moment(line.created_at, zone)
    words = f"  {at}  {line.channel:7}  {line.state:8}  {line.about}"
    return f"{words}\n      tries: {line.tries}; {line.error}" if line.error else words

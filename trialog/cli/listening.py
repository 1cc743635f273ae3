"""`feed`: machines that are listened to through their agents."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, cast

import click
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.signals import heeding_signals
from trialog.cli.units import FEED_UNITS, service_of
from trialog.errors import InvalidValueError
from trialog.evidence import note_verdicts
from trialog.feeds.mtconnect.agent import Agent
from trialog.feeds.mtconnect.choosing import choose_count, choose_state
from trialog.feeds.mtconnect.documents import FeedError
from trialog.feeds.mtconnect.running import follow_all
from trialog.feeds.mtconnect.standing import FeedStanding, feed_standing
from trialog.notices import tell_verdicts
from trialog.records.database import make_sessions, unit_of_work
from trialog.records.feeds import (
    NewFeed,
    add_feed,
    all_feeds,
    check_url,
    feed_of,
    remove_feed,
    switch_feed,
)
from trialog.records.models import Cell
from trialog.records.queries import find_cell
from trialog.records.words import FeedMode

cell_option = click.option("--cell", required=True, metavar="NAME", help="Name of the cell.")


@click.command("add")
@cell_option
@click.option("--url", required=True, metavar="URL", help="Address of the agent, http or https.")
@click.option("--device", metavar="NAME", help="Its device, if the agent tells of several.")
@click.option("--count-item", metavar="ID", help="Data item with the part count, if not the usual.")
@click.option("--state-item", metavar="ID", help="Data item with the state, if not the usual.")
@click.option(
    "--mode", type=click.Choice([str(mode) for mode in FeedMode]), default="streaming",
    show_default=True, help="Whether the agent sends by itself or is asked every two seconds.",
)  # fmt: skip
@place_options
@json_option
def add(
    *,
    cell: str,
    url: str,
    device: str | None,
    count_item: str | None,
    state_item: str | None,
    mode: str,
    place: Place,
    as_json: bool,
) -> None:
    """Listen to a cell's machine through its MTConnect agent, which is asked what it can tell.

    Only reads: no command is ever sent to a machine.

    Example: trialog feed add --cell "Lathe 4" --url http://192.168.7.20:5000
    """
    items = _probe(check_url(url))
    count = choose_count(items, device, count_item)
    state = choose_state(items, count.device, state_item)
    new = NewFeed(
        url=url,
        device=count.device or None,
        count_item=count.id,
        state_item=None if state is None else state.id,
        mode=FeedMode(mode),
    )
    with records_at(place) as session, unit_of_work(session):
        now = datetime.now(UTC)
        feed = add_feed(session, find_cell(session, cell), new, actor=None, now=now)
        told = feed_standing(feed, now)
    _show(told, as_json, "Added. Follow it with: trialog feed run")


def _probe(url: str) -> Any:
    try:
        return Agent(url, None, ()).probe()
    except FeedError as error:
        raise InvalidValueError("url", f"lead to an agent ({error})", url) from error


@click.command("list")
@place_options
@json_option
def list_feeds(*, place: Place, as_json: bool) -> None:
    """List the machines that are listened to, and how each feed stands.

    Example: trialog feed list
    """
    with records_at(place) as session:
        now = datetime.now(UTC)
        told = [feed_standing(feed, now) for feed in all_feeds(session)]
    if as_json:
        show_json({"feeds": [one.as_dict() for one in told]})
    else:
        click.echo("\n".join(one.in_words for one in told) or "No machine is listened to.")


@click.command("status")
@cell_option
@place_options
@json_option
def status(*, cell: str, place: Place, as_json: bool) -> None:
    """Say how the feed of a cell stands.

    Example: trialog feed status --cell "Lathe 4"
    """
    with records_at(place) as session:
        feed = feed_of(session, find_cell(session, cell))
        told = feed_standing(feed, datetime.now(UTC))
    _show(told, as_json, "")


def _show(told: FeedStanding, as_json: bool, more: str) -> None:
    if as_json:
        show_json(told.as_dict())
    else:
        click.echo(f"{told.in_words}\n{more}".strip())


@click.command("remove")
@cell_option
@place_options
def remove(*, cell: str, place: Place) -> None:
    """Listen to a cell's machine no more; what was heard stays in the logbook.

    Example: trialog feed remove --cell "Lathe 4"
    """
    with _changing(place, cell) as (session, feed):
        remove_feed(session, feed, actor=None, now=datetime.now(UTC))
    click.echo("Removed. What was heard stays in the logbook.")


@click.command("pause")
@cell_option
@place_options
def pause(*, cell: str, place: Place) -> None:
    """Stop listening for a while.

    Example: trialog feed pause --cell "Lathe 4"
    """
    with _changing(place, cell) as (session, feed):
        switch_feed(session, feed, on=False, actor=None, now=datetime.now(UTC))
    click.echo("Paused.")


@click.command("resume")
@cell_option
@place_options
def resume(*, cell: str, place: Place) -> None:
    """Go on listening where it stood.

    Example: trialog feed resume --cell "Lathe 4"
    """
    with _changing(place, cell) as (session, feed):
        switch_feed(session, feed, on=True, actor=None, now=datetime.now(UTC))
    click.echo("It goes on where it stood.")


@contextmanager
def _changing(place: Place, cell: str) -> Iterator[tuple[Session, Any]]:
    with records_at(place) as session, unit_of_work(session):
        yield session, feed_of(session, find_cell(session, cell))


@click.command("run")
@click.option("--cell", "cells", multiple=True, metavar="NAME", help="Only this one; repeatable.")
@click.option("--seconds", type=click.FloatRange(0), help="Stop by itself after so long.")
@click.option(
    "--print-unit",
    type=click.Choice(list(FEED_UNITS)),
    help="Print a systemd unit that listens with these options, and end.",
)
@place_options
@click.pass_context
def run(
    context: click.Context,
    *,
    cells: tuple[str, ...],
    seconds: float | None,
    print_unit: str | None,
    place: Place,
) -> None:
    """Follow every feed until Ctrl-C, also those that are added meanwhile.

    Started twice, the second one waits: one follower listens to a machine at a time.

    Example: trialog feed run
    """
    if print_unit is not None:
        given = {"DATABASE_URL": place.url, "DATA_FOLDER": place.folder}
        click.echo(FEED_UNITS[print_unit](service_of(context, given)), nl=False)
        return
    with records_at(place) as session:
        only = [feed_of(session, find_cell(session, cell)).id for cell in cells]
        sessions = make_sessions(cast(Engine, session.get_bind()))
        session.rollback()  # what was read so far is let go while it listens
        stopped = threading.Event()
        if seconds is not None:
            timer = threading.Timer(seconds, stopped.set)
            timer.daemon = True
            timer.start()
        click.echo("Listening. Stop it with Ctrl-C.")
        with heeding_signals(stopped.set):
            try:
                follow_all(sessions, stopped, _note, only=only)
            finally:
                stopped.set()  # the feeds are let go for others at once
    click.echo("Stopped.")


def _note(session: Session, cell: Cell) -> None:
    """Note what late readings made of the verdicts."""
    now = datetime.now(UTC)
    tell_verdicts(session, note_verdicts(session, cell, now=now), now=now)

"""`verdict`: what the records say of a trial."""

from __future__ import annotations

import click

from trialog.cli.output import (
    json_option,
    show_json,
)
from trialog.cli.places import Place, records_at
from trialog.cli.servers import Server, anywhere_options, trial_named
from trialog.records.queries import find_trial
from trialog.reports.verdict_now import verdict_in_words, verdict_now
from trialog.web.settings import read_zone

zone_option = click.option(
    "--time-zone",
    envvar="TRIALOG_TIME_ZONE",
    default="UTC",
    metavar="NAME",
    help="The shop's time zone (default: TRIALOG_TIME_ZONE, or UTC).",
)


@click.command()
@click.option("--trial", required=True, metavar="NAME", help="Name of the trial.")
@zone_option
@anywhere_options
@json_option
def verdict(
    *, trial: str, time_zone: str, place: Place, server: Server | None, as_json: bool
) -> None:
    """Say how a trial stands: GO, KEEP RUNNING or NO-GO, line by line.

    Example: trialog verdict --trial "Pull claw, by hand"
    """
    zone = read_zone(time_zone)
    if server is None:
        with records_at(place) as session:
            told = verdict_now(session, find_trial(session, trial), zone)
    else:
        with server.client() as client:
            told = client.verdict(trial_named(client, trial).id, time_zone=zone.key)
    if as_json:
        show_json(told)
    else:
        click.echo(verdict_in_words(told))

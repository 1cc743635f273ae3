"""`verdict` and `report`: what the records say."""

from __future__ import annotations

from datetime import UTC, datetime

import click

from trialog.cli.output import (
    STDOUT,
    as_json_text,
    json_option,
    output_option,
    show_json,
    write_text,
)
from trialog.cli.places import Place, place_options, records_at
from trialog.errors import InvalidValueError, UnknownNameError
from trialog.evidence import CAUTIONS, Verdict, judge, trial_signed, verdict_as_dict
from trialog.evidence.effects import explained
from trialog.records.models import Shift
from trialog.records.queries import find_trial
from trialog.reports import sentences
from trialog.reports.kinds import html_of
from trialog.reports.plain import plain
from trialog.reports.rules_fixed import RulesFixed, rules_fixed
from trialog.reports.shift_report import build_shift_report, shift_report_as_dict
from trialog.reports.sign_offs import SignOffStanding, standing_of
from trialog.reports.trial_report import build_trial_report, trial_report_as_dict
from trialog.web.settings import read_zone

LARGEST_ID = 2**31 - 1

format_option = click.option(
    "--format",
    "form",
    type=click.Choice(["html", "json"]),
    default="html",
    show_default=True,
    help="A document that prints well, or data.",
)
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
@place_options
@json_option
def verdict(*, trial: str, time_zone: str, place: Place, as_json: bool) -> None:
    """Say how a trial stands: GO, KEEP RUNNING or NO-GO, line by line.

    Example: trialog verdict --trial "Pull claw, by hand"
    """
    zone = read_zone(time_zone)
    with records_at(place) as session:
        row = find_trial(session, trial)
        found, fixed = explained(judge(session, row)), rules_fixed(session, row, zone)
        signed = standing_of(trial_signed(session, row, found), zone)
        if as_json:
            also = {
                "sentence": sentences.proven(found),
                "fixed": fixed.words,
                "changed_after": list(fixed.changed_after),
                "sign_off": plain(signed, zone),
                "cautions": list(CAUTIONS),
            }
            show_json(verdict_as_dict(found) | also)
        else:
            click.echo(verdict_in_words(found, fixed, signed))


def verdict_in_words(found: Verdict, fixed: RulesFixed, signed: SignOffStanding) -> str:
    """Say a verdict: the sentence, each line with its figure and what would change it, cautions."""
    lines = [f"{found.trial}: {found.verdict}", sentences.proven(found)]
    lines += [signed.words, fixed.words, *fixed.changed_after, ""]
    for reason in found.reasons:
        met = "holds" if reason.met else "OPEN "
        lines.append(f"  {met}  {reason.name}: {reason.detail}")
        lines += [f"         {sentence}" for sentence in reason.would_change]
    lines += ["", "Cautions:", *(f"  - {caution}" for caution in CAUTIONS)]
    return "\n".join(lines)


@click.command()
@click.argument("shift_id", metavar="ID", type=click.IntRange(1, LARGEST_ID))
@format_option
@output_option
@zone_option
@place_options
@json_option
def report_shift(
    *, shift_id: int, form: str, output: str | None, time_zone: str, place: Place, as_json: bool
) -> None:
    """Write the report of the shift with that ID (the number in its page's address).

    Example: trialog report shift 12 --format json
    """
    form, target = _target(form, output, as_json=as_json)
    zone = read_zone(time_zone)
    with records_at(place) as session:
        shift = session.get(Shift, shift_id)
        if shift is None:
            raise UnknownNameError("shift", "be the id of a shift in the records", shift_id)
        report = build_shift_report(session, shift, now=datetime.now(UTC), zone=zone)
    if form == "html":
        _write(target, html_of(report))
    else:
        _write(target, as_json_text(shift_report_as_dict(report)))


@click.command()
@click.argument("name")
@format_option
@output_option
@zone_option
@place_options
@json_option
def report_trial(
    *, name: str, form: str, output: str | None, time_zone: str, place: Place, as_json: bool
) -> None:
    """Write the report of the trial with that NAME.

    Example: trialog report trial "Pull claw, by hand" --format html -o report.html
    """
    form, target = _target(form, output, as_json=as_json)
    zone = read_zone(time_zone)
    with records_at(place) as session:
        report = build_trial_report(
            session, find_trial(session, name), now=datetime.now(UTC), zone=zone
        )
    if form == "html":
        _write(target, html_of(report))
    else:
        _write(target, as_json_text(trial_report_as_dict(report)))


def _target(form: str, output: str | None, *, as_json: bool) -> tuple[str, str]:
    """Return which form goes where; JSON goes to the standard output unless said otherwise."""
    form = "json" if as_json else form
    if output is None and form == "html":
        raise InvalidValueError("-o", "name the file to write, or - for the standard output", "")
    return form, output or STDOUT


def _write(target: str, text: str) -> None:
    write_text(target, [text])
    if target != STDOUT:
        click.echo(f"Wrote {target}.")

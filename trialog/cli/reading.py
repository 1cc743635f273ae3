"""`verdict`: what the records say of a trial."""

from __future__ import annotations

import click

from trialog.cli.output import (
    json_option,
    show_json,
)
from trialog.cli.places import Place, place_options, records_at
from trialog.evidence import CAUTIONS, Verdict, judge, trial_signed, verdict_as_dict
from trialog.evidence.effects import explained
from trialog.records.queries import find_trial
from trialog.reports import sentences
from trialog.reports.plain import plain
from trialog.reports.rules_fixed import RulesFixed, rules_fixed
from trialog.reports.sign_offs import SignOffStanding, standing_of
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

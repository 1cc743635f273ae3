"""What connects the server with others: HTTPS, notices, and the backups that leave it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from trialog.cli.doctor.findings import Finding, look, ok, wrong
from trialog.errors import InvalidValueError
from trialog.records.copying.backups import backup_name, moment_of
from trialog.web.settings import Settings
from trialog.web.tls.authority import KEPT as AUTHORITY
from trialog.web.tls.authority import open_authority
from trialog.web.tls.hostnames import find_host_names
from trialog.web.tls.issuing import find_kept, why_renew
from trialog.web.tls.serving import FOLDER

ENDS_SOON = timedelta(days=90)
"""All tablets have to be given another authority then, which takes a while."""

OLD_BACKUP, STALE_BACKUP = timedelta(days=1), timedelta(days=7)
"""Common practice, no source."""


def https(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Look at the certificate authority that tablets trust, and at the server's certificate."""
    folder = settings.data_folder / FOLDER
    if not (folder / AUTHORITY).exists():
        if settings.tls:
            yield ok("HTTPS", "certificates are made at the first start")
        else:
            do = "On a shop network serve with --tls: else anybody on its Wi-Fi can read PINs."
            yield look("HTTPS", "not set here", do)
        return
    try:
        authority = open_authority(folder, now=now)
    except InvalidValueError as error:
        do = "See the page on HTTPS in the help."
        yield wrong("HTTPS", f"{error.field} must {error.rule}", do)
        return
    ends = f"the authority ends on {authority.ends:%Y-%m-%d}"
    if authority.ends - now < ENDS_SOON:
        yield look("HTTPS", ends, "Plan the day on which all tablets get another one.")
    else:
        yield ok("HTTPS", ends)
    kept = find_kept(folder)
    why = why_renew(kept, authority, find_host_names(settings.tls_names), now=now)
    if why is not None or kept is None:
        yield look("certificate", f"is made anew: {why}", "The server does so when it starts.")
    else:
        yield ok("certificate", f"ends on {kept.certificate.not_valid_after_utc:%Y-%m-%d}; the "
                                "server renews it by itself")  # fmt: skip


def notices(settings: Settings) -> Iterator[Finding]:
    """Say over which channels notices go. Nothing is sent, and nobody is connected to."""
    channels = [str(channel) for channel in settings.notices.channels]
    if channels:
        yield ok("notices", f"go over {' and '.join(channels)}; the page Notices sends a test")
    else:
        yield ok("notices", "are not set")


def backups(folder: Path | None, now: datetime) -> Iterator[Finding]:
    """Look at how old the newest backup in a folder is."""
    if folder is None:
        yield look("backups", "no folder was named", "Name theirs with --backups DIR.")
        return
    try:
        made = sorted(filter(None, (moment_of(one.name) for one in folder.iterdir())))
    except OSError as error:
        yield wrong(
            "backups", f"{folder} cannot be read ({error.strerror})", "Look at that folder."
        )
        return
    if not made:
        yield wrong("backups", f"none is in {folder}", f"trialog backup --to {folder}")
        return
    newest = max((moment for moment in made if moment <= now), default=made[0])
    age = now - newest
    if made[-1] > now and age <= STALE_BACKUP:
        says = f"{backup_name(made[-1])} has the name of a moment that has not come"
        do = "Look at the clock of this computer, and of the one that made it."
        yield look("backups", says, do)
        return
    says = (
        f"the newest, {backup_name(newest)}, is {age.days} days and {age.seconds // 3600} hours old"
    )
    finding = wrong if age > STALE_BACKUP else look if age > OLD_BACKUP else None
    if finding is None:
        yield ok("backups", says)
    else:
        yield finding("backups", says, f"trialog backup --to {folder}; see why none was made.")

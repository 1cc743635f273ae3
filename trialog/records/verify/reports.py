"""Whether the kept reports still hold what they held when they were made."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import KeptReport
from trialog.records.verify.difference import Difference


def verify_kept_reports(session: Session) -> Iterator[Difference]:
    """Hash each kept report's content again, one in memory at a time.

    The hash that stands beside it is sealed, as all of the row is.
    """
    kept = select(KeptReport.id, KeptReport.sha256).order_by(KeptReport.id)
    for report_id, sha256 in session.execute(kept).all():
        content = session.scalar(select(KeptReport.content).where(KeptReport.id == report_id))
        found = hashlib.sha256(content or b"").hexdigest()
        if found != sha256:
            said = f"its content was changed: its hash is {found}"
            yield Difference(f"kept report {report_id}", said)

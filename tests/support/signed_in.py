"""Sessions begun as the sign-in page begins them, without the slow check of a PIN."""

from __future__ import annotations

from trialog.records.database import unit_of_work
from trialog.records.sign_ins import begin_sign_in


def begin_session(client, person, at):
    """Sign a test client in as a person, at a moment."""
    from trialog.web.database import state  # noqa: PLC0415 - slow to import
    from trialog.web.identity import TOKEN, SignedIn  # noqa: PLC0415

    with state(client.application).sessions() as session, unit_of_work(session):
        token = begin_sign_in(session, person, now=at)
    with client.session_transaction() as signed_in:
        signed_in["_user_id"] = SignedIn(person).get_id()
        signed_in["_fresh"] = True
        signed_in[TOKEN] = token
        signed_in.permanent = True

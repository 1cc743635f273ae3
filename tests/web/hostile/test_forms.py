"""Every form, filled in by somebody who means no good: refused in words or kept as text."""

from __future__ import annotations

from urllib.parse import urljoin

import pytest
from support.hostile import SCRIPT, TURNED, Forms, faults_of, looked_at

from trialog.records.words import Role

pytestmark = pytest.mark.database("sqlite")

TEXTS = {
    "script": SCRIPT,
    "statement": f"1'; DROP TABLE person; -- {TURNED}" + "\u00e9" * 3_000,
}


def forms_of(visit, addresses):
    """Yield each form of some pages once, with the address that it leads to."""
    seen = set()
    for address in addresses:
        with visit.get(address) as answer:
            page = answer.text if answer.mimetype == "text/html" else ""
        for form in Forms(page).forms:
            target = urljoin(address, form.action or address)
            key = (form.method, target, *sorted(form.typed))
            if key not in seen and not target.endswith("/logout"):
                seen.add(key)
                yield form, target


@pytest.mark.parametrize("name", TEXTS)
def test_every_form_takes_or_refuses_hostile_text(app, session, records, *, visitor_as, name):
    tried, wrong = 0, []
    for role, pages in ((Role.ADMIN, ""), (Role.APPROVER, "/trials/")):
        visit = visitor_as(role).client
        addresses = [
            address for endpoint, address in looked_at(app, records)
            if address.startswith(pages)
            and not endpoint.startswith(("downloads.", "kept.file", "help."))
        ]  # fmt: skip
        for form, target in list(forms_of(visit, addresses)):
            tried += 1
            where = "query_string" if form.method == "GET" else "data"
            sent = {where: form.filled(TEXTS[name])}
            wrong += faults(visit, target, method=form.method, **sent)
        if name == "script":  # what was taken is shown
            wrong += [fault for address in addresses for fault in faults(visit, address)]
    assert wrong == []
    assert tried > 20


def faults(visit, address, **how):
    """Ask for an address, and return what is wrong with the answer."""
    with visit.open(address, **how) as answer:
        found = [answer.status_code] if answer.status_code >= 500 else []
        if answer.mimetype == "text/html":
            found += faults_of(answer)
        return [(address, fault) for fault in found]

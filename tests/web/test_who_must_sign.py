"""Saying in the requirement who must sign a GO."""

from __future__ import annotations

import re

import pytest

from trialog.records.models import Requirement

ASKED = {
    "name": "lunch alone", "stretch_hours": "1", "chance": "90", "confidence": "95",
    "min_shifts": "2", "min_operators": "0", "min_cold_starts": "1", "min_material_lots": "0",
    "min_tool_changes": "0",
}  # fmt: skip


def stored(session):
    session.rollback()  # so that it sees what the app committed meanwhile
    return [made.sign_roles for made in session.query(Requirement)]


@pytest.mark.database("sqlite")  # what a form takes does not depend on the database
def test_who_must_sign_is_ticked_on_the_requirements_page(engineer, cell, session):
    path = f"/cells/{cell.id}/requirements/new"
    page = engineer.get(path).text
    ticked = re.findall(r'<input checked[^>]* name="sign_roles"[^>]* value="(\w+)"', page)
    assert ticked == ["engineer", "approver"]
    none = engineer.post(path, ASKED | {"sign_roles": [], "step": "save"})
    assert (none.status_code, "Tick at least one." in none.text) == (422, True)
    assert stored(session) == []
    engineer.post(path, ASKED | {"sign_roles": ["admin"], "step": "save"})
    assert stored(session) == [["admin"]]

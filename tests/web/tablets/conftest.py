"""Tablets that are let in, and an open shift to log in."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from support.cells import opening, write
from support.enrolled import Enrolled

from trialog.records.queries import open_shift


@pytest.fixture
def shift(session, cell):
    """Return an open shift whose counter stood at 500."""
    moment = datetime.now(UTC)
    write(session, cell, opening("early A", counter=500, occurred_at=moment), now=moment)
    return open_shift(session, cell.cell)


@pytest.fixture
def tablet(app, session, people, cell):
    """Return an enrolled tablet of the cell, the operator signed in at it."""
    made = Enrolled(app, session, people.engineer, cell=cell.cell)
    made.person = people.operator
    return made


@pytest.fixture
def loose_tablet(app, session, people):
    """Return an enrolled tablet of no cell in particular."""
    return Enrolled(app, session, people.engineer, name="green tablet")


@pytest.fixture
def red_tablet(app, session, people, cell):
    """Return another tablet of the cell, the engineer signed in at it."""
    made = Enrolled(app, session, people.engineer, cell=cell.cell, name="red tablet")
    made.person = people.engineer
    return made

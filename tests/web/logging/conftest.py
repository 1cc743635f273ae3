"""A shift that runs, and programs that log in it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from support.cells import opening, write
from support.tablets import LABEL, Tablet

from trialog.records.queries import open_shift


@pytest.fixture
def shift(session, cell):
    """Return an open shift whose counter stood at 500."""
    moment = datetime.now(UTC)
    write(session, cell, opening(LABEL, counter=500, occurred_at=moment), now=moment)
    return open_shift(session, cell.cell)


@pytest.fixture
def tablet(operator, cell, shift):
    return Tablet(operator, cell)


@pytest.fixture
def engineers_tablet(engineer, cell, shift):
    return Tablet(engineer, cell)

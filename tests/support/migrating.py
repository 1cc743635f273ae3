"""A database taken to an older or a newer schema."""

from __future__ import annotations

from alembic import command

from trialog.records import schema


def migrate(engine, direction, version):
    """Migrate to a version: `direction` is "upgrade" or "downgrade"."""
    getattr(command, direction)(schema._configuration(engine), version)

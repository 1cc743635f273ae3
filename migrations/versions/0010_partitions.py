"""The logbook on PostgreSQL is divided into partitions, without writing a row of it anew.

SQLite stays as it is: one machine's logbook fits into one table.

Revision: 0010
Follows: 0009
"""

from __future__ import annotations

from alembic import op

from trialog.records.dividing import divide, make_one

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        with op.get_context().autocommit_block():
            divide(op.get_bind())


def downgrade() -> None:
    """Go back; on PostgreSQL every line is written anew meanwhile, and nobody else can write."""
    if op.get_bind().dialect.name == "postgresql":
        make_one(op.get_bind())

"""An index that leads to a tablet's last line, however many lines its cell has.

Only over lines that a tablet wrote: to all others it costs nothing.

Revision: 0012
Follows: 0011
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from trialog.records.online import make_index

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

NAME = "ix_entry_cell_id_tablet_id_sequence"
COLUMNS = ["cell_id", "tablet_id", "sequence"]
WHERE = "tablet_id IS NOT NULL"


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        with op.get_context().autocommit_block():
            make_index(op.get_bind(), NAME, "entry", COLUMNS, where=WHERE)
    else:
        op.create_index(op.f(NAME), "entry", COLUMNS, sqlite_where=sa.text(WHERE))


def downgrade() -> None:
    op.drop_index(op.f(NAME), "entry")

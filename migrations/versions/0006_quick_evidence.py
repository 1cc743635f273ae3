"""Indexes that lead to the few lines a verdict asks for: however long the log, it takes as long.

Revision: 0006
Follows: 0005
"""

from __future__ import annotations

from alembic import op

from trialog.records.online import make_index

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


ADDED = (
    ("shift_id", "kind", "occurred_at"),
    ("cell_id", "kind", "sequence"),
    ("cell_id", "counter"),
)


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        with op.get_context().autocommit_block():
            for columns in ADDED:
                make_index(op.get_bind(), f"ix_entry_{'_'.join(columns)}", "entry", columns)
    else:
        for columns in ADDED:
            op.create_index(op.f(f"ix_entry_{'_'.join(columns)}"), "entry", list(columns))
    op.drop_index(op.f("ix_entry_cell_id_kind"), "entry")  # one of those begins with it


def downgrade() -> None:
    op.create_index(op.f("ix_entry_cell_id_kind"), "entry", ["cell_id", "kind"])
    for columns in ADDED:
        op.drop_index(op.f(f"ix_entry_{'_'.join(columns)}"), "entry")

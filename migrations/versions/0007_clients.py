"""Programs that talk to trialog, and the tokens that let them.

Revision: 0007
Follows: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "client",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column(
            "responsible_id",
            sa.Integer(),
            nullable=False,
            comment="who answers for it: it may do no more than they may",
        ),
        sa.Column(
            "cell_id",
            sa.Integer(),
            nullable=True,
            comment="the one cell that it is for; empty: all",
        ),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_client_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["person.id"], name=op.f("fk_client_made_by_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["responsible_id"], ["person.id"], name=op.f("fk_client_responsible_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_client")),
        sa.UniqueConstraint("name", name=op.f("uq_client_name")),
    )
    op.create_table(
        "client_token",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column(
            "hint",
            sa.String(length=12),
            nullable=False,
            comment="the part of it that is no secret, to tell tokens apart",
        ),
        sa.Column(
            "token_hash",
            sa.String(length=64),
            nullable=False,
            comment="SHA-256 of the whole token",
        ),
        sa.Column("scopes", sa.JSON(), nullable=False, comment="what it opens"),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["client_id"], ["client.id"], name=op.f("fk_client_token_client_id_client")
        ),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["person.id"], name=op.f("fk_client_token_made_by_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_client_token")),
        sa.UniqueConstraint("hint", name=op.f("uq_client_token_hint")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_client_token_token_hash")),
    )
    op.create_index(op.f("ix_client_token_client_id"), "client_token", ["client_id"])


def downgrade() -> None:
    """Go back; clients and their tokens are lost.

    Raises
    ------
    RuntimeError
        If the records hold clients: the audit tells of each, and the older schema has none.
    """
    kept = sa.text("SELECT 1 FROM client LIMIT 1")
    if op.get_bind().execute(kept).first() is not None:
        raise RuntimeError("the records hold clients, which the older schema cannot keep")
    for name in ("client_token", "client"):
        op.drop_table(name)

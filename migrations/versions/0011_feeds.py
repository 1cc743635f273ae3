"""Machines that are listened to, and how far each has been heard.

Revision: 0011
Follows: 0010
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    mode = sa.Enum(
        "streaming", "polling", name="feed_mode", native_enum=False, create_constraint=True,
        length=40,
    )  # fmt: skip
    op.create_table(
        "feed",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column(
            "key",
            sa.String(length=12),
            nullable=False,
            comment="begins the ids of its lines; never given twice",
        ),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("url", sa.String(length=500), nullable=False),
        sa.Column(
            "device",
            sa.String(length=120),
            nullable=True,
            comment="empty: all that the agent tells of",
        ),
        sa.Column(
            "count_item",
            sa.String(length=120),
            nullable=False,
            comment="id of the data item with the part count",
        ),
        sa.Column(
            "state_item",
            sa.String(length=120),
            nullable=True,
            comment="id of the data item that says what the machine is doing",
        ),
        sa.Column("mode", mode, nullable=False),
        sa.Column("enabled", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=True),
        sa.Column(
            "instance",
            sa.String(length=40),
            nullable=True,
            comment="the agent's instance id; another one: it was started anew",
        ),
        sa.Column(
            "next_sequence",
            sa.BigInteger(),
            nullable=True,
            comment="where to go on; empty: at what holds now",
        ),
        sa.Column(
            "rewinds",
            sa.Integer(),
            nullable=False,
            comment="how often its numbers began anew under one instance id",
        ),
        sa.Column("heard_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.String(length=2000), nullable=False),
        sa.Column("failing_since", sa.DateTime(timezone=True), nullable=True),
        sa.Column("gaps", sa.Integer(), nullable=False),
        sa.Column("clock_ahead_seconds", sa.Double(), nullable=True),
        sa.Column("holder", sa.String(length=64), nullable=True, comment="who follows it just now"),
        sa.Column("held_until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["added_by_id"], ["person.id"], name=op.f("fk_feed_added_by_id_person")
        ),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_feed_cell_id_cell")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("cell_id", name=op.f("uq_feed_cell_id")),
        sa.UniqueConstraint("key", name=op.f("uq_feed_key")),
    )


def downgrade() -> None:
    """Go back; which machines are listened to is lost, what they said stays.

    Raises
    ------
    RuntimeError
        If a feed is there: its seal would be missed.
    """
    if op.get_bind().execute(sa.text("SELECT 1 FROM feed LIMIT 1")).first() is not None:
        raise RuntimeError("the records hold feeds, which the older schema cannot keep")
    op.drop_table("feed")

"""Wrong PINs by person and place, and sign-ins that end for whoever has a copy of the cookie.

Counts of wrong PINs and the locks they led to (minutes long) are let go; everybody signs in again.

Revision: 0009
Follows: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _make_sign_in()
    _make_wrong_pins()
    with op.batch_alter_table("person") as table:
        table.drop_column("failed_tries")
        table.drop_column("locked_until")


def _make_sign_in() -> None:
    op.create_table(
        "sign_in",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column(
            "token_hash",
            sa.String(length=64),
            nullable=False,
            comment="SHA-256 of the session's secret",
        ),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_sign_in_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_sign_in_token_hash")),
    )
    for column in ("person_id", "begun_at"):
        op.create_index(op.f(f"ix_sign_in_{column}"), "sign_in", [column])


def _make_wrong_pins() -> None:
    op.create_table(
        "wrong_pins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column(
            "place",
            sa.String(length=40),
            nullable=False,
            comment="a tablet, a browser that the person has signed in from, or elsewhere",
        ),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column(
            "held",
            sa.Double(),
            nullable=False,
            comment="how many are held against the place, as of the last; one is let go each day",
        ),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("wait_until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_wrong_pins_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_wrong_pins")),
        sa.UniqueConstraint("person_id", "place", name=op.f("uq_wrong_pins_person_id_place")),
    )


def downgrade() -> None:
    with op.batch_alter_table("person") as table:
        # Older versions write the count themselves, so it needs no default but for these rows.
        table.add_column(
            sa.Column("failed_tries", sa.Integer(), nullable=False, server_default="0")
        )
        table.add_column(sa.Column("locked_until", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("person") as table:
        table.alter_column("failed_tries", existing_type=sa.Integer(), server_default=None)
    for name in ("wrong_pins", "sign_in"):
        op.drop_table(name)

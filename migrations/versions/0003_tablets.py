"""Tablets log on their own: enrolment, the tablet's part of a line, photos, parked lines.

Revision: 0003
Follows: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

KINDS_BEFORE = (
    "open", "good", "failed", "stop", "note", "condition", "reading", "close", "ruling",
    "revision", "undo",
)  # fmt: skip
KINDS = (*KINDS_BEFORE, "photo", "check")


def upgrade() -> None:
    _make_tables()
    with op.batch_alter_table("entry") as table:
        table.add_column(sa.Column("tablet_id", sa.Integer(), nullable=True))
        table.add_column(
            sa.Column(
                "tablet_number",
                sa.BigInteger(),
                nullable=True,
                comment="the tablet's own running number: its lines in the order of its taps",
            )
        )
        table.add_column(
            sa.Column(
                "tablet_time",
                sa.DateTime(timezone=True),
                nullable=True,
                comment="the moment by the tablet's own clock, however wrong that is",
            )
        )
        table.add_column(
            sa.Column(
                "photo",
                sa.String(length=64),
                nullable=True,
                comment="SHA-256 of a photo's bytes",
            )
        )
        table.create_foreign_key(op.f("fk_entry_tablet_id_tablet"), "tablet", ["tablet_id"], ["id"])
        table.create_check_constraint(
            op.f("ck_entry_tablet_number_with_tablet"),
            "(tablet_id IS NULL) = (tablet_number IS NULL)",
        )
        table.drop_constraint(op.f("ck_entry_kind"), type_="check")
        table.create_check_constraint(op.f("ck_entry_kind"), _one_of(KINDS))


def _one_of(kinds: tuple[str, ...]) -> str:
    return f"kind IN ({', '.join(repr(kind) for kind in kinds)})"


def _make_tables() -> None:
    op.create_table(
        "enrolment_code",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code_hash", sa.String(length=64), nullable=False),
        sa.Column("tablet_name", sa.String(length=120), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=True),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["cell_id"], ["cell.id"], name=op.f("fk_enrolment_code_cell_id_cell")
        ),
        sa.ForeignKeyConstraint(
            ["made_by_id"], ["person.id"], name=op.f("fk_enrolment_code_made_by_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_enrolment_code")),
        sa.UniqueConstraint("code_hash", name=op.f("uq_enrolment_code_code_hash")),
    )
    op.create_table(
        "tablet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column(
            "cell_id", sa.Integer(), nullable=True, comment="the cell it opens with; empty: it asks"
        ),
        sa.Column(
            "key_hash", sa.String(length=64), nullable=False, comment="SHA-256 of its secret key"
        ),
        sa.Column("enrolled_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("enrolled_by_id", sa.Integer(), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("page_version", sa.String(length=120), nullable=True),
        sa.Column(
            "clock_ahead_seconds",
            sa.Double(),
            nullable=True,
            comment="how far its clock was ahead of the server's when it last wrote",
        ),
        sa.Column(
            "clock_moved_at",
            sa.DateTime(timezone=True),
            nullable=True,
            comment="when that difference was last seen to jump",
        ),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_tablet_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["enrolled_by_id"], ["person.id"], name=op.f("fk_tablet_enrolled_by_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tablet")),
        sa.UniqueConstraint("key_hash", name=op.f("uq_tablet_key_hash")),
        sa.UniqueConstraint("name", name=op.f("uq_tablet_name")),
    )
    op.create_table(
        "parked_line",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("tablet_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("line", sa.JSON(), nullable=False, comment="the line as the tablet sent it"),
        sa.Column("why", sa.String(length=2000), nullable=False),
        sa.Column("parked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "outcome",
            sa.Enum(
                "written",
                "left out",
                "taken back",
                name="outcome",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column("outcome_reason", sa.String(length=2000), nullable=False),
        sa.Column("settled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("settled_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_parked_line_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["settled_by_id"], ["person.id"], name=op.f("fk_parked_line_settled_by_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_parked_line_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["tablet_id"], ["tablet.id"], name=op.f("fk_parked_line_tablet_id_tablet")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parked_line")),
        sa.UniqueConstraint("client_id", name=op.f("uq_parked_line_client_id")),
    )
    op.create_index(op.f("ix_parked_line_cell_id"), "parked_line", ["cell_id"])

    op.create_table(
        "photo",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("tablet_id", sa.Integer(), nullable=True),
        sa.Column("stored_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["tablet_id"], ["tablet.id"], name=op.f("fk_photo_tablet_id_tablet")
        ),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_photo")),
    )


def downgrade() -> None:
    """Go back; a photo or spot check in the logbook breaks the older rule, which stops it."""
    with op.batch_alter_table("entry") as table:
        table.drop_constraint(op.f("ck_entry_kind"), type_="check")
        table.create_check_constraint(op.f("ck_entry_kind"), _one_of(KINDS_BEFORE))
        table.drop_constraint(op.f("ck_entry_tablet_number_with_tablet"), type_="check")
        table.drop_constraint(op.f("fk_entry_tablet_id_tablet"), type_="foreignkey")
        for name in ("photo", "tablet_time", "tablet_number", "tablet_id"):
            table.drop_column(name)
    for name in ("photo", "parked_line", "tablet", "enrolment_code"):
        op.drop_table(name)

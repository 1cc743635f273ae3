"""Kept reports: which are to be made, each as it was made, and the file that goes with a notice.

Shifts that were closed before have no kept report; one is made when something about them changes.

Revision: 0005
Follows: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

ABOUT_ONE = "(shift_id IS NULL) <> (sign_off_id IS NULL)"


def upgrade() -> None:
    _make_due_report()
    _make_kept_report()
    with op.batch_alter_table("notice") as table:
        table.add_column(
            sa.Column(
                "attachment",
                sa.LargeBinary(),
                nullable=True,
                comment="the file that goes with it; only until it got through",
            )
        )


def _make_due_report() -> None:
    op.create_table(
        "due_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("shift_id", sa.Integer(), nullable=True),
        sa.Column("sign_off_id", sa.Integer(), nullable=True),
        sa.Column(
            "line",
            sa.BigInteger(),
            nullable=False,
            comment="the report must rest on the cell's logbook at least up to this line",
        ),
        sa.Column("next_try_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.String(length=2000), nullable=False),
        sa.CheckConstraint(ABOUT_ONE, name=op.f("ck_due_report_about_one")),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_due_report_shift_id_shift")
        ),
        sa.ForeignKeyConstraint(
            ["sign_off_id"], ["sign_off.id"], name=op.f("fk_due_report_sign_off_id_sign_off")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_due_report")),
        sa.UniqueConstraint("shift_id", name=op.f("uq_due_report_shift_id")),
        sa.UniqueConstraint("sign_off_id", name=op.f("uq_due_report_sign_off_id")),
    )
    op.create_index(op.f("ix_due_report_next_try_at"), "due_report", ["next_try_at"])


def _make_kept_report() -> None:
    kinds = sa.Enum(
        "shift", "trial", name="report_kind", native_enum=False, create_constraint=True, length=40
    )
    op.create_table(
        "kept_report",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("kind", kinds, nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("shift_id", sa.Integer(), nullable=True),
        sa.Column("sign_off_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=2000), nullable=False),
        sa.Column("sentence", sa.String(length=2000), nullable=False),
        sa.Column("language", sa.String(length=8), nullable=False),
        sa.Column(
            "line",
            sa.BigInteger(),
            nullable=False,
            comment="the length of the cell's logbook that it rests on",
        ),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "sha256",
            sa.String(length=64),
            nullable=False,
            comment="SHA-256 of the content as stored",
        ),
        sa.Column(
            "content",
            sa.LargeBinary(),
            nullable=False,
            comment="the frozen report as JSON, compressed",
        ),
        sa.CheckConstraint(ABOUT_ONE, name=op.f("ck_kept_report_about_one")),
        sa.CheckConstraint(
            "(kind = 'shift') = (shift_id IS NOT NULL)", name=op.f("ck_kept_report_kind_as_subject")
        ),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_kept_report_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_kept_report_shift_id_shift")
        ),
        sa.ForeignKeyConstraint(
            ["sign_off_id"], ["sign_off.id"], name=op.f("fk_kept_report_sign_off_id_sign_off")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kept_report")),
        sa.UniqueConstraint("shift_id", "version", name=op.f("uq_kept_report_shift_id_version")),
        sa.UniqueConstraint("sign_off_id", name=op.f("uq_kept_report_sign_off_id")),
    )
    for column in ("cell_id", "made_at"):
        op.create_index(op.f(f"ix_kept_report_{column}"), "kept_report", [column])


def downgrade() -> None:
    """Go back; what is only due is lost.

    Raises
    ------
    RuntimeError
        If the records hold kept reports: the audit tells of each, and the older schema has none.
    """
    kept = sa.text("SELECT 1 FROM kept_report LIMIT 1")
    if op.get_bind().execute(kept).first() is not None:
        raise RuntimeError("the records hold kept reports, which the older schema cannot keep")
    with op.batch_alter_table("notice") as table:
        table.drop_column("attachment")
    for name in ("kept_report", "due_report"):
        op.drop_table(name)

"""Clean evidence: causes of rulings, files, who must sign, refusals, revocations, verdicts told.

Revision: 0004
Follows: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

CAUSES = (
    "the device itself", "cause not found", "handling by the operator",
    "raw part out of tolerance", "air, power or coolant supply",
    "machine or program, not the device", "set-up or test of the trial itself",
    "other, see the words",
)  # fmt: skip

# Columns that the rows there are need a value for. Until now an approver's signature was enough,
# and a rule is not changed after the start.
FILLED = (
    ("photo", sa.Column("media_type", sa.String(length=120)), "image/jpeg"),
    ("requirement", sa.Column("sign_roles", sa.JSON(),
        comment="roles whose signatures a sign-off needs"), '["approver"]'),
    ("sign_off", sa.Column("decision", sa.String(length=40)), "accepted"),
)  # fmt: skip


def upgrade() -> None:
    _make_tables()
    with op.batch_alter_table("entry") as table:
        table.add_column(
            sa.Column(
                "cause",
                _one_of("cause", *CAUSES),
                nullable=True,
                comment="where the engineer who ruled found the cause",
            )
        )
    with op.batch_alter_table("photo") as table:
        table.add_column(
            sa.Column("filename", sa.String(length=120), comment="empty: a photo from a tablet")
        )
    with op.batch_alter_table("trial") as table:
        table.add_column(
            sa.Column(
                "follows_id",
                sa.Integer(),
                nullable=True,
                comment="the former trial that this one goes on from",
            )
        )
        table.create_foreign_key(op.f("fk_trial_follows_id_trial"), "trial", ["follows_id"], ["id"])
    for name, column, value in FILLED:
        _add_filled(name, column, value)
    with op.batch_alter_table("sign_off") as table:
        table.create_check_constraint(
            op.f("ck_sign_off_decision"), "decision IN ('accepted', 'refused')"
        )


def _add_filled(name: str, column: sa.Column[object], value: str) -> None:
    with op.batch_alter_table(name) as table:
        table.add_column(
            sa.Column(
                column.name,
                column.type,
                nullable=False,
                server_default=value,
                comment=column.comment,
            )
        )
    with op.batch_alter_table(name) as table:
        table.alter_column(column.name, existing_type=column.type, server_default=None)


def _one_of(name: str, *words: str) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=40)


def _make_tables() -> None:
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            _one_of("notice_kind", "shift closed", "verdict changed", "test"),
            nullable=False,
        ),
        sa.Column("channel", _one_of("channel", "e-mail", "webhook"), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column(
            "next_try_at",
            sa.DateTime(timezone=True),
            nullable=True,
            comment="empty: it got through, or was given up",
        ),
        sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.String(length=2000), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
    )
    op.create_index(op.f("ix_notice_next_try_at"), "notice", ["next_try_at"])
    op.create_table(
        "verdict_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("proven_seconds", sa.Double(), nullable=True, comment="empty: nothing limits it"),
        sa.Column(
            "unmet", sa.JSON(), nullable=False, comment="names of the lines that did not hold"
        ),
        sa.Column(
            "chain_length",
            sa.Integer(),
            nullable=False,
            comment="the logbook's length at that time",
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trial.id"], name=op.f("fk_verdict_change_trial_id_trial")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdict_change")),
    )
    op.create_index(op.f("ix_verdict_change_trial_id"), "verdict_change", ["trial_id"])
    op.create_table(
        "revocation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sign_off_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("person_name", sa.String(length=120), nullable=False),
        sa.Column("reason", sa.String(length=2000), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_revocation_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["sign_off_id"], ["sign_off.id"], name=op.f("fk_revocation_sign_off_id_sign_off")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revocation")),
        sa.UniqueConstraint("sign_off_id", name=op.f("uq_revocation_sign_off_id")),
    )


def downgrade() -> None:
    """Go back; which refusals and revocations there were is lost with their tables and columns."""
    with op.batch_alter_table("sign_off") as table:
        table.drop_constraint(op.f("ck_sign_off_decision"), type_="check")
        table.drop_column("decision")
    with op.batch_alter_table("trial") as table:
        table.drop_constraint(op.f("fk_trial_follows_id_trial"), type_="foreignkey")
        table.drop_column("follows_id")
    with op.batch_alter_table("requirement") as table:
        table.drop_column("sign_roles")
    with op.batch_alter_table("photo") as table:
        table.drop_column("media_type")
        table.drop_column("filename")
    with op.batch_alter_table("entry") as table:
        table.drop_constraint(op.f("ck_entry_cause"), type_="check")
        table.drop_column("cause")
    for name in ("revocation", "verdict_change", "notice"):
        op.drop_table(name)

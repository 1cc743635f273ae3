"""Clean evidence: causes of rulings, files, who must sign, refusals, revocations, verdicts told.

Audit events are chained, and the rows that nothing else protects are sealed, from here on.

Revision: 0004
Follows: 0003
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

from trialog.records.chain import AUDITED, event_hash
from trialog.records.seals import read_rows, row_seal

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

SEALED = {
    "person": ("id", "name", "role", "pin_hash", "active", "created_at"),
    "cell": (
        "id", "name", "machine", "part", "operation", "planned_cycle_seconds", "counter_modulus",
        "created_at",
    ),
    "device": ("id", "cell_id", "name", "created_at"),
    "failure_mode": ("id", "cell_id", "device_id", "name", "effect", "created_at"),
    "requirement": (
        "id", "cell_id", "name", "stretch_hours", "cycle_seconds", "chance", "confidence",
        "design_rate", "min_shifts", "min_operators", "min_cold_starts", "min_material_lots",
        "min_tool_changes", "sign_roles", "created_at",
    ),
    "trial": (
        "id", "name", "cell_id", "device_id", "requirement_id", "stage", "share", "plan_kind",
        "plan_cycles", "plan_allowed", "plan_go_start", "plan_no_go_start",
        "plan_cycles_per_failure", "good_pass", "begins_at", "follows_id", "created_at",
        "created_by_id",
    ),
    "revision": (
        "id", "cell_id", "device_id", "entry_id", "effective_at", "what", "resets_evidence",
        "reason", "withdrawn",
    ),
    "acknowledgement": (
        "id", "trial_id", "kind", "person_id", "text", "chain_length", "created_at",
    ),
    "sign_off": (
        "id", "trial_id", "person_id", "person_name", "role", "decision", "statement", "signed_at",
        "chain_length", "chain_head", "document", "document_hash",
    ),
    "tablet": (
        "id", "name", "cell_id", "key_hash", "enrolled_at", "enrolled_by_id", "revoked_at",
    ),
    "parked_line": (
        "id", "client_id", "cell_id", "tablet_id", "person_id", "line", "why", "parked_at",
        "outcome", "outcome_reason", "settled_at", "settled_by_id",
    ),
    "photo": ("sha256", "filename", "media_type", "tablet_id", "stored_at"),
}  # fmt: skip
"""What is sealed of the rows that are there, by table; the key is its first column."""


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
    _add_chain()


def _add_chain() -> None:
    op.create_table(
        "audit_chain",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("length", sa.BigInteger(), nullable=False),
        sa.Column("head", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_chain")),
    )
    with op.batch_alter_table("audit_event") as table:
        table.add_column(
            sa.Column(
                "sequence",
                sa.BigInteger(),
                nullable=True,
                comment="place in the chain, from 1; empty only until its transaction ends",
            )
        )
        table.create_unique_constraint(op.f("uq_audit_event_sequence"), ["sequence"])
    comment = "rows that the transaction wrote: table, key, seal before and after"
    _add_filled("audit_event", sa.Column("sealed", sa.JSON(), comment=comment), "[]")
    for name in ("previous_hash", "hash"):
        _add_filled("audit_event", sa.Column(name, sa.String(length=64)), "")
    _seal_and_chain(op.get_bind())


def _seal_and_chain(bind: sa.Connection) -> None:
    """Chain the events that are there, and one more that seals the rows that are there."""
    seals = list(_seals(bind))
    events = _table(bind, "audit_event")
    if seals:
        bind.execute(
            events.insert().values(
                at=datetime.now(UTC), action="sealed rows", subject="records",
                details={"why": "the records had no seals before"}, sealed=seals,
                previous_hash="", hash="",
            )
        )  # fmt: skip
    columns = ["id", *(name for name in AUDITED if name != "sequence")]
    length, head = 0, ""
    for length, row in enumerate(list(read_rows(bind, events, columns, order="id")), 1):
        chained = {"sequence": length, "previous_hash": head}
        head = event_hash(head, row | chained)
        bind.execute(events.update().where(events.c.id == row["id"]).values(**chained, hash=head))
    bind.execute(_table(bind, "audit_chain").insert().values(id=1, length=length, head=head))


def _seals(bind: sa.Connection) -> Iterator[list[Any]]:
    for name, columns in SEALED.items():
        key = columns[0]
        for row in read_rows(bind, _table(bind, name), columns, order=key):
            yield [name, str(row[key]), None, row_seal(name, row)]


def _table(bind: sa.Connection, name: str) -> sa.Table:
    return sa.Table(name, sa.MetaData(), autoload_with=bind, resolve_fks=False)


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


LATER = {
    "causes of rulings": "SELECT 1 FROM entry WHERE cause IS NOT NULL",
    "refused sign-offs": "SELECT 1 FROM sign_off WHERE decision <> 'accepted'",
    "revocations": "SELECT 1 FROM revocation",
}
"""What an older version would lose or, worse, read as something else."""


def downgrade() -> None:
    """Go back; verdicts told, notices, seals and the audit's chain are lost with their tables.

    Raises
    ------
    RuntimeError
        If the records hold what the older schema has no place for.
    """
    for what, statement in LATER.items():
        if op.get_bind().execute(sa.text(f"{statement} LIMIT 1")).first() is not None:
            raise RuntimeError(f"the records hold {what}, which the older schema cannot keep")
    with op.batch_alter_table("audit_event") as table:
        table.drop_constraint(op.f("uq_audit_event_sequence"), type_="unique")
        for name in ("sequence", "sealed", "previous_hash", "hash"):
            table.drop_column(name)
    op.drop_table("audit_chain")
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

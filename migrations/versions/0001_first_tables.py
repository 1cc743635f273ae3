"""The first tables.

Revision: 0001
Follows:
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "cell",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("machine", sa.String(length=120), nullable=False),
        sa.Column("part", sa.String(length=120), nullable=False),
        sa.Column("operation", sa.String(length=120), nullable=False),
        sa.Column("planned_cycle_seconds", sa.Double(), nullable=False),
        sa.Column(
            "counter_modulus",
            sa.BigInteger(),
            nullable=True,
            comment="the machine counter restarts at 0 after this many cycles",
        ),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "chain_length",
            sa.Integer(),
            nullable=False,
            comment="entries in this cell's logbook; the row is locked while one is added",
        ),
        sa.Column(
            "chain_head", sa.String(length=64), nullable=False, comment="hash of the newest entry"
        ),
        sa.CheckConstraint(
            "counter_modulus IS NULL OR counter_modulus > 1", name=op.f("ck_cell_modulus")
        ),
        sa.CheckConstraint("planned_cycle_seconds > 0", name=op.f("ck_cell_cycle_time_positive")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cell")),
        sa.UniqueConstraint("name", name=op.f("uq_cell_name")),
    )
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column(
            "role",
            sa.Enum(
                "operator",
                "engineer",
                "approver",
                "admin",
                name="role",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("pin_hash", sa.String(length=200), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("failed_tries", sa.Integer(), nullable=False),
        sa.Column("locked_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("name", name=op.f("uq_person_name")),
    )
    op.create_table(
        "audit_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("action", sa.String(length=60), nullable=False),
        sa.Column("subject", sa.String(length=60), nullable=False),
        sa.Column("subject_id", sa.BigInteger(), nullable=True),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_audit_event_person_id_person")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit_event")),
    )
    op.create_table(
        "device",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_device_cell_id_cell")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device")),
        sa.UniqueConstraint("cell_id", "name", name=op.f("uq_device_cell_id_name")),
        sa.UniqueConstraint("id", "cell_id", name=op.f("uq_device_id_cell_id")),
    )
    op.create_table(
        "requirement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("stretch_hours", sa.Double(), nullable=False),
        sa.Column(
            "cycle_seconds",
            sa.Double(),
            nullable=False,
            comment="the planned cycle time when this was fixed",
        ),
        sa.Column("chance", sa.Double(), nullable=False),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("design_rate", sa.Double(), nullable=False),
        sa.Column("min_shifts", sa.Integer(), nullable=False),
        sa.Column("min_operators", sa.Integer(), nullable=False),
        sa.Column("min_cold_starts", sa.Integer(), nullable=False),
        sa.Column("min_material_lots", sa.Integer(), nullable=False),
        sa.Column("min_tool_changes", sa.Integer(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_requirement_cell_id_cell")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_requirement")),
        sa.UniqueConstraint("cell_id", "name", name=op.f("uq_requirement_cell_id_name")),
    )
    op.create_table(
        "shift",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=120), nullable=False),
        sa.Column(
            "stage",
            sa.Enum(
                "by hand",
                "robot attended",
                "unattended",
                name="stage",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opening_counter", sa.BigInteger(), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closing_counter", sa.BigInteger(), nullable=True),
        sa.Column(
            "counter_event",
            sa.Enum(
                "rolled over",
                "reset",
                name="counter_event",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_shift_cell_id_cell")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shift")),
        sa.UniqueConstraint("cell_id", "label", name=op.f("uq_shift_cell_id_label")),
    )
    op.create_table(
        "failure_mode",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column(
            "effect",
            sa.Enum(
                "stops the cell",
                "can damage",
                "nuisance",
                name="effect",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["cell_id"], ["cell.id"], name=op.f("fk_failure_mode_cell_id_cell")
        ),
        sa.ForeignKeyConstraint(
            ["device_id", "cell_id"],
            ["device.id", "device.cell_id"],
            name=op.f("fk_failure_mode_device_id_cell_id_device"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failure_mode")),
        sa.UniqueConstraint("cell_id", "name", name=op.f("uq_failure_mode_cell_id_name")),
    )
    op.create_table(
        "trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=True, comment="empty: the cell as a whole"),
        sa.Column("requirement_id", sa.Integer(), nullable=False),
        sa.Column(
            "stage",
            sa.Enum(
                "by hand",
                "robot attended",
                "unattended",
                name="stage",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("share", sa.Double(), nullable=False),
        sa.Column(
            "plan_kind",
            sa.Enum(
                "zero-failure",
                "fixed-size",
                name="plan_kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("plan_cycles", sa.Integer(), nullable=False),
        sa.Column("plan_allowed", sa.Integer(), nullable=False),
        sa.Column("good_pass", sa.Double(), nullable=True),
        sa.Column(
            "begins_at",
            sa.DateTime(timezone=True),
            nullable=True,
            comment="shifts opened before this do not count; empty: all of the stage count",
        ),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("created_by_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("plan_cycles > 0 AND plan_allowed >= 0", name=op.f("ck_trial_plan")),
        sa.CheckConstraint("share > 0 AND share <= 1", name=op.f("ck_trial_share")),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_trial_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["created_by_id"], ["person.id"], name=op.f("fk_trial_created_by_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["device_id", "cell_id"],
            ["device.id", "device.cell_id"],
            name=op.f("fk_trial_device_id_cell_id_device"),
        ),
        sa.ForeignKeyConstraint(
            ["requirement_id"], ["requirement.id"], name=op.f("fk_trial_requirement_id_requirement")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trial")),
        sa.UniqueConstraint("name", name=op.f("uq_trial_name")),
    )
    op.create_table(
        "acknowledgement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial_id", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "cautions",
                "trend or burst",
                name="acknowledgement_kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("text", sa.String(length=2000), nullable=False),
        sa.Column(
            "chain_length",
            sa.Integer(),
            nullable=False,
            comment="the logbook's length when it was written",
        ),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_acknowledgement_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trial.id"], name=op.f("fk_acknowledgement_trial_id_trial")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_acknowledgement")),
    )
    with op.batch_alter_table("acknowledgement", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_acknowledgement_trial_id"), ["trial_id"], unique=False)

    op.create_table(
        "entry",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("client_id", sa.String(length=64), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column(
            "sequence",
            sa.BigInteger(),
            nullable=False,
            comment="place in the cell's logbook, from 1",
        ),
        sa.Column("shift_id", sa.Integer(), nullable=True),
        sa.Column(
            "kind",
            sa.Enum(
                "open",
                "good",
                "failed",
                "stop",
                "note",
                "condition",
                "reading",
                "close",
                "ruling",
                "revision",
                "undo",
                name="kind",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column(
            "person_id",
            sa.Integer(),
            nullable=True,
            comment="who saw it; empty: nobody wrote it down",
        ),
        sa.Column(
            "recorded_by_id",
            sa.Integer(),
            nullable=True,
            comment="who entered it; empty: from the command line",
        ),
        sa.Column(
            "opened_as",
            sa.String(length=120),
            nullable=True,
            comment="label of the shift that the line opens",
        ),
        sa.Column(
            "stage",
            sa.Enum(
                "by hand",
                "robot attended",
                "unattended",
                name="stage",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
            comment="stage of the shift that the line opens",
        ),
        sa.Column("cycles", sa.Integer(), nullable=True),
        sa.Column(
            "cycle_number",
            sa.Integer(),
            nullable=True,
            comment="number in the shift of the (last) cycle; empty where the order is not known",
        ),
        sa.Column("counter", sa.BigInteger(), nullable=True),
        sa.Column(
            "counter_event",
            sa.Enum(
                "rolled over",
                "reset",
                name="counter_event",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column(
            "reading",
            sa.Enum(
                "opening",
                "closing",
                name="reading",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column("clear_seconds", sa.Integer(), nullable=True),
        sa.Column(
            "condition",
            sa.Enum(
                "cold start",
                "new material lot",
                "tool change",
                "other operator",
                name="condition",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=True,
        ),
        sa.Column("device_id", sa.Integer(), nullable=True),
        sa.Column("resets_evidence", sa.Boolean(), nullable=True),
        sa.Column(
            "failure_mode_id",
            sa.Integer(),
            nullable=True,
            comment="the mode that a ruling is about",
        ),
        sa.Column("relevant", sa.Boolean(), nullable=True),
        sa.Column(
            "target",
            sa.String(length=64),
            nullable=True,
            comment="the entry that an undo or ruling is about",
        ),
        sa.Column("text", sa.String(length=2000), nullable=False),
        sa.Column("reason", sa.String(length=2000), nullable=False),
        sa.Column("previous_hash", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.CheckConstraint(
            "clear_seconds IS NULL OR clear_seconds >= 0", name=op.f("ck_entry_clear_seconds")
        ),
        sa.CheckConstraint("counter IS NULL OR counter >= 0", name=op.f("ck_entry_counter")),
        sa.CheckConstraint("cycles IS NULL OR cycles > 0", name=op.f("ck_entry_cycles")),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_entry_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["device_id"], ["device.id"], name=op.f("fk_entry_device_id_device")
        ),
        sa.ForeignKeyConstraint(
            ["failure_mode_id"],
            ["failure_mode.id"],
            name=op.f("fk_entry_failure_mode_id_failure_mode"),
        ),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_entry_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["recorded_by_id"], ["person.id"], name=op.f("fk_entry_recorded_by_id_person")
        ),
        sa.ForeignKeyConstraint(["shift_id"], ["shift.id"], name=op.f("fk_entry_shift_id_shift")),
        sa.ForeignKeyConstraint(
            ["target"], ["entry.client_id"], name=op.f("fk_entry_target_entry")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entry")),
        sa.UniqueConstraint("cell_id", "sequence", name=op.f("uq_entry_cell_id_sequence")),
        sa.UniqueConstraint("client_id", name=op.f("uq_entry_client_id")),
    )
    with op.batch_alter_table("entry", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_entry_cell_id_kind"), ["cell_id", "kind"], unique=False
        )
        batch_op.create_index(
            batch_op.f("ix_entry_shift_id_sequence"), ["shift_id", "sequence"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_entry_target"), ["target"], unique=False)

    op.create_table(
        "import_draft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("filename", sa.String(length=120), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_import_draft_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trial.id"], name=op.f("fk_import_draft_trial_id_trial")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_draft")),
    )
    op.create_table(
        "sign_off",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("person_name", sa.String(length=120), nullable=False),
        sa.Column(
            "role",
            sa.Enum(
                "operator",
                "engineer",
                "approver",
                "admin",
                name="role",
                native_enum=False,
                create_constraint=True,
                length=40,
            ),
            nullable=False,
        ),
        sa.Column("statement", sa.String(length=2000), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("chain_length", sa.Integer(), nullable=False),
        sa.Column("chain_head", sa.String(length=64), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False, comment="the verdict's frozen inputs"),
        sa.Column("document_hash", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_sign_off_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"], ["trial.id"], name=op.f("fk_sign_off_trial_id_trial")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_off")),
    )
    with op.batch_alter_table("sign_off", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_off_trial_id"), ["trial_id"], unique=False)

    op.create_table(
        "entry_mode",
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("failure_mode_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entry.id"], name=op.f("fk_entry_mode_entry_id_entry")
        ),
        sa.ForeignKeyConstraint(
            ["failure_mode_id"],
            ["failure_mode.id"],
            name=op.f("fk_entry_mode_failure_mode_id_failure_mode"),
        ),
        sa.PrimaryKeyConstraint("entry_id", "failure_mode_id", name=op.f("pk_entry_mode")),
    )
    op.create_table(
        "revision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cell_id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=True),
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("effective_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("what", sa.String(length=2000), nullable=False),
        sa.Column("resets_evidence", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.String(length=2000), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["cell.id"], name=op.f("fk_revision_cell_id_cell")),
        sa.ForeignKeyConstraint(
            ["device_id"], ["device.id"], name=op.f("fk_revision_device_id_device")
        ),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entry.id"], name=op.f("fk_revision_entry_id_entry")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_revision")),
        sa.UniqueConstraint("entry_id", name=op.f("uq_revision_entry_id")),
    )
    op.create_table(
        "cell_rollup",
        sa.Column("shift_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("logged", sa.Integer(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("no_tests", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["revision.id"], name=op.f("fk_cell_rollup_revision_id_revision")
        ),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_cell_rollup_shift_id_shift")
        ),
        sa.PrimaryKeyConstraint("shift_id", "revision_id", name=op.f("pk_cell_rollup")),
    )
    op.create_table(
        "device_rollup",
        sa.Column("shift_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("device_id", sa.Integer(), nullable=False),
        sa.Column("cycles", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("no_tests", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["device_id"], ["device.id"], name=op.f("fk_device_rollup_device_id_device")
        ),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["revision.id"], name=op.f("fk_device_rollup_revision_id_revision")
        ),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_device_rollup_shift_id_shift")
        ),
        sa.PrimaryKeyConstraint(
            "shift_id", "revision_id", "device_id", name=op.f("pk_device_rollup")
        ),
    )
    op.create_table(
        "failure_position",
        sa.Column("entry_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("failure_mode_id", sa.Integer(), nullable=False),
        sa.Column("shift_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column(
            "logged_before",
            sa.Integer(),
            nullable=True,
            comment="cycles logged before it in the shift and revision; empty: order not known",
        ),
        sa.Column("relevant", sa.Boolean(), nullable=False),
        sa.Column("ruled", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry_id"], ["entry.id"], name=op.f("fk_failure_position_entry_id_entry")
        ),
        sa.ForeignKeyConstraint(
            ["failure_mode_id"],
            ["failure_mode.id"],
            name=op.f("fk_failure_position_failure_mode_id_failure_mode"),
        ),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["revision.id"], name=op.f("fk_failure_position_revision_id_revision")
        ),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_failure_position_shift_id_shift")
        ),
        sa.PrimaryKeyConstraint("entry_id", "failure_mode_id", name=op.f("pk_failure_position")),
    )
    with op.batch_alter_table("failure_position", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_failure_position_shift_id"), ["shift_id"], unique=False
        )

    op.create_table(
        "mode_rollup",
        sa.Column("shift_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("failure_mode_id", sa.Integer(), nullable=False),
        sa.Column("relevant", sa.Integer(), nullable=False),
        sa.Column("non_relevant", sa.Integer(), nullable=False),
        sa.Column(
            "unruled",
            sa.Integer(),
            nullable=False,
            comment="of the relevant: those nobody has ruled on",
        ),
        sa.ForeignKeyConstraint(
            ["failure_mode_id"],
            ["failure_mode.id"],
            name=op.f("fk_mode_rollup_failure_mode_id_failure_mode"),
        ),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["revision.id"], name=op.f("fk_mode_rollup_revision_id_revision")
        ),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_mode_rollup_shift_id_shift")
        ),
        sa.PrimaryKeyConstraint(
            "shift_id", "revision_id", "failure_mode_id", name=op.f("pk_mode_rollup")
        ),
    )
    op.create_table(
        "operator_rollup",
        sa.Column("shift_id", sa.Integer(), nullable=False),
        sa.Column("revision_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("logged", sa.Integer(), nullable=False),
        sa.Column("failed", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"], ["person.id"], name=op.f("fk_operator_rollup_person_id_person")
        ),
        sa.ForeignKeyConstraint(
            ["revision_id"], ["revision.id"], name=op.f("fk_operator_rollup_revision_id_revision")
        ),
        sa.ForeignKeyConstraint(
            ["shift_id"], ["shift.id"], name=op.f("fk_operator_rollup_shift_id_shift")
        ),
        sa.PrimaryKeyConstraint(
            "shift_id", "revision_id", "person_id", name=op.f("pk_operator_rollup")
        ),
    )


def downgrade() -> None:
    op.drop_table("operator_rollup")
    op.drop_table("mode_rollup")
    with op.batch_alter_table("failure_position", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_failure_position_shift_id"))

    op.drop_table("failure_position")
    op.drop_table("device_rollup")
    op.drop_table("cell_rollup")
    op.drop_table("revision")
    op.drop_table("entry_mode")
    with op.batch_alter_table("sign_off", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_off_trial_id"))

    op.drop_table("sign_off")
    op.drop_table("import_draft")
    with op.batch_alter_table("entry", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_entry_target"))
        batch_op.drop_index(batch_op.f("ix_entry_shift_id_sequence"))
        batch_op.drop_index(batch_op.f("ix_entry_cell_id_kind"))

    op.drop_table("entry")
    with op.batch_alter_table("acknowledgement", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_acknowledgement_trial_id"))

    op.drop_table("acknowledgement")
    op.drop_table("trial")
    op.drop_table("failure_mode")
    op.drop_table("shift")
    op.drop_table("requirement")
    op.drop_table("device")
    op.drop_table("audit_event")
    op.drop_table("person")
    op.drop_table("cell")

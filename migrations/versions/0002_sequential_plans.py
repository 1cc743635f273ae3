"""Sequential plans: a trial keeps the numbers that its lines were fixed with.

Revision: 0002
Follows: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

LINES = ("plan_go_start", "plan_no_go_start", "plan_cycles_per_failure")

KINDS_BEFORE = "plan_kind IN ('zero-failure', 'fixed-size')"
KINDS = "plan_kind IN ('zero-failure', 'fixed-size', 'sequential')"

WITH_LINES = " AND ".join(f"{column} IS NOT NULL" for column in LINES)
WITHOUT_LINES = " AND ".join(f"{column} IS NULL" for column in LINES)


def upgrade() -> None:
    with op.batch_alter_table("trial") as table:
        for name in LINES:
            table.add_column(sa.Column(name, sa.Double(), nullable=True))
        table.drop_constraint(op.f("ck_trial_plan_kind"), type_="check")
        table.create_check_constraint(op.f("ck_trial_plan_kind"), KINDS)
        table.create_check_constraint(
            op.f("ck_trial_plan_lines"),
            f"(plan_kind = 'sequential' AND {WITH_LINES} AND good_pass IS NOT NULL) "
            f"OR (plan_kind <> 'sequential' AND {WITHOUT_LINES})",
        )


def downgrade() -> None:
    """Go back; a trial with a sequential plan breaks the older rule, which stops it."""
    with op.batch_alter_table("trial") as table:
        for name in ("ck_trial_plan_lines", "ck_trial_plan_kind"):
            table.drop_constraint(op.f(name), type_="check")
        table.create_check_constraint(op.f("ck_trial_plan_kind"), KINDS_BEFORE)
        for name in LINES:
            table.drop_column(name)

"""The machine's own counter: lines of a new kind, and what they say of a shift.

What a shift's lines say of typed readings is kept with it, so that a verdict need not look for the
lines with a counter among those of the machine, of which there may be one to each cycle.

Revision: 0008
Follows: 0007
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from trialog.records.online import change_check

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

KINDS_BEFORE = (
    "open", "good", "failed", "stop", "note", "photo", "check", "condition", "reading", "close",
    "ruling", "revision", "undo",
)  # fmt: skip
KINDS = (*KINDS_BEFORE, "count")

SAID = (
    ("good_by_counter", "a counter's reading alone vouches for good cycles"),
    ("settled", "an engineer has written in what the counter read"),
)
OWN = (
    ("machine_opening", "the machine's own count as the shift opened"),
    ("machine_closing", "the machine's own count as the shift closed"),
    (
        "machine_counted",
        "what it counted in between; empty: it cannot tell, or an engineer settled it",
    ),
)

# The index on cell and counter leads to the lines, of each cell's few.
FILL = """
    UPDATE shift SET {column} = TRUE WHERE cell_id = :cell AND id IN (
        SELECT shift_id FROM entry
        WHERE cell_id = :cell AND counter >= 0 AND {which} AND client_id NOT IN (
            SELECT target FROM entry
            WHERE cell_id = :cell AND kind = 'undo' AND target IS NOT NULL
        )
    )
"""


def upgrade() -> None:
    if op.get_bind().dialect.name == "postgresql":
        # Each step for itself: while the readings are looked through, nobody may wait for a column.
        with op.get_context().autocommit_block():
            change_check(op.get_bind(), "entry", "ck_entry_kind", _rule(KINDS))
            _add_columns(again=True)
            _fill()
    else:
        _allow(KINDS)
        _add_columns()
        _fill()
    op.drop_index(op.f("ix_entry_cell_id_counter"), "entry")


def _add_columns(*, again: bool | None = None) -> None:
    """Add what shifts and cells say; `again`: some of it may be there, of a try that broke off."""
    with op.batch_alter_table("shift") as table:
        for name, comment in SAID:
            table.add_column(
                sa.Column(
                    name, sa.Boolean(), nullable=False, server_default=sa.false(), comment=comment
                ),
                if_not_exists=again,
            )
        for name, comment in OWN:
            column = sa.Column(name, sa.BigInteger(), nullable=True, comment=comment)
            table.add_column(column, if_not_exists=again)
    with op.batch_alter_table("shift") as table:
        for name, _ in SAID:
            table.alter_column(name, existing_type=sa.Boolean(), server_default=None)
    op.add_column(
        "cell",
        sa.Column(
            "good_by_machine",
            sa.Boolean(),
            nullable=True,
            comment=(
                "yes: as a shift closes, its good cycles are taken from the machine's own count"
            ),
        ),
        if_not_exists=again,
    )


def _fill() -> None:
    bind = op.get_bind()
    for cell in bind.execute(sa.text("SELECT id FROM cell ORDER BY id")).scalars().all():
        for column, which in (
            ("good_by_counter", "kind = 'good' AND cycles IS NOT NULL"),
            ("settled", "kind = 'reading'"),
        ):
            bind.execute(sa.text(FILL.format(column=column, which=which)), {"cell": cell})


def _allow(kinds: tuple[str, ...]) -> None:
    with op.batch_alter_table("entry") as table:
        table.drop_constraint(op.f("ck_entry_kind"), type_="check")
        table.create_check_constraint(op.f("ck_entry_kind"), _rule(kinds))


def _rule(kinds: tuple[str, ...]) -> str:
    return f"kind IN ({', '.join(repr(kind) for kind in kinds)})"


def downgrade() -> None:
    """Go back; what was derived of the machine's readings is derived anew when they are back.

    Raises
    ------
    RuntimeError
        If the records hold what a machine said: the older schema has no place for it.
    """
    said = sa.text("SELECT 1 FROM entry WHERE kind = 'count' LIMIT 1")
    if op.get_bind().execute(said).first() is not None:
        raise RuntimeError(
            "the records hold a machine's counts, which the older schema cannot keep"
        )
    _allow(KINDS_BEFORE)
    op.create_index(op.f("ix_entry_cell_id_counter"), "entry", ["cell_id", "counter"])
    with op.batch_alter_table("cell") as table:
        table.drop_column("good_by_machine")
    with op.batch_alter_table("shift") as table:
        for name, _ in (*SAID, *OWN):
            table.drop_column(name)

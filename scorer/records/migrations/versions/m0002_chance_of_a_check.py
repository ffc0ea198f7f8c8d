"""The chance with which a fruit was drawn for checking by eye, so that checks can be weighed rightly later."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add it to decisions; in one statement, for SQLite takes a rule for a new column only so."""
    double = sa.Double().compile(dialect=op.get_bind().dialect)
    op.execute(
        f"ALTER TABLE decision ADD COLUMN chance {double} "
        "CONSTRAINT ck_decision_chance_share CHECK (chance > 0 AND chance <= 1)"
    )


def downgrade() -> None:
    """Take it away again."""
    with op.batch_alter_table("decision") as table:
        table.drop_column("chance")

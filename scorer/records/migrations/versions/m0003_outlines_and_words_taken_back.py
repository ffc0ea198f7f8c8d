"""Outlines of marks that scoring missed, and words that take an earlier one back."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

PROTECTED_FROM = {"update": "a decision is never changed", "delete": "a decision is never removed"}


def upgrade() -> None:
    """Add both to decisions; each in one statement, for SQLite takes a rule for a new column only so."""
    op.execute(
        "ALTER TABLE decision ADD COLUMN about_id INTEGER "
        "CONSTRAINT ck_decision_about_an_earlier CHECK (about_id < id) "
        "CONSTRAINT fk_decision_about_id REFERENCES decision (id)"
    )
    json = sa.JSON().compile(dialect=op.get_bind().dialect)
    op.execute(
        f"ALTER TABLE decision ADD COLUMN outline {json} "
        "CONSTRAINT ck_decision_outline_of_a_missed_mark CHECK (outline IS NULL OR field = 'missed')"
    )


def downgrade() -> None:
    """Take them away again. SQLite makes the table anew for that and loses what protects its rows, so it is renewed."""
    names = {"fk": "fk_%(table_name)s_%(column_0_name)s"}  # SQLite does not tell how those of added columns are called
    with op.batch_alter_table("decision", naming_convention=names) as table:
        table.drop_constraint(op.f("ck_decision_outline_of_a_missed_mark"), type_="check")
        table.drop_constraint(op.f("ck_decision_about_an_earlier"), type_="check")
        table.drop_constraint(op.f("fk_decision_about_id"), type_="foreignkey")
        table.drop_column("outline")
        table.drop_column("about_id")
    if op.get_bind().dialect.name == "sqlite":
        for change, words in PROTECTED_FROM.items():
            op.execute(
                f"CREATE TRIGGER decision_no_{change} BEFORE {change} ON decision "
                f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
            )

"""Labels from files: who outlined which marks and said what of which fruit, in rows that are only ever added."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from scorer.records.tables import UtcTime

revision = "0004"
down_revision = "0003"

PROTECTED = ("label_import", "label")


def upgrade() -> None:
    """Make both tables and the triggers that keep their rows as they were written."""
    op.create_table(
        "label_import",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("form", sa.String(), nullable=False),
        sa.Column("imported_by", sa.String(), nullable=False),
        sa.Column("imported_at", UtcTime(), nullable=False),
        sa.CheckConstraint("length(sha256) = 64", name=op.f("ck_label_import_sha256_whole")),
        sa.CheckConstraint("length(imported_by) > 0", name=op.f("ck_label_import_imported_by_is_named")),
        sa.CheckConstraint("form IN ('coco', 'verdicts')", name=op.f("ck_label_import_form_known")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_label_import")),
        sa.UniqueConstraint("sha256", name=op.f("uq_label_import_sha256")),
    )
    _make_label()
    for table in PROTECTED:
        for change, words in (("update", "changed"), ("delete", "removed")):
            _forbid(change, table, f"a {table} is never {words}")


def _make_label() -> None:
    kinds = "'sap_burn', 'abrasion', 'cut', 'stem_puncture', 'crease', 'unsure', 'fruit'"
    op.create_table(
        "label",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("photo_sha256", sa.String(length=64), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("said_at", UtcTime(), nullable=False),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=True),
        sa.Column("fruit", sa.Integer(), nullable=True),
        sa.Column("downgraded", sa.Boolean(), nullable=True),
        sa.Column("outline", sa.JSON(none_as_null=True), nullable=True),
        sa.CheckConstraint("length(photo_sha256) = 64", name=op.f("ck_label_photo_sha256_whole")),
        sa.CheckConstraint("length(who) > 0", name=op.f("ck_label_who_is_named")),
        sa.CheckConstraint("fruit >= 1", name=op.f("ck_label_fruit_from_1")),
        sa.CheckConstraint("field IN ('photo', 'outline', 'verdict')", name=op.f("ck_label_field_known")),
        sa.CheckConstraint(f"kind IN ({kinds})", name=op.f("ck_label_kind_known")),
        sa.CheckConstraint("(field = 'outline') = (kind IS NOT NULL)", name=op.f("ck_label_outline_has_a_kind")),
        sa.CheckConstraint("(field = 'outline') = (outline IS NOT NULL)", name=op.f("ck_label_outline_is_drawn")),
        sa.CheckConstraint("(field = 'verdict') = (downgraded IS NOT NULL)", name=op.f("ck_label_verdict_is_said")),
        sa.CheckConstraint("field <> 'verdict' OR fruit IS NOT NULL", name=op.f("ck_label_verdict_on_a_fruit")),
        sa.ForeignKeyConstraint(["import_id"], ["label_import.id"], name=op.f("fk_label_import_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_label")),
    )
    op.create_index("ix_label_import_id", "label", ["import_id"])
    op.create_index("ix_label_photo_sha256", "label", ["photo_sha256"])


def downgrade() -> None:
    """Take the tables away again, with all that was said in them."""
    op.drop_index("ix_label_photo_sha256", table_name="label")
    op.drop_index("ix_label_import_id", table_name="label")
    op.drop_table("label")
    op.drop_table("label_import")
    if op.get_bind().dialect.name == "postgresql":
        for table in PROTECTED:
            for change in ("update", "delete"):
                op.execute(f"DROP FUNCTION {table}_no_{change}()")


def _forbid(change: str, table: str, words: str) -> None:
    name = f"{table}_no_{change}"
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION '{words}'; END $$"
        )
        op.execute(f'CREATE TRIGGER {name} BEFORE {change} ON "{table}" FOR EACH ROW EXECUTE FUNCTION {name}()')
    else:
        op.execute(f"CREATE TRIGGER {name} BEFORE {change} ON \"{table}\" BEGIN SELECT RAISE(ABORT, '{words}'); END")

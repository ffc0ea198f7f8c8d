"""The first tables of the records, and the rows in them that nobody may change."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from scorer.records.tables import UtcTime

revision = "0001"
down_revision = None

NEVER_CHANGED = ("score", "fruit", "mark", "decision")


def upgrade() -> None:
    """Make the tables and the triggers that keep scores and decisions as they were written."""
    op.create_table(
        "fitted_model",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("card", sa.JSON(), nullable=False),
        sa.Column("first_used_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fitted_model")),
        sa.UniqueConstraint("sha256", name=op.f("uq_fitted_model_sha256")),
    )
    op.create_table(
        "site",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("zone", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_site")),
        sa.UniqueConstraint("name", name=op.f("uq_site_name")),
    )
    op.create_table(
        "block",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_block_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_block")),
        sa.UniqueConstraint("site_id", "name", name=op.f("uq_block_site_id_name")),
    )
    op.create_table(
        "crew",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_crew_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_crew")),
        sa.UniqueConstraint("site_id", "name", name=op.f("uq_crew_site_id_name")),
    )
    op.create_table(
        "import",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("software", sa.String(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("started_at", UtcTime(), nullable=False),
        sa.Column("finished_at", UtcTime(), nullable=True),
        sa.Column("scored", sa.Integer(), nullable=False),
        sa.Column("known", sa.Integer(), nullable=False),
        sa.Column("refused", sa.Integer(), nullable=False),
        sa.CheckConstraint("known >= 0", name=op.f("ck_import_known_not_negative")),
        sa.CheckConstraint("refused >= 0", name=op.f("ck_import_refused_not_negative")),
        sa.CheckConstraint("scored >= 0", name=op.f("ck_import_scored_not_negative")),
        sa.ForeignKeyConstraint(["model_id"], ["fitted_model.id"], name=op.f("fk_import_model_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import")),
    )
    op.create_table(
        "bin",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("lot", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=True),
        sa.Column("crew_id", sa.Integer(), nullable=True),
        sa.Column("block_id", sa.Integer(), nullable=True),
        sa.Column("cultivar", sa.String(), nullable=True),
        sa.Column("method", sa.String(), nullable=True),
        sa.Column("picked_at", UtcTime(), nullable=True),
        sa.ForeignKeyConstraint(["block_id"], ["block.id"], name=op.f("fk_bin_block_id")),
        sa.ForeignKeyConstraint(["crew_id"], ["crew.id"], name=op.f("fk_bin_crew_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_bin_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bin")),
        sa.UniqueConstraint("site_id", "lot", name=op.f("uq_bin_site_id_lot")),
    )
    op.create_index("ix_bin_block_id", "bin", ["block_id"])
    op.create_index("ix_bin_crew_id", "bin", ["crew_id"])
    op.create_index("ix_bin_name", "bin", ["name"])
    op.create_table(
        "tray",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bin_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["bin_id"], ["bin.id"], name=op.f("fk_tray_bin_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tray")),
        sa.UniqueConstraint("bin_id", "name", name=op.f("uq_tray_bin_id_name")),
    )
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("tray_id", sa.Integer(), nullable=True),
        sa.Column("side", sa.String(), nullable=True),
        sa.Column("taken_at", UtcTime(), nullable=True),
        sa.Column("hours_since_picking", sa.Double(), nullable=True),
        sa.Column("hold", sa.String(), nullable=False),
        sa.CheckConstraint("hold IN ('early', 'between', 'settled', 'unknown')", name=op.f("ck_photo_hold_known")),
        sa.CheckConstraint("length(sha256) = 64", name=op.f("ck_photo_sha256_whole")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_photo_site_id")),
        sa.ForeignKeyConstraint(["tray_id"], ["tray.id"], name=op.f("fk_photo_tray_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("sha256", name=op.f("uq_photo_sha256")),
    )
    op.create_index("ix_photo_taken_at", "photo", ["taken_at"])
    op.create_index("ix_photo_tray_id", "photo", ["tray_id"])
    op.create_table(
        "score",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("model_id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=False),
        sa.Column("software", sa.String(), nullable=False),
        sa.Column("limits", sa.String(), nullable=False),
        sa.Column("scored_at", UtcTime(), nullable=False),
        sa.Column("card_found", sa.Boolean(), nullable=False),
        sa.Column("mm_per_px", sa.Double(), nullable=True),
        sa.Column("camera_height_mm", sa.Double(), nullable=True),
        sa.Column("colour_residual", sa.Double(), nullable=True),
        sa.Column("focus", sa.Double(), nullable=True),
        sa.Column("verdict", sa.String(), nullable=False),
        sa.Column("reasons", sa.String(), nullable=True),
        sa.Column("fruit", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=True),
        sa.CheckConstraint("verdict IN ('good', 'usable', 'retake', 'refused')", name=op.f("ck_score_verdict_known")),
        sa.CheckConstraint("fruit >= 0", name=op.f("ck_score_fruit_not_negative")),
        sa.CheckConstraint("mm_per_px >= 0", name=op.f("ck_score_mm_per_px_not_negative")),
        sa.CheckConstraint("seconds >= 0", name=op.f("ck_score_seconds_not_negative")),
        sa.ForeignKeyConstraint(["import_id"], ["import.id"], name=op.f("fk_score_import_id")),
        sa.ForeignKeyConstraint(["model_id"], ["fitted_model.id"], name=op.f("fk_score_model_id")),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_score_photo_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_score")),
        sa.UniqueConstraint("photo_id", "model_id", name=op.f("uq_score_photo_id_model_id")),
    )
    op.create_index("ix_score_import_id", "score", ["import_id"])
    op.create_index("ix_score_model_id", "score", ["model_id"])
    op.create_table(
        "fruit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("score_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("mass_g", sa.Double(), nullable=True),
        sa.Column("size_code", sa.String(), nullable=True),
        sa.Column("visible_area_mm2", sa.Double(), nullable=True),
        sa.Column("brown_area_mm2", sa.Double(), nullable=True),
        sa.Column("brown_fraction", sa.Double(), nullable=False),
        sa.Column("sap_burn_mm2", sa.Double(), nullable=True),
        sa.Column("abrasion_mm2", sa.Double(), nullable=True),
        sa.Column("other_mm2", sa.Double(), nullable=True),
        sa.Column("marks", sa.Integer(), nullable=False),
        sa.Column("class_name", sa.String(), nullable=True),
        sa.Column("downgraded", sa.Boolean(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("x_mm", sa.Double(), nullable=True),
        sa.Column("y_mm", sa.Double(), nullable=True),
        sa.CheckConstraint("brown_area_mm2 >= 0", name=op.f("ck_fruit_brown_area_mm2_not_negative")),
        sa.CheckConstraint("brown_fraction BETWEEN 0 AND 1", name=op.f("ck_fruit_brown_fraction_share")),
        sa.CheckConstraint("length_mm >= 0", name=op.f("ck_fruit_length_mm_not_negative")),
        sa.CheckConstraint("marks >= 0", name=op.f("ck_fruit_marks_not_negative")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_fruit_number_from_1")),
        sa.CheckConstraint("visible_area_mm2 >= 0", name=op.f("ck_fruit_visible_area_mm2_not_negative")),
        sa.CheckConstraint("width_mm >= 0", name=op.f("ck_fruit_width_mm_not_negative")),
        sa.ForeignKeyConstraint(["score_id"], ["score.id"], name=op.f("fk_fruit_score_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fruit")),
        sa.UniqueConstraint("score_id", "number", name=op.f("uq_fruit_score_id_number")),
    )
    op.create_table(
        "mark",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fruit_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("probability", sa.Double(), nullable=False),
        sa.Column("area_mm2", sa.Double(), nullable=True),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("width_mm", sa.Double(), nullable=True),
        sa.Column("because", sa.String(), nullable=True),
        sa.Column("measures", sa.JSON(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('sap_burn', 'abrasion', 'cut', 'stem_puncture', 'crease', 'unsure')",
            name=op.f("ck_mark_kind_known"),
        ),
        sa.CheckConstraint("area_mm2 >= 0", name=op.f("ck_mark_area_mm2_not_negative")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_mark_number_from_1")),
        sa.CheckConstraint("probability BETWEEN 0 AND 1", name=op.f("ck_mark_probability_share")),
        sa.ForeignKeyConstraint(["fruit_id"], ["fruit.id"], name=op.f("fk_mark_fruit_id"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark")),
        sa.UniqueConstraint("fruit_id", "number", name=op.f("uq_mark_fruit_id_number")),
    )
    op.create_table(
        "decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fruit_id", sa.Integer(), nullable=False),
        sa.Column("mark_id", sa.Integer(), nullable=True),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("said_before", sa.String(), nullable=True),
        sa.Column("said_now", sa.String(), nullable=False),
        sa.Column("who", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=True),
        sa.Column("decided_at", UtcTime(), nullable=False),
        sa.CheckConstraint("field IN ('kind', 'verdict', 'missed')", name=op.f("ck_decision_field_known")),
        sa.CheckConstraint("length(who) > 0", name=op.f("ck_decision_who_is_named")),
        sa.CheckConstraint(
            "said_before IS NULL OR said_before <> said_now", name=op.f("ck_decision_changes_something")
        ),
        sa.ForeignKeyConstraint(["fruit_id"], ["fruit.id"], name=op.f("fk_decision_fruit_id")),
        sa.ForeignKeyConstraint(["mark_id"], ["mark.id"], name=op.f("fk_decision_mark_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decision")),
    )
    op.create_index("ix_decision_fruit_id", "decision", ["fruit_id"])
    op.create_index("ix_decision_mark_id", "decision", ["mark_id"])
    for table in NEVER_CHANGED:
        _forbid("update", table, f"a {table} is never changed")
    _forbid("delete", "decision", "a decision is never removed")


def downgrade() -> None:
    """Take the tables away again."""
    op.drop_index("ix_decision_mark_id", table_name="decision")
    op.drop_index("ix_decision_fruit_id", table_name="decision")
    op.drop_table("decision")
    op.drop_table("mark")
    op.drop_table("fruit")
    op.drop_index("ix_score_model_id", table_name="score")
    op.drop_index("ix_score_import_id", table_name="score")
    op.drop_table("score")
    op.drop_index("ix_photo_tray_id", table_name="photo")
    op.drop_index("ix_photo_taken_at", table_name="photo")
    op.drop_table("photo")
    op.drop_table("tray")
    op.drop_index("ix_bin_name", table_name="bin")
    op.drop_index("ix_bin_crew_id", table_name="bin")
    op.drop_index("ix_bin_block_id", table_name="bin")
    op.drop_table("bin")
    op.drop_table("import")
    op.drop_table("crew")
    op.drop_table("block")
    op.drop_table("site")
    op.drop_table("fitted_model")
    if op.get_bind().dialect.name == "postgresql":
        for table, change in (*((table, "update") for table in NEVER_CHANGED), ("decision", "delete")):
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

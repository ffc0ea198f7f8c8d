"""The tables of the records, in the trade's words, with the rules that the database itself keeps.

A photo is known by its bytes, a fitted model by its files; a score belongs to one photo and one model and is never
overwritten. What a person decides stands beside the score, and nothing of it can be changed or taken back silently.
Times are in UTC; the site's time zone stands beside them.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    DateTime,
    Dialect,
    ForeignKey,
    MetaData,
    String,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from scorer.score_tables import HOLDS, KINDS, PHOTO_VERDICTS, UNSURE

LABEL_FORMS = ("coco", "verdicts")
WHOLE_FRUIT = "fruit"
LABEL_KINDS = (*KINDS, UNSURE, WHOLE_FRUIT)
"""What an outline in a file of labels can be of."""

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}
"""How constraints are called: a message of the database then names the rule that was broken."""


class UtcTime(TypeDecorator[datetime]):
    """A moment: goes in and comes out with the zone UTC, whatever the database makes of zones."""

    impl = DateTime
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> Any:
        """PostgreSQL keeps the zone, SQLite stores text without one."""
        return dialect.type_descriptor(DateTime(timezone=dialect.name == "postgresql"))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To UTC; a time without a zone is refused, for it would be a guess."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time without a zone cannot be recorded: {value.isoformat()}")
        moment = value.astimezone(UTC)
        return moment if dialect.name == "postgresql" else moment.replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """With the zone UTC."""
        if value is None:
            return None
        return value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)


def _one_of(column: str, values: tuple[str, ...]) -> CheckConstraint:
    listed = ", ".join(f"'{value}'" for value in values)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def _share(column: str) -> CheckConstraint:
    return CheckConstraint(f"{column} BETWEEN 0 AND 1", name=f"{column}_share")


def _not_negative(*columns: str) -> list[CheckConstraint]:
    return [CheckConstraint(f"{column} >= 0", name=f"{column}_not_negative") for column in columns]


class Base(DeclarativeBase):
    """What all tables share."""

    metadata = MetaData(naming_convention=NAMES)


class Site(Base):
    """A packing shed and its time zone, by the name of the IANA database."""

    __tablename__ = "site"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    zone: Mapped[str]


class Block(Base):
    """A block of the orchard."""

    __tablename__ = "block"
    __table_args__ = (UniqueConstraint("site_id", "name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]


class Crew(Base):
    """A picking crew."""

    __tablename__ = "crew"
    __table_args__ = (UniqueConstraint("site_id", "name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    name: Mapped[str]


class Bin(Base):
    """A picking lot: what one crew picked into one bin at one time. ``lot`` says all of that in one text."""

    __tablename__ = "bin"
    __table_args__ = (UniqueConstraint("site_id", "lot"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    lot: Mapped[str]
    name: Mapped[str | None] = mapped_column(index=True)
    crew_id: Mapped[int | None] = mapped_column(ForeignKey("crew.id"), index=True)
    block_id: Mapped[int | None] = mapped_column(ForeignKey("block.id"), index=True)
    cultivar: Mapped[str | None]
    method: Mapped[str | None]
    picked_at: Mapped[datetime | None] = mapped_column(UtcTime)


class Tray(Base):
    """A sample from one bin, by the number it has there."""

    __tablename__ = "tray"
    __table_args__ = (UniqueConstraint("bin_id", "name"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    bin_id: Mapped[int] = mapped_column(ForeignKey("bin.id"))
    name: Mapped[str]


class Photo(Base):
    """A photo of a tray, known by its bytes wherever it lies and whatever it is called."""

    __tablename__ = "photo"
    __table_args__ = (CheckConstraint("length(sha256) = 64", name="sha256_whole"), _one_of("hold", HOLDS))
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    name: Mapped[str]
    site_id: Mapped[int] = mapped_column(ForeignKey("site.id"))
    tray_id: Mapped[int | None] = mapped_column(ForeignKey("tray.id"), index=True)
    side: Mapped[str | None]
    taken_at: Mapped[datetime | None] = mapped_column(UtcTime, index=True)
    hours_since_picking: Mapped[float | None]
    hold: Mapped[str]


class FittedModel(Base):
    """A fitted model, known by its files, with its card."""

    __tablename__ = "fitted_model"
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    card: Mapped[dict[str, Any]] = mapped_column(JSON)
    first_used_at: Mapped[datetime] = mapped_column(UtcTime)


class Import(Base):
    """One batch: from where, when, and what became of its photos."""

    __tablename__ = "import"
    __table_args__ = tuple(_not_negative("scored", "known", "refused"))
    id: Mapped[int] = mapped_column(primary_key=True)
    source: Mapped[str]
    software: Mapped[str]
    model_id: Mapped[int] = mapped_column(ForeignKey("fitted_model.id"))
    started_at: Mapped[datetime] = mapped_column(UtcTime)
    finished_at: Mapped[datetime | None] = mapped_column(UtcTime)
    scored: Mapped[int] = mapped_column(default=0)
    known: Mapped[int] = mapped_column(default=0)
    refused: Mapped[int] = mapped_column(default=0)


class Score(Base):
    """What one fitted model said of one photo, with the checks of the photo made at the same time."""

    __tablename__ = "score"
    __table_args__ = (
        UniqueConstraint("photo_id", "model_id"),
        _one_of("verdict", PHOTO_VERDICTS),
        *_not_negative("fruit", "mm_per_px", "seconds"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photo.id"))
    model_id: Mapped[int] = mapped_column(ForeignKey("fitted_model.id"), index=True)
    import_id: Mapped[int] = mapped_column(ForeignKey("import.id"), index=True)
    software: Mapped[str]
    limits: Mapped[str]
    scored_at: Mapped[datetime] = mapped_column(UtcTime)
    card_found: Mapped[bool]
    mm_per_px: Mapped[float | None]
    camera_height_mm: Mapped[float | None]
    colour_residual: Mapped[float | None]
    focus: Mapped[float | None]
    verdict: Mapped[str]
    reasons: Mapped[str | None]
    fruit: Mapped[int]
    seconds: Mapped[float | None]


class Fruit(Base):
    """One fruit of a scored photo."""

    __tablename__ = "fruit"
    __table_args__ = (
        UniqueConstraint("score_id", "number"),
        CheckConstraint("number >= 1", name="number_from_1"),
        _share("brown_fraction"),
        *_not_negative("length_mm", "width_mm", "visible_area_mm2", "brown_area_mm2", "marks"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    score_id: Mapped[int] = mapped_column(ForeignKey("score.id", ondelete="CASCADE"))
    number: Mapped[int]
    length_mm: Mapped[float | None]
    width_mm: Mapped[float | None]
    mass_g: Mapped[float | None]
    size_code: Mapped[str | None]
    visible_area_mm2: Mapped[float | None]
    brown_area_mm2: Mapped[float | None]
    brown_fraction: Mapped[float]
    sap_burn_mm2: Mapped[float | None]
    abrasion_mm2: Mapped[float | None]
    other_mm2: Mapped[float | None]
    marks: Mapped[int]
    class_name: Mapped[str | None]
    downgraded: Mapped[bool]
    verdict: Mapped[str | None]
    reason: Mapped[str | None]
    x_mm: Mapped[float | None]
    y_mm: Mapped[float | None]


class Mark(Base):
    """One mark on a fruit. ``measures`` holds what its kind was judged by, whatever measures the model took."""

    __tablename__ = "mark"
    __table_args__ = (
        UniqueConstraint("fruit_id", "number"),
        CheckConstraint("number >= 1", name="number_from_1"),
        _share("probability"),
        _one_of("kind", (*KINDS, UNSURE)),
        *_not_negative("area_mm2"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    fruit_id: Mapped[int] = mapped_column(ForeignKey("fruit.id", ondelete="CASCADE"))
    number: Mapped[int]
    kind: Mapped[str]
    probability: Mapped[float]
    area_mm2: Mapped[float | None]
    length_mm: Mapped[float | None]
    width_mm: Mapped[float | None]
    because: Mapped[str | None]
    measures: Mapped[dict[str, float | None]] = mapped_column(JSON)


class Decision(Base):
    """A person's word on a kind or a verdict: who, when, from what to what, and why. Rows are only ever added.

    ``said_before`` is missing where the word confirms the score or nothing was said before; ``chance`` is that with
    which a fruit was drawn for checking, missing where nobody drew. ``outline`` shows a mark that scoring missed: its
    ``polygon_px`` in the upright full photo, its ``kind``, ``area_mm2``, ``length_mm`` and ``width_mm``. ``about_id``
    is the earlier decision that this one takes back.
    """

    __tablename__ = "decision"
    __table_args__ = (
        _one_of("field", ("kind", "verdict", "missed")),
        CheckConstraint("said_before IS NULL OR said_before <> said_now", name="changes_something"),
        CheckConstraint("length(who) > 0", name="who_is_named"),
        CheckConstraint("chance > 0 AND chance <= 1", name="chance_share"),
        CheckConstraint("about_id < id", name="about_an_earlier"),
        CheckConstraint("outline IS NULL OR field = 'missed'", name="outline_of_a_missed_mark"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    fruit_id: Mapped[int] = mapped_column(ForeignKey("fruit.id"), index=True)
    mark_id: Mapped[int | None] = mapped_column(ForeignKey("mark.id"), index=True)
    field: Mapped[str]
    said_before: Mapped[str | None]
    said_now: Mapped[str]
    who: Mapped[str]
    why: Mapped[str | None]
    decided_at: Mapped[datetime] = mapped_column(UtcTime)
    chance: Mapped[float | None]
    about_id: Mapped[int | None] = mapped_column(ForeignKey("decision.id"))
    outline: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class LabelImport(Base):
    """A file of labels that was taken in, known by its bytes; ``source`` is what it was called."""

    __tablename__ = "label_import"
    __table_args__ = (
        CheckConstraint("length(sha256) = 64", name="sha256_whole"),
        CheckConstraint("length(imported_by) > 0", name="imported_by_is_named"),
        _one_of("form", LABEL_FORMS),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    source: Mapped[str]
    form: Mapped[str]
    imported_by: Mapped[str]
    imported_at: Mapped[datetime] = mapped_column(UtcTime)


class Label(Base):
    """What one person said of a photo, of a mark or fruit that they outlined on it, or of one of its fruit.

    Rows are only ever added. ``field`` tells which: ``photo`` says that they looked at the whole photo and outlined
    every mark they saw, so that a fruit without outlines is clean; ``outline`` has a ``kind`` (a kind of mark, or
    ``fruit``) and an ``outline``: its ``size_px`` (width and height of the upright photo) and either ``polygons_px``,
    each [x, y, x, y, ...], or ``rle``, a run length encoding in COCO's compressed form; ``verdict`` says whether the
    ``fruit`` of this number is downgraded.
    """

    __tablename__ = "label"
    __table_args__ = (
        CheckConstraint("length(photo_sha256) = 64", name="photo_sha256_whole"),
        CheckConstraint("length(who) > 0", name="who_is_named"),
        CheckConstraint("fruit >= 1", name="fruit_from_1"),
        _one_of("field", ("photo", "outline", "verdict")),
        _one_of("kind", LABEL_KINDS),
        CheckConstraint("(field = 'outline') = (kind IS NOT NULL)", name="outline_has_a_kind"),
        CheckConstraint("(field = 'outline') = (outline IS NOT NULL)", name="outline_is_drawn"),
        CheckConstraint("(field = 'verdict') = (downgraded IS NOT NULL)", name="verdict_is_said"),
        CheckConstraint("field <> 'verdict' OR fruit IS NOT NULL", name="verdict_on_a_fruit"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    import_id: Mapped[int] = mapped_column(ForeignKey("label_import.id"), index=True)
    photo_sha256: Mapped[str] = mapped_column(String(64), index=True)
    who: Mapped[str]
    said_at: Mapped[datetime] = mapped_column(UtcTime)
    field: Mapped[str]
    kind: Mapped[str | None]
    fruit: Mapped[int | None]
    downgraded: Mapped[bool | None]
    outline: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


NEVER_CHANGED = ("score", "fruit", "mark", "decision", "label_import", "label")
"""Tables whose rows the database lets nobody change; a score may be removed as a whole."""

NEVER_REMOVED = ("decision", "label_import", "label")
"""Tables whose rows the database lets nobody remove either: what people said."""

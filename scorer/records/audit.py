"""Look the records over and say in words what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator

from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine, func, select

from scorer.records.database import in_words
from scorer.records.tables import (
    NEVER_CHANGED,
    NEVER_REMOVED,
    Base,
    Bin,
    Crew,
    Fruit,
    Import,
    Mark,
    Photo,
    Score,
    Tray,
)
from scorer.records.words_in_force import limits_by_name, limits_of_words

MOST_TOLD = 10


def audit_records(engine: Engine) -> list[str]:
    """Sentences on what is wrong; none where the records are sound.

    Looks at the file itself, at the tables and their rules, at counts that must agree, and at lots that cannot be.

    Raises
    ------
    RecordsError : the records cannot be read at all.
    """
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        return [
            sentence
            for look in (_file, _tables, _triggers, _counts, _broken_off, _without_score, _doubled_bins, _without_table)
            for sentence in look(connection)
        ]


def _file(connection: Connection) -> Iterator[str]:
    if connection.dialect.name != "sqlite":
        return
    for said in connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()[:MOST_TOLD]:
        if said != "ok":
            yield f"The file is damaged ({said}); restore it from a copy."
    for table, row, parent, _ in connection.exec_driver_sql("PRAGMA foreign_key_check").all()[:MOST_TOLD]:
        yield f"Row {row} of {table} belongs to no {parent}; restore the file from a copy."


def _tables(connection: Connection) -> Iterator[str]:
    for difference in compare_metadata(MigrationContext.configure(connection), Base.metadata):
        what = difference[0] if isinstance(difference, tuple) else difference[0][0]
        yield f"The tables are not those of this version ({what}: {difference[-1]}); restore them from a copy."


def _triggers(connection: Connection) -> Iterator[str]:
    source = "sqlite_master WHERE type = 'trigger'" if connection.dialect.name == "sqlite" else "pg_trigger"
    column = "name" if connection.dialect.name == "sqlite" else "tgname"
    there = set(connection.exec_driver_sql(f"SELECT {column} FROM {source}").scalars())
    for table in NEVER_CHANGED:
        if f"{table}_no_update" not in there:
            yield f"Rows of {table} are no longer protected from change; restore the records from a copy."
    for table in NEVER_REMOVED:
        if f"{table}_no_delete" not in there:
            yield f"Rows of {table} are no longer protected from removal; restore the records from a copy."


def _counts(connection: Connection) -> Iterator[str]:
    fruit = select(Fruit.score_id, func.count().label("rows")).group_by(Fruit.score_id).subquery()
    wrong = (
        select(Photo.name, Score.fruit, func.coalesce(fruit.c.rows, 0))
        .select_from(Score)
        .join(Photo)
        .outerjoin(fruit, fruit.c.score_id == Score.id)
        .where(Score.fruit != func.coalesce(fruit.c.rows, 0))
    )
    for name, said, rows in connection.execute(wrong.limit(MOST_TOLD)):
        yield f"{name} was scored with {said} fruit, but {rows} are recorded; remove its score and score it again."
    marks = select(Mark.fruit_id, func.count().label("rows")).group_by(Mark.fruit_id).subquery()
    lost = (
        select(Photo.name, Fruit.number, Fruit.marks, func.coalesce(marks.c.rows, 0))
        .select_from(Fruit)
        .join(Score)
        .join(Photo)
        .outerjoin(marks, marks.c.fruit_id == Fruit.id)
        .where(Fruit.marks != func.coalesce(marks.c.rows, 0))
    )
    for name, number, said, rows in connection.execute(lost.limit(MOST_TOLD)):
        yield f"Fruit {number} of {name} has {said} marks, but {rows} are recorded; score the photo again."


def _broken_off(connection: Connection) -> Iterator[str]:
    unfinished = select(Import.id, Import.source, Import.started_at).where(Import.finished_at.is_(None))
    for number, source, started in connection.execute(unfinished.order_by(Import.id).limit(MOST_TOLD)):
        later = select(Import.id).where(Import.source == source, Import.id > number, Import.finished_at.is_not(None))
        if connection.scalar(later.limit(1)) is None:
            yield (
                f"Batch {number} of {source}, begun {started:%Y-%m-%d %H:%M} UTC, was broken off or still runs; "
                "score the same folder again to finish it."
            )


def _without_score(connection: Connection) -> Iterator[str]:
    bare = select(func.count(Photo.id)).where(~select(Score.id).where(Score.photo_id == Photo.id).exists())
    if count := connection.scalar(bare):
        yield f"{count} photos have no score left; score them again, or remove them with `scorer records prune`."


def _doubled_bins(connection: Connection) -> Iterator[str]:
    crews = func.count(func.distinct(Bin.crew_id))
    doubled = (
        select(Bin.name, Bin.picked_at, crews)
        .where(Bin.name.is_not(None), Bin.picked_at.is_not(None))
        .where(select(Photo.id).join(Tray).where(Tray.bin_id == Bin.id).exists())
        .group_by(Bin.site_id, Bin.name, Bin.picked_at)
        .having(crews > 1)
        .order_by(Bin.picked_at, Bin.name)
    )
    for name, picked_at, count in connection.execute(doubled.limit(MOST_TOLD)):
        whose = (
            select(Crew.name)
            .join(Bin, Bin.crew_id == Crew.id)
            .where(Bin.name == name, Bin.picked_at == picked_at)
            .order_by(Crew.name)
        )
        names = ", ".join(connection.scalars(whose))
        yield (
            f"Bin {name}, picked {picked_at:%Y-%m-%d %H:%M} UTC, is that of {count} crews ({names}); "
            "correct the tag of one by a manifest and score the photo again."
        )


def _without_table(connection: Connection) -> Iterator[str]:
    for name, table in limits_by_name(limits_of_words(connection)).items():
        if table is None:
            yield (
                f"The limit table {name} cannot be loaded any more, so fruit that were judged by it keep their verdict "
                "although people spoke of their marks; put the table back."
            )

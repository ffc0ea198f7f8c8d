"""Keep labels in the records, whole or not at all, and read back all there are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.dialects import postgresql, sqlite

from scorer.access.roles import Person, Right
from scorer.errors import LabelsError
from scorer.labels.label_file import LabelFile, listed, source_of
from scorer.labels.labels import Labels, label_table, together
from scorer.labels.of_words import labels_of_words
from scorer.records.database import in_words
from scorer.records.newest_fruit import named
from scorer.records.tables import Label, LabelImport


@dataclass(frozen=True)
class Kept:
    """How much was kept.

    Parameters
    ----------
    photos, outlines, verdicts : labels added.
    known : whether the file had been kept before, so that nothing was added.
    """

    photos: int
    outlines: int
    verdicts: int
    known: bool


def keep_labels(person: Person, engine: Engine, label_file: LabelFile) -> Kept:
    """Keep the labels of a file, in one transaction; the same file once more adds nothing.

    Parameters
    ----------
    person : who hands it in; who labelled is told by the labels.
    label_file : as ``read_coco`` and ``read_verdicts`` give it.

    Raises
    ------
    AccessError : they may not train models.
    LabelsError : the same bytes are kept already as somebody else's labels.
    RecordsError : nobody is named who hands it in, or the records cannot be written.
    """
    person.must(Right.TRAIN)
    by = named(person.name)
    labels = label_file.labels
    if len(labels.named):
        raise ValueError("words on scored marks are kept as decisions and not from a file")
    with in_words(engine), engine.begin() as connection:
        number = _keep_file(connection, label_file, by)
        if number is None:
            _must_be_theirs(connection, label_file)
            return Kept(0, 0, 0, known=True)
        rows = [row | {"import_id": number} for row in _rows(labels)]
        if rows:
            connection.execute(insert(Label), rows)
    return Kept(len(labels.photos), len(labels.outlines), len(labels.verdicts), known=False)


def labels_of(engine: Engine) -> Labels:
    """All that people labelled: in files that were kept, in the order of keeping, and on the pages.

    Like an engine it asks nobody for a right; whoever hands out what is in it does.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    return together([labels_of_files(engine), labels_of_words(engine)])


def labels_of_files(engine: Engine) -> Labels:
    """What is kept from files only.

    Raises
    ------
    RecordsError : the records cannot be read.
    """
    wanted = (
        select(
            Label.photo_sha256,
            Label.who,
            Label.said_at,
            Label.field,
            Label.kind,
            Label.fruit,
            Label.downgraded,
            Label.outline,
            LabelImport.source,
            LabelImport.sha256.label("file_sha256"),
        )
        .join(LabelImport, Label.import_id == LabelImport.id)
        .order_by(Label.id)
    )
    rows: dict[str, list[dict[str, Any]]] = {"photo": [], "outline": [], "verdict": []}
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        for row in connection.execute(wanted):
            about = {"sha256": row.photo_sha256, "who": row.who, "said_at": row.said_at}
            about |= {"source": source_of(row.source, row.file_sha256)}
            rows[row.field].append(about | _of_field(row))
    return Labels(
        label_table("photos", rows["photo"]),
        label_table("outlines", rows["outline"]),
        label_table("verdicts", rows["verdict"]),
    )


def _of_field(row: Any) -> dict[str, Any]:
    if row.field == "verdict":
        return {"fruit": row.fruit, "downgraded": row.downgraded}
    if row.field == "photo":
        return {}
    drawn = row.outline
    width, height = drawn["size_px"]
    return {
        "kind": row.kind,
        "size_px": (width, height),
        "polygons_px": drawn.get("polygons_px"),
        "rle": drawn.get("rle"),
    }


def _keep_file(connection: Connection, label_file: LabelFile, by: str) -> int | None:
    """Number of the file's row; None where its bytes are there already."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    values: dict[str, Any] = {"sha256": label_file.sha256, "source": label_file.source, "form": label_file.form}
    values |= {"imported_by": by, "imported_at": datetime.now(UTC)}
    statement = dialect.insert(LabelImport).values(values).on_conflict_do_nothing().returning(LabelImport.id)
    number = connection.execute(statement).scalar()
    return None if number is None else int(number)


def _must_be_theirs(connection: Connection, label_file: LabelFile) -> None:
    """Two people can say the very same in the very same bytes; the second must not be taken for the first."""
    kept_by = select(Label.who).join(LabelImport).where(LabelImport.sha256 == label_file.sha256).distinct()
    before, now = set(connection.scalars(kept_by)), set(label_file.labels.people())
    if before != now:
        raise LabelsError(
            f"{label_file.source} is kept already as the labels of {listed(sorted(before))}; "
            f"if {listed(sorted(now))} said the very same, write that name into the file."
        )


def _rows(labels: Labels) -> Iterator[dict[str, Any]]:
    """The rows of the records, by what every label tells and what its own field tells."""
    nothing = dict.fromkeys(("kind", "fruit", "downgraded", "outline"))
    for row in _records(labels.photos):
        yield nothing | _about(row) | {"field": "photo"}
    for row in _records(labels.outlines):
        drawn = {name: row[name] for name in ("polygons_px", "rle") if row[name] is not None}
        outline = {"size_px": list(row["size_px"]), **drawn}
        yield nothing | _about(row) | {"field": "outline", "kind": row["kind"], "outline": outline}
    for row in _records(labels.verdicts):
        said = {"fruit": int(row["fruit"]), "downgraded": bool(row["downgraded"])}
        yield nothing | _about(row) | said | {"field": "verdict"}


def _records(table: Any) -> Iterable[dict[Any, Any]]:
    rows: list[dict[Any, Any]] = table.to_dict("records")
    return rows


def _about(row: dict[Any, Any]) -> dict[str, Any]:
    return {"photo_sha256": row["sha256"], "who": row["who"], "said_at": row["said_at"].to_pydatetime()}

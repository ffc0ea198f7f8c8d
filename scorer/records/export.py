"""Write the records out as CSV and Parquet, in the columns of ``scorer score``; a few hundred photos at a time."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from sqlalchemy import Engine, select

from scorer.csv_tables import CsvTables, table_as_csv
from scorer.errors import OutputError
from scorer.hold_time.sides import BOTH_DTYPES
from scorer.limits import Limits
from scorer.records.database import in_words
from scorer.records.decisions import all_decisions
from scorer.records.repeats import turned_trays
from scorer.records.scores import PHOTOS_AT_ONCE, scores_of
from scorer.records.tables import FittedModel
from scorer.results import UNFINISHED, prepare_results, reason_of, remove_file, remove_unfinished, write_whole
from scorer.score_tables import FRUIT_DTYPES, MARK_DTYPES, PHOTO_DTYPES

DECISION_COLUMNS = (
    "decision",
    "photo",
    "fruit",
    "mark",
    "field",
    "said_before",
    "said_now",
    "who",
    "decided_at",
    "why",
    "chance",
    "takes_back",
    "outline",
)
_TYPES = {
    "str": pa.string(),
    "bool": pa.bool_(),
    "int64": pa.int64(),
    "float64": pa.float64(),
    "datetime64[s]": pa.timestamp("s"),
}


@dataclass(frozen=True)
class Exported:
    """How much was written.

    Parameters
    ----------
    photos, fruit, marks, decisions : rows of each table.
    """

    photos: int
    fruit: int
    marks: int
    decisions: int


def export_records(engine: Engine, folder: Path, limits: Limits, *, model_sha256: str | None = None) -> Exported:
    """Write photos, fruit and marks as CSV and Parquet, and decisions and turned fruit as CSV, into a folder.

    Parameters
    ----------
    limits : the table by which fruit seen from both sides are judged.
    model_sha256 : the model whose scores are wanted; None takes each photo's newest score.

    Raises
    ------
    RecordsError : the records cannot be read.
    OutputError : the folder cannot be written to; files of an earlier export are still there, whole.
    """
    prepare_results(folder, masks=False, pictures=False)
    dtypes = {"photos": PHOTO_DTYPES, "fruit": FRUIT_DTYPES, "marks": _mark_dtypes(engine)}
    counts = dict.fromkeys(dtypes, 0)
    csv = CsvTables(folder)
    try:
        with ExitStack() as open_files:
            parquet = {name: _ParquetTable(folder / f"{name}.parquet", types) for name, types in dtypes.items()}
            for grown in parquet.values():
                open_files.callback(grown.abandon)
            for scores in scores_of(engine, model_sha256=model_sha256):
                tables = {"photos": scores.photo, "fruit": scores.fruit, "marks": scores.marks}
                tables = {name: table.reindex(columns=list(dtypes[name])) for name, table in tables.items()}
                csv.add(*tables.values())
                for name, table in tables.items():
                    parquet[name].add(table)
                    counts[name] += len(table)
            for grown in parquet.values():
                grown.finish()
        csv.finish()
    finally:
        remove_unfinished(folder)
    _write_turned(engine, folder, limits)
    return Exported(**counts, decisions=_write_decisions(engine, folder))


class _ParquetTable:
    """One Parquet file that grows, a row group at a time, and takes its name when it is whole."""

    def __init__(self, path: Path, dtypes: Mapping[str, str]) -> None:
        self._path = path
        self._unfinished = path.with_name(f".{path.name}{UNFINISHED}")
        self._schema = pa.schema([(name, _TYPES[dtype]) for name, dtype in dtypes.items()])
        try:
            self._writer = pq.ParquetWriter(self._unfinished, self._schema)
        except OSError as error:
            raise _cannot_write(path, error) from error

    def add(self, table: pd.DataFrame) -> None:
        try:
            self._writer.write_table(pa.Table.from_pandas(table, schema=self._schema, preserve_index=False))
        except OSError as error:
            raise _cannot_write(self._path, error) from error

    def finish(self) -> None:
        try:
            self._writer.close()
            self._unfinished.replace(self._path)
        except OSError as error:
            raise _cannot_write(self._path, error) from error

    def abandon(self) -> None:
        """Close what an error left open; without effect once finished."""
        self._writer.close()
        remove_file(self._unfinished)


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(f"{path} cannot be written ({reason_of(error)}); make room or choose another folder.")


def _mark_dtypes(engine: Engine) -> dict[str, str]:
    """Columns of marks: those of every mark, then the measures of all models that scored, in their cards' order."""
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        cards = connection.scalars(select(FittedModel.card).order_by(FittedModel.sha256)).all()
    measures = [name for card in cards for name in card.get("measures", ())]
    return {**MARK_DTYPES, "because": "str"} | {name: "float64" for name in measures if name not in MARK_DTYPES}


def _write_turned(engine: Engine, folder: Path, limits: Limits) -> None:
    """Write ``both_sides.csv``: each fruit of a turned tray judged from both sides, and those that found no partner."""
    parts = [
        tray.fruit.assign(photo_a=tray.photo_a, photo_b=tray.photo_b, crew=tray.crew, bin=tray.bin)
        for tray in turned_trays(engine, limits)
    ]
    columns = ["photo_a", "photo_b", "crew", "bin", *BOTH_DTYPES]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    write_whole(folder / "both_sides.csv", table_as_csv(table[columns]).encode("utf-8"))


def _write_decisions(engine: Engine, folder: Path) -> int:
    wanted = all_decisions().execution_options(yield_per=PHOTOS_AT_ONCE)
    with in_words(engine), engine.connect().execution_options(reads=True) as connection:
        rows = [[row[name] for name in DECISION_COLUMNS] for row in connection.execute(wanted).mappings()]
    table = pd.DataFrame(rows, columns=list(DECISION_COLUMNS))
    table["decided_at"] = [pd.Timestamp(moment).tz_convert("UTC").tz_localize(None) for moment in table["decided_at"]]
    table = table.astype({"mark": "Int64", "takes_back": "Int64"})
    table["outline"] = [json.dumps(outline) if outline else None for outline in table["outline"]]
    write_whole(folder / "decisions.csv", table_as_csv(table).encode("utf-8"))
    return len(table)

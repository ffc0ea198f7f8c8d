"""Open the records: an SQLite file or a PostgreSQL database, brought to this version's tables."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from platformdirs import user_data_path
from sqlalchemy import Engine, create_engine, event, inspect
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from scorer.errors import RecordsError

DATABASE_VARIABLE: Final = "SCORER_DATABASE_URL"
FILE_NAME: Final = "season.sqlite"
PATIENCE_S: Final = 30
"""How long one process waits for another that writes to the same SQLite file."""


def records_url(path: Path | None = None) -> URL:
    """Where the records are: the file given, else what ``SCORER_DATABASE_URL`` says, else the user's data folder.

    Raises
    ------
    RecordsError : the variable does not hold the address of an SQLite or PostgreSQL database.
    """
    if path is not None:
        return _of_file(path)
    written = os.environ.get(DATABASE_VARIABLE, "").strip()
    if not written:
        return _of_file(user_data_path("mango-tray-scorer", appauthor=False) / FILE_NAME)
    try:
        url = make_url(written)
    except ArgumentError as error:
        raise RecordsError(
            f"{DATABASE_VARIABLE} is not a database's address; write it like postgresql://user@host/season."
        ) from error
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() == "sqlite" and url.database:
        return _of_file(Path(url.database))
    raise RecordsError(
        f"{DATABASE_VARIABLE} names a {url.get_backend_name()} database; the records are kept in SQLite or PostgreSQL."
    )


def open_records(url: URL, *, create: bool = True) -> Engine:
    """Open the records and bring their tables to this version.

    Parameters
    ----------
    url : as ``records_url`` gives it.
    create : whether to make the tables (and an SQLite file with its folder) where there are none yet.

    Raises
    ------
    RecordsError : there are no records and none are to be made; the file is no database, damaged, read-only or kept by
        a newer version; the server cannot be reached; the database holds something else.
    """
    if url.get_backend_name() == "sqlite":
        _prepare_file(Path(str(url.database)), create=create)
    try:
        engine = create_engine(url, **_settings_of(url))
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise RecordsError(
            "PostgreSQL needs the driver psycopg, which is not installed; install mango-tray-scorer[postgresql]."
        ) from error
    if url.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _on_sqlite_connect)
        event.listen(engine, "begin", _on_sqlite_begin)
    with in_words(engine):
        _migrate(engine, create=create)
    return engine


def name_of(engine: Engine) -> str:
    """What messages call the records: the file's path, or the server's address without its password."""
    if engine.dialect.name == "sqlite":
        return str(engine.url.database)
    return engine.url.render_as_string(hide_password=True)


@contextmanager
def in_words(engine: Engine) -> Iterator[None]:
    """Turn what the database says of a failure into one sentence that a person can act on."""
    try:
        yield
    except DBAPIError as error:
        raise RecordsError(_sentence(error, name_of(engine))) from error
    except SQLAlchemyError as error:
        raise RecordsError(
            f"{name_of(engine)} cannot be used ({error}); check it with `scorer records check`."
        ) from error


def _of_file(path: Path) -> URL:
    return URL.create("sqlite", database=str(path.expanduser().absolute()))


def _prepare_file(path: Path, *, create: bool) -> None:
    if path.is_dir():
        raise RecordsError(f"{path} is a folder; give the path of the records' file, such as {path / FILE_NAME}.")
    if path.exists():
        with path.open("rb") as file:
            start = file.read(16)
        if start and start != b"SQLite format 3\0":
            raise RecordsError(f"{path} is not a file of records; give another path, it was left as it is.")
        return
    if not create:
        raise RecordsError(f"There are no records at {path}; score photos with --records first, or give another path.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordsError(
            f"The folder {path.parent} cannot be made ({error.strerror}); give another path by --records."
        ) from error


def _settings_of(url: URL) -> dict[str, Any]:
    if url.get_backend_name() == "sqlite":
        return {"connect_args": {"timeout": PATIENCE_S}}
    return {"pool_pre_ping": True, "connect_args": {"connect_timeout": PATIENCE_S}}


def _on_sqlite_connect(connection: Any, _: Any) -> None:
    connection.isolation_level = None  # the driver's own BEGIN comes too late to keep readers and writers apart
    for pragma in ("foreign_keys=ON", "journal_mode=WAL", "synchronous=NORMAL"):
        connection.execute(f"PRAGMA {pragma}")


def _on_sqlite_begin(connection: Any) -> None:
    # a transaction that may write asks for the write lock first: two that read and then both write would deadlock
    reads = connection.get_execution_options().get("reads", False)
    connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")


def _migrate(engine: Engine, *, create: bool) -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    newest = ScriptDirectory.from_config(config).get_current_head()
    with engine.connect().execution_options(reads=True) as connection:
        current = MigrationContext.configure(connection).get_current_revision()
        held = inspect(connection).get_table_names()
    if current == newest:
        return
    if current is None and [name for name in held if name != "alembic_version"]:
        raise RecordsError(f"{name_of(engine)} holds something else than records; give another database.")
    if current is None and not create:
        raise RecordsError(f"There are no records in {name_of(engine)}; score photos with --records first.")
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if current is not None and current not in known:
        raise RecordsError(
            f"{name_of(engine)} was kept by a newer version of scorer (tables {current}); update scorer and try again."
        )
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _sentence(error: DBAPIError, name: str) -> str:
    said = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else type(error.orig).__name__
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is not None:
        kind = code & 0xFF  # the low byte is the primary result code (sqlite.org/rescode.html)
        if kind in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return f"{name} is being written by another program for over {PATIENCE_S} s; wait for it, then try again."
        if kind in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
            return f"{name} cannot be written ({said}); check the rights of the file and its folder."
        if kind == sqlite3.SQLITE_FULL or (kind == sqlite3.SQLITE_IOERR):
            return f"{name} cannot be written, for the disk is full or failing ({said}); make room, then score again."
        if kind in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            return f"{name} is damaged ({said}); restore it from a copy, or move it away and score the photos again."
    if error.connection_invalidated or "connection" in said.lower():
        return f"{name} cannot be reached ({said}); check that the server runs and lets you in."
    return f"{name} refused to record this ({said}); nothing of it was written."

"""Where what belongs to the records lies: photos, tables, models and more, each in a folder beside them."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from platformdirs import user_data_path
from sqlalchemy.engine import URL, make_url

from scorer.errors import RecordsError


def place_beside(records_url: URL | str, what: str) -> Path:
    """Folder for what belongs to the records: beside an SQLite file, or in the user's data folder.

    Parameters
    ----------
    records_url : as ``scorer.records.database.records_url`` gives it.
    what : ending of the folder's name.

    Raises
    ------
    RecordsError : the records have no place of their own.
    """
    url = make_url(records_url)
    if not url.database or url.database == ":memory:":
        raise RecordsError(f"These records are in no file and no named database, so no {what} can be kept beside them.")
    if url.get_backend_name() == "sqlite":
        file = Path(url.database)
        return file.with_name(f"{file.stem}.{what}")
    return user_data_path("mango-tray-scorer", appauthor=False) / f"{quote(url.database, safe='')}.{what}"

"""What a table is called and where it lies: a shed's own beside the records, the shipped ones with scorer."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from scorer.errors import TableError
from scorer.resources import shared_folder

LIMITS, PRICES = "limits", "prices"
SUBJECTS: Final = (LIMITS, PRICES)
"""What a table may be about; also the names of the folders."""

_NAME: Final = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}", re.ASCII)
_NEVER_A_FILE: Final = re.compile(r"con|prn|aux|nul|com[0-9]|lpt[0-9]")  # devices of Windows, whatever the ending


@dataclass(frozen=True)
class TableName:
    """Which table is meant.

    Parameters
    ----------
    subject : LIMITS or PRICES.
    name : small letters, digits, ``-`` and ``_``; what the file is called without its ending.

    Raises
    ------
    TableError : the name could be a path or no file of every computer, or there are no tables of this subject.
    """

    subject: str
    name: str

    def __post_init__(self) -> None:
        if self.subject not in SUBJECTS:
            raise TableError(f"There are no tables of {self.subject!r}; take one of {', '.join(SUBJECTS)}.")
        if not _NAME.fullmatch(self.name) or _NEVER_A_FILE.fullmatch(self.name):
            raise TableError(
                f"{self.name!r} cannot be a table's name; take up to 40 small letters, digits, - and _, as in buyer_2."
            )

    @property
    def shipped_file(self) -> Path:
        """Where it would lie if it came with scorer."""
        return shared_folder() / self.subject / f"{self.name}.toml"

    @property
    def is_shipped(self) -> bool:
        """Whether it came with scorer and is never changed."""
        return self.shipped_file.is_file()

    def own_file(self, folder: Path) -> Path:
        """Where it lies as a shed's own."""
        return folder / self.subject / f"{self.name}.toml"

    def versions_folder(self, folder: Path) -> Path:
        """Where all its versions are kept."""
        return folder / "history" / self.subject / self.name


def tables_folder(records: Path) -> Path:
    """Folder of the tables that belong to a file of records: ``season.sqlite`` has ``season.tables`` beside it."""
    return records.with_suffix(".tables")


def names_there(folder: Path) -> list[TableName]:
    """All tables by subject and name, the shipped ones first; files whose names scorer would not give are passed by."""
    found = []
    for subject in SUBJECTS:
        shipped = {path.stem for path in (shared_folder() / subject).glob("*.toml")}
        own = {path.stem for path in (folder / subject).glob("*.toml")}
        own |= {path.name for path in (folder / "history" / subject).glob("*")}
        for name in (*sorted(shipped), *sorted(own - shipped)):
            try:
                found.append(TableName(subject, name))
            except TableError:
                continue
    return found
